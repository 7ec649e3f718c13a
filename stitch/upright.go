package stitch

import (
	"cmp"
	"context"
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/features"
	"flatfell.example/geom"
	"flatfell.example/internal/optim"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// uprightEvidence says what in the pictures showed the vertical.
type uprightEvidence struct {
	// Kind is horizon, verticals or both.
	Kind string
	// SigmaDeg is the standard deviation of the tilt in its less certain
	// direction, TiltDeg how far up was moved.
	SigmaDeg, TiltDeg float64
	// HorizonDeg is the azimuth over which the horizon was seen, Verticals
	// the number of upright things that agree.
	HorizonDeg float64
	Verticals  int
}

const (
	maxUprightDeg = 5.0
	degree        = math.Pi / 180
)

// pictureUp sharpens the direction up of a rig whose world is already
// levelled by the poses (true up within 5° of −y) by what the pictures show:
// the sea's horizon and upright edges. luma are the frames' planes, reduced
// by shrink.
//
// Up is written (x, −1, z), x and z small. A horizon at depression d gives
// for each of its rays
//
//	x·rx − ry + z·rz = −d,   d = 0.04° ± 0.08° (an eye 0 to 15 m above the sea)
//
// and an upright edge, whose plane of view has the normal n, gives
// x·nx − ny + z·nz = 0, up to its own lean. Both are Gaussian in (x, z) once
// outliers are gone, and are added to the Gaussian of the poses, so that a
// direction that the pictures leave open stays where it was.
//
// ok is false if the pictures show nothing reliable: up is then −y.
// The error is ctx's.
func pictureUp(ctx context.Context, luma []*raster.Plane, shrink int, r *rig, workers int) (
	up geom.Vec, e uprightEvidence, ok bool, err error,
) {
	up = geom.Vec{Y: -1}
	views := make([]edgeView, len(luma))
	err = par.Do(ctx, workers, len(luma), func(i int) (err error) {
		cam := r.camera(i)
		views[i], err = lookForEdges(ctx, luma[i], shrink, &cam)
		return err
	})
	if err != nil {
		return up, e, false, err
	}
	pose := posePrior(r, looseAxis)
	var lines []skyline
	var edges []upright
	for _, v := range views {
		lines = append(lines, v.lines...)
		edges = append(edges, v.edges...)
	}
	h, covered, okH := findHorizon(lines, pose, rowSpan(r), float64(shrink)/r.focalPx)
	v, count, okV := findVerticals(edges, pose)
	if okH && okV && !agree(h, v, 3) {
		// A long horizon is flat; trees lean and cliffs slope.
		okV = false
		okH = covered >= strongHorizon
	}
	var seen belief
	if okH {
		seen = seen.plus(h)
		e.Kind, e.HorizonDeg = "horizon", covered/degree
	}
	if okV {
		seen = seen.plus(v)
		e.Kind, e.Verticals = "verticals", count
	}
	if okH && okV {
		e.Kind = "both"
	}
	if tight := posePrior(r, tightAxis); agree(tight, seen, 3) {
		pose = tight
	}
	x, z, sigma := pose.plus(seen).solve()
	moved := math.Atan(math.Hypot(x, z)) / degree
	if !okH && !okV || !(moved <= maxUprightDeg) {
		return up, uprightEvidence{}, false, nil
	}
	e.SigmaDeg, e.TiltDeg = sigma/degree, moved
	return r3.Unit(geom.Vec{X: x, Y: -1, Z: z}), e, true, nil
}

// belief is a Gaussian of the tilt (x, z) in radians, by its information
// matrix (xx, xz, zz) and that times its mean.
type belief struct{ xx, xz, zz, x, z float64 }

// add adds the observation jx·x + jz·z = value of the given weight, 1/σ².
func (b *belief) add(jx, jz, value, weight float64) {
	b.xx += weight * jx * jx
	b.xz += weight * jx * jz
	b.zz += weight * jz * jz
	b.x += weight * jx * value
	b.z += weight * jz * value
}

func (b belief) plus(c belief) belief {
	return belief{b.xx + c.xx, b.xz + c.xz, b.zz + c.zz, b.x + c.x, b.z + c.z}
}

// solve returns the mean and the standard deviation along the less certain
// direction. b must not be singular.
func (b belief) solve() (x, z, sigma float64) {
	det := b.xx*b.zz - b.xz*b.xz
	x, z = (b.zz*b.x-b.xz*b.z)/det, (b.xx*b.z-b.xz*b.x)/det
	half, off := (b.xx+b.zz)/2, math.Hypot((b.xx-b.zz)/2, b.xz)
	return x, z, 1 / math.Sqrt(half-off)
}

// mahalanobisSq returns the squared distance of (x, z) from b's mean.
func (b belief) mahalanobisSq(x, z float64) float64 {
	mx, mz, _ := b.solve()
	dx, dz := x-mx, z-mz
	return b.xx*dx*dx + 2*b.xz*dx*dz + b.zz*dz*dz
}

// blur returns b with the variance of both components raised by sigma².
func (b belief) blur(sigma float64) belief {
	x, z, _ := b.solve()
	det := b.xx*b.zz - b.xz*b.xz
	vx, vxz, vz := b.zz/det+sigma*sigma, -b.xz/det, b.xx/det+sigma*sigma
	det = vx*vz - vxz*vxz
	c := belief{xx: vz / det, xz: -vxz / det, zz: vx / det}
	c.x, c.z = c.xx*x+c.xz*z, c.xz*x+c.zz*z
	return c
}

// agree reports whether two beliefs are within so many sigmas of one another.
// A very wide one of 5° makes both invertible.
func agree(b, c belief, sigmas float64) bool {
	wide := 1 / (5 * 5 * degree * degree)
	var v [3]float64 // covariance of the difference
	var d [2]float64
	for i, q := range []belief{b, c} {
		sign := float64(1 - 2*i)
		q.xx += wide
		q.zz += wide
		x, z, _ := q.solve()
		det := q.xx*q.zz - q.xz*q.xz
		v[0] += q.zz / det
		v[1] -= q.xz / det
		v[2] += q.xx / det
		d[0] += sign * x
		d[1] += sign * z
	}
	det := v[0]*v[2] - v[1]*v[1]
	return (v[2]*d[0]*d[0]-2*v[1]*d[0]*d[1]+v[0]*d[1]*d[1])/det <= sigmas*sigmas
}

// How well the axis about which a row turns is plumb. A levelled tripod and a
// row whose tilts average out stand at tightAxis; if the pictures say
// otherwise, a bubble that was read in haste allows looseAxis (common
// practice).
const (
	tightAxis = 0.05 * degree
	looseAxis = 0.4 * degree
)

// posePrior returns how well the poses tell up. The scatter of their rolls and
// pitches about the level says how the camera was held, and the axis has an
// error of its own.
func posePrior(r *rig, axis float64) belief {
	// A scatter before anything is seen, worth a third of an observation: two
	// or three frames can lie level by luck, all the more since the level was
	// fitted to them. The most that counts for one frame lets several rows
	// through.
	const (
		usual, worth = 0.5 * degree, 0.3
		most         = 1.5 * degree
	)
	n := float64(len(r.rot))
	var mean geom.Vec
	for _, q := range r.rot {
		mean = r3.Add(mean, r3.Scale(1/n, q.Row(2)))
	}
	var sum, pitch float64
	for _, q := range r.rot {
		x, z := q.Row(0), r3.Sub(q.Row(2), mean)
		sum += min(x.Y*x.Y, most*most) + min(z.Y*z.Y, most*most)
		pitch += z.Y * z.Y / n
	}
	roll := (worth*usual*usual + sum) / (worth + max(0, 2*n-3)) // variance
	pitch = max(pitch, roll)
	var b belief
	for _, q := range r.rot {
		x, z := q.Row(0), r3.Sub(q.Row(2), mean)
		b.add(x.X, x.Z, 0, 1/roll)
		b.add(z.X, z.Z, 0, 1/pitch)
	}
	wide := 1 / (3 * 3 * degree * degree) // frames that all look one way
	b.xx += wide
	b.zz += wide
	return b.blur(axis)
}

// rowSpan returns the azimuth in radians that the frames cover.
func rowSpan(r *rig) float64 {
	const bins = 720
	var seen [bins]bool
	half := math.Atan2(float64(r.width)/2, r.focalPx)
	for _, q := range r.rot {
		az := math.Atan2(q.Row(2).X, q.Row(2).Z)
		for k := range seen {
			a := (float64(k)+0.5)*(2*math.Pi/bins) - math.Pi
			if math.Abs(math.Remainder(a-az, 2*math.Pi)) <= half {
				seen[k] = true
			}
		}
	}
	n := 0
	for _, s := range seen {
		if s {
			n++
		}
	}
	return float64(n) * 2 * math.Pi / bins
}

// skyline is a nearly horizontal edge, brighter above, that may be the
// horizon.
type skyline struct {
	rays     []geom.Vec // along it, from left to right, every samplePx
	lengthPx float64
	// open is the part of it above which nothing has an edge as strong.
	open float64
	bits azimuths
}

// upright is a nearly vertical edge.
type upright struct {
	normal geom.Vec // unit, of the plane through the eye and the edge
	sigma  float64  // of the normal's tilt, radians
	az     float64
	length float64 // radians
	// top and bottom are the tangents of its ends' depression.
	top, bottom float64
}

// holds reports whether q is a point of the edge, up to tol radians aside.
func (e *upright) holds(q geom.Vec, tol float64) bool {
	v := q.Y / math.Hypot(q.X, q.Z)
	return math.Abs(r3.Dot(e.normal, q)) <= tol && v >= e.top && v <= e.bottom &&
		math.Abs(math.Remainder(math.Atan2(q.X, q.Z)-e.az, 2*math.Pi)) < 1
}

type edgeView struct {
	lines []skyline
	edges []upright
}

const (
	samplePx = 8.0
	// samePx: pieces of one upright edge lie this close to one line.
	samePx = 1.0
	// chancePx is the length of the straight pieces of an irregular skyline.
	chancePx = 20.0
)

// lookForEdges finds the horizontal and vertical edges of a frame.
func lookForEdges(ctx context.Context, luma *raster.Plane, shrink int, cam *geom.Camera) (v edgeView, err error) {
	segs, err := features.Segments(ctx, luma, features.SegmentOptions{})
	if err != nil {
		return v, err
	}
	ray := func(p geom.Pt) (geom.Vec, bool) {
		return cam.WorldFromPixel(geom.Pt{X: p.X * float64(shrink), Y: p.Y * float64(shrink)})
	}
	t := tracer{luma: luma, cam: cam, shrink: float64(shrink)}
	steep := math.Sin(8 * degree)
	flat := math.Sin((maxUprightDeg + 1) * degree)
	for i := range segs {
		s := &segs[i]
		d := s.B.Sub(s.A)
		a, okA := ray(s.A)
		b, okB := ray(s.B)
		if !okA || !okB {
			continue
		}
		if math.Abs(d.Y) > math.Abs(d.X) {
			mid := r3.Unit(r3.Add(a, b))
			known := slices.ContainsFunc(v.edges, func(e upright) bool { return e.holds(mid, samePx*float64(shrink)/cam.FocalPx) })
			if known {
				continue
			}
			if e, ok := t.trace(s); ok && math.Abs(e.normal.Y) <= steep {
				v.edges = append(v.edges, e)
			}
			continue
		}
		if d.X < 0 || math.Abs(a.Y) > flat || math.Abs(b.Y) > flat {
			continue
		}
		l := skyline{lengthPx: s.Length()}
		n := max(2, int(l.lengthPx/samplePx)+1)
		for k := range n {
			t := float64(k) / float64(n-1)
			p := geom.Pt{X: s.A.X + t*d.X, Y: s.A.Y + t*d.Y}
			if q, ok := ray(p); ok {
				l.rays = append(l.rays, q)
			}
			// At least as high as the poses' horizon allows for.
			height := (openDeg*degree + max(0, a.Y)) * cam.FocalPx / float64(shrink)
			if isOpen(luma, p, s.Contrast, int(height)) {
				l.open += 1 / float64(n)
			}
		}
		// Any edge has short straight pieces: only what is longer counts.
		trim := min(chancePx/2/l.lengthPx, 0.5)
		a, b = r3.Add(a, r3.Scale(trim, r3.Sub(b, a))), r3.Add(b, r3.Scale(trim, r3.Sub(a, b)))
		l.bits.set(math.Atan2(a.X, a.Z), math.Atan2(b.X, b.Z))
		v.lines = append(v.lines, l)
	}
	return v, nil
}

// openDeg is how far above a horizon the sky is looked at.
const openDeg = 2.5

// isOpen reports whether no edge above p, up to height pixels, is nearly as
// strong as contrast: over the horizon there is sky, over a line of surf or
// the far bank of a lake there is more. Half of the height must be in the plane.
func isOpen(luma *raster.Plane, p geom.Pt, contrast float64, height int) bool {
	const half = 4
	x0, x1 := max(int(p.X)-half, 0), min(int(p.X)+half+1, luma.Rect.Dx())
	y := int(p.Y)
	if y < height/2 {
		return false
	}
	var below [2]float64 // the sums of the two lines before
	for k := 4; k <= height && y-k > 0; k++ {
		var s float64
		for _, v := range luma.Row(y - k)[x0:x1] {
			s += float64(v)
		}
		if k >= 6 && math.Abs(s-below[1])/2 > 0.7*contrast*float64(x1-x0) {
			return false
		}
		below[0], below[1] = s, below[0]
	}
	return true
}

// azimuths is a set of directions, a bit each 0.1°.
type azimuths [57]uint64

const azimuthBins = 3600

func (b *azimuths) set(from, to float64) {
	i := int(math.Round((from + math.Pi) / (2 * math.Pi) * azimuthBins))
	n := int(math.Round(math.Abs(math.Remainder(to-from, 2*math.Pi)) / (2 * math.Pi) * azimuthBins))
	for k := range n {
		j := (i + k) % azimuthBins
		b[j/64] |= 1 << (j % 64)
	}
}

func (b *azimuths) or(c *azimuths) {
	for i, v := range c {
		b[i] |= v
	}
}

// radians returns the size of the set.
func (b *azimuths) radians() float64 {
	n := 0
	for _, v := range b {
		n += bits.OnesCount64(v)
	}
	return float64(n) * 2 * math.Pi / azimuthBins
}

const (
	// maxEdges bounds the edges of either kind that are looked at: the longest
	// level ones, the most exact upright ones.
	maxEdges = 400

	dipMean, dipSigma = 0.04 * degree, 0.08 * degree
	// A horizon must be seen over this share of the row's azimuth, within the
	// limits that follow.
	minHorizonShare           = 0.25
	leastHorizon, mostHorizon = 5 * degree, 40 * degree
	// strongHorizon wins over verticals that contradict it.
	strongHorizon = 12 * degree
	// maxUnlikelySq is the largest squared distance from the poses.
	maxUnlikelySq = 3.2 * 3.2
)

// findHorizon returns what the horizon tells of the tilt and over how much
// azimuth it is seen. pixel is the angle of a plane's pixel.
func findHorizon(lines []skyline, pose belief, span, pixel float64) (b belief, covered float64, ok bool) {
	lines = slices.DeleteFunc(slices.Clone(lines), func(l skyline) bool { return l.open < 0.6 })
	slices.SortStableFunc(lines, func(a, b skyline) int { return cmp.Compare(b.lengthPx, a.lengthPx) })
	lines = lines[:min(len(lines), maxEdges)]
	if len(lines) == 0 {
		return b, 0, false
	}
	tol := max(0.8*pixel, 0.02*degree)
	supporters := func(t tilt3) (on []int, seen float64) {
		var set azimuths
		for i := range lines {
			l := &lines[i]
			if math.Abs(t.residual(l.rays[0])) <= tol && math.Abs(t.residual(l.rays[len(l.rays)-1])) <= tol {
				on = append(on, i)
				set.or(&l.bits)
			}
		}
		return on, set.radians()
	}
	score := func(t tilt3) float64 {
		_, seen := supporters(t)
		// Half a degree of horizon for each unit of disbelief.
		return seen - 0.5*degree*pose.mahalanobisSq(t.x, t.z)
	}
	// Every pair of the longest lines proposes a tilt.
	top := min(len(lines), 50)
	var best tilt3
	bestScore := math.Inf(-1)
	for i := range top {
		for j := i; j < top; j++ {
			if t, _ := fitHorizon(lines, []int{i, j}, pose, pixel); score(t) > bestScore {
				best, bestScore = t, score(t)
			}
		}
	}
	var on []int
	for range 5 {
		on, covered = supporters(best)
		if len(on) == 0 {
			return b, 0, false
		}
		best, b = fitHorizon(lines, on, pose, pixel)
	}
	if covered < min(max(leastHorizon, minHorizonShare*span), mostHorizon) || pose.mahalanobisSq(best.x, best.z) > maxUnlikelySq {
		return b, covered, false
	}
	return b, covered, true
}

// tilt3 is a tilt with the depression of the horizon.
type tilt3 struct{ x, z, dip float64 }

func (t tilt3) residual(ray geom.Vec) float64 { return t.x*ray.X - ray.Y + t.z*ray.Z + t.dip }

// fitHorizon fits a horizon to the chosen lines by least squares with the
// Cauchy loss and returns what it adds to the poses, the dip integrated out.
func fitHorizon(lines []skyline, on []int, pose belief, pixel float64) (t tilt3, b belief) {
	cols := []int{0, 1, 2}
	// Neighbouring samples of one line err alike (distortion, swell, haze), so
	// that ten count as one.
	const share = 0.1
	sigma := 0.3 * pixel
	loss := optim.Cauchy{Scale: 2}
	n := optim.NewNormal(3)
	for range 3 {
		n.Reset()
		for _, i := range on {
			for _, q := range lines[i].rays {
				r := t.residual(q) / sigma
				_, w := loss.Loss(r * r)
				n.Add(cols, []float64{q.X / sigma, q.Z / sigma, 1 / sigma}, r, share*w)
			}
		}
		n.Add(cols[2:], []float64{1 / dipSigma}, (t.dip-dipMean)/dipSigma, 1)
		h, g := n.H, n.G
		// Integrate the dip out.
		b = belief{xx: h[0] - h[2]*h[2]/h[8], xz: h[1] - h[2]*h[5]/h[8], zz: h[4] - h[5]*h[5]/h[8]}
		gx, gz := g[0]-h[2]*g[2]/h[8], g[1]-h[5]*g[2]/h[8]
		b.x, b.z = b.xx*t.x+b.xz*t.z-gx, b.xz*t.x+b.zz*t.z-gz
		x, z, _ := b.plus(pose).solve()
		t.dip -= (g[2] + h[2]*(x-t.x) + h[5]*(z-t.z)) / h[8]
		t.x, t.z = x, z
	}
	return t, b
}

// shadeBias is the error that all upright edges may share, since light and
// shade lie on the same side of all of them.
const shadeBias = 0.02 * degree

// findVerticals returns what upright edges tell of the tilt: a mixture of
// things that stand upright but for a normal lean of unknown scatter, and of
// others.
func findVerticals(edges []upright, pose belief) (b belief, count int, ok bool) {
	const (
		spread    = 16 * degree // other edges lie anywhere in ±8°
		place     = 0.75 * degree
		maxLean   = 0.6 * degree
		minPlace  = 5
		usualLean = 0.1 * degree // of a wall or post (common practice)
	)
	edges = slices.DeleteFunc(slices.Clone(edges), func(e upright) bool { return e.sigma > 1*degree })
	slices.SortStableFunc(edges, func(a, b upright) int { return cmp.Compare(a.sigma, b.sigma) })
	edges = edges[:min(len(edges), maxEdges)]
	if len(edges) < minPlace {
		return b, 0, false
	}
	// Edges of one thing, and of one thing in two frames, count once between
	// them, so that none adds to a better one.
	variance := func(e *upright) float64 { return e.sigma*e.sigma + usualLean*usualLean }
	weight := make([]float64, len(edges))
	for i := range edges {
		n := 0.0
		for j := range edges {
			if math.Abs(math.Remainder(edges[i].az-edges[j].az, 2*math.Pi)) <= place {
				n += min(1, variance(&edges[i])/variance(&edges[j]))
			}
		}
		weight[i] = 1 / n
	}
	type model struct{ x, z, lean, share float64 }
	inlier := func(m *model, e *upright) (p float64) {
		v := m.lean*m.lean + e.sigma*e.sigma
		r := m.x*e.normal.X - e.normal.Y + m.z*e.normal.Z
		return m.share * math.Exp(-0.5*r*r/v) / math.Sqrt(2*math.Pi*v)
	}
	logLike := func(m *model) (sum float64) {
		for i := range edges {
			sum += weight[i] * math.Log(inlier(m, &edges[i])*spread+1-m.share)
		}
		return sum - 0.5*pose.mahalanobisSq(m.x, m.z)
	}
	var best model
	bestL, broadL := math.Inf(-1), math.Inf(-1)
	search := func(cx, cz, half, step float64) {
		n := int(math.Round(half / step))
		for _, lean := range []float64{0.05, 0.1, 0.2, 0.35, 0.6, 1.5, 3} {
			for _, share := range []float64{0.3, 0.6, 0.9} {
				for i := -n; i <= n; i++ {
					for k := -n; k <= n; k++ {
						m := model{cx + float64(i)*step, cz + float64(k)*step, lean * degree, share}
						l := logLike(&m)
						if m.lean <= maxLean && l > bestL {
							best, bestL = m, l
						}
						if m.lean > maxLean && l > broadL {
							broadL = l
						}
					}
				}
			}
		}
	}
	search(0, 0, 3*degree, 0.3*degree)
	search(best.x, best.z, 0.2*degree, 0.1*degree)
	search(best.x, best.z, 0.06*degree, 0.03*degree)
	var places float64
	for i := range edges {
		e := &edges[i]
		p := inlier(&best, e)
		g := weight[i] * p / (p + (1-best.share)/spread)
		places += g
		b.add(e.normal.X, e.normal.Z, e.normal.Y, g/(best.lean*best.lean+e.sigma*e.sigma))
	}
	count = int(places + 0.5)
	if count < minPlace || bestL < broadL+6 || b.xx*b.zz-b.xz*b.xz < 1e-9*b.xx*b.zz {
		return b, count, false
	}
	return b.blur(shadeBias), count, true
}
