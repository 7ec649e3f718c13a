package stitch

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
	"flatfell.example/internal/optim"
)

// tie says that point A of frame a and point B of frame b, in full-size
// pixels, show the same thing.
type tie struct {
	a, b     int
	inA, inB geom.Pt
	// info is the inverse covariance of inB given inA, (xx, xy, yy), per
	// square pixel; the identity where nothing better is known.
	info [3]float64
}

// rig is the state of the bundle adjustment: one camera body that turns.
// All frames share the focal length, the distortion and the principal point.
type rig struct {
	width, height int
	focalPx       float64
	radial        [3]float64
	centre        geom.Pt // principal point minus the middle of the frame
	rot           []geom.Rotation
	pupil         pupil
}

func (r *rig) camera(i int) geom.Camera {
	return geom.Camera{
		Width: r.width, Height: r.height,
		FocalPx:      r.focalPx,
		CentrePx:     geom.Pt{X: float64(r.width)/2 + r.centre.X, Y: float64(r.height)/2 + r.centre.Y},
		Radial:       r.radial,
		CamFromWorld: r.rot[i],
	}
}

// freedom says which shared parameters the adjustment may move.
type freedom struct {
	focal  bool
	radial int // number of radial terms, 0 to 3
	centre bool
	// pupil lets the pupil lie off the axis, over level ground.
	pupil bool
}

func (f freedom) shared() (n int) {
	if f.focal {
		n++
	}
	n += f.radial
	if f.centre {
		n += 2
	}
	if f.pupil {
		n += pupilUnknowns
	}
	return n
}

// prior keeps parameters that the ties leave open near sane values. Widths
// are standard deviations; zero means no prior.
type prior struct {
	logFocal, logFocalWidth float64
	radialWidth             float64
	centreWidthPx           float64
	down                    geom.Vec
	downWidth, pupilWidth   float64
}

// bundle is the least-squares problem over a rig:
//
//	minimise Σ ρ(eᵀ·info·e) + priors,  e = project(bFromA · ray(inA)) − inB
//
// over one rotation a frame (three numbers, the first frame of each connected
// part held) and the free shared parameters. Triggs et al., "Bundle
// Adjustment - A Modern Synthesis", 2000; the pixel model is in package geom.
type bundle struct {
	ties  []tie
	free  freedom
	loss  optim.Loss
	prior prior
	// fixed is the frame whose rotation is held.
	fixed int
}

// columns of the unknowns: three a frame, then the shared ones.
func (p *bundle) dim(frames int) int { return 3*frames + p.free.shared() }

func (p *bundle) plus(r rig, d []float64) rig {
	n := len(r.rot)
	out := r
	out.rot = make([]geom.Rotation, n)
	for i := range out.rot {
		out.rot[i] = r.rot[i]
		if i != p.fixed {
			w := geom.Vec{X: d[3*i], Y: d[3*i+1], Z: d[3*i+2]}
			out.rot[i] = geom.Exp(w).Mul(r.rot[i])
		}
	}
	k := 3 * n
	if p.free.focal {
		out.focalPx *= math.Exp(max(-0.7, min(0.7, d[k]))) // stays positive
		k++
	}
	for i := range p.free.radial {
		out.radial[i] += d[k]
		k++
	}
	if p.free.centre {
		out.centre.X += d[k]
		out.centre.Y += d[k+1]
		k += 2
	}
	if p.free.pupil {
		out.pupil = r.pupil.plus(d[k : k+pupilUnknowns])
	}
	return out
}

// badTie is the squared residual charged for a tie that a state can't
// project at all, far above any real one but finite, so that the search can
// come back.
const badTie = 1e8

