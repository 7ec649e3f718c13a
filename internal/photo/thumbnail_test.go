package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"os"
	"testing"

	"flatfell.example/raster"
)

// halfNoisy is a picture with noise in its left half and a smooth right one.
func halfNoisy(w, h int) *image.RGBA {
	m := smooth(w, h)
	n := uint32(1)
	for y := range h {
		for x := range w / 2 {
			n = n*1664525 + 1013904223
			c := m.RGBAAt(x, y)
			c.G += uint8(n>>26) % 48
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

// TestGlanceMeans compares the block means with those of the decoded picture,
// in every orientation.
func TestGlanceMeans(t *testing.T) {
	data := jpegBytes(t, halfNoisy(403, 265))
	for o := range uint16(9) {
		path := store(t, "a.jpg", withEXIF(data, exifBlock(binary.LittleEndian, []entry{{0x0112, o}}, nil)))
		f, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		g, err := f.Glance(t.Context(), 40)
		if err != nil {
			t.Fatal(err)
		}
		if g.From != FromCoefficients || g.Shrink != 8 {
			t.Fatalf("orientation %d: %v, shrink %v", o, g.From, g.Shrink)
		}
		full, err := f.Decode(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		got, err := raster.Luma(t.Context(), 1, g.Image, 1)
		if err != nil {
			t.Fatal(err)
		}
		// What is left over at the right edge lies at the left of a mirrored one.
		want, err := raster.Luma(t.Context(), 1, full, 8)
		if err != nil {
			t.Fatal(err)
		}
		if got.Rect != want.Rect || g.Fine.Rect != got.Rect {
			t.Fatalf("orientation %d: %v and %v, want %v", o, got.Rect, g.Fine.Rect, want.Rect)
		}
		flipX, flipY := flips(int(o))
		if swapsAxes(int(o)) {
			flipX, flipY = flipY, flipX
		}
		worst := 0.0
		for y := range want.Rect.Dy() {
			for x := range want.Rect.Dx() {
				if flipX || flipY {
					continue // the blocks of a mirrored picture don't fall on its own
				}
				worst = max(worst, math.Abs(float64(got.At(x, y)-want.At(x, y))))
			}
		}
		if !(worst <= 0.004) { // a rounding to 8 bits
			t.Errorf("orientation %d: off by %.4f", o, worst)
		}
		var left, right float64
		x0, x1 := image.Pt(5, 5), image.Pt(want.Rect.Dx()-6, want.Rect.Dy()-6)
		if flipX {
			x0.X, x1.X = x1.X, x0.X
		}
		if flipY {
			x0.Y, x1.Y = x1.Y, x0.Y
		}
		left, right = float64(g.Fine.At(x0.X, x0.Y)), float64(g.Fine.At(x1.X, x1.Y))
		if !(left > 20*right) {
			t.Errorf("orientation %d: fine detail %.2g in the noise, %.2g in the smooth part", o, left, right)
		}
	}
}

// TestGlanceSizes: odd sizes, grey, small pictures and other formats.
func TestGlanceSizes(t *testing.T) {
	gray := image.NewGray(image.Rect(0, 0, 331, 217))
	for i := range gray.Pix {
		gray.Pix[i] = uint8(i / 331)
	}
	for _, c := range []struct {
		name string
		data []byte
		from GlanceSource
		size image.Point
	}{
		{"gray.jpg", jpegBytes(t, gray), FromCoefficients, image.Pt(41, 27)},
		{"small.jpg", jpegBytes(t, smooth(90, 60)), FromPixels, image.Pt(45, 30)},
		{"a.png", pngBytes(t, smooth(410, 123)), FromPixels, image.Pt(41, 12)},
	} {
		f, err := Open(store(t, c.name, c.data))
		if err != nil {
			t.Fatal(err)
		}
		g, err := f.Glance(t.Context(), 40)
		if err != nil {
			t.Fatal(err)
		}
		if g.From != c.from || g.Image.Bounds().Size() != c.size {
			t.Errorf("%s: %v, %v; want %v, %v", c.name, g.From, g.Image.Bounds().Size(), c.from, c.size)
		}
	}
}

// withThumbnail puts a picture into the second directory of a JPEG's metadata.
func withThumbnail(file, thumb []byte) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32([]byte("II*\x00"), 8)
	b = le.AppendUint16(b, 0)
	b = le.AppendUint32(b, 14)
	b = le.AppendUint16(b, 2)
	for _, e := range [][2]uint32{{0x0201, 44}, {0x0202, uint32(len(thumb))}} {
		b = le.AppendUint16(le.AppendUint16(b, uint16(e[0])), 4)
		b = le.AppendUint32(le.AppendUint32(b, 1), e[1])
	}
	b = le.AppendUint32(b, 0)
	return withEXIF(file, append(b, thumb...))
}

func TestGlancePreview(t *testing.T) {
	flat := func(w, h int, c color.Color) []byte {
		m := image.NewRGBA(image.Rect(0, 0, w, h))
		for i := range w * h {
			m.Set(i%w, i/w, c)
		}
		return jpegBytes(t, m)
	}
	big := flat(600, 400, color.Gray{200})
	for _, c := range []struct {
		name  string
		thumb []byte
		from  GlanceSource
	}{
		{"large enough", flat(150, 100, color.Gray{40}), FromPreview},
		{"too small", flat(30, 20, color.Gray{40}), FromCoefficients},
		{"another shape", flat(160, 120, color.Gray{40}), FromCoefficients},
		{"no picture", []byte("not a picture"), FromCoefficients},
	} {
		f, err := Open(store(t, "a.jpg", withThumbnail(big, c.thumb)))
		if err != nil {
			t.Fatal(err)
		}
		g, err := f.Glance(t.Context(), 60)
		if err != nil {
			t.Fatal(err)
		}
		if g.From != c.from {
			t.Errorf("%s: read from %v, want %v", c.name, g.From, c.from)
		}
	}
	// The same in a file of several pictures.
	thumb := flat(300, 200, color.Gray{40})
	le := binary.LittleEndian
	build := func(off uint32) []byte {
		b := append([]byte("MPF\x00"), le.AppendUint32([]byte("II*\x00"), 8)...)
		b = le.AppendUint16(b, 2)
		b = le.AppendUint32(le.AppendUint32(le.AppendUint16(le.AppendUint16(b, 0xb001), 4), 1), 2)
		b = le.AppendUint32(le.AppendUint32(le.AppendUint16(le.AppendUint16(b, 0xb002), 7), 32), 38)
		b = le.AppendUint32(b, 0)
		b = append(b, make([]byte, 16)...)
		for _, v := range []uint32{0, uint32(len(thumb)), off, 0} {
			b = le.AppendUint32(b, v)
		}
		seg := append([]byte{0xff, 0xe2, byte((len(b) + 2) >> 8), byte(len(b) + 2)}, b...)
		return append(append(bytes.Clone(big[:2]), seg...), big[2:]...)
	}
	whole := build(0)
	whole = append(build(uint32(len(whole)-10)), thumb...)
	f, err := Open(store(t, "a.jpg", whole))
	if err != nil {
		t.Fatal(err)
	}
	if g, err := f.Glance(t.Context(), 100); err != nil || g.From != FromPreview || g.Shrink != 2 {
		t.Errorf("%+v, %v", g, err)
	}
}

// TestGlanceDamaged: what Decode refuses is refused.
func TestGlanceDamaged(t *testing.T) {
	data := jpegBytes(t, halfNoisy(403, 265))
	for n := 300; n < len(data); n += len(data)/40 + 1 {
		path := store(t, "a.jpg", data[:n])
		f, err := Open(path)
		if err != nil {
			continue
		}
		if _, err := f.Glance(t.Context(), 40); !errors.Is(err, ErrDamaged) {
			t.Errorf("cut to %d of %d bytes: %v", n, len(data), err)
		}
	}
	f, err := Open(store(t, "a.jpg", data))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(f.Path); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Glance(t.Context(), 40); !errors.Is(err, ErrUnreadable) {
		t.Errorf("a file that is gone: %v", err)
	}
}

// FuzzMeans: no input panics, and what is read agrees with the decoder's size.
func FuzzMeans(f *testing.F) {
	f.Add(jpegBytes(f, halfNoisy(80, 48)))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := jpeg.DecodeConfig(bytes.NewReader(data))
		if err != nil || c.Width*c.Height > 1<<20 {
			return
		}
		if d, err := decodeMeans(data); err == nil && (d.width != c.Width || d.height != c.Height) {
			t.Errorf("%d × %d, the decoder says %d × %d", d.width, d.height, c.Width, c.Height)
		}
	})
}
