package photo

import (
	"bytes"
	"context"
	"errors"
	"image"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"golang.org/x/image/tiff"

	"flatfell.example/raster"
)

// tiledTIFF is a TIFF in tiles of 16 × 16 pixels, big-endian or not, of RGB of 16
// bits: no writer at hand makes those.
func tiledTIFF(pic *raster.Picture) []byte {
	w, h := pic.Rect.Dx(), pic.Rect.Dy()
	b := tiffHeader(0, false)[:8]
	var offsets, counts []uint64
	for y0 := 0; y0 < h; y0 += 16 {
		for x0 := 0; x0 < w; x0 += 16 {
			offsets, counts = append(offsets, uint64(len(b))), append(counts, 16*16*6)
			for y := y0; y < y0+16; y++ {
				for x := x0; x < x0+16; x++ {
					for c := range 3 {
						v := uint16(0xbeef) // padding
						if x < w && y < h {
							v = pic.Row(y)[3*x+c]
						}
						b = append(b, byte(v), byte(v>>8))
					}
				}
			}
		}
	}
	at := len(b)
	b = append(b, appendTree(nil, int64(at), tree{fields: []field{
		long(256, uint32(w)), long(257, uint32(h)), short(258, 16, 16, 16), short(259, 1), short(262, 2), short(277, 3),
		long(322, 16), long(323, 16), longs(324, offsets), longs(325, counts),
	}}, false)...)
	copy(b, tiffHeader(int64(at), false)[:8])
	return b
}

// TestPlain: what is read by our own readers is what x/image and the standard
// library read, upright by any orientation, in memory and aside, of files that
// have many strips, one, tiles, and each kind of packing.
func TestPlain(t *testing.T) {
	size := image.Rect(0, 0, 61, 300)
	deep, clear := noisyPicture(size, false), noisyPicture(size, true)
	files := map[string][]byte{"tiles": tiledTIFF(deep)}
	write := func(name, ending string, pic *raster.Picture, o WriteOptions) {
		path := filepath.Join(t.TempDir(), "a"+ending)
		if err := Write(t.Context(), path, pic, o); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = data
	}
	for _, how := range Compressions() {
		write("TIFF 16 "+string(how), ".tif", deep, WriteOptions{Bits: 16, Compression: how})
		write("TIFF 8 "+string(how), ".tif", deep, WriteOptions{Bits: 8, Compression: how})
	}
	write("TIFF alpha", ".tif", clear, WriteOptions{Bits: 16})
	write("PNG 16", ".png", deep, WriteOptions{Bits: 16})
	write("PNG 8", ".png", deep, WriteOptions{Bits: 8})
	write("PNG alpha", ".png", clear, WriteOptions{Bits: 8})
	gray := image.NewGray16(size)
	for i := range gray.Pix {
		gray.Pix[i] = byte(i * i)
	}
	files["one strip"] = tiffBytes(t, gray, &tiff.Options{Compression: tiff.Deflate, Predictor: true})
	files["PNG grey"] = pngBytes(t, gray)
	for name, data := range files {
		t.Run(name, func(t *testing.T) {
			path := store(t, "a", data)
			f, err := Open(path)
			if err != nil {
				t.Fatal(err)
			}
			if f.plain == nil {
				t.Fatal("is not read by our own reader")
			}
			twin := *f
			twin.plain = nil
			for o := 1; o <= 8; o++ {
				f.Meta.Orientation, twin.Meta.Orientation = o, o
				f.Width, f.Height = 61, 300
				if swapsAxes(o) {
					f.Width, f.Height = 300, 61
				}
				want, err := twin.decode(t.Context(), bytes.NewReader(data))
				if err != nil {
					t.Fatal(err)
				}
				got, err := f.Decode(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				aside, err := f.DecodeAside(t.Context(), t.TempDir())
				if err != nil {
					t.Fatal(err)
				}
				twin, err := raster.FromImage(t.Context(), 1, want)
				if err != nil {
					t.Fatal(err)
				}
				for where, img := range map[string]image.Image{"in memory": got, "aside": aside} {
					pic, err := raster.FromImage(t.Context(), 1, img)
					if err != nil || pic.Rect != twin.Rect || !slices.Equal(pic.Pix, twin.Pix) || !slices.Equal(pic.Alpha, twin.Alpha) {
						t.Errorf("orientation %d %s: %v differs from %v, error %v", o, where, pic.Rect, twin.Rect, err)
					}
				}
				if got := aside.(*raster.Stored).Bytes(); got != 0 {
					t.Errorf("aside takes %d bytes", got)
				}
				if err := aside.(*raster.Stored).Close(); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

// TestAsideCut: a file that is cut while it is read from is an error that names
// it.
func TestAsideCut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.tif")
	pic := noisyPicture(image.Rect(0, 0, 30, 400), false)
	if err := Write(t.Context(), path, pic, WriteOptions{Bits: 16, Compression: Uncompressed}); err != nil {
		t.Fatal(err)
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	img, err := f.DecodeAside(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	defer img.(io.Closer).Close()
	if err := os.Truncate(path, 20000); err != nil {
		t.Fatal(err)
	}
	_, err = raster.FromImage(t.Context(), 1, img)
	var e *Error
	if !errors.As(err, &e) || e.Path != path || !errors.Is(err, ErrDamaged) {
		t.Errorf("error %v, want a damaged %s", err, path)
	}
}

// TestAsideFull: no room for a picture on its way is told, and leaves nothing.
func TestAsideFull(t *testing.T) {
	f, err := Open(store(t, "a.png", pngBytes(t, smooth(30, 40))))
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.DecodeAside(t.Context(), filepath.Join(t.TempDir(), "missing"))
	if !errors.Is(err, ErrNotWritable) {
		t.Errorf("error %v, want not writable", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	dir := t.TempDir()
	if _, err := f.DecodeAside(ctx, dir); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want cancelled", err)
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("%v is left", left)
	}
}
