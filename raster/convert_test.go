package raster

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"testing"
)

var ratios = []image.YCbCrSubsampleRatio{
	image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420,
	image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410,
}

func fill(pix []uint8, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range pix {
		pix[i] = uint8(r.Uint32())
	}
}

// subImager is what all of Go's image types offer.
type subImager interface {
	image.Image
	SubImage(image.Rectangle) image.Image
}

// noisyImages has an image of every type with a path of its own, and two that
// have none, each of odd size with bounds that do not start at (0, 0).
func noisyImages() map[string]image.Image {
	r := image.Rect(3, 5, 40, 56)
	gray, gray16 := image.NewGray(r), image.NewGray16(r)
	rgba, nrgba := image.NewRGBA(r), image.NewNRGBA(r)
	rgba64, nrgba64 := image.NewRGBA64(r), image.NewNRGBA64(r)
	opaque, opaque64 := image.NewRGBA(r), image.NewNRGBA64(r)
	cmyk := image.NewCMYK(r)
	paletted := image.NewPaletted(r, color.Palette{
		color.Gray16{Y: 0x1234}, color.NRGBA{R: 200, G: 100, B: 50, A: 128}, color.RGBA{R: 9, G: 8, B: 7, A: 255},
	})
	alphaYCbCr := image.NewNYCbCrA(r, image.YCbCrSubsampleRatio422)
	for i, pix := range [][]uint8{
		gray.Pix, gray16.Pix, rgba.Pix, nrgba.Pix, rgba64.Pix, nrgba64.Pix, opaque.Pix, opaque64.Pix,
		cmyk.Pix, paletted.Pix, alphaYCbCr.Y, alphaYCbCr.Cb, alphaYCbCr.Cr, alphaYCbCr.A,
	} {
		fill(pix, uint64(i))
	}
	for i := 0; i < len(rgba.Pix); i += 4 { // premultiplied: no colour above alpha, 0 and 255 among the alphas
		p := rgba.Pix[i : i+4]
		p[3] = [...]uint8{0, 255, p[3], p[3]}[i/4%4]
		p[0], p[1], p[2] = min(p[0], p[3]), min(p[1], p[3]), min(p[2], p[3])
		q := rgba64.Pix[2*i : 2*i+8]
		q[0], q[2], q[4] = min(q[0], q[6]), min(q[2], q[6]), min(q[4], q[6])
		q[1], q[3], q[5] = 0, 0, 0
		opaque.Pix[i+3] = 255
		opaque64.Pix[2*i+6], opaque64.Pix[2*i+7] = 255, 255
	}
	for i := range paletted.Pix {
		paletted.Pix[i] %= 3
	}
	all := map[string]image.Image{}
	inner := image.Rect(8, 6, 31, 55)
	for name, m := range map[string]subImager{
		"Gray": gray, "Gray16": gray16, "RGBA": rgba, "NRGBA": nrgba, "RGBA64": rgba64, "NRGBA64": nrgba64,
		"opaque RGBA": opaque, "opaque NRGBA64": opaque64, "CMYK": cmyk, "Paletted": paletted, "NYCbCrA": alphaYCbCr,
	} {
		all[name], all["part of "+name] = m, m.SubImage(inner)
	}
	p := NewPicture(image.Rect(-3, 2, 20, 37))
	r64 := rand.New(rand.NewPCG(1, 2))
	for i := range p.Pix {
		p.Pix[i] = uint16(r64.Uint32())
	}
	p.Alpha = make([]uint16, 23*35)
	for i := range p.Alpha {
		p.Alpha[i] = uint16(i) * 50
	}
	all["Picture"] = p
	return all
}

func noisyYCbCr(r image.Rectangle, s image.YCbCrSubsampleRatio) *image.YCbCr {
	m := image.NewYCbCr(r, s)
	fill(m.Y, 1)
	fill(m.Cb, 2)
	fill(m.Cr, 3)
	return m
}

// straightTwin is the standard conversion of c, or 257·v of straight bytes:
// the standard one goes through premultiplied colours and loses steps there.
func straightTwin(c color.Color) color.NRGBA64 {
	if n, ok := c.(color.NRGBA); ok {
		c = color.NRGBA64{R: 257 * uint16(n.R), G: 257 * uint16(n.G), B: 257 * uint16(n.B), A: 257 * uint16(n.A)}
	}
	return color.NRGBA64Model.Convert(c).(color.NRGBA64)
}

