package stitch

import (
	"context"
	"math"

	"flatfell.example/geom"
	"flatfell.example/warp"
)

// The local warp. Frames that show a near thing in two places are bent toward
// each other, half each, by a smooth displacement of each frame
// ([warp.Local]): coefficients c that minimise
//
//	Σ ρ(w |off − u_b(inB) + J u_a(inA)|²) + bend Σ |second differences of c|² + rest Σ |c|²
//
// over the displacements off that the overlaps show, J the derivative of the way
// from a to b; and the bow of upright edges, see [stem]. All frames are solved for
// at once, so that they agree where three meet. The second differences keep straight
// lines straight, and what no overlap asks for fades to nothing over some cells.
// Content-preserving warps: Liu, Gleicher, Jin & Agarwala, SIGGRAPH 2009; with a
// robust ρ as the thing behind a depth edge can't be met.
const (
	localColumns = 24 // cells across a frame's width, down its height in proportion
	localBend    = 1.0
	// localRest lets an unasked displacement fall to 1/e within (bend/rest)^¼ = 5
	// cells, a fifth of the width.
	localRest = localBend / 625
	// leastNear places and leastNearShare of them all must be off by nearPx of the
	// working size's pixels or more, and alike, to bend anything.
	leastNear, leastNearShare, nearPx = 12, 0.04, 0.7
	// leastLocalPx is the displacement below which a frame is not warped at all.
	leastLocalPx = 0.1
)

// localRow is one displacement as an equation over two frames' coefficients.
type localRow struct {
	d      *displaced
	jac    [4]float64 // of the way from a to b
	w      float64
	at     [2]int // the first coefficient in a and in b
	wx, wy [2][4]float64
}

// frame returns the frame of side s.
func (r *localRow) frame(s int) int {
	if s == 1 {
		return r.d.b
	}
	return r.d.a
}

// localFit is the problem: unknowns are the coefficients of each frame, x and then
// y, in pixels.
type localFit struct {
	grid   warp.Local // its size
	w, h   int
	frames int
	rows   []localRow
	stems  []stem
	bend   float64
	x      []float64
}

func newLocalFit(w, h, frames int) *localFit {
	f := &localFit{w: w, h: h, frames: frames, bend: localBend}
	f.grid.Columns = localColumns + 3
	f.grid.Rows = max(1, int(math.Round(localColumns*float64(h)/float64(w)))) + 3
	f.x = make([]float64, 2*frames*f.nodes())
	return f
}

func (f *localFit) nodes() int { return f.grid.Columns * f.grid.Rows }

// part returns component c of frame k of a vector of the unknowns.
func (f *localFit) part(v []float64, k, c int) []float64 {
	n := f.nodes()
	return v[(2*k+c)*n:][:n]
}

// local returns the displacement of frame k.
func (f *localFit) local(k int) *warp.Local {
	l := f.grid
	l.X, l.Y = make([]float64, f.nodes()), make([]float64, f.nodes())
	for i := range l.X {
		// A millionth of the width keeps the file short.
		l.X[i] = round(f.part(f.x, k, 0)[i]/float64(f.w), 1e6)
		l.Y[i] = round(f.part(f.x, k, 1)[i]/float64(f.w), 1e6)
	}
	return &l
}

// sum returns the displacement of frame k by the spline's weights at a place.
func (f *localFit) sum(v []float64, k, first int, wx, wy *[4]float64) (d geom.Pt) {
	px, py := f.part(v, k, 0), f.part(v, k, 1)
	for j, wy := range wy {
		at := first + j*f.grid.Columns
		for i, wx := range wx {
			d.X += wx * wy * px[at+i]
			d.Y += wx * wy * py[at+i]
		}
	}
	return d
}

// add adds to dst what d there weighs on the coefficients of frame k.
func (f *localFit) add(dst []float64, k, first int, wx, wy *[4]float64, d geom.Pt) {
	px, py := f.part(dst, k, 0), f.part(dst, k, 1)
	for j, wy := range wy {
		at := first + j*f.grid.Columns
		for i, wx := range wx {
			px[at+i] += wx * wy * d.X
			py[at+i] += wx * wy * d.Y
		}
	}
}

