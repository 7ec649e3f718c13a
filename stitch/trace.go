package stitch

import (
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/features"
	"flatfell.example/geom"
	"flatfell.example/raster"
)

// How an upright edge is followed. A segment of package features ends where
// the edge turns from dark against bright to bright against dark, as a post's
// does where sea, sky and sand take turns behind it, and where a crack or a
// stain pulls the blurred edge aside; on rendered posts it covers a third of
// the edge. The error of a line's direction falls with its length to the power
// of 1.5, and the pull of what lies beside the edge with the blur's to the
// power of 3, so the whole edge is measured again with the least blur.
const (
	// traceReach is how far from the line so far the edge may lie, in pixels.
	traceReach = 0.6
	// traceRun is the number of lines that are looked back, and traceHits how
	// many of them must show the edge: texture shows one in 4 of 10.
	traceRun, traceHits = 16, 12
	// traceFloor is the least gradient, as a share of the segment's contrast.
	traceFloor = 0.25
	// leastScatter is the least scatter of an edge in pixels.
	leastScatter = 0.05
)

// tracer follows the upright edges of one frame.
type tracer struct {
	luma   *raster.Plane
	cam    *geom.Camera
	shrink float64
	points []tracePoint
	// pending points are kept if more follow.
	pending []tracePoint
	off     []float64 // scratch
}

// tracePoint is a point of an edge on the plane z = 1 of a frame whose y axis
// is the world's and whose z axis is level and looks at the edge, and how far
// a pixel of the reduced plane reaches there.
type tracePoint struct{ u, v, pixel float64 }

// plumbLine is the line u = a + b·v.
type plumbLine struct{ a, b float64 }

// sums5 are the sums of a weighted line fit.
type sums5 struct{ w, v, vv, u, uv float64 }

func (s *sums5) add(p tracePoint, w float64) {
	s.w += w
	s.v += w * p.v
	s.vv += w * p.v * p.v
	s.u += w * p.u
	s.uv += w * p.u * p.v
}

func (s *sums5) line() plumbLine {
	det := s.w*s.vv - s.v*s.v
	return plumbLine{(s.vv*s.u - s.v*s.uv) / det, (s.w*s.uv - s.v*s.u) / det}
}

// trace follows the edge of which s is a piece and returns the plane of view
// that holds it. ok is false if the edge is not there at the least blur.
func (t *tracer) trace(s *features.Segment) (e upright, ok bool) {
	top, bottom := s.A, s.B
	if top.Y > bottom.Y {
		top, bottom = bottom, top
	}
	from, ok1 := t.ray(top)
	to, ok2 := t.ray(bottom)
	if !ok1 || !ok2 {
		return e, false
	}
	mid := r3.Add(from, to)
	az := math.Atan2(mid.X, mid.Z)
	ahead := geom.Vec{X: math.Sin(az), Z: math.Cos(az)}
	right := geom.Vec{X: ahead.Z, Z: -ahead.X}
	// The segment itself is the first line.
	var sums sums5
	for _, q := range []geom.Vec{from, to} {
		z := r3.Dot(q, ahead)
		if !(z > 0.1) {
			return e, false
		}
		sums.add(tracePoint{u: r3.Dot(q, right) / z, v: q.Y / z}, 1)
	}
	line := sums.line()
	floor := float32(traceFloor * s.Contrast / 0.35)
	y0, y1 := int(math.Ceil(top.Y)), int(math.Floor(bottom.Y))
	t.points = t.points[:0]
	sums = sums5{}
	x := top.X
	look := func(y int) (p tracePoint, ok bool) {
		p, x, ok = t.find(line, right, ahead, x, y, floor)
		return p, ok
	}
	for y := y0; y < y1; y++ {
		if p, ok := look(y); ok {
			t.points = append(t.points, p)
			sums.add(p, 1)
		}
	}
	if 2*len(t.points) < y1-y0 || len(t.points) < traceRun {
		return e, false
	}
	line = sums.line()
	for _, way := range []int{-1, 1} {
		// What is found counts once the last traceRun lines show the edge often
		// enough. Where it doesn't show, since both sides are equally bright,
		// the line may be carried on as far as it is long.
		t.pending = t.pending[:0]
		hits, good, at := uint32(1<<traceRun-1), y1, y1
		x = bottom.X
		if way < 0 {
			good, at, x = y0, y0-1, top.X
		}
		long := y1 - y0
		for y := at; y > 1 && y < t.luma.Rect.Dy()-2 && way*(y-good) <= long; y += way {
			hits = hits << 1 & (1<<traceRun - 1)
			if p, ok := look(y); ok {
				hits |= 1
				t.pending = append(t.pending, p)
			}
			n := bits.OnesCount32(hits)
			if keep := min(n, len(t.pending)); keep < len(t.pending) {
				t.pending = append(t.pending[:0], t.pending[len(t.pending)-keep:]...)
			}
			if n < traceHits || hits&1 == 0 {
				continue
			}
			for _, p := range t.pending {
				sums.add(p, 1)
			}
			t.points = append(t.points, t.pending...)
			t.pending = t.pending[:0]
			line, good, long = sums.line(), y, long+1
		}
	}
	return t.fit(line, az, right, ahead), true
}

