package stitch

import (
	"context"
	"image"
	"sync"

	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// defaultMemory is what Options.Memory is if it is zero.
const defaultMemory = 1 << 30

// cache hands out the frames' pixels and keeps them while there is room, so
// that each frame is decoded once if all fit and a long row needs no more
// memory than a short one.
type cache struct {
	frames []*Frame
	limit  int64 // bytes of pixels
	mu     sync.Mutex
	clock  int
	used   []int // when last asked for
	users  []int // who holds them
}

// newCache keeps pixels up to three eighths of the memory that is allowed; the
// rest is for the picture and for working.
func newCache(frames []*Frame, o Options) *cache {
	return &cache{frames: frames, limit: o.memory() / 8 * 3, used: make([]int, len(frames)), users: make([]int, len(frames))}
}

// hold returns a frame's pixels; they stay until as many calls of free.
func (c *cache) hold(ctx context.Context, i int) (image.Image, error) {
	c.mu.Lock()
	c.clock++
	c.used[i] = c.clock
	c.users[i]++
	c.mu.Unlock()
	img, err := c.frames[i].Image(ctx)
	if err != nil {
		c.free(i)
		return nil, err
	}
	c.trim()
	return img, nil
}

// holdAll holds several frames.
func (c *cache) holdAll(ctx context.Context, workers int, frames []int) ([]image.Image, error) {
	out := make([]image.Image, len(frames))
	err := par.Do(ctx, workers, len(frames), func(k int) (err error) {
		out[k], err = c.hold(ctx, frames[k])
		return err
	})
	if err != nil {
		for k, img := range out {
			if img != nil {
				c.free(frames[k])
			}
		}
	}
	return out, err
}

// free ends a hold.
func (c *cache) free(i int) {
	c.mu.Lock()
	c.users[i]--
	c.mu.Unlock()
	c.trim()
}

// trim lets frames go that nobody holds, the longest unused first, until the
// rest is within the limit.
func (c *cache) trim() {
	c.mu.Lock()
	defer c.mu.Unlock()
	var total int64
	for _, f := range c.frames {
		total += f.heldBytes()
	}
	for total > c.limit {
		oldest := -1
		for i, f := range c.frames {
			if c.users[i] == 0 && f.heldBytes() > 0 && (oldest < 0 || c.used[i] < c.used[oldest]) {
				oldest = i
			}
		}
		if oldest < 0 {
			return
		}
		total -= c.frames[oldest].heldBytes()
		c.frames[oldest].Release()
	}
}

// imageBytes is the memory of an image's pixels.
func imageBytes(img image.Image) int64 {
	switch m := img.(type) {
	case *image.YCbCr:
		return int64(len(m.Y) + len(m.Cb) + len(m.Cr))
	case *raster.Picture:
		return 2 * int64(len(m.Pix)+len(m.Alpha))
	}
	b := img.Bounds()
	return 8 * int64(b.Dx()) * int64(b.Dy())
}
