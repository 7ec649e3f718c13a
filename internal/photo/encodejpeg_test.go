package photo

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/raster"
)

// ownJPEG and standardJPEG compress m.
func ownJPEG(t testing.TB, m *image.RGBA, quality int, full bool, workers int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := encodeJPEG(t.Context(), &b, imagePixels{m}, quality, full, workers, jfif(300)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func standardJPEG(t testing.TB, m image.Image, quality int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// psnr decodes a JPEG by the standard library and returns how far its red,
// green and blue are from those of m, in dB of 255.
func psnr(t testing.TB, file []byte, m *image.RGBA) float64 {
	t.Helper()
	img, err := jpeg.Decode(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	if img.Bounds() != m.Bounds() {
		t.Fatalf("decoded to %v, want %v", img.Bounds(), m.Bounds())
	}
	got, err := raster.FromImage(t.Context(), 0, img)
	if err != nil {
		t.Fatal(err)
	}
	var sum float64
	for i, v := range got.Pix {
		d := float64(v)/257 - float64(m.Pix[i/3*4+i%3])
		sum += d * d
	}
	return 10 * math.Log10(255*255*float64(len(got.Pix))/sum)
}

// textured is a picture of soft shapes, edges and a little noise in colour.
func textured(w, h int) *image.RGBA {
	m, rnd := image.NewRGBA(image.Rect(0, 0, w, h)), rand.New(rand.NewPCG(7, 8))
	for y := range h {
		for x := range w {
			fx, fy := float64(x), float64(y)
			l := 120 + 50*math.Sin(fx/17+math.Cos(fy/23)*2) + 30*math.Sin(fx*fy/900)
			if (x/40+y/56)%3 == 0 {
				l += 40
			}
			px := func(k float64) uint8 { return uint8(min(max(l*k+4*rnd.NormFloat64(), 0), 255)) }
			m.SetRGBA(x, y, color.RGBA{px(1), px(0.9 + 0.1*math.Sin(fx/90)), px(0.8 + 0.2*math.Cos(fy/70)), 255})
		}
	}
	return m
}

// TestJPEGError holds the encoder against the standard library's: at equal
// quality and resolution of colours the error is no larger, and the file no
// larger but for the restart markers.
func TestJPEGError(t *testing.T) {
	for name, m := range map[string]*image.RGBA{"textured": textured(500, 403), "smooth": smooth(500, 403)} {
		for _, q := range []int{1, 10, 50, 75, 85, 95, 100} {
			std, own, full := standardJPEG(t, m, q), ownJPEG(t, m, q, false, 2), ownJPEG(t, m, q, true, 2)
			ps, po, pf := psnr(t, std, m), psnr(t, own, m), psnr(t, full, m)
			t.Logf("%-8s quality %3d: standard %.2f dB %6d bytes, own %.2f dB %6d bytes, full colours %.2f dB %6d bytes",
				name, q, ps, len(std), po, len(own), pf, len(full))
			// Under strong quantisers the two errors differ by chance.
			if !(po >= ps-0.03) || name == "textured" && !(pf >= po) {
				t.Errorf("%s, quality %d: %.3f dB and %.3f with full colours, the standard library has %.3f", name, q, po, pf, ps)
			}
			if !(float64(len(own)) <= 1.02*float64(len(std))+500) {
				t.Errorf("%s, quality %d: %d bytes, the standard library takes %d", name, q, len(own), len(std))
			}
		}
	}
}

// TestJPEGSizes: odd sizes, both resolutions of colours, decoded by the
// standard library; a picture beyond one MCU has restart markers in it.
func TestJPEGSizes(t *testing.T) {
	for _, s := range []image.Point{{1, 1}, {1, 40}, {40, 1}, {7, 9}, {8, 8}, {9, 8}, {15, 17}, {16, 16}, {17, 33}, {64, 160}, {3000, 300}} {
		m := textured(s.X, s.Y)
		for _, full := range []bool{true, false} {
			file := ownJPEG(t, m, 98, full, 3)
			if p := psnr(t, file, m); !(p >= map[bool]float64{true: 40, false: 27}[full]) {
				t.Errorf("%v, full %t: %.1f dB", s, full, p)
			}
			mcu := map[bool]int{true: 8, false: 16}[full]
			var want, got int
			want = (s.Y+mcu-1)/mcu - 1
			for i := 0; i+1 < len(file); i++ {
				if file[i] == 0xff && file[i+1]&^7 == markerRST0 {
					if int(file[i+1]&7) != got%8 {
						t.Fatalf("%v: restart marker %d follows %d others", s, file[i+1]&7, got)
					}
					got++
				}
			}
			if got != want {
				t.Errorf("%v, full %t: %d restart markers, want %d", s, full, got, want)
			}
		}
	}
}

// TestJPEGExtremes: what is hardest on the ranges of the coefficients: edges
// between the ends of the scale, in all phases, at the finest quantiser.
func TestJPEGExtremes(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	m := image.NewRGBA(image.Rect(0, 0, 256, 256))
	for by := 0; by < 256; by += 8 {
		for bx := 0; bx < 256; bx += 8 {
			kx, ky, kind := rnd.IntN(8), rnd.IntN(8), rnd.IntN(3)
			for y := range 8 {
				for x := range 8 {
					s := math.Cos(float64(2*x+1)*float64(kx)*math.Pi/16) * math.Cos(float64(2*y+1)*float64(ky)*math.Pi/16)
					c := color.RGBA{A: 255}
					if s >= 0 {
						c = []color.RGBA{{255, 255, 255, 255}, {0, 0, 255, 255}, {255, 0, 0, 255}}[kind]
					} else if kind > 0 {
						c = []color.RGBA{{}, {255, 255, 0, 255}, {0, 255, 255, 255}}[kind]
					}
					m.SetRGBA(bx+x, by+y, c)
				}
			}
		}
	}
	if p := psnr(t, ownJPEG(t, m, 100, true, 1), m); !(p >= 50) {
		t.Errorf("%.1f dB", p)
	}
}

// TestJPEGGrey: each of the 256 greys comes back as itself at the quality that
// is the default, at least at the middle of a plain block.
func TestJPEGGrey(t *testing.T) {
	m := image.NewRGBA(image.Rect(0, 0, 16*16, 16*16))
	for y := range 256 {
		for x := range 256 {
			v := uint8(y/16*16 + x/16)
			m.SetRGBA(x, y, color.RGBA{v, v, v, 255})
		}
	}
	for _, full := range []bool{true, false} {
		img, err := jpeg.Decode(bytes.NewReader(ownJPEG(t, m, 95, full, 1)))
		if err != nil {
			t.Fatal(err)
		}
		for v := range 256 {
			got := color.RGBAModel.Convert(img.At(v%16*16+8, v/16*16+8)).(color.RGBA)
			if got != (color.RGBA{uint8(v), uint8(v), uint8(v), 255}) {
				t.Errorf("full %t: grey %d comes back as %v", full, v, got)
			}
		}
	}
}

// cancelling cancels at its first write of coded data and counts all.
type cancelling struct {
	cancel context.CancelFunc
	writes int
}

func (c *cancelling) Write(p []byte) (int, error) {
	c.writes++
	if c.writes == 2 {
		c.cancel()
	}
	return len(p), nil
}

// TestEncodersStop: no encoder goes on after the context is cancelled but for
// what is in work.
func TestEncodersStop(t *testing.T) {
	src := imagePixels{image.NewRGBA(image.Rect(0, 0, 4000, 4000))}
	for name, encode := range map[string]func(ctx context.Context, w io.Writer) error{
		"JPEG": func(ctx context.Context, w io.Writer) error { return encodeJPEG(ctx, w, src, 95, true, 2, nil) },
		"PNG":  func(ctx context.Context, w io.Writer) error { return encodePNG(ctx, w, src, 8, 2, nil) },
		"TIFF": func(ctx context.Context, w io.Writer) error {
			return encodeTIFF(ctx, w, nil, src, 8, 2, Deflate, tree{}, tiffLimit)
		},
	} {
		ctx, cancel := context.WithCancel(t.Context())
		w := &cancelling{cancel: cancel}
		if err := encode(ctx, w); !errors.Is(err, context.Canceled) || w.writes > 2+BandsAhead(2) {
			t.Errorf("%s: err %v after %d writes, want canceled after %d at most", name, err, w.writes, 2+BandsAhead(2))
		}
	}
}
