package stitch

import (
	"context"
	"image"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"flatfell.example/raster"
)

// TestCache: of frames that all fit, all stay; of others a few, and none after a rest
// but those that are held.
func TestCache(t *testing.T) {
	const n, side = 6, 100
	const bytes = 6 * side * side
	frames := make([]*Frame, n)
	for i := range frames {
		frames[i] = &Frame{Name: "f", Width: side, Height: side, bytes: bytes, decode: func(context.Context) (image.Image, error) {
			return raster.NewPicture(image.Rect(0, 0, side, side)), nil
		}}
	}
	inMemory := func() (count int) {
		for _, f := range frames {
			if f.heldBytes() > 0 {
				count++
			}
		}
		return count
	}
	visit := func(c *cache) {
		for i := range frames {
			if _, err := c.hold(t.Context(), i); err != nil {
				t.Fatal(err)
			}
			c.free(i)
		}
	}
	roomy := newCache(frames, Options{Memory: 8 * 3 * n * bytes / 8})
	visit(roomy)
	if roomy.rest(); inMemory() != n {
		t.Errorf("%d of %d frames stay where all fit", inMemory(), n)
	}
	tight := newCache(frames, Options{Memory: 8 * (n - 1) * bytes / 3})
	visit(tight)
	if got := inMemory(); got != framesAtOnce {
		t.Errorf("%d frames stay where not all fit, want %d", got, framesAtOnce)
	}
	if _, err := tight.hold(t.Context(), 2); err != nil {
		t.Fatal(err)
	}
	if tight.rest(); inMemory() != 1 || frames[2].heldBytes() == 0 {
		t.Errorf("%d frames are in memory after a rest, want the one that is held", inMemory())
	}
}

// TestCacheJPEG: a JPEG that doesn't fit is decoded once, and read again as it was;
// without room for that it is decoded again, and after it was forgotten.
func TestCacheJPEG(t *testing.T) {
	const side = 64
	decoded := 0
	m := image.NewYCbCr(image.Rect(0, 0, side, side), image.YCbCrSubsampleRatio420)
	for i := range m.Y {
		m.Y[i] = uint8(i)
	}
	f := &Frame{Name: "f", Width: side, Height: side, bytes: side * side * 3 / 2}
	f.aside = func(context.Context, string) (image.Image, error) {
		decoded++
		d := *m
		d.Y = slices.Clone(m.Y)
		return &d, nil
	}
	look := func(dir string, want int) {
		t.Helper()
		for range 3 {
			img, err := f.imageAside(t.Context(), dir)
			if err != nil || !reflect.DeepEqual(img, m) {
				t.Errorf("other pixels, %v", err)
			}
			f.drop()
		}
		if decoded != want {
			t.Errorf("decoded %d times, want %d", decoded, want)
		}
	}
	look(filepath.Join(t.TempDir(), "missing"), 3)
	dir := t.TempDir()
	look(dir, 4)
	f.planes.Close() // as if it could not be read
	look(dir, 5)
	f.Release()
	look(dir, 6)
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("%s is left", left[0].Name())
	}
}
