package photo

import (
	"context"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"os"
	"testing"

	"flatfell.example/internal/shareddata"
)

// imagePixels is an *image.RGBA as Pixels of 8 bits.
type imagePixels struct{ *image.RGBA }

func (m imagePixels) Size() (w, h int) { return m.Rect.Dx(), m.Rect.Dy() }
func (m imagePixels) HasAlpha() bool   { return false }

func (m imagePixels) Rows8(_ context.Context, dst []uint8, y0, n int) error {
	for y := y0; y < y0+n; y++ {
		row := m.Pix[y*m.Stride : y*m.Stride+4*m.Rect.Dx()]
		for x := 0; x < len(row)/4; x++ {
			s, d := row[4*x:4*x+4:4*x+4], dst[3*x:3*x+3:3*x+3]
			d[0], d[1], d[2] = s[0], s[1], s[2]
		}
		dst = dst[3*m.Rect.Dx():]
	}
	return nil
}

func (m imagePixels) Rows16(_ context.Context, dst []uint16, y0, n int) error {
	for y := y0; y < y0+n; y++ {
		row := m.Pix[y*m.Stride : y*m.Stride+4*m.Rect.Dx()]
		for x := 0; x < len(row)/4; x++ {
			for c := range 3 {
				dst[3*x+c] = uint16(row[4*x+c]) * 257
			}
		}
		dst = dst[3*m.Rect.Dx():]
	}
	return nil
}

// photograph returns a real photograph.
func photograph(tb testing.TB, name string) *image.RGBA {
	tb.Helper()
	r, err := os.Open(shareddata.Dir(tb, "scenes", name))
	if err != nil {
		tb.Fatal(err)
	}
	defer r.Close()
	src, _, err := image.Decode(r)
	if err != nil {
		tb.Fatal(err)
	}
	m := image.NewRGBA(image.Rect(0, 0, src.Bounds().Dx(), src.Bounds().Dy()))
	for y := range m.Rect.Dy() {
		for x := range m.Rect.Dx() {
			m.Set(x, y, src.At(x, y))
		}
	}
	return m
}

// discard counts what is written to it.
type discard struct{ n int64 }

func (d *discard) Write(p []byte) (int, error)            { d.n += int64(len(p)); return len(p), nil }
func (d *discard) WriteAt(p []byte, _ int64) (int, error) { return len(p), nil }

// BenchmarkEncode compares the encoders on one goroutine with the standard
// library's, on photographs.
func BenchmarkEncode(b *testing.B) {
	for _, name := range []string{"sean-afnan-244576.jpg", "picosdeeuropa_by_Aitzol_Berasategi.jpg", "Sunset_by_the_Pier.jpg"} {
		m := photograph(b, name)
		mp := float64(m.Rect.Dx()*m.Rect.Dy()) / 1e6
		run := func(what string, f func(w *discard) error) {
			b.Run(fmt.Sprintf("%.6s/%s", name, what), func(b *testing.B) {
				var d discard
				for b.Loop() {
					d.n = 0
					if err := f(&d); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(mp*float64(b.N)/b.Elapsed().Seconds(), "MP/s")
				b.ReportMetric(float64(d.n)*8/mp/1e6, "bit/px")
			})
		}
		for _, q := range []int{80, 89, 95} {
			run(fmt.Sprintf("jpeg/std%d", q), func(w *discard) error { return jpeg.Encode(w, m, &jpeg.Options{Quality: q}) })
			run(fmt.Sprintf("jpeg/own%d", q), func(w *discard) error {
				return encodeJPEG(b.Context(), w, imagePixels{m}, q, q >= fullChroma, 1, jfif(0))
			})
		}
		run("png8/std", func(w *discard) error { return png.Encode(w, m) })
		run("png8/own", func(w *discard) error { return encodePNG(b.Context(), w, imagePixels{m}, 8, 1, nil) })
		run("png16/own", func(w *discard) error { return encodePNG(b.Context(), w, imagePixels{m}, 16, 1, nil) })
		for _, c := range Compressions() {
			for _, bits := range []int{8, 16} {
				run(fmt.Sprintf("tiff%d/%s", bits, c), func(w *discard) error {
					return encodeTIFF(b.Context(), w, w, imagePixels{m}, bits, 1, c, tree{}, tiffLimit)
				})
			}
		}
	}
}