func (p *bundle) eval(r rig, n *optim.Normal) (cost float64) {
	frames := len(r.rot)
	shared := p.free.shared()
	cols := make([]int, 6+shared)
	for i := range shared {
		cols[6+i] = 3*frames + i
	}
	var jac projection
	w0, w1 := make([]float64, 6+shared), make([]float64, 6+shared)
	for i := range p.ties {
		t := &p.ties[i]
		pb, ok := jac.transfer(&r, t.a, t.b, t.inA, n != nil)
		if !ok {
			rho, _ := p.loss.Loss(badTie)
			cost += rho
			continue
		}
		ex, ey := pb.X-t.inB.X, pb.Y-t.inB.Y
		// Whiten: L with LᵀL = info, upper triangular.
		l00 := math.Sqrt(t.info[0])
		l01 := t.info[1] / l00
		l11 := math.Sqrt(max(0, t.info[2]-l01*l01))
		rx, ry := l00*ex+l01*ey, l11*ey
		rho, weight := p.loss.Loss(rx*rx + ry*ry)
		cost += rho
		if n == nil {
			continue
		}
		var rows [2][]float64
		rows[0], rows[1] = w0, w1
		set := func(col int, dx, dy float64) {
			rows[0][col], rows[1][col] = l00*dx+l01*dy, l11*dy
		}
		for k := range 3 {
			cols[k], cols[3+k] = 3*t.a+k, 3*t.b+k
			da, db := jac.byA[k], jac.byB[k]
			if t.a == p.fixed {
				da = geom.Pt{}
			}
			if t.b == p.fixed {
				db = geom.Pt{}
			}
			set(k, da.X, da.Y)
			set(3+k, db.X, db.Y)
		}
		c := 6
		if p.free.focal {
			set(c, jac.byLogFocal.X, jac.byLogFocal.Y)
			c++
		}
		for k := range p.free.radial {
			set(c, jac.byRadial[k].X, jac.byRadial[k].Y)
			c++
		}
		if p.free.centre {
			set(c, jac.byCentre[0].X, jac.byCentre[0].Y)
			set(c+1, jac.byCentre[1].X, jac.byCentre[1].Y)
			c += 2
		}
		if p.free.pupil {
			for k, d := range jac.byPupil {
				set(c+k, d.X, d.Y)
			}
		}
		n.Add(cols, rows[0], rx, weight)
		n.Add(cols, rows[1], ry, weight)
	}
	return cost + p.evalPriors(&r, n)
}

func (p *bundle) evalPriors(r *rig, n *optim.Normal) (cost float64) {
	col := 3 * len(r.rot)
	add := func(value, width float64) {
		if width > 0 {
			e := value / width
			cost += e * e
			if n != nil {
				n.Add([]int{col}, []float64{1 / width}, e, 1)
			}
		}
		col++
	}
	if p.free.focal {
		add(math.Log(r.focalPx)-p.prior.logFocal, p.prior.logFocalWidth)
	}
	for i := range p.free.radial {
		add(r.radial[i], p.prior.radialWidth)
	}
	if p.free.centre {
		add(r.centre.X, p.prior.centreWidthPx)
		add(r.centre.Y, p.prior.centreWidthPx)
	}
	if p.free.pupil {
		add(r.pupil.right, p.prior.pupilWidth)
		add(r.pupil.forward, p.prior.pupilWidth)
		e1, e2 := tangents(r.pupil.down)
		add(-r3.Dot(p.prior.down, e1), p.prior.downWidth)
		add(-r3.Dot(p.prior.down, e2), p.prior.downWidth)
	}
	return cost
}

// solve runs the adjustment from r.
func (p *bundle) solve(r rig, o optim.LMOptions) (rig, optim.Summary) {
	return optim.Minimise(r, p.dim(len(r.rot)), p.eval, p.plus, o)
}

// residualsPx returns the length of each tie's residual in full-size pixels,
// +Inf where it can't be projected.
func residualsPx(r *rig, ties []tie) []float64 {
	out := make([]float64, len(ties))
	var jac projection
	for i := range ties {
		t := &ties[i]
		pb, ok := jac.transfer(r, t.a, t.b, t.inA, false)
		out[i] = math.Inf(1)
		if ok {
			out[i] = pb.Sub(t.inB).Norm()
		}
	}
	return out
}

// projection holds the derivatives of a transferred point, in pixels, by
// small rotations of either camera (radians, applied on the left: exp(w)·R),
// by the logarithm of the focal length, the radial terms, the centre and the
// pupil.
type projection struct {
	byA, byB   [3]geom.Pt
	byLogFocal geom.Pt
	byRadial   [3]geom.Pt
	byCentre   [2]geom.Pt
	byPupil    [pupilUnknowns]geom.Pt // right, forward, and down by its tangents
}