func (t *tracer) ray(p geom.Pt) (geom.Vec, bool) {
	return t.cam.WorldFromPixel(geom.Pt{X: p.X * t.shrink, Y: p.Y * t.shrink})
}

// find looks for the edge on line y of the plane, where the line of view is
// expected, which is near column x. It returns where the line meets y.
func (t *tracer) find(l plumbLine, right, ahead geom.Vec, x float64, y int, floor float32) (p tracePoint, at float64, ok bool) {
	q, ok := t.ray(geom.Pt{X: x, Y: float64(y) + 0.5})
	z := r3.Dot(q, ahead)
	if !ok || !(z > 0.1) {
		return p, x, false
	}
	v := q.Y / z
	w := r3.Add(ahead, r3.Add(r3.Scale(l.a+l.b*v, right), geom.Vec{Y: v}))
	c, ok := t.cam.PixelFromWorld(w)
	if !ok {
		return p, x, false
	}
	at = c.X / t.shrink
	// Where the gradient across, smoothed along the edge only, is largest.
	k0, k1 := int(math.Floor(at-traceReach-1)), int(math.Ceil(at+traceReach))
	if k0 < 2 || k1 > t.luma.Rect.Dx()-3 {
		return p, at, false
	}
	r0, r1, r2 := t.luma.Row(y-1), t.luma.Row(y), t.luma.Row(y+1)
	g := func(k int) float32 {
		d := rise(r0, k) + 2*rise(r1, k) + rise(r2, k)
		return max(d, -d)
	}
	off := math.Inf(1)
	before, here := g(k0-1), g(k0)
	for k := k0; k <= k1; k++ {
		after := g(k + 1)
		step := r0[k+1] - r0[k-1] + 2*(r1[k+1]-r1[k-1]) + r2[k+1] - r2[k-1]
		if max(step, -step) >= 4*floor && here > before && here >= after {
			d := float64(before-after) / float64(2*(before-2*here+after))
			if d += float64(k) + 0.5 - at; math.Abs(d) < math.Abs(off) {
				off = d
			}
		}
		before, here = here, after
	}
	if !(math.Abs(off) <= traceReach) {
		return p, at, false
	}
	q, ok = t.ray(geom.Pt{X: at + off, Y: float64(y) + 0.5})
	z = r3.Dot(q, ahead)
	if !ok || !(z > 0.1) {
		return p, at, false
	}
	return tracePoint{u: r3.Dot(q, right) / z, v: q.Y / z, pixel: t.shrink / (t.cam.FocalPx * z)}, at, true
}

// fit fits a line to the points robustly. What pulls an edge aside (wood, bark,
// masonry, what lies behind it) is often as long as the edge, so the line's
// direction errs as if all its points erred together: by √12 times their
// scatter over the length. On the posts of rendered scenes that is right from
// 40 to 300 pixels, and half too much for the longest.
func (t *tracer) fit(line plumbLine, az float64, right, ahead geom.Vec) upright {
	pixel := t.points[0].pixel
	scale := 0.3 * pixel
	lo, hi := math.Inf(1), math.Inf(-1)
	var sums sums5
	for range 8 {
		sums = sums5{}
		for i := range t.points {
			p := &t.points[i]
			r := p.u - line.a - line.b*p.v
			sums.add(*p, 1/(1+r*r/(scale*scale)))
			lo, hi = min(lo, p.v), max(hi, p.v)
		}
		line = sums.line()
	}
	off := t.off[:0]
	for i := range t.points {
		off = append(off, math.Abs(t.points[i].u-line.a-line.b*t.points[i].v))
	}
	t.off = off
	slices.Sort(off)
	scatter := max(off[len(off)/2]/0.6745, leastScatter*pixel)
	return upright{
		normal: r3.Unit(r3.Sub(right, r3.Add(r3.Scale(line.a, ahead), geom.Vec{Y: line.b}))),
		sigma:  math.Sqrt(12) * scatter / (hi - lo),
		az:     az + math.Atan(line.a+line.b*sums.v/sums.w),
		length: math.Atan(hi) - math.Atan(lo),
		top:    lo, bottom: hi,
	}
}

// rise is the gradient across at column k in nearly linear light: pixels mix
// light, and in the encoded scale an edge moves toward its darker side, the
// farther the stronger it is. Posts that are wet and dark below so seemed to
// narrow downward, by 0.1° at 60 pixels.
func rise(row []float32, k int) float32 { return (row[k+1] - row[k-1]) * (row[k+1] + row[k-1]) }
