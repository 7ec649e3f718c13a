package photo

import (
	"bytes"
	"encoding/binary"
	"image"
	"io"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/image/tiff"

	"flatfell.example/raster"
)

// TestTIFFCompressions: each way of packing gives every sample back, by the
// decoder of x/image; with 8 bits the colour's and the alpha's rounding add up.
func TestTIFFCompressions(t *testing.T) {
	for _, how := range Compressions() {
		for _, bits := range []int{8, 16} {
			for name, pic := range map[string]*raster.Picture{
				"noise": noisyPicture(image.Rect(0, 0, 301, 211), false),
				"alpha": noisyPicture(image.Rect(0, 0, 61, 50), true),
				"black": raster.NewPicture(image.Rect(0, 0, 700, 300)), // long strings in LZW
			} {
				path := filepath.Join(t.TempDir(), "a.tif")
				if err := Write(t.Context(), path, pic, WriteOptions{Bits: bits, Compression: how}); err != nil {
					t.Fatal(err)
				}
				f, err := os.Open(path)
				if err != nil {
					t.Fatal(err)
				}
				defer f.Close()
				m, err := tiff.Decode(f)
				if err != nil {
					t.Errorf("%s, %d bits, compression %s: %v", name, bits, how, err)
					continue
				}
				if d := maxDifference(m, pic); d > map[int]int{8: 2 * 128, 16: 0}[bits] {
					t.Errorf("%s, %d bits, compression %s: off by %d of 65535", name, bits, how, d)
				}
			}
		}
	}
}

// buffer is a file in memory.
type buffer struct{ bytes.Buffer }

func (b *buffer) WriteAt(p []byte, off int64) (int, error) {
	return copy(b.Bytes()[off:], p), nil
}

// TestBigTIFF forces a small file over the limit, and turns what a BigTIFF is
// by its description into an ordinary TIFF, which x/image can decode: header
// of 16 bytes, directories with 64-bit counts, offsets and pointers.
func TestBigTIFF(t *testing.T) {
	pic := noisyPicture(image.Rect(0, 0, 333, 444), true)
	var small, big buffer
	for limit, b := range map[int64]*buffer{tiffLimit: &small, 100_000: &big} {
		err := encodeTIFF(t.Context(), b, b, picturePixels(pic), 16, 2, Deflate, tree{fields: resolution(300)}, limit)
		if err != nil {
			t.Fatal(err)
		}
	}
	b := big.Bytes()
	le := binary.LittleEndian
	if string(b[:8]) != "II\x2b\x00\x08\x00\x00\x00" {
		t.Fatalf("header % x", b[:16])
	}
	at := le.Uint64(b[8:])
	var fields []field
	for i := range le.Uint64(b[at:]) {
		e := b[at+8+20*i:]
		f := field{tag: le.Uint16(e), kind: le.Uint16(e[2:]), count: le.Uint64(e[4:])}
		size := map[uint16]uint64{kindShort: 2, kindLong: 4, kindRational: 8, kindLong8: 8}[f.kind] * f.count
		if f.value = e[12 : 12+min(size, 8)]; size > 8 {
			f.value = b[le.Uint64(e[12:]):][:size]
		}
		if i > 0 && f.tag <= fields[i-1].tag {
			t.Errorf("tag %d follows %d", f.tag, fields[i-1].tag)
		}
		fields = append(fields, f)
	}
	if next := le.Uint64(b[at+8+20*uint64(len(fields)):]); next != 0 {
		t.Errorf("another directory at %d", next)
	}
	dir := appendTree(nil, int64(len(b)), tree{fields: fields}, false)
	copy(b, tiffHeader(int64(len(b)), false))
	m, err := tiff.Decode(bytes.NewReader(append(b, dir...)))
	if err != nil {
		t.Fatal(err)
	}
	if d := maxDifference(m, pic); d != 0 {
		t.Errorf("off by %d", d)
	}
	m, err = tiff.Decode(bytes.NewReader(small.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if d := maxDifference(m, pic); d != 0 {
		t.Errorf("below the limit: off by %d", d)
	}
}

var _ io.WriterAt = (*buffer)(nil)