// transfer maps a pixel of frame a to frame b and, if deriv, fills j.
func (j *projection) transfer(r *rig, a, b int, inA geom.Pt, deriv bool) (inB geom.Pt, ok bool) {
	bFromA := r.rot[b].Mul(r.rot[a].Inv())
	cx, cy := float64(r.width)/2+r.centre.X, float64(r.height)/2+r.centre.Y
	cam := geom.Camera{FocalPx: r.focalPx, CentrePx: geom.Pt{X: cx, Y: cy}, Radial: r.radial}
	ray, ok := cam.RayFromPixel(inA)
	if !ok {
		return inB, false
	}
	near := r.pupil.nearness(r.rot[a], ray)
	moved := r3.Add(ray, r3.Scale(near, r.pupil.offset()))
	turned := bFromA.Apply(moved)
	y := r3.Sub(turned, r3.Scale(near, r.pupil.offset()))
	inB, ok = cam.PixelFromRay(y)
	if !ok || !deriv {
		return inB, ok
	}
	f, k := r.focalPx, r.radial
	// d pixel / d ray in b: f · D(v) · [1/z 0 −vx/z; 0 1/z −vy/z].
	vx, vy := y.X/y.Z, y.Y/y.Z
	dv := distortionJacobian(k, vx, vy)
	byRay := func(d geom.Vec) geom.Pt {
		px, py := (d.X-vx*d.Z)/y.Z, (d.Y-vy*d.Z)/y.Z
		return geom.Pt{X: f * (dv[0]*px + dv[1]*py), Y: f * (dv[1]*px + dv[2]*py)}
	}
	// exp(w) y ≈ y + w × y, and for a: −bFromA (w × ray).
	axes := [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}}
	// What a nearness of 1 shifts, and by what that of the ground grows.
	whole, down := r3.Sub(bFromA.Apply(r.pupil.offset()), r.pupil.offset()), geom.Vec{}
	if near > 0 {
		down = r.rot[a].Apply(r.pupil.down)
	}
	for i, e := range axes {
		j.byB[i] = byRay(cross(e, turned))
		j.byA[i] = byRay(r3.Add(bFromA.Apply(cross(moved, e)), r3.Scale(r3.Dot(cross(e, down), ray), whole)))
	}
	r.pupil.derivatives(&j.byPupil, near, bFromA, r.rot[a], ray, byRay)
	// The undistorted point u of a depends on the shared parameters too:
	// D(u) du = dd, d = (inA − centre)/f.
	du := distortionJacobian(k, ray.X, ray.Y)
	det := du[0]*du[2] - du[1]*du[1]
	byDistorted := func(dx, dy float64) geom.Pt {
		ux := (du[2]*dx - du[1]*dy) / det
		uy := (du[0]*dy - du[1]*dx) / det
		d := geom.Vec{X: ux, Y: uy}
		return byRay(r3.Add(bFromA.Apply(d), r3.Scale(r3.Dot(down, d), whole)))
	}
	dx, dy := (inA.X-cx)/f, (inA.Y-cy)/f
	viaA := byDistorted(-dx, -dy)
	j.byLogFocal = geom.Pt{X: inB.X - cx + viaA.X, Y: inB.Y - cy + viaA.Y}
	ru, rv := ray.X*ray.X+ray.Y*ray.Y, vx*vx+vy*vy
	pu, pv := ru, rv
	for i := range 3 {
		via := byDistorted(-ray.X*pu, -ray.Y*pu)
		j.byRadial[i] = geom.Pt{X: f*vx*pv + via.X, Y: f*vy*pv + via.Y}
		pu *= ru
		pv *= rv
	}
	cxVia, cyVia := byDistorted(-1/f, 0), byDistorted(0, -1/f)
	j.byCentre[0] = geom.Pt{X: 1 + cxVia.X, Y: cxVia.Y}
	j.byCentre[1] = geom.Pt{X: cyVia.X, Y: 1 + cyVia.Y}
	return inB, true
}

// distortionJacobian returns the symmetric matrix (xx, xy, yy) of
// d(u·s(|u|²))/du.
func distortionJacobian(k [3]float64, x, y float64) [3]float64 {
	r2 := x*x + y*y
	s := 1 + r2*(k[0]+r2*(k[1]+r2*k[2]))
	q := 2 * (k[0] + r2*(2*k[1]+r2*3*k[2]))
	return [3]float64{s + q*x*x, q * x * y, s + q*y*y}
}

func cross(a, b geom.Vec) geom.Vec {
	return geom.Vec{X: a.Y*b.Z - a.Z*b.Y, Y: a.Z*b.X - a.X*b.Z, Z: a.X*b.Y - a.Y*b.X}
}
