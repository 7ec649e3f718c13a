package card

import (
	"math"

	"flatfell.example/features"
	"flatfell.example/geom"
	"flatfell.example/internal/optim"
)

// turn is how the camera turned between two photographs.
type turn struct {
	matches, inliers int
	// step is where the middle of the first lies in the second, from its middle,
	// in shares of the width and the height: (−0.67, 0) for a turn to the right
	// that leaves a third.
	step geom.Pt
	// overlap is the share of the area that both see.
	overlap float64
	focalPx float64
}

const (
	// turnError is the largest distance of an inlier, as a share of the diagonal:
	// it admits the distortion of a lens and a pupil off the axis.
	turnError = 0.005
	// Acceptance by probability: Brown & Lowe, IJCV 74(1), 2007, sec. 3.2.
	acceptBase, acceptShare = 8, 0.3
	// leastOverlap and leastSpread refuse what hangs on a sliver or on a spot.
	leastOverlap, leastSpread = 0.03, 0.04
	// Focal lengths of lenses, in long sides of the frame: 130° to 4°.
	leastFocal, mostFocal = 0.23, 15.0
)

// rays is a rotation at a focal length.
type rays struct {
	rot   geom.Rotation
	focal float64
}

// findTurn returns the turn from a to b; ok is false if nothing says that they
// overlap.
func findTurn(a, b *look, seed, stream uint64) (t turn, ok bool) {
	if a.luma.Rect != b.luma.Rect {
		return t, false
	}
	// The options are valid: the error is theirs only.
	ms, _ := features.MatchSets(a.corners, b.corners, features.MatchOptions{})
	t.matches = len(ms)
	if len(ms) <= acceptBase {
		return t, false
	}
	w, h := float64(a.luma.Rect.Dx()), float64(a.luma.Rect.Dy())
	mid := geom.Pt{X: w / 2, Y: h / 2}
	long, limit := max(w, h), turnError*math.Hypot(w, h)
	inA, inB := make([]geom.Pt, len(ms)), make([]geom.Pt, len(ms))
	for i, m := range ms {
		p, q := &a.corners.Points[m.A], &b.corners.Points[m.B]
		inA[i], inB[i] = geom.Pt{X: p.X, Y: p.Y}.Sub(mid), geom.Pt{X: q.X, Y: q.Y}.Sub(mid)
	}
	known := a.focalPx
	if known == 0 {
		known = b.focalPx
	}
	fit := func(which []int, focal float64) (rays, bool) {
		ra, rb := make([]geom.Vec, len(which)), make([]geom.Vec, len(which))
		for k, i := range which {
			ra[k], rb[k] = rayAt(inA[i], focal), rayAt(inB[i], focal)
		}
		rot, ok := geom.FitRotation(ra, rb, nil)
		return rays{rot, focal}, ok && focal > leastFocal*long && focal < mostFocal*long
	}
	errorSq := func(m *rays, i int) float64 {
		q, ok := m.project(inA[i])
		if !ok {
			return math.Inf(1)
		}
		d := q.Sub(inB[i])
		return d.X*d.X + d.Y*d.Y
	}
	cost := func(m *rays, in []int) (sum float64) {
		for _, i := range in {
			sum += min(errorSq(m, i), limit*limit)
		}
		return sum
	}
	var focals []float64
	best, rep, found := optim.RANSAC(len(ms), optim.Estimator[rays]{
		SampleSize: 2,
		Fit: func(dst []rays, sample []int) []rays {
			focals = append(focals[:0], known)
			if known == 0 {
				focals = geom.FocalsFromTwoPoints(focals, [2]geom.Pt{inA[sample[0]], inA[sample[1]]}, [2]geom.Pt{inB[sample[0]], inB[sample[1]]})
			}
			for _, f := range focals {
				if m, ok := fit(sample, f); ok {
					dst = append(dst, m)
				}
			}
			return dst
		},
		ErrorSq: errorSq,
		Refine: func(m rays, in []int) (rays, bool) {
			best, ok := fit(in, m.focal)
			if !ok {
				return m, false
			}
			c := cost(&best, in)
			// The metadata's focal length may be off by some per cent.
			for step := 1.1; step > 1.01; step = math.Sqrt(step) {
				for _, f := range []float64{best.focal * step, best.focal / step} {
					if known > 0 && math.Abs(f/known-1) > 0.1 {
						continue
					}
					if n, ok := fit(in, f); ok {
						if d := cost(&n, in); d < c {
							best, c = n, d
						}
					}
				}
			}
			return best, true
		},
	}, optim.RANSACOptions{MaxError: limit, MaxTrials: 800, Seed: seed, Stream: stream})
	if !found {
		return t, false
	}
	t.inliers, t.focalPx = len(rep.Inliers), best.focal
	if q, ok := best.project(geom.Pt{}); ok {
		t.step = geom.Pt{X: q.X / w, Y: q.Y / h}
	} else {
		return t, false
	}
	// The share of the matches within the overlap that must agree, and the
	// overlap itself on a grid.
	inside := func(p geom.Pt) bool {
		q, ok := best.project(p)
		return ok && math.Abs(q.X) <= w/2 && math.Abs(q.Y) <= h/2
	}
	both := 0
	for i := range inA {
		if inside(inA[i]) {
			both++
		}
	}
	const n = 24
	for i := range n * n {
		if inside(geom.Pt{X: (float64(i%n)+0.5)/n*w - w/2, Y: (float64(i/n)+0.5)/n*h - h/2}) {
			t.overlap += 1.0 / (n * n)
		}
	}
	var sum, square geom.Pt
	k := float64(t.inliers)
	for _, i := range rep.Inliers {
		p := inA[i]
		sum.X, sum.Y = sum.X+p.X/k, sum.Y+p.Y/k
		square.X, square.Y = square.X+p.X*p.X/k, square.Y+p.Y*p.Y/k
	}
	spread := math.Sqrt(max(0, square.X-sum.X*sum.X+square.Y-sum.Y*sum.Y))
	return t, t.overlap >= leastOverlap && spread >= leastSpread*math.Hypot(w, h) && k > acceptBase+acceptShare*float64(both)
}

func rayAt(p geom.Pt, focal float64) geom.Vec {
	n := 1 / math.Sqrt(p.X*p.X+p.Y*p.Y+focal*focal)
	return geom.Vec{X: p.X * n, Y: p.Y * n, Z: focal * n}
}

// project returns where a point of the first photograph, from its middle, lies
// in the second.
func (m *rays) project(p geom.Pt) (geom.Pt, bool) {
	v := m.rot.Apply(geom.Vec{X: p.X, Y: p.Y, Z: m.focal})
	if !(v.Z > 0.1*m.focal) {
		return geom.Pt{}, false
	}
	return geom.Pt{X: m.focal * v.X / v.Z, Y: m.focal * v.Y / v.Z}, true
}
