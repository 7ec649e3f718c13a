package stitch

import (
	"context"
	"fmt"
	"image"
	"math"
	"slices"

	"flatfell.example/blend"
	"flatfell.example/internal/par"
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
	var pic *raster.Picture
	err := render(ctx, sol, frames, o, func(size image.Rectangle, _ int) (blend.Canvas, error) {
		pic = raster.NewPicture(size)
		if o.Crop.Whole {
			pic.Alpha = make([]uint16, size.Dx()*size.Dy())
		}
		return pic, nil
	})
	if err != nil {
		return nil, err
	}
	return pic, nil
}

// Finish is [Render] for pictures of any size: the result has sol.Output.Bits
// bits a sample, 8 if that is 0, and lies in a file where opts.Memory is not
// enough for it. The caller closes it. A picture that is larger than the format of
// sol.Output.File can hold, if that is set, is refused before it is drawn.
func Finish(ctx context.Context, sol *Solution, frames []*Frame, o Options) (*Finished, error) {
	var out *Finished
	bits := sol.Output.Bits
	if bits != 16 {
		bits = 8
	}
	tell := o.Seams
	var labels *blend.Labels
	o.Seams = func(l *blend.Labels) {
		labels = l
		if tell != nil {
			tell(l)
		}
	}
	err := render(ctx, sol, frames, o, func(size image.Rectangle, grain int) (_ blend.Canvas, err error) {
		if err := photo.CheckSize(sol.Output.File, size.Dx(), size.Dy()); err != nil {
			return nil, err
		}
		out, err = newFinished(size.Dx(), size.Dy(), bits, o.Crop.Whole, grain, o.memory()/2, o.TempDir)
		return out, err
	})
	if err == nil {
		err = out.err
	}
	if err != nil {
		if out != nil {
			out.Close()
		}
		return nil, err
	}
	out.labels = labels
	return out, nil
}

// render draws on the canvas that start returns for a picture of some size
// that is put together of squares of grain pixels.
func render(ctx context.Context, sol *Solution, frames []*Frame, o Options,
	start func(size image.Rectangle, grain int) (blend.Canvas, error),
) error {
	if err := o.Validate(); err != nil {
		return err
	}
	if err := matchesFrames(sol, frames); err != nil {
		return err
	}
	if err := checkKeep(frames, o.Keep); err != nil {
		return err
	}
	if err := checkMemory(frames, o); err != nil {
		return err
	}
	if err := planOutput(sol, o, 1); err != nil {
		return err
	}
	if o.MaxWidth > 0 && sol.Output.Width > o.MaxWidth {
		full := sol
		var err error
		if sol, frames, err = reduce(full, frames, o); err != nil {
			return err
		}
		defer func() { full.Output, full.Stages, full.PeakMemoryBytes = sol.Output, sol.Stages, sol.PeakMemoryBytes }()
	}
	view, err := sol.Output.View()
	if err != nil {
		return err
	}
	c := newClock(sol)
	kept := newCache(frames, o)
	layers := newLayers(ctx, sol, kept, view)
	judged, draw, cell, err := lookForSeams(ctx, layers, view, o)
	if err != nil {
		return err
	}
	kept.rest()
	c.lap("read")
	labels, err := findSeams(ctx, judged, cell, view, o)
	if err != nil {
		return err
	}
	c.lap("seams")
	if o.Seams != nil {
		o.Seams(labels)
	}
	drawn, err := draw()
	if err != nil {
		return err
	}
	bl := make([]blend.Layer, len(layers))
	for i := range layers {
		bl[i] = layers[i]
	}
	b, err := blend.NewBlender(bl, labels, blend.MultibandOptions{Coarse: drawn})
	if err != nil {
		return err
	}
	canvas, err := start(view.Rect, b.Grain())
	if err != nil {
		return err
	}
	if err := drawStrips(ctx, canvas, b, layers, view.Rect, o, kept); err != nil {
		return err
	}
	c.lap("blend")
	return nil
}

// stripGrains is the width of a strip in tiles of the blend.
const stripGrains = 2

// drawStrips draws r from left to right, in strips as high as the picture, so
// that a row of any length has only the frames of two strips in memory: while
// one is drawn the frames of the next are read.
func drawStrips(ctx context.Context, canvas blend.Canvas, b *blend.Blender, layers []*layer, r image.Rectangle, o Options, kept *cache) error {
	var strips []image.Rectangle
	var needs [][]int
	last := make([]int, len(layers)) // the strip that needs the layer last
	for x := r.Min.X; x < r.Max.X; x += stripGrains * b.Grain() {
		strip := image.Rect(x, r.Min.Y, min(x+stripGrains*b.Grain(), r.Max.X), r.Max.Y)
		need := b.Reach(nil, strip)
		for _, i := range need {
			last[i] = len(strips)
		}
		strips, needs = append(strips, strip), append(needs, need)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	for _, l := range layers {
		l.fail = cancel
		defer l.rest()
	}
	read := func(k int) error {
		if k >= len(needs) {
			return nil
		}
		return par.Do(ctx, o.Workers, len(needs[k]), func(i int) error { return layers[needs[k][i]].ready(ctx, strips[k]) })
	}
	progress := o.stage("blend")
	if err := read(0); err != nil {
		return err
	}
	for k, strip := range strips {
		for _, i := range needs[k] {
			layers[i].turn()
		}
		next := make(chan error, 1)
		go func() { next <- read(k + 1) }()
		err := b.Draw(ctx, canvas, strip, o.Workers, func(done float64) {
			progress((float64(k) + done) / float64(len(strips)))
		})
		if readErr := <-next; readErr != nil {
			err = readErr
		}
		if cause := context.Cause(ctx); cause != nil {
			err = cause
		}
		if err == nil {
			err = kept.err() // before frames go
		}
		if err != nil {
			return err
		}
		for i, l := range layers {
			soon := k+1 < len(needs) && slices.Contains(needs[k+1], i)
			if !soon {
				l.rest()
			}
			if last[i] == k {
				l.forget()
			}
		}
	}
	return nil
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