// TestFromImageMatchesAt: a fast path gives what At and the standard colour
// models give, sample for sample.
func TestFromImageMatchesAt(t *testing.T) {
	for name, m := range noisyImages() {
		for _, workers := range []int{1, 3} {
			p, err := FromImage(t.Context(), workers, m)
			if err != nil {
				t.Fatal(err)
			}
			b, opaque, bad := m.Bounds(), true, 0
			if p.Rect != image.Rect(0, 0, b.Dx(), b.Dy()) {
				t.Fatalf("%s: bounds %v, want the size of %v at the origin", name, p.Rect, b)
			}
			for y := range b.Dy() {
				for x := range b.Dx() {
					want := straightTwin(m.At(b.Min.X+x, b.Min.Y+y))
					opaque = opaque && want.A == 0xffff
					if got := p.At(x, y); got != want {
						if bad++; bad < 4 {
							t.Errorf("%s, %d workers: (%d, %d) = %v, want %v", name, workers, x, y, got, want)
						}
					}
				}
			}
			if (p.Alpha == nil) != opaque {
				t.Errorf("%s: has alpha: %t, want %t", name, p.Alpha != nil, !opaque)
			}
		}
	}
}

// jfif is ITU-T T.871, clause 7, in float64: 16-bit samples from a full-range
// luma and chroma of 0 to 255.
func jfif(y, cb, cr float64) [3]float64 {
	to16 := func(v float64) float64 { return 257 * min(max(v, 0), 255) }
	cb, cr = cb-128, cr-128
	return [3]float64{
		to16(y + 1.402*cr),
		to16(y - (0.114*1.772*cb+0.299*1.402*cr)/0.587),
		to16(y + 1.772*cb),
	}
}

// chromaAt interpolates plane at luma pixel (x, y) linearly by the definition:
// the chroma sample c of a subsampled axis lies at luma position n·c + n/2,
// a pixel at x + ½.
func chromaAt(m *image.YCbCr, plane []uint8, x, y, h, v int) float64 {
	sample := func(cx, cy int) float64 {
		px := min(max(h*cx, m.Rect.Min.X), m.Rect.Max.X-1)
		py := min(max(v*cy, m.Rect.Min.Y), m.Rect.Max.Y-1)
		return float64(plane[m.COffset(px, py)])
	}
	u, w := (float64(x)+0.5)/float64(h)-0.5, (float64(y)+0.5)/float64(v)-0.5
	fx, fy := math.Floor(u), math.Floor(w)
	tx, ty := u-fx, w-fy
	cx, cy := int(fx), int(fy)
	return (1-ty)*((1-tx)*sample(cx, cy)+tx*sample(cx+1, cy)) +
		ty*((1-tx)*sample(cx, cy+1)+tx*sample(cx+1, cy+1))
}

func TestFromImageYCbCr(t *testing.T) {
	steps := map[image.YCbCrSubsampleRatio][2]int{
		image.YCbCrSubsampleRatio444: {1, 1}, image.YCbCrSubsampleRatio422: {2, 1},
		image.YCbCrSubsampleRatio420: {2, 2}, image.YCbCrSubsampleRatio440: {1, 2},
		image.YCbCrSubsampleRatio411: {4, 1}, image.YCbCrSubsampleRatio410: {4, 2},
	}
	for _, s := range ratios {
		h, v := steps[s][0], steps[s][1]
		whole := noisyYCbCr(image.Rect(0, 0, 45, 39), s)
		for _, r := range []image.Rectangle{
			whole.Rect, image.Rect(3, 5, 38, 37), image.Rect(4, 4, 40, 20), image.Rect(7, 9, 8, 10), image.Rect(44, 0, 45, 39),
		} {
			m := whole.SubImage(r).(*image.YCbCr)
			p, err := FromImage(t.Context(), 2, m)
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for y := r.Min.Y; y < r.Max.Y; y++ {
				for x := r.Min.X; x < r.Max.X; x++ {
					want := jfif(float64(m.Y[m.YOffset(x, y)]), chromaAt(m, m.Cb, x, y, h, v), chromaAt(m, m.Cr, x, y, h, v))
					for c, w := range want {
						got := float64(p.Row(y - r.Min.Y)[3*(x-r.Min.X)+c])
						worst = max(worst, math.Abs(got-w))
					}
				}
			}
			// Half a step for the one rounding, and that of the coefficients.
			if !(worst <= 0.5+1e-3) {
				t.Errorf("%v, part %v: largest difference %.4f of a 16-bit step", s, r, worst)
			}
		}
	}
}

