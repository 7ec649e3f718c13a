package photo

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// TestInOrder: pieces come out in order whatever takes long, none is made too
// early, and an error is that of the lowest piece.
func TestInOrder(t *testing.T) {
	for _, workers := range []int{1, 2, 5, 40} {
		for _, n := range []int{0, 1, 2, 33} {
			var emitted atomic.Int32
			var got []byte
			err := inOrder(t.Context(), workers, n, func() struct{} { return struct{}{} },
				func(i int, _ struct{}, dst []byte) ([]byte, error) {
					if ahead := i - int(emitted.Load()); ahead >= BandsAhead(workers) {
						t.Errorf("%d workers: piece %d is made while %d is awaited", workers, i, emitted.Load())
					}
					time.Sleep(time.Duration(i*7%5) * 100 * time.Microsecond)
					return append(dst, byte(i)), nil
				},
				func(i int, piece []byte) error {
					emitted.Add(1)
					got = append(got, piece...)
					return nil
				})
			if err != nil || len(got) != n || !slices.IsSorted(got) {
				t.Errorf("%d workers, %d pieces: %v, %v", workers, n, got, err)
			}
		}
	}
}

func TestInOrderFails(t *testing.T) {
	for _, workers := range []int{1, 3, 8} {
		for _, where := range []string{"make", "emit"} {
			var last int
			err := inOrder(t.Context(), workers, 100, func() struct{} { return struct{}{} },
				func(i int, _ struct{}, dst []byte) ([]byte, error) {
					if where == "make" && i >= 20 {
						return dst, fmt.Errorf("make %d", i)
					}
					return append(dst, byte(i)), nil
				},
				func(i int, _ []byte) error {
					last = i
					if where == "emit" && i >= 20 {
						return fmt.Errorf("emit %d", i)
					}
					return nil
				})
			if err == nil || err.Error() != where+" 20" || last > 20 {
				t.Errorf("%d workers: %v after piece %d, want %s 20", workers, err, last, where)
			}
		}
	}
}

// recordingPixels notes in which bands it is asked.
type recordingPixels struct {
	imagePixels
	mu    sync.Mutex
	bands [][2]int
	fail  error
}

func (r *recordingPixels) Rows8(ctx context.Context, dst []uint8, y0, n int) error {
	r.mu.Lock()
	r.bands = append(r.bands, [2]int{y0, y0 + n})
	r.mu.Unlock()
	if r.fail != nil && y0 > 500 {
		return r.fail
	}
	return r.imagePixels.Rows8(ctx, dst, y0, n)
}

// TestPixelsAskedOnce: each line once, and the source's own error comes back.
func TestPixelsAskedOnce(t *testing.T) {
	m := textured(1200, 1500)
	bad := errors.New("no more")
	for _, name := range []string{"a.jpg", "a.png", "a.tif"} {
		dir := t.TempDir()
		path := filepath.Join(dir, name)
		src := &recordingPixels{imagePixels: imagePixels{m}}
		if err := WritePixels(t.Context(), path, src, WriteOptions{Workers: 3}); err != nil {
			t.Fatal(err)
		}
		slices.SortFunc(src.bands, func(a, b [2]int) int { return a[0] - b[0] })
		at := 0
		for _, b := range src.bands {
			if b[0] != at {
				t.Errorf("%s: band %v follows line %d", name, b, at)
			}
			at = b[1]
		}
		if at != 1500 {
			t.Errorf("%s: asked up to line %d", name, at)
		}
		src = &recordingPixels{imagePixels: imagePixels{m}, fail: bad}
		if err := WritePixels(t.Context(), path, src, WriteOptions{Workers: 3, Overwrite: true}); !errors.Is(err, bad) {
			t.Errorf("%s: %v, want the source's error", name, err)
		} else if strings.Contains(err.Error(), "free space") {
			t.Errorf("%s: blames the disk: %v", name, err)
		}
		wantFiles(t, dir, name)
	}
}
