package stitch

import (
	"context"
	"math"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

const (
	// displacementGrid is the number of places across a frame's width at which an
	// overlap is looked at for displacements, down its height in proportion.
	displacementGrid = 32
	// coarser is by how much more the frames are reduced for the first search: a
	// window then reaches over an eighth of a frame that has 1000 pixels across,
	// and finds what is shifted by 16.
	coarser = 4
	// suspectShare of the working size's pixel is the shift of a band of an
	// overlap from which the row is looked at more closely; clean rows stay below
	// half of it.
	suspectPx = 0.5
)

// displaced is a place of frame a found in frame b.
type displaced struct {
	tie
	// off is where it was found less where a turn of the camera puts it, left
	// the same with the pupil and the ground allowed for; pixels of frame b.
	off, left geom.Pt
}

// suspect reports whether an overlap shows that more than a turn is at work.
func (a *aligner) suspect() bool {
	if a.rig.pupil != (pupil{}) {
		return true
	}
	for i := range a.evidence {
		if a.evidence[i].verdict != NotJoined && a.parallaxPx(&a.evidence[i]) > suspectPx*float64(a.shrink) {
			return true
		}
	}
	return false
}

// displacements looks at every overlap on a grid, for a row that is suspect: one
// list for each of the evidence.
func (a *aligner) displacements(ctx context.Context) ([][]displaced, error) {
	pyramids := make([][]sight, len(a.placed))
	for k, f := range a.placed {
		plane := a.small[f]
		for s := a.shrink; s < coarser*a.shrink; s *= 2 {
			plane = halved(plane)
			pyramids[k] = append([]sight{{small: plane, shrink: 2 * s}}, pyramids[k]...)
		}
	}
	out := make([][]displaced, len(a.evidence))
	err := par.DoScratch(ctx, a.o.Workers, len(a.evidence), func() *window { return new(window) }, func(i int, w *window) error {
		e := &a.evidence[i]
		if e.verdict == NotJoined {
			return nil
		}
		both := []int{a.placed[e.a], a.placed[e.b]}
		imgs, err := a.kept.holdAll(ctx, 1, both)
		if err != nil {
			return err
		}
		for _, f := range both {
			defer a.kept.free(f)
		}
		way := a.rig.passage(e.a, e.b)
		turn := way
		turn.pupil = pupil{}
		from := sight{imgs[0], a.small[both[0]], a.shrink}
		to := sight{imgs[1], a.small[both[1]], a.shrink}
		step := float64(way.from.Width) / displacementGrid
		for y := step / 2; y < float64(way.from.Height); y += step {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			for x := step / 2; x < float64(way.from.Width); x += step {
				at := geom.Pt{X: x, Y: y}
				if !way.sees(at, float64(minReach*a.shrink)) {
					continue
				}
				t, ok := w.find(pyramids[e.a], pyramids[e.b], &from, &to, &way, at, a.shrink)
				if !ok {
					continue
				}
				t.a, t.b = e.a, e.b
				p, ok1 := turn.at(t.inA)
				q, ok2 := way.at(t.inA)
				if ok1 && ok2 {
					out[i] = append(out[i], displaced{t, t.inB.Sub(p), t.inB.Sub(q)})
				}
			}
		}
		return nil
	})
	return out, err
}

// find is measure that begins on reduced sights, where what is shifted far can
// still be found. What can't be told there is looked for where it is predicted.
func (w *window) find(coarseFrom, coarseTo []sight, from, to *sight, way *passage, at geom.Pt, shrink int) (t tie, ok bool) {
	var offset geom.Pt
	for i := range coarseFrom {
		if _, found, ok := w.measureAt(&coarseFrom[i], &coarseTo[i], way, at, offset, coarseFrom[i].shrink); ok {
			offset = found
		}
	}
	for _, s := range levels(shrink) {
		t, offset, ok = w.measureAt(from, to, way, at, offset, s)
		if !ok {
			return tie{}, false
		}
	}
	return t, true
}

// halved returns p at half its size, the means of 2 × 2 samples.
func halved(p *raster.Plane) *raster.Plane {
	r := p.Rect
	r.Max.X, r.Max.Y = r.Dx()/2, r.Dy()/2
	r.Min.X, r.Min.Y = 0, 0
	out := raster.NewPlane(r)
	for y := range r.Max.Y {
		a, b := p.Row(p.Rect.Min.Y+2*y), p.Row(p.Rect.Min.Y+2*y+1)
		for x := range out.Row(y) {
			out.Row(y)[x] = (a[2*x] + a[2*x+1] + b[2*x] + b[2*x+1]) / 4
		}
	}
	return out
}

// round keeps a number short in a file.
func round(v, unit float64) float64 { return math.Round(v/unit) * unit }
