package photo

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"flatfell.example/raster"
)

// smooth is a picture without noise, so that JPEG keeps it; no two of its
// corners are alike.
func smooth(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			m.SetRGBA(x, y, color.RGBA{uint8(40 + 150*x/w), uint8(60 + 120*y/h), uint8(200 - 100*x*y/w/h), 255})
		}
	}
	return m
}

func jpegBytes(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func pngBytes(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// store writes data to a new file of that name.
func store(t testing.TB, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// noisyPicture is a picture of random samples, with alpha if asked for.
func noisyPicture(r image.Rectangle, alpha bool) *raster.Picture {
	p, rnd := raster.NewPicture(r), rand.New(rand.NewPCG(1, 2))
	for i := range p.Pix {
		p.Pix[i] = uint16(rnd.Uint32())
	}
	if alpha {
		p.Alpha = make([]uint16, r.Dx()*r.Dy())
		for i := range p.Alpha {
			p.Alpha[i] = []uint16{0, 0xffff, uint16(rnd.Uint32())}[i%3]
		}
	}
	return p
}

// entry is one field of a made-up Exif block. A value is a text, a uint16, a
// uint32, or a pair of uint32 for a rational.
type entry struct {
	tag   uint16
	value any
}

// exifBlock builds a block of TIFF fields with a main and an Exif directory,
// little or big endian.
func exifBlock(order binary.AppendByteOrder, main, exif []entry) []byte {
	header := "II*\x00"
	if order.String() == binary.BigEndian.String() {
		header = "MM\x00*"
	}
	b := order.AppendUint32([]byte(header), 8)
	if len(exif) > 0 {
		main = append(main, entry{0x8769, uint32(0)}) // the place is filled in below
	}
	dir := func(at int, entries []entry, exifAt uint32) []byte {
		d := order.AppendUint16(nil, uint16(len(entries)))
		extraAt := at + 2 + 12*len(entries) + 4
		var extra []byte
		for _, e := range entries {
			var kind uint16
			var count int
			var value []byte
			switch v := e.value.(type) {
			case string:
				kind, count, value = 2, len(v)+1, append([]byte(v), 0)
			case uint16:
				kind, count, value = 3, 1, order.AppendUint16(nil, v)
			case uint32:
				if e.tag == 0x8769 {
					v = exifAt
				}
				kind, count, value = 4, 1, order.AppendUint32(nil, v)
			case [2]uint32:
				kind, count, value = 5, 1, order.AppendUint32(order.AppendUint32(nil, v[0]), v[1])
			}
			d = order.AppendUint32(order.AppendUint16(order.AppendUint16(d, e.tag), kind), uint32(count))
			if len(value) <= 4 {
				d = append(d, append(value, make([]byte, 4-len(value))...)...)
				continue
			}
			d = order.AppendUint32(d, uint32(extraAt+len(extra)))
			extra = append(extra, value...)
		}
		return append(order.AppendUint32(d, 0), extra...)
	}
	size := len(dir(8, main, 0))
	b = append(b, dir(8, main, uint32(8+size))...)
	return append(b, dir(8+size, exif, 0)...)
}

// withEXIF puts block into a JPEG or PNG.
func withEXIF(file, block []byte) []byte {
	if file[0] == 0xff {
		n := len(block) + 8
		seg := append([]byte{0xff, 0xe1, byte(n >> 8), byte(n), 'E', 'x', 'i', 'f', 0, 0}, block...)
		return append(append(bytes.Clone(file[:2]), seg...), file[2:]...)
	}
	chunk := binary.BigEndian.AppendUint32(nil, uint32(len(block)))
	chunk = append(append(chunk, "eXIf"...), block...)
	chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk[4:]))
	return append(append(bytes.Clone(file[:33]), chunk...), file[33:]...)
}

// maxDifference compares two images of one size, in 16-bit steps.
func maxDifference(a, b image.Image) int {
	p, q, worst := a.Bounds().Min, b.Bounds().Min, 0
	for y := range a.Bounds().Dy() {
		for x := range a.Bounds().Dx() {
			r0, g0, b0, a0 := a.At(p.X+x, p.Y+y).RGBA()
			r1, g1, b1, a1 := b.At(q.X+x, q.Y+y).RGBA()
			for _, d := range []int{int(r0) - int(r1), int(g0) - int(g1), int(b0) - int(b1), int(a0) - int(a1)} {
				worst = max(worst, d, -d)
			}
		}
	}
	return worst
}

// fixIHDR renews the checksum of a PNG's first chunk.
func fixIHDR(b []byte) []byte {
	binary.BigEndian.PutUint32(b[29:], crc32.ChecksumIEEE(b[12:29]))
	return b
}
