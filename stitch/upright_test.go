package stitch

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/features"
	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

// upVec is where up lies before the pictures are looked at.
var upVec = geom.Vec{Y: -1}

func degreesBetween(a, b geom.Vec) float64 {
	return math.Atan2(r3.Norm(cross(a, b)), r3.Dot(a, b)) / degree
}

// renderedRow renders a row and returns its planes and its true cameras.
func renderedRow(t testing.TB, row scene.Row, o scene.Options) (luma []*raster.Plane, r *rig) {
	t.Helper()
	row.Width, row.Height, row.Supersample = 500, 750, 1
	row.Radial, row.Noise = [3]float64{-0.02}, 0.01
	s := scene.New(row.Seed, o)
	truth := s.Plan(row)
	cam := &truth.Frames[0].Camera
	r = &rig{width: cam.Width, height: cam.Height, focalPx: cam.FocalPx, radial: cam.Radial}
	for i := range truth.Frames {
		pic, err := s.Frame(t.Context(), 0, &truth, i)
		if err != nil {
			t.Fatal(err)
		}
		p, err := raster.Luma(t.Context(), 0, scene.Encode8(pic), 1)
		if err != nil {
			t.Fatal(err)
		}
		luma = append(luma, p)
		r.rot = append(r.rot, truth.Frames[i].Camera.CamFromWorld)
	}
	return luma, r
}

// turned returns r in another world and where up lies in that.
func turned(r *rig, worldFromTrue geom.Rotation) (q *rig, trueUp geom.Vec) {
	c := *r
	c.rot = nil
	for _, camFromTrue := range r.rot {
		c.rot = append(c.rot, camFromTrue.Mul(worldFromTrue.Inv()))
	}
	return &c, worldFromTrue.Apply(upVec)
}

// TestPictureUp tilts the true world of hand-held rows by up to 1° about x and
// z. All with a horizon come to within 0.07°, those with posts alone to within
// 0.09°, of six seeds; at 800 × 1200, of 20 seeds, to 0.034° in the median and
// 0.059° at worst. Those with neither are left alone.
func TestPictureUp(t *testing.T) {
	if testing.Short() {
		t.Skip("a long one, and nothing in it runs at once that others do not run")
	}
	for _, tc := range []struct {
		name   string
		o      scene.Options
		seeds  []uint64
		tolDeg float64 // zero: no evidence
	}{
		{"horizon and posts", scene.Options{}, []uint64{9, 18}, 0.1},
		{"horizon", scene.Options{Posts: -1}, []uint64{3, 11}, 0.08},
		{"posts", scene.Options{NoHorizon: true}, []uint64{1, 9}, 0.12},
		{"neither", scene.Options{NoHorizon: true, Posts: -1}, []uint64{4, 19}, 0},
	} {
		for _, seed := range tc.seeds {
			luma, r := renderedRow(t, scene.Row{
				Seed: seed, RollErr: geom.Degree, PitchErr: geom.Degree, YawErr: geom.Degree,
			}, tc.o)
			rng := rand.New(rand.NewPCG(seed, 5))
			tilt := geom.Vec{X: (2*rng.Float64() - 1) * degree, Z: (2*rng.Float64() - 1) * degree}
			r, trueUp := turned(r, geom.Exp(tilt))
			up, e, ok, err := pictureUp(t.Context(), luma, 1, r, 1)
			if err != nil {
				t.Fatal(err)
			}
			if tc.tolDeg == 0 {
				if ok || up != upVec {
					t.Errorf("%s, seed %d: moved up to %v by %+v", tc.name, seed, up, e)
				}
				// Two neighbours alone see waves, but no horizon.
				r.rot = r.rot[:2]
				if up, e, ok, _ := pictureUp(t.Context(), luma[:2], 1, r, 1); ok {
					t.Errorf("%s, seed %d, two frames: moved up to %v by %+v", tc.name, seed, up, e)
				}
				continue
			}
			if got := degreesBetween(up, trueUp); !ok || !(got <= tc.tolDeg) {
				t.Errorf("%s, seed %d: ok %v, %.3f° off (%.3f° before), want ≤ %.2f: %+v",
					tc.name, seed, ok, got, degreesBetween(upVec, trueUp), tc.tolDeg, e)
			}
			if again, f, _, _ := pictureUp(t.Context(), luma, 1, r, 3); again != up || f != e {
				t.Errorf("%s, seed %d: three workers say %v %+v, one %v %+v", tc.name, seed, again, f, up, e)
			}
		}
	}
}