// TestFromImageYCbCrRamp: interpolated chroma follows a linear ramp; samples
// repeated as At does would lie half a chroma step off.
func TestFromImageYCbCrRamp(t *testing.T) {
	m := image.NewYCbCr(image.Rect(0, 0, 64, 8), image.YCbCrSubsampleRatio420)
	for i := range m.Y {
		m.Y[i] = 128
	}
	for y := range 4 {
		for x := range 32 {
			m.Cb[y*m.CStride+x], m.Cr[y*m.CStride+x] = 128, uint8(112+x)
		}
	}
	p, err := FromImage(t.Context(), 1, m)
	if err != nil {
		t.Fatal(err)
	}
	for x := 1; x < 63; x++ { // the outermost columns are clamped
		want := jfif(128, 128, 112+(float64(x)-0.5)/2)[0]
		if got := float64(p.Row(3)[3*x]); !(math.Abs(got-want) <= 0.5001) {
			t.Errorf("red at column %d = %v, want %v", x, got, want)
		}
	}
}

// TestFromImageYCbCrNegative: bounds below zero take Go's own siting.
func TestFromImageYCbCrNegative(t *testing.T) {
	m := noisyYCbCr(image.Rect(-5, -3, 6, 8), image.YCbCrSubsampleRatio420)
	p, err := FromImage(t.Context(), 2, m)
	if err != nil {
		t.Fatal(err)
	}
	want := color.NRGBA64Model.Convert(m.At(-4, 2))
	if got := p.At(1, 5); got != want {
		t.Errorf("At(1, 5) = %v, want %v", got, want)
	}
}

func TestFromImageEmpty(t *testing.T) {
	for _, m := range []image.Image{image.NewGray(image.Rect(5, 5, 5, 9)), image.NewYCbCr(image.Rectangle{}, image.YCbCrSubsampleRatio420)} {
		p, err := FromImage(t.Context(), 2, m)
		if err != nil || !p.Rect.Empty() {
			t.Errorf("FromImage(empty %T) = %v, %v", m, p, err)
		}
		l, err := Luma(t.Context(), 2, m, 1)
		if err != nil || !l.Rect.Empty() {
			t.Errorf("Luma(empty %T) = %v, %v", m, l, err)
		}
	}
}

// TestLuma compares with the mean of the weighted straight colours, or of the
// Y plane, summed in float64.
func TestLuma(t *testing.T) {
	images := noisyImages()
	for _, s := range ratios {
		m := noisyYCbCr(image.Rect(2, 1, 39, 36), s)
		images[fmt.Sprint(s)] = m
		images["part of "+fmt.Sprint(s)] = m.SubImage(image.Rect(5, 4, 38, 29))
	}
	for name, m := range images {
		lumaAt := func(x, y int) float64 {
			if c, ok := m.(*image.YCbCr); ok {
				return float64(c.YCbCrAt(x, y).Y) / 255
			}
			c := straightTwin(m.At(x, y))
			return (0.299*float64(c.R) + 0.587*float64(c.G) + 0.114*float64(c.B)) / 65535
		}
		b := m.Bounds()
		for _, shrink := range []int{1, 2, 3, 7, b.Dx(), 100} {
			got, err := Luma(t.Context(), 2, m, shrink)
			if err != nil {
				t.Fatal(err)
			}
			if want := image.Rect(0, 0, b.Dx()/shrink, b.Dy()/shrink); got.Rect != want {
				t.Fatalf("%s, shrink %d: bounds %v, want %v", name, shrink, got.Rect, want)
			}
			worst := 0.0
			for y := range got.Rect.Dy() {
				for x := range got.Rect.Dx() {
					sum := 0.0
					for i := range shrink * shrink {
						sum += lumaAt(b.Min.X+x*shrink+i%shrink, b.Min.Y+y*shrink+i/shrink)
					}
					worst = max(worst, math.Abs(float64(got.At(x, y))-sum/float64(shrink*shrink)))
				}
			}
			if !(worst <= 1e-7) { // half a unit in the last place of a float32 below 1 is 3e-8
				t.Errorf("%s, shrink %d: largest difference %g", name, shrink, worst)
			}
		}
	}
}

func BenchmarkFromImage420(b *testing.B) {
	m := noisyYCbCr(image.Rect(0, 0, 2000, 1000), image.YCbCrSubsampleRatio420)
	b.SetBytes(int64(len(m.Y)))
	for b.Loop() {
		if _, err := FromImage(b.Context(), 1, m); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLuma(b *testing.B) {
	m := noisyYCbCr(image.Rect(0, 0, 2000, 1000), image.YCbCrSubsampleRatio420)
	b.SetBytes(int64(len(m.Y)))
	for b.Loop() {
		if _, err := Luma(b.Context(), 1, m, 4); err != nil {
			b.Fatal(err)
		}
	}
}
