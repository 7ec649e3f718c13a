package stitch

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
	"flatfell.example/internal/optim"
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
	// suspectPx of the working size's pixels is the shift of a band of an
	// overlap from which the row is looked at more closely; clean rows stay below
	// half of it.
	suspectPx = 0.5
	// backPx is how far, in pixels of the working size, a place that is found far
	// from where it is predicted may be missed by when it is looked for from there.
	backPx = 0.5
	// Of the places around one that is off, alike of them must be off by as much:
	// within alikePx of the working size's pixels and a sixth of it. What stands
	// alone has moved, or is a mistake.
	alike, alikePx = 2, 0.5
)

// displaced is a place of frame a found in frame b.
type displaced struct {
	tie
	cell int // on the grid, in line order
	// moved says that no place around is off likewise.
	moved bool
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
		back := a.rig.passage(e.b, e.a)
		turn := way
		turn.pupil = pupil{}
		from := sight{full: imgs[0], small: a.small[both[0]], shrink: a.shrink}
		to := sight{full: imgs[1], small: a.small[both[1]], shrink: a.shrink}
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
				t, ok := w.find(pyramids[e.a], pyramids[e.b], &from, &to, &way, &back, at, a.shrink)
				if !ok {
					continue
				}
				t.a, t.b = e.a, e.b
				p, ok1 := turn.at(t.inA)
				q, ok2 := way.at(t.inA)
				if ok1 && ok2 {
					cell := int(y/step)*displacementGrid + int(x/step)
					out[i] = append(out[i], displaced{tie: t, cell: cell, off: t.inB.Sub(p), left: t.inB.Sub(q)})
				}
			}
		}
		a.tellMoved(out[i])
		return nil
	})
	return out, err
}

// tellMoved marks the places that are off unlike those around them.
func (a *aligner) tellMoved(ds []displaced) {
	at := map[int]*displaced{}
	for i := range ds {
		at[ds[i].cell] = &ds[i]
	}
	for i := range ds {
		d := &ds[i]
		n := 0
		for dy := -1; dy <= 1; dy++ {
			for dx := -1; dx <= 1; dx++ {
				o := at[d.cell+dy*displacementGrid+dx]
				if o != nil && o != d && o.left.Sub(d.left).Norm() <= alikePx*float64(a.shrink)+d.left.Norm()/6 {
					n++
				}
			}
		}
		d.moved = n < alike
	}
}

