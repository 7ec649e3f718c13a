package stitch

import (
	"context"
	"fmt"
	"image"
	"math"

	"flatfell.example/blend"
	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// Render makes the picture of a Solution in memory, 16 bits a sample in the
// encoding of the frames. frames are those given to Align, in the same order;
// those that were not placed are not read. With opts.Crop.Whole the picture
// has alpha.
//
// Render fills sol.Output anew for opts.Surface and opts.Crop and appends to
// sol.Stages. The pixels do not depend on opts.Workers or opts.Memory.
func Render(ctx context.Context, sol *Solution, frames []*Frame, o Options) (*raster.Picture, error) {
	d, err := prepare(ctx, sol, frames, o)
	if err != nil {
		return nil, err
	}
	pic := raster.NewPicture(d.rect)
	if o.Crop.Whole {
		pic.Alpha = make([]uint16, d.rect.Dx()*d.rect.Dy())
	}
	if err := d.draw(ctx, d.plan(false), always(pic)); err != nil {
		return nil, err
	}
	return pic, nil
}

// Finish is [Render] for pictures of any size: the result has sol.Output.Bits
// bits a sample, 8 if that is 0, and lies in a file where opts.Memory is not
// enough for it; or, with opts.Once, nowhere: it is drawn while it is written. The
// caller closes it. A picture that is larger than the format of
// sol.Output.File can hold, if that is set, is refused before it is drawn.
func Finish(ctx context.Context, sol *Solution, frames []*Frame, o Options) (*Finished, error) {
	bits := sol.Output.Bits
	if bits != 16 {
		bits = 8
	}
	var labels *blend.Labels
	tell := o.Seams
	o.Seams = func(l *blend.Labels) {
		labels = l
		if tell != nil {
			tell(l)
		}
	}
	d, err := prepare(ctx, sol, frames, o)
	if err != nil {
		return nil, err
	}
	if err := photo.CheckSize(sol.Output.File, d.rect.Dx(), d.rect.Dy()); err != nil {
		return nil, err
	}
	f := newFinished(d.rect.Dx(), d.rect.Dy(), bits, o.Crop.Whole)
	f.labels, f.clock, f.stage = labels, d.clock, o.stage
	strips := d.plan(o.Once)
	if o.Once && f.passes(strips, o.memory()/2) {
		f.pixels = newPassing(ctx, f, d, strips)
		return f, nil
	}
	tiles, err := newTiles(f, d.b.Grain(), o.memory()/2, o.TempDir)
	if err != nil {
		return nil, err
	}
	f.pixels = tiles
	err = d.draw(ctx, strips, always(tiles))
	if err == nil {
		err = tiles.err
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// drawing is a picture of which all is known but its pixels.
type drawing struct {
	rect   image.Rectangle
	b      *blend.Blender
	layers []*layer
	kept   *cache
	o      Options
	clock  *clock
}

// prepare does all that comes before the first pixel.
func prepare(ctx context.Context, sol *Solution, frames []*Frame, o Options) (*drawing, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := matchesFrames(sol, frames); err != nil {
		return nil, err
	}
	if err := checkKeep(frames, o.Keep); err != nil {
		return nil, err
	}
	if err := checkMemory(frames, o); err != nil {
		return nil, err
	}
	if err := planOutput(sol, o, 1); err != nil {
		return nil, err
	}
	clock := newClock(sol)
	if o.MaxWidth > 0 && sol.Output.Width > o.MaxWidth {
		small, reduced, err := reduce(sol, frames, o)
		if err != nil {
			return nil, err
		}
		sol.Output = small.Output
		sol, frames = small, reduced
	}
	view, err := sol.Output.View()
	if err != nil {
		return nil, err
	}
	d := &drawing{rect: view.Rect, kept: newCache(frames, o), o: o, clock: clock}
	d.layers = newLayers(ctx, sol, d.kept, view)
	judged, draw, cell, err := lookForSeams(ctx, d.layers, view, o)
	if err != nil {
		return nil, err
	}
	d.kept.rest()
	d.clock.lap("read")
	labels, err := findSeams(ctx, judged, cell, view, o)
	if err != nil {
		return nil, err
	}
	d.clock.lap("seams")
	if o.Seams != nil {
		o.Seams(labels)
	}
	drawn, err := draw()
	if err != nil {
		return nil, err
	}
	bl := make([]blend.Layer, len(d.layers))
	for i := range d.layers {
		bl[i] = d.layers[i]
	}
	d.b, err = blend.NewBlender(bl, labels, blend.MultibandOptions{Coarse: drawn})
	return d, err
}

func matchesFrames(sol *Solution, frames []*Frame) error {
	if err := sol.validate(); err != nil {
		return fmt.Errorf("the Solution can't be rendered: %w", err)
	}
	if len(frames) != len(sol.Frames) {
		return fmt.Errorf("%w: the Solution has %d frames, %d were given; give the same frames in the same order", ErrFrames, len(sol.Frames), len(frames))
	}
	placed := 0
	for i, f := range frames {
		s := &sol.Frames[i]
		if s.Placed {
			placed++
		}
		if f.Width != s.Width || f.Height != s.Height {
			return fmt.Errorf("%w: %s is %d×%d pixels, in the Solution %d×%d; give the frames it was made from",
				ErrFrames, f.Name, f.Width, f.Height, s.Width, s.Height)
		}
	}
	if placed == 0 {
		return fmt.Errorf("%w: the Solution places no frame", ErrFrames)
	}
	return checkProfiles(frames)
}

func floorDiv(a, b int) int { return int(math.Floor(float64(a) / float64(b))) }
func ceilDiv(a, b int) int  { return int(math.Ceil(float64(a) / float64(b))) }