// TestPictureUpTripod: posts alone do not spoil what a tripod knows.
func TestPictureUpTripod(t *testing.T) {
	luma, r := renderedRow(t, scene.Row{
		Seed: 7, RollErr: 0.1 * geom.Degree, PitchErr: 0.1 * geom.Degree, YawErr: geom.Degree, Pitch: 5 * geom.Degree,
	}, scene.Options{NoHorizon: true})
	up := rowLevel(r.rot)
	r, trueUp := turned(r, worldFromUp(r.rot, leftToRight(r.rot, up), up))
	before := degreesBetween(upVec, trueUp)
	up, e, _, err := pictureUp(t.Context(), luma, 1, r, 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := degreesBetween(up, trueUp); !(got <= before+0.05) {
		t.Errorf("%.3f° off, before %.3f: %+v", got, before, e)
	}
}

// drawnRow is a rig of level frames whose planes are drawn by shade, a
// function of azimuth and of elevation upward in radians.
func drawnRow(frames int, shade func(az, el float64) float64) (luma []*raster.Plane, r *rig) {
	r = &rig{width: 400, height: 600, focalPx: 600}
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range frames {
		r.rot = append(r.rot, geom.FromYawPitchRoll(geom.Angle(25*(float64(i)-float64(frames-1)/2))*geom.Degree, 0, 0))
		cam := r.camera(i)
		p := raster.NewPlane(image.Rect(0, 0, r.width, r.height))
		for y := range r.height {
			for x := range r.width {
				var sum float64
				for k := range 4 {
					q, _ := cam.WorldFromPixel(geom.Pt{X: float64(x) + 0.25 + 0.5*float64(k%2), Y: float64(y) + 0.25 + 0.5*float64(k/2)})
					sum += shade(math.Atan2(q.X, q.Z), math.Asin(-q.Y)) / 4
				}
				p.Set(x, y, float32(sum+0.005*rng.NormFloat64()))
			}
		}
		luma = append(luma, p)
	}
	return luma, r
}

// TestPictureUpMisled draws what looks a little like a horizon.
func TestPictureUpMisled(t *testing.T) {
	if testing.Short() {
		t.Skip("a long one, and nothing in it runs at once that others do not run")
	}
	edge := func(line func(az float64) float64) func(az, el float64) float64 {
		return func(az, el float64) float64 {
			if el > line(az) {
				return 0.7
			}
			return 0.4
		}
	}
	for _, tc := range []struct {
		name  string
		shade func(az, el float64) float64
		ok    bool
	}{
		{"a horizon", edge(func(float64) float64 { return 0 }), true},
		{"a range of hills", edge(func(az float64) float64 { return 0.02 * (math.Sin(17*az) + math.Sin(29*az+1)) }), false},
		{"a long slope", edge(func(az float64) float64 { return 0.15 * az }), false},
		{"a wall", edge(func(az float64) float64 { return math.Atan(0.05 * math.Cos(az-0.6)) }), false},
		{"a far bank below hills", func(az, el float64) float64 {
			switch hill := 0.04 + 0.02*math.Sin(17*az); {
			case el > hill:
				return 0.9
			case el > -0.005:
				return 0.6
			}
			return 0.4
		}, false},
		{"a dark sky over a bright plain", func(_, el float64) float64 {
			if el > 0 {
				return 0.4
			}
			return 0.7
		}, false},
		{"nothing", func(float64, float64) float64 { return 0.5 }, false},
	} {
		luma, r := drawnRow(4, tc.shade)
		up, e, ok, err := pictureUp(t.Context(), luma, 1, r, 0)
		if err != nil {
			t.Fatal(err)
		}
		if ok != tc.ok || !(degreesBetween(up, upVec) <= 0.06) {
			t.Errorf("%s: ok %v, up %v, %+v; want ok %v and no tilt", tc.name, ok, up, e, tc.ok)
		}
	}
}

// TestVerticals gives upright edges of a known lean in a world that is tilted.
func TestVerticals(t *testing.T) {
	trueUp := r3.Unit(geom.Vec{X: 0.8 * degree, Y: -1, Z: -0.5 * degree})
	r := &rig{width: 400, height: 600, focalPx: 600}
	for i := range 5 {
		r.rot = append(r.rot, geom.FromYawPitchRoll(geom.Angle(i-2)*25*geom.Degree, 0, geom.Angle(1-2*(i%2))*0.8*geom.Degree))
	}
	for _, tc := range []struct {
		name           string
		things         int
		lean, spread   float64 // degrees; lean is normal, spread uniform ±
		ok             bool
		medianWithin   float64
		worstWithin    float64
		mostAcceptable int // trials that may be accepted though ok is false
	}{
		{"buildings", 12, 0.05, 0, true, 0.1, 0.3, 0},
		{"posts", 20, 0.3, 0, true, 0.2, 0.6, 0},
		{"trees", 20, 2, 0, false, 0, 0, 2},
		{"rocks", 25, 0, 7, false, 0, 0, 2},
		{"two posts", 2, 0.1, 0, false, 0, 0, 0},
	} {
		var errs []float64
		accepted := 0
		for seed := range uint64(20) {
			rng := rand.New(rand.NewPCG(seed, 3))
			var edges []upright
			for range tc.things {
				az := (2*rng.Float64() - 1) * 60 * degree
				lean := tc.lean*rng.NormFloat64() + tc.spread*(2*rng.Float64()-1)
				// A plane of view holds trueUp and the direction az.
				n := r3.Unit(cross(trueUp, geom.Vec{X: math.Sin(az), Z: math.Cos(az)}))
				n = geom.Exp(r3.Scale(lean*degree, geom.Vec{X: math.Sin(az), Z: math.Cos(az)})).Apply(n)
				edges = append(edges, upright{normal: n, sigma: 0.15 * degree, az: az, length: 5 * degree})
			}
			pose := posePrior(r, looseAxis)
			b, _, ok := findVerticals(edges, pose)
			if !ok {
				continue
			}
			accepted++
			x, z, _ := b.plus(pose).solve()
			errs = append(errs, degreesBetween(r3.Unit(geom.Vec{X: x, Y: -1, Z: z}), trueUp))
		}
		if !tc.ok {
			if accepted > tc.mostAcceptable {
				t.Errorf("%s: accepted in %d trials of 20", tc.name, accepted)
			}
			continue
		}
		worst := 0.0
		for _, v := range errs {
			worst = max(worst, v)
		}
		if accepted < 18 || !(median(errs) <= tc.medianWithin) || !(worst <= tc.worstWithin) {
			t.Errorf("%s: accepted in %d trials of 20, median %.3f°, worst %.3f°, want ≥ 18, %v and %v",
				tc.name, accepted, median(errs), worst, tc.medianWithin, tc.worstWithin)
		}
	}
}

// TestBelief compares with matrices.
func TestBelief(t *testing.T) {
	var b belief
	b.add(0.6, 0.8, 0.3, 25)
	b.add(-0.8, 0.6, -0.1, 100)
	c := b.plus(belief{xx: 10, zz: 20, x: 1, z: -2}).blur(0.2)
	// The same by matrices: information, then covariance plus 0.04.
	info := mat.NewSymDense(2, []float64{25*0.36 + 100*0.64 + 10, 25*0.48 - 100*0.48, 0, 25*0.64 + 100*0.36 + 20})
	rhs := mat.NewVecDense(2, []float64{25*0.6*0.3 + 100*0.8*0.1 + 1, 25*0.8*0.3 - 100*0.6*0.1 - 2})
	var mean mat.VecDense
	var cov mat.Dense
	if err := mean.SolveVec(info, rhs); err != nil {
		t.Fatal(err)
	}
	if err := cov.Inverse(info); err != nil {
		t.Fatal(err)
	}
	var eig mat.EigenSym
	if !eig.Factorize(mat.NewSymDense(2, []float64{cov.At(0, 0) + 0.04, cov.At(0, 1), 0, cov.At(1, 1) + 0.04}), false) {
		t.Fatal("no eigenvalues")
	}
	x, z, sigma := c.solve()
	want := [3]float64{mean.AtVec(0), mean.AtVec(1), math.Sqrt(eig.Values(nil)[1])}
	for i, got := range [3]float64{x, z, sigma} {
		if !(math.Abs(got-want[i]) <= 1e-12) {
			t.Errorf("component %d: got %v, want %v", i, got, want[i])
		}
	}
	if d := c.mahalanobisSq(x, z); !(math.Abs(d) <= 1e-12) {
		t.Errorf("the mean is %v from itself", d)
	}
	far := belief{xx: 1e8, zz: 1e8}
	for _, tc := range []struct {
		offset float64
		want   bool
	}{{0, true}, {4e-4, true}, {4.6e-4, false}} { // the difference has σ 1.41e-4
		moved := belief{xx: 1e8, zz: 1e8, x: 1e8 * tc.offset}
		if agree(far, moved, 3) != tc.want || agree(moved, far, 3) != tc.want {
			t.Errorf("offset %v: agree is not %v both ways", tc.offset, tc.want)
		}
	}
}

func TestAzimuths(t *testing.T) {
	var b, c azimuths
	b.set(179*degree, -178*degree) // across the seam
	c.set(-179*degree, -177*degree)
	for _, tc := range []struct {
		set  azimuths
		want float64
	}{{b, 3}, {c, 2}} {
		if got := tc.set.radians() / degree; !(math.Abs(got-tc.want) <= 0.11) {
			t.Errorf("%.2f°, want %.1f", got, tc.want)
		}
	}
	b.or(&c)
	if got := b.radians() / degree; !(math.Abs(got-4) <= 0.11) {
		t.Errorf("union %.2f°, want 4", got)
	}
}

// horizonBow returns the bow of the horizon in a levelled picture, in pixels
// per 1000 of its length: the rise of the parabola through the long straight
// edges, brighter above, within reach pixels of line y over its chord.
func horizonBow(t testing.TB, luma *raster.Plane, y, reach float64) (bow float64, ok bool) {
	t.Helper()
	segs, err := features.Segments(t.Context(), luma, features.SegmentOptions{OffHorizontal: 3 * geom.Degree, OffVertical: -1})
	if err != nil {
		t.Fatal(err)
	}
	var rows, rhs []float64
	lo, hi := math.Inf(1), math.Inf(-1)
	w := float64(luma.Rect.Dx())
	for _, s := range segs {
		d := s.B.Sub(s.A)
		if d.X < 30 || math.Abs(s.A.Y-y) > reach || math.Abs(s.B.Y-y) > reach {
			continue
		}
		for x := int(s.A.X); x < int(s.B.X); x++ {
			// A segment is the chord of its edge: the centroid of the
			// gradient near it is the edge itself.
			chord := int(s.A.Y + d.Y*(float64(x)+0.5-s.A.X)/d.X)
			var sum, moment float64
			for k := max(chord-4, 1); k < min(chord+4, luma.Rect.Dy()); k++ {
				g := max(0, float64(luma.At(x, k-1)-luma.At(x, k)))
				sum += g
				moment += g * float64(k)
			}
			if sum > 0 {
				u := (float64(x) + 0.5) / w
				rows = append(rows, 1, u, u*u)
				rhs = append(rhs, moment/sum)
			}
		}
		lo, hi = min(lo, s.A.X), max(hi, s.B.X)
	}
	if hi-lo < w/3 {
		return 0, false
	}
	var c mat.VecDense
	if err := c.SolveVec(mat.NewDense(len(rhs), 3, rows), mat.NewVecDense(len(rhs), rhs)); err != nil {
		return 0, false
	}
	chord := (hi - lo) / w
	return c.AtVec(2) * chord * chord / 4 / (hi - lo) * 1000, true
}

func TestHorizonBow(t *testing.T) {
	for _, want := range []float64{0, 0.8, -2} { // px per 1000
		const w = 900
		p := raster.NewPlane(image.Rect(0, 0, w, 200))
		for x := range w {
			u := 2*(float64(x)+0.5)/w - 1
			// y grows by the bow toward the ends.
			edge := 100.3 + want*w/1000*u*u
			for y := range 200 {
				p.Set(x, y, float32(0.7-0.3*max(0, min(1, float64(y)+1-edge))))
			}
		}
		got, ok := horizonBow(t, p, 100, 10)
		if !ok || !(math.Abs(got-want) <= 0.15) {
			t.Errorf("bow %.3f (ok %v), want %.1f", got, ok, want)
		}
	}
}
