package photo

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"flatfell.example/internal/shareddata"
	"flatfell.example/raster"
)

// storedAt is the definition of Exif tag 0x0112: which stored pixel of a
// w × h picture shows upright at (x, y).
func storedAt(o, x, y, w, h int) (int, int) {
	switch o {
	case 2:
		return w - 1 - x, y
	case 3:
		return w - 1 - x, h - 1 - y
	case 4:
		return x, h - 1 - y
	case 5:
		return y, x
	case 6:
		return y, h - 1 - x
	case 7:
		return w - 1 - y, h - 1 - x
	case 8:
		return w - 1 - y, x
	}
	return x, y
}

func noise(pix []uint8, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 3))
	for i := range pix {
		pix[i] = uint8(r.Uint32())
	}
}

// TestOrientTypes: each type keeps its type and each pixel its exact value, by
// the definition; sizes beyond one block of the copy.
func TestOrientTypes(t *testing.T) {
	whole := image.Rect(0, 0, 140, 80)
	part := image.Rect(3, 2, 136, 79)
	gray, gray16, rgba, nrgba := image.NewGray(whole), image.NewGray16(whole), image.NewRGBA(whole), image.NewNRGBA(whole)
	rgba64, nrgba64, cmyk := image.NewRGBA64(whole), image.NewNRGBA64(whole), image.NewCMYK(whole)
	pal := image.NewPaletted(whole, color.Palette{color.Black, color.White, color.NRGBA{1, 2, 3, 4}})
	for i, pix := range [][]uint8{gray.Pix, gray16.Pix, rgba.Pix, nrgba.Pix, rgba64.Pix, nrgba64.Pix, cmyk.Pix, pal.Pix} {
		noise(pix, uint64(i))
	}
	for i := range pal.Pix {
		pal.Pix[i] %= 3
	}
	for i := 3; i < len(rgba.Pix); i += 4 { // for RGBA, which is premultiplied
		rgba.Pix[i], rgba64.Pix[2*i], rgba64.Pix[2*i+1] = 255, 255, 255
	}
	for _, m := range []interface {
		image.Image
		SubImage(image.Rectangle) image.Image
	}{gray, gray16, rgba, nrgba, rgba64, nrgba64, cmyk, pal} {
		for o := range 9 {
			src := m.SubImage(part)
			got, err := orient(t.Context(), src, o)
			if err != nil {
				t.Fatal(err)
			}
			w, h := part.Dx(), part.Dy()
			size := image.Pt(w, h)
			if swapsAxes(o) {
				size = image.Pt(h, w)
			}
			if got.Bounds().Size() != size {
				t.Fatalf("%T orientation %d: size %v, want %v", m, o, got.Bounds().Size(), size)
			}
			if a, b := fmt.Sprintf("%T", got), fmt.Sprintf("%T", m); a != b && b != "*image.CMYK" {
				t.Errorf("orientation %d turns %s into %s", o, b, a)
			}
			for y := range size.Y {
				for x := range size.X {
					sx, sy := storedAt(o, x, y, w, h)
					a, b := got.At(got.Bounds().Min.X+x, got.Bounds().Min.Y+y), src.At(part.Min.X+sx, part.Min.Y+sy)
					r0, g0, b0, a0 := a.RGBA()
					r1, g1, b1, a1 := b.RGBA()
					if r0 != r1 || g0 != g1 || b0 != b1 || a0 != a1 {
						t.Fatalf("%T orientation %d at (%d, %d): %v, want %v", m, o, x, y, a, b)
					}
				}
			}
		}
	}
}

// TestOrientYCbCr: turning the planes and interpolating the chroma gives the
// same as interpolating first, for odd sizes and every ratio; so nothing is
// lost and no chroma moves.
func TestOrientYCbCr(t *testing.T) {
	for _, ratio := range []image.YCbCrSubsampleRatio{
		image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420,
		image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410,
	} {
		for _, size := range []image.Point{{16, 8}, {17, 9}, {15, 10}, {18, 11}, {1, 1}, {67, 70}} {
			m := image.NewYCbCr(image.Rectangle{Max: size}, ratio)
			noise(m.Y, 1)
			noise(m.Cb, 2)
			noise(m.Cr, 3)
			flat, err := raster.FromImage(t.Context(), 1, m)
			if err != nil {
				t.Fatal(err)
			}
			for o := 1; o <= 8; o++ {
				turned, err := orient(t.Context(), m, o)
				if err != nil {
					t.Fatal(err)
				}
				got, err := raster.FromImage(t.Context(), 1, turned)
				if err != nil {
					t.Fatal(err)
				}
				for y := range got.Rect.Max.Y {
					for x := range got.Rect.Max.X {
						sx, sy := storedAt(o, x, y, size.X, size.Y)
						if a, b := got.At(x, y), flat.At(sx, sy); a != b {
							t.Fatalf("%v %v orientation %d at (%d, %d): %v, want %v", ratio, size, o, x, y, a, b)
						}
					}
				}
				y, ok := turned.(*image.YCbCr)
				if narrow := ratio == image.YCbCrSubsampleRatio411 || ratio == image.YCbCrSubsampleRatio410; ok == (narrow && swapsAxes(o)) {
					t.Errorf("%v orientation %d became %T", ratio, o, turned)
				}
				if ok && swapsAxes(o) && ratio == image.YCbCrSubsampleRatio422 && y.SubsampleRatio != image.YCbCrSubsampleRatio440 {
					t.Errorf("4:2:2 on its side is %v, want 4:4:0", y.SubsampleRatio)
				}
			}
		}
	}
}

// TestOrientedPhotographs: the same two photographs stored in every way look
// the same, up to what saving them again as JPEG has cost.
func TestOrientedPhotographs(t *testing.T) {
	dir := shareddata.Dir(t, "orientation", "frames")
	for _, name := range []string{"Landscape", "Portrait"} {
		var want *raster.Plane
		for o := range 9 {
			f, err := Open(filepath.Join(dir, fmt.Sprintf("%s_%d.jpg", name, o)))
			if err != nil {
				t.Fatal(err)
			}
			if got := f.Meta.Orientation; got != max(o, 1) {
				t.Errorf("%s: orientation %d, want %d", f.Path, got, max(o, 1))
			}
			m, err := f.Decode(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			got, err := raster.Luma(t.Context(), 0, m, 2)
			if err != nil {
				t.Fatal(err)
			}
			if want == nil {
				want = got
			}
			if got.Rect != want.Rect || f.Width != m.Bounds().Dx() || f.Height != m.Bounds().Dy() {
				t.Errorf("%s: %d × %d, decoded %v", f.Path, f.Width, f.Height, m.Bounds())
				continue
			}
			// The number and the labels are drawn anew in each file; they
			// cover less than a twentieth of it.
			d := make([]float64, len(got.Pix))
			for i, v := range got.Pix {
				d[i] = 255 * math.Abs(float64(v-want.Pix[i]))
			}
			slices.Sort(d)
			p95 := d[len(d)*95/100]
			t.Logf("%s_%d: 95 %% of the pixels differ by at most %.2f of 255", name, o, p95)
			if !(p95 <= 5) {
				t.Errorf("%s: not the picture of orientation 0, 95 %% within %.2f of 255", f.Path, p95)
			}
		}
	}
}
