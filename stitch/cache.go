package stitch

import (
	"context"
	"fmt"
	"image"
	"sync"

	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// defaultMemory is what Options.Memory is if it is zero.
const defaultMemory = 640 << 20

// cache hands out the frames' pixels and keeps them while there is room, so
// that each frame is decoded once if all fit and a long row needs no more
// memory than a short one. If they don't fit, TIFF and PNG frames stay in files,
// of which parts are read; and JPEGs are read again, whole, from a file that holds
// what they were decoded to.
type cache struct {
	frames []*Frame
	budget int64 // bytes of pixels that may be in memory
	limit  int64 // from which frames go that nobody holds
	aside  bool  // the frames don't fit
	dir    string
	mu     sync.Mutex
	clock  int
	used   []int // when last asked for
	users  []int // who holds them
	nears  nears
}

// newCache keeps pixels up to three eighths of the memory that is allowed; the
// rest is for the picture and for working. A row is gone through from one end to the
// other, as far as it was given so: if not all frames fit, keeping more than are
// needed at once would bring next to nothing.
func newCache(frames []*Frame, o Options) *cache {
	budget := o.memory() / 8 * 3
	c := &cache{frames: frames, budget: budget, limit: budget, dir: o.TempDir, used: make([]int, len(frames)), users: make([]int, len(frames))}
	var total, largest int64
	for _, f := range frames {
		total += f.bytes
		largest = max(largest, f.bytes)
	}
	if c.aside = total > c.limit; c.aside {
		c.limit = min(c.limit, framesAtOnce*largest)
	}
	return c
}

// framesAtOnce is how many frames that don't lie in files are in memory at the
// same time whatever the limit says: two that overlap and the next. Of frames
// that do lie in files it is parts of about that many thirds.
const framesAtOnce = 3

// checkMemory reports a limit in which the frames that are needed at the same
// time don't fit.
func checkMemory(frames []*Frame, o Options) error {
	var need int64
	var largest *Frame
	for _, f := range frames {
		n := framesAtOnce * f.bytes
		if f.parts {
			n = f.bytes
		}
		if n > need {
			need, largest = n, f
		}
	}
	if need <= o.memory() {
		return nil
	}
	return fmt.Errorf("%w: frames of %d × %d pixels need %d MB at a time, and %d MB are allowed",
		ErrMemory, largest.Width, largest.Height, (need+999999)/1000000, o.memory()/1000000)
}

// err returns what went wrong in reading parts of frames, which the pixels
// themselves can't tell: they are then black.
func (c *cache) err() error {
	for _, f := range c.frames {
		if err := f.err(); err != nil {
			f.drop()
			return err
		}
	}
	return nil
}

// hold returns a frame's pixels; they stay until as many calls of free.
func (c *cache) hold(ctx context.Context, i int) (image.Image, error) {
	c.mu.Lock()
	c.clock++
	c.used[i] = c.clock
	c.users[i]++
	c.mu.Unlock()
	var img image.Image
	var err error
	if c.aside {
		img, err = c.frames[i].imageAside(ctx, c.dir)
	} else {
		img, err = c.frames[i].Image(ctx)
	}
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

// rest lets all frames in memory go that nobody holds, if they don't all fit anyway,
// and all parts: before work that needs none.
func (c *cache) rest() {
	c.nears.drop()
	if !c.aside {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, f := range c.frames {
		if c.users[i] == 0 && f.heldBytes() > 0 {
			f.drop()
		}
	}
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
		c.frames[oldest].drop()
	}
}

// imageBytes is the memory of an image's pixels.
func imageBytes(img image.Image) int64 {
	switch m := img.(type) {
	case *image.YCbCr:
		return int64(len(m.Y) + len(m.Cb) + len(m.Cr))
	case *raster.Stored:
		return m.Bytes()
	case *raster.Picture:
		return 2 * int64(len(m.Pix)+len(m.Alpha))
	}
	b := img.Bounds()
	return 8 * int64(b.Dx()) * int64(b.Dy())
}
