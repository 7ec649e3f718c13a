package stitch

import (
	"context"
	"image"
	"slices"

	"flatfell.example/blend"
	"flatfell.example/internal/par"
	"flatfell.example/warp"
)

// stripGrains is the width of a strip that is as high as the picture, in tiles of
// the blend.
const stripGrains = 2

// plan returns the strips in which the picture is drawn, one after the other.
//
// They go from left to right, as high as the picture, so that a row of any length
// has only the frames of two strips in memory. But if all frames are at hand, as
// wide as the picture from above to below: of frames that lie in files a strip
// then needs whole lines, which are read in one piece; and the picture can be
// written as it grows (once).
func (d *drawing) plan(once bool) []image.Rectangle {
	grain := d.b.Grain()
	if once && !d.kept.aside {
		return d.rows(grain)
	}
	if d.kept.aside && d.inParts() {
		if rows := d.rows(grain); d.fit(rows, d.kept.budget) {
			return rows
		}
	}
	var columns []image.Rectangle
	for x := d.rect.Min.X; x < d.rect.Max.X; x += stripGrains * grain {
		columns = append(columns, image.Rect(x, d.rect.Min.Y, min(x+stripGrains*grain, d.rect.Max.X), d.rect.Max.Y))
	}
	return columns
}

// rows returns strips of some lines that are as wide as the picture.
func (d *drawing) rows(lines int) (rows []image.Rectangle) {
	for y := d.rect.Min.Y; y < d.rect.Max.Y; y += lines {
		rows = append(rows, image.Rect(d.rect.Min.X, y, d.rect.Max.X, min(y+lines, d.rect.Max.Y)))
	}
	return rows
}

// inParts reports whether all frames of the picture lie in files.
func (d *drawing) inParts() bool {
	return !slices.ContainsFunc(d.layers, func(l *layer) bool { return !d.kept.frames[l.index].parts })
}

// fit reports whether the frames' parts for one strip and the next take at most some
// bytes.
func (d *drawing) fit(strips []image.Rectangle, most int64) bool {
	before := int64(0)
	for _, strip := range strips {
		now := int64(0)
		for _, i := range d.b.Reach(nil, strip) {
			r := d.layers[i].sourceRect(strip)
			now += 6 * int64(d.layers[i].cam.Width) * int64(r.Dy())
		}
		if before+now > most {
			return false
		}
		before = now
	}
	return true
}

// always returns a canvas for all strips.
func always(c blend.Canvas) func(int) (blend.Canvas, error) {
	return func(int) (blend.Canvas, error) { return c, nil }
}

// draw draws the strips one after the other, each on the canvas that it asks for
// when it is its turn. While one is drawn what the next needs of the frames is read.
func (d *drawing) draw(ctx context.Context, strips []image.Rectangle, canvas func(k int) (blend.Canvas, error)) error {
	needs := make([][]int, len(strips))
	last := make([]int, len(d.layers)) // the strip that needs the layer last
	for k, strip := range strips {
		needs[k] = d.b.Reach(nil, strip)
		for _, i := range needs[k] {
			last[i] = k
		}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	for _, l := range d.layers {
		l.fail = cancel
		defer l.rest()
	}
	read := func(k int) error {
		if k >= len(needs) {
			return nil
		}
		return par.Do(ctx, d.o.Workers, len(needs[k]), func(i int) error { return d.layers[needs[k][i]].ready(ctx, strips[k]) })
	}
	progress := d.o.stage("blend")
	if err := read(0); err != nil {
		return err
	}
	for k, strip := range strips {
		on, err := canvas(k)
		if err != nil {
			return err
		}
		for _, i := range needs[k] {
			d.layers[i].turn()
		}
		next := make(chan error, 1)
		go func() { next <- read(k + 1) }()
		err = d.b.Draw(ctx, on, strip, d.o.Workers, func(done float64) {
			progress((float64(k) + done) / float64(len(strips)))
		})
		if readErr := <-next; readErr != nil {
			err = readErr
		}
		if cause := context.Cause(ctx); cause != nil {
			err = cause
		}
		if err == nil {
			err = d.kept.err() // before frames go
		}
		if err != nil {
			return err
		}
		for i, l := range d.layers {
			soon := k+1 < len(needs) && slices.Contains(needs[k+1], i)
			if !soon {
				l.rest()
			}
			if last[i] == k {
				l.forget()
			}
		}
	}
	d.clock.lap("blend")
	return nil
}

// sourceRect returns about what a strip needs of the frame.
func (l *layer) sourceRect(strip image.Rectangle) (r image.Rectangle) {
	bounds := l.bounds.Inset(-nearPad)
	for turn := -1; turn <= 1; turn++ { // which bounds may reach past
		part := strip.Inset(-nearPad).Intersect(bounds.Add(image.Pt(turn*l.view.WrapPx, 0)))
		r = r.Union(warp.SourceRect(l.cam, l.view, l.frame.Local, part))
	}
	return r
}
