package stitch

import (
	"context"
	"errors"
	"image"
	"sync"

	"flatfell.example/blend"
	"flatfell.example/raster"
)

// passing are the pixels of a picture that is drawn while its lines are asked for,
// each once, from above to below. Two strips are there at a time: one is drawn
// while the other is read.
type passing struct {
	f      *Finished
	d      *drawing
	strips []image.Rectangle
	lines  int // of a strip; the last may have fewer
	bands  [2][]byte

	ctx    context.Context
	cancel context.CancelFunc
	ended  chan struct{} // closed when nothing is drawn any more

	mu      sync.Mutex
	changed sync.Cond
	started bool
	drawn   int   // strips
	left    []int // lines of each that nobody has had yet
	err     error
}

// errPassed tells an embedder's mistake.
var errPassed = errors.New("stitch: a picture made with Options.Once can be written once, and nothing else done with it")

// passes reports whether the picture can be drawn in these strips as it is written,
// with two of them in at most limit bytes.
func (f *Finished) passes(strips []image.Rectangle, limit int64) bool {
	first := strips[0]
	return first.Dx() == f.w && 2*int64(first.Dy())*int64(f.w*f.pixel) <= limit
}

// newPassing makes the pixels of f, of which nothing is drawn before it is asked
// for. strips are as wide as the picture.
func newPassing(ctx context.Context, f *Finished, d *drawing, strips []image.Rectangle) *passing {
	p := &passing{f: f, d: d, strips: strips, lines: strips[0].Dy(), ended: make(chan struct{})}
	p.ctx, p.cancel = context.WithCancel(ctx)
	p.changed.L = &p.mu
	for _, r := range strips {
		p.left = append(p.left, r.Dy())
	}
	return p
}

// draw draws all strips.
func (p *passing) draw() {
	defer close(p.ended)
	defer context.AfterFunc(p.ctx, p.wake)() // a strip must not wait for room for ever
	err := p.d.draw(p.ctx, p.strips, p.canvas)
	if err == nil {
		p.d.o.stage("write")
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.drawn, p.err = len(p.strips), err
	p.changed.Broadcast()
}

// canvas returns where strip k is drawn, when there is room for it. Those before
// it are drawn then.
func (p *passing) canvas(k int) (blend.Canvas, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.drawn = k
	p.changed.Broadcast()
	for k >= len(p.bands) && p.left[k-len(p.bands)] > 0 && p.ctx.Err() == nil {
		p.changed.Wait()
	}
	if err := p.ctx.Err(); err != nil {
		return nil, err
	}
	band := &p.bands[k%len(p.bands)]
	if *band == nil {
		*band = make([]byte, p.lines*p.f.w*p.f.pixel)
	}
	return passingBand{p.f, p.strips[k].Min, *band}, nil
}

// passingBand is the canvas of a strip.
type passingBand struct {
	f      *Finished
	corner image.Point
	bytes  []byte
}

// Put implements blend.Canvas.
func (b passingBand) Put(r image.Rectangle, rgb *[3]*raster.Plane, valid []uint8) {
	stride := b.f.w * b.f.pixel
	b.f.pack(b.bytes[(r.Min.Y-b.corner.Y)*stride+(r.Min.X-b.corner.X)*b.f.pixel:], stride, r, rgb, valid)
}

// eachSpan implements pixelStore.
func (p *passing) eachSpan(ctx context.Context, y0, n int, use func(x, y int, pixels []byte)) error {
	p.mu.Lock()
	if !p.started && p.err == nil {
		p.started = true
		go p.draw()
	}
	p.mu.Unlock()
	stride := p.f.w * p.f.pixel
	for y := y0; y < y0+n; {
		k := y / p.lines
		first := k * p.lines
		end := min(y0+n, first+p.strips[k].Dy())
		if err := p.await(ctx, k, end-y); err != nil {
			return err
		}
		band := p.bands[k%len(p.bands)]
		for v := y; v < end; v++ {
			use(0, v, band[(v-first)*stride:][:stride])
		}
		p.mu.Lock()
		p.left[k] -= end - y
		p.mu.Unlock()
		p.changed.Broadcast()
		y = end
	}
	return nil
}

// await waits until strip k is drawn, of which some lines are wanted.
func (p *passing) await(ctx context.Context, k, lines int) error {
	defer context.AfterFunc(ctx, p.wake)()
	p.mu.Lock()
	defer p.mu.Unlock()
	for p.drawn <= k && p.err == nil && ctx.Err() == nil {
		p.changed.Wait()
	}
	switch {
	case p.err != nil:
		return p.err
	case ctx.Err() != nil:
		return ctx.Err()
	case p.left[k] < lines:
		return errPassed
	}
	return nil
}

// wake lets all look again whether they still wait for something.
func (p *passing) wake() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.changed.Broadcast()
}

// stop ends the drawing, if it has begun. Nobody may read then.
func (p *passing) stop() {
	p.mu.Lock()
	started := p.started
	p.mu.Unlock()
	if started {
		p.cancel()
		<-p.ended
	}
}

func (p *passing) close() error {
	p.mu.Lock()
	if !p.started {
		p.err = errPassed
	}
	p.mu.Unlock()
	p.stop()
	p.cancel()
	return nil
}