// find is measure that, where nothing is found near the predicted place, begins
// on reduced sights, where what is shifted far can still be found; and believes
// that only if it is found back from there.
func (w *window) find(coarseFrom, coarseTo []sight, from, to *sight, way, back *passage, at geom.Pt, shrink int) (t tie, ok bool) {
	if t, ok = w.measure(from, to, way, at, shrink); ok {
		return t, true
	}
	var offset geom.Pt
	for i := range coarseFrom {
		if _, found, ok := w.measureAt(&coarseFrom[i], &coarseTo[i], way, at, offset, coarseFrom[i].shrink); ok {
			offset = found
		}
	}
	follow := func(from, to *sight, way *passage, at, offset geom.Pt) (t tie, ok bool) {
		for _, s := range levels(shrink) {
			t, offset, ok = w.measureAt(from, to, way, at, offset, s)
			if !ok {
				return tie{}, false
			}
		}
		return t, true
	}
	if t, ok = follow(from, to, way, at, offset); !ok {
		return tie{}, false
	}
	expected, ok := back.at(t.inB)
	if !ok {
		return tie{}, false
	}
	found, ok := follow(to, from, back, t.inB, t.inA.Sub(expected))
	// The template lies on a whole pixel, beside t.inB.
	return t, ok && found.inB.Sub(t.inA).Sub(found.inA.Sub(t.inB)).Norm() <= backPx*float64(shrink)+0.1*found.inA.Sub(t.inB).Norm()
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

// round keeps a number short in a file: so many steps to one.
func round(v, per float64) float64 { return math.Round(v*per) / per }

// ShiftKind says what shifts things of an overlap against a turn of the camera.
type ShiftKind string

const (
	// ShiftNone: nothing beyond what a window can be placed by.
	ShiftNone ShiftKind = "none"
	// ShiftParallax: what is near, as the camera moved.
	ShiftParallax ShiftKind = "parallax"
	// ShiftModel: all of the overlap alike, as if the lens or the turn were known
	// wrongly.
	ShiftModel ShiftKind = "model"
	// ShiftMovement: single things, each its own way, or what is above the
	// horizon, as clouds.
	ShiftMovement ShiftKind = "movement"
)

// ShiftSolution says by how much places of an overlap lie beside where a turn of
// the camera puts them. It is measured where corners say that something is amiss.
type ShiftSolution struct {
	Kind ShiftKind `json:"kind"`
	// Places were found in both frames on a grid of a 32nd of the width; Moved is
	// the share of them that shift unlike their neighbours.
	Places int     `json:"places"`
	Moved  float64 `json:"moved"`
	// LargestPx is the shift that 98 % of the places that shift like their
	// neighbours do not exceed, AtPx such a place in frame A, full-size pixels.
	LargestPx float64    `json:"largest_px"`
	AtPx      [2]float64 `json:"at_px"`
	// NearM is how far away, in metres, what lies there is, if the pupil is known
	// and as far as its eye's height is right; else 0.
	NearM float64 `json:"near_m,omitempty"`
	// LeftPx is what 98 % of those places are off by at most with the frames bent.
	LeftPx float64 `json:"left_px"`
}

const (
	shiftQuantile = 0.98
	// movedShift is the share of places that shift for themselves from which an
	// overlap is one of movement; alikeShift the share of the shifts' squares that
	// a slope over the overlap explains from which it is one of the model.
	movedShift, alikeShift = 0.25, 0.8
)

// shiftOf says what the displacements of an overlap mean.
func (a *aligner) shiftOf(ds []displaced) *ShiftSolution {
	if len(ds) == 0 {
		return nil
	}
	s := &ShiftSolution{Kind: ShiftNone, Places: len(ds)}
	var still []displaced
	var off []float64
	near, below := 0, 0
	for _, d := range ds {
		if d.moved {
			continue
		}
		still, off = append(still, d), append(off, d.off.Norm())
		if d.off.Norm() > nearPx*float64(a.shrink) {
			near++
			cam := a.rig.camera(d.a)
			if w, ok := cam.WorldFromPixel(d.inA); ok && w.Y > 0 {
				below++
			}
		}
	}
	s.Moved = round(1-float64(len(still))/float64(len(ds)), 1000)
	s.LargestPx = round(quantile(off, shiftQuantile), 100)
	s.LeftPx = s.LargestPx
	for i, d := range still {
		if off[i] == quantile(off, shiftQuantile) {
			s.AtPx = [2]float64{d.inA.X, d.inA.Y}
			s.NearM = a.distanceOf(&still[i])
		}
	}
	switch {
	case float64(near) < leastNearShare*float64(len(still)):
		if s.Moved > movedShift {
			s.Kind = ShiftMovement
		}
	case a.rig.pupil == (pupil{}) && explainedBySlope(still) > alikeShift:
		s.Kind = ShiftModel
	case s.Moved > 2*movedShift || 2*below < near: // clouds drift together
		s.Kind = ShiftMovement
	default:
		s.Kind = ShiftParallax
	}
	return s
}

// distanceOf returns how far away in metres a place is by its shift, 0 if that
// can't be told.
func (a *aligner) distanceOf(d *displaced) float64 {
	if a.rig.pupil == (pupil{}) || !a.pupilSolution().Known {
		return 0
	}
	way := a.rig.passage(d.a, d.b)
	ray, ok := way.from.RayFromPixel(d.inA)
	const h = 0.01
	far, ok1 := way.along(ray, 0)
	nearer, ok2 := way.along(ray, h)
	by := nearer.Sub(far) // of a nearness of h
	near := h * (by.X*d.off.X + by.Y*d.off.Y) / (by.X*by.X + by.Y*by.Y)
	if !ok || !ok1 || !ok2 || !(near > 1e-3) {
		return 0
	}
	return round(a.o.eyeM()*r3.Norm(ray)/near, 100)
}

// explainedBySlope returns the share of the shifts' squares that a shift, a turn
// and a scale of the whole overlap explain.
func explainedBySlope(ds []displaced) float64 {
	n := optim.NewNormal(3)
	var all, left float64
	var c [2][3]float64
	row := func(d *displaced) []float64 { return []float64{1, d.inA.X / 1000, d.inA.Y / 1000} }
	for axis := range 2 {
		n.Reset()
		for i := range ds {
			n.Add([]int{0, 1, 2}, row(&ds[i]), [2]float64{ds[i].off.X, ds[i].off.Y}[axis], 1)
		}
		cov, ok := n.Covariance()
		if !ok {
			return 0
		}
		for i := range 3 {
			for k := range 3 {
				c[axis][i] += cov.At(i, k) * n.G[k]
			}
		}
	}
	for i := range ds {
		v := row(&ds[i])
		for axis, off := range [2]float64{ds[i].off.X, ds[i].off.Y} {
			e := off - c[axis][0]*v[0] - c[axis][1]*v[1] - c[axis][2]*v[2]
			all += off * off
			left += e * e
		}
	}
	return 1 - left/max(all, 1e-12)
}

// quantile returns the value that a share of v does not exceed, 0 of none.
func quantile(v []float64, share float64) float64 {
	if len(v) == 0 {
		return 0
	}
	v = slices.Clone(v)
	slices.Sort(v)
	return v[min(int(share*float64(len(v))), len(v)-1)]
}