// value returns the displacement that side s of a row sees.
func (f *localFit) value(v []float64, r *localRow, s int) geom.Pt {
	return f.sum(v, r.frame(s), r.at[s], &r.wx[s], &r.wy[s])
}

// spread adds to dst what the residual d weighs on the coefficients of side s.
func (f *localFit) spread(dst []float64, r *localRow, s int, d geom.Pt) {
	f.add(dst, r.frame(s), r.at[s], &r.wx[s], &r.wy[s], d)
}

// meets returns u_b − J u_a, which is to meet the displacement.
func (f *localFit) meets(v []float64, r *localRow) geom.Pt {
	a, b := f.value(v, r, 0), f.value(v, r, 1)
	return geom.Pt{X: b.X - r.jac[0]*a.X - r.jac[1]*a.Y, Y: b.Y - r.jac[2]*a.X - r.jac[3]*a.Y}
}

// apply sets dst to the normal matrix times v.
func (f *localFit) apply(dst, v []float64) {
	clear(dst)
	for i := range f.rows {
		r := &f.rows[i]
		e := f.meets(v, r)
		f.pull(dst, r, geom.Pt{X: r.w * e.X, Y: r.w * e.Y})
	}
	f.straighten(dst, v)
	c, n := f.grid.Columns, f.nodes()
	for k := range 2 * f.frames {
		p, q := v[k*n:][:n], dst[k*n:][:n]
		second := func(i, step int, w float64) {
			d := w * (p[i-step] - 2*p[i] + p[i+step])
			q[i-step] += d
			q[i] -= 2 * d
			q[i+step] += d
		}
		for i := range p {
			q[i] += localRest * p[i]
			x, y := i%c, i/c
			if x > 0 && x < c-1 {
				second(i, 1, f.bend)
			}
			if y > 0 && y < f.grid.Rows-1 {
				second(i, c, f.bend)
			}
			if x > 0 && y > 0 {
				d := 2 * f.bend * (p[i] - p[i-1] - p[i-c] + p[i-c-1])
				q[i] += d
				q[i-1] -= d
				q[i-c] -= d
				q[i-c-1] += d
			}
		}
	}
}

// pull adds a residual's weight to both sides.
func (f *localFit) pull(dst []float64, r *localRow, e geom.Pt) {
	f.spread(dst, r, 1, e)
	f.spread(dst, r, 0, geom.Pt{X: -(r.jac[0]*e.X + r.jac[2]*e.Y), Y: -(r.jac[1]*e.X + r.jac[3]*e.Y)})
}

// place puts the rows' splines where the present displacements show their ends:
// what a frame has at p lies where p less the displacement was.
func (f *localFit) place() {
	for i := range f.rows {
		r := &f.rows[i]
		for s, p := range [2]geom.Pt{r.d.inA, r.d.inB} {
			if r.wx[s] != [4]float64{} {
				p = p.Sub(f.value(f.x, r, s))
			}
			r.at[s], r.wx[s], r.wy[s] = f.grid.Weights(p, f.w, f.h)
		}
	}
	for k := range f.stems {
		s := &f.stems[k]
		for i, p := range s.p {
			if s.wx[i] != [4]float64{} {
				p = p.Sub(f.sum(f.x, s.frame, s.at[i], &s.wx[i], &s.wy[i]))
			}
			s.at[i], s.wx[i], s.wy[i] = f.grid.Weights(p, f.w, f.h)
		}
	}
}

// solve finds the coefficients by conjugate gradients, reweighted against a loss
// that narrows to scale pixels. weight tells how much a displacement counts.
func (f *localFit) solve(scale float64, weight []float64) {
	n := len(f.x)
	res, dir, adir := make([]float64, n), make([]float64, n), make([]float64, n)
	for _, wide := range [...]float64{8, 4, 2, 1, 1} {
		f.place()
		f.weigh()
		c := wide * scale
		for i := range f.rows {
			r := &f.rows[i]
			e := r.d.off.Sub(f.meets(f.x, r)).Norm() / c
			// Geman & McClure's loss: what is far off counts for nothing.
			r.w = weight[i] / ((1 + e*e) * (1 + e*e))
		}
		f.apply(res, f.x)
		for i := range res {
			res[i] = -res[i]
		}
		for i := range f.rows {
			r := &f.rows[i]
			f.pull(res, r, geom.Pt{X: r.w * r.d.off.X, Y: r.w * r.d.off.Y})
		}
		copy(dir, res)
		rr := dot(res, res)
		for it := 0; it < 300 && rr > 1e-10*float64(n); it++ {
			f.apply(adir, dir)
			alpha := rr / dot(dir, adir)
			for i := range f.x {
				f.x[i] += alpha * dir[i]
				res[i] -= alpha * adir[i]
			}
			next := dot(res, res)
			beta := next / rr
			rr = next
			for i := range dir {
				dir[i] = res[i] + beta*dir[i]
			}
		}
	}
}

