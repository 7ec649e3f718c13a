package photo

import (
	"context"
	"errors"
	"image"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// TestPlanes: what is kept is read again as it was, bounds, strides and all, and its
// file has no name.
func TestPlanes(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	whole := image.NewYCbCr(image.Rect(1, 1, 38, 26), image.YCbCrSubsampleRatio420)
	for _, plane := range [...][]uint8{whole.Y, whole.Cb, whole.Cr} {
		for i := range plane {
			plane[i] = uint8(r.Uint32())
		}
	}
	dir := t.TempDir()
	for name, m := range map[string]*image.YCbCr{
		"mirrored": whole,
		"a part":   whole.SubImage(image.Rect(2, 4, 30, 20)).(*image.YCbCr),
		"coarse":   image.NewYCbCr(image.Rect(0, 0, 9, 5), image.YCbCrSubsampleRatio410),
	} {
		p, err := KeepPlanes(m, dir)
		if err != nil {
			t.Fatal(name, err)
		}
		for range 2 {
			got, err := p.Image(t.Context())
			if err != nil || !reflect.DeepEqual(got, m) {
				t.Errorf("%s: comes back as another image, %v", name, err)
			}
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := p.Image(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: error %v, want cancelled", name, err)
		}
		if left, _ := os.ReadDir(dir); len(left) > 0 {
			t.Errorf("%s: %s has a name", name, left[0].Name())
		}
		if err := p.Close(); err != nil {
			t.Error(name, err)
		}
		if _, err := p.Image(t.Context()); err == nil {
			t.Errorf("%s: is read from a file that is closed", name)
		}
	}
	if p, err := KeepPlanes(image.NewGray(image.Rect(0, 0, 3, 3)), dir); p != nil || err != nil {
		t.Errorf("of grey: %v, %v", p, err)
	}
	if _, err := KeepPlanes(whole, filepath.Join(dir, "missing")); !errors.Is(err, ErrNotWritable) {
		t.Errorf("error %v, want not writable", err)
	}
}