func dot(a, b []float64) (sum float64) {
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

// bendFrames returns the local warp of each placed frame for displacements that
// count by weight, with the stems straight; nil for a frame that needs none, and for
// all if no warp is smooth enough.
func (a *aligner) bendFrames(all []displaced, stems []stem, weight []float64) []*warp.Local {
	out := make([]*warp.Local, len(a.placed))
	if len(all) == 0 {
		return out
	}
	turns := a.rig
	turns.pupil = pupil{}
	f := newLocalFit(a.rig.width, a.rig.height, len(a.placed))
	f.stems = stems
	f.rows = make([]localRow, len(all))
	for i := range all {
		way := turns.passage(all[i].a, all[i].b)
		_, m, _ := way.mapping(all[i].inA, 1)
		f.rows[i] = localRow{d: &all[i], jac: m.jac}
	}
	// Where a warp would tear, a stiffer one is asked for.
	for range 4 {
		f.solve(float64(a.shrink), weight)
		fits := true
		for k := range out {
			out[k] = f.local(k)
			fits = fits && out[k].Slope(f.w, f.h) <= warp.MaxLocalSlope
		}
		if fits {
			break
		}
		f.bend *= 8
		clear(out)
		clear(f.x)
	}
	for k, l := range out {
		if l != nil && l.MaxPx(f.w) < leastLocalPx {
			out[k] = nil
		}
	}
	return out
}

// bendNear bends the frames of a row in which near things shift.
func (a *aligner) bendNear(ctx context.Context, sol *Solution) error {
	if !a.suspect() {
		return nil
	}
	per, err := a.displacements(ctx)
	if err != nil {
		return err
	}
	var all []displaced
	near := 0
	for i, ds := range per {
		s := a.shiftOf(ds)
		a.evidence[i].shift = s
		for _, d := range ds {
			// What moved is left to the seams.
			if d.moved || s.Kind == ShiftMovement && d.off.Norm() > nearPx*float64(a.shrink) {
				continue
			}
			all = append(all, d)
			if d.off.Norm() > nearPx*float64(a.shrink) {
				near++
			}
		}
	}
	if near < leastNear || float64(near) < leastNearShare*float64(len(all)) {
		return nil
	}
	weight := make([]float64, len(all))
	for i := range weight {
		weight[i] = 1
	}
	stems, err := a.stems(ctx)
	if err != nil {
		return err
	}
	locals := a.bendFrames(all, stems, weight)
	for k, l := range locals {
		sol.Frames[a.placed[k]].Local = l
	}
	a.tellLeft(per, locals)
	return nil
}

// tellLeft writes down what the local warp leaves of the displacements.
func (a *aligner) tellLeft(per [][]displaced, locals []*warp.Local) {
	turns := a.rig
	turns.pupil = pupil{}
	w, h := a.rig.width, a.rig.height
	for i, ds := range per {
		var left []float64
		for k := range ds {
			d := &ds[k]
			if d.moved {
				continue
			}
			way := turns.passage(d.a, d.b)
			_, m, _ := way.mapping(d.inA, 1)
			var ua, ub geom.Pt
			if l := locals[d.a]; l != nil {
				ua = l.At(d.inA, w, h)
			}
			if l := locals[d.b]; l != nil {
				ub = l.At(d.inB, w, h)
			}
			e := d.off.Sub(ub)
			e.X += m.jac[0]*ua.X + m.jac[1]*ua.Y
			e.Y += m.jac[2]*ua.X + m.jac[3]*ua.Y
			left = append(left, e.Norm())
		}
		if s := a.evidence[i].shift; s != nil {
			s.LeftPx = round(quantile(left, shiftQuantile), 100)
		}
	}
}
