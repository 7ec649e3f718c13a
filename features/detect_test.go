package features

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// spots draws dark Gaussian spots of sigma pixels about 40 pixels apart, each
// placed at random between the pixels: by symmetry a spot's strength is
// largest in its middle.
func spots(w, h int, sigma, noise float64, seed uint64) (*raster.Plane, []geom.Pt) {
	const pitch = 40
	rng := rand.New(rand.NewPCG(seed, 4))
	p := noisePlane(w, h, noise, seed)
	var at []geom.Pt
	for cy := pitch; cy+pitch <= h; cy += pitch {
		for cx := pitch; cx+pitch <= w; cx += pitch {
			m := geom.Pt{X: float64(cx) + 4*rng.Float64(), Y: float64(cy) + 4*rng.Float64()}
			at = append(at, m)
			for y := cy - pitch/2; y < cy+pitch/2; y++ {
				for x := cx - pitch/2; x < cx+pitch/2; x++ {
					dx, dy := float64(x)+0.5-m.X, float64(y)+0.5-m.Y
					p.Pix[y*p.Stride+x] -= float32(0.3 * math.Exp(-(dx*dx+dy*dy)/(2*sigma*sigma)))
				}
			}
		}
	}
	return p, at
}

// TestCornerPosition: spots are found where they are drawn, on every level. The
// offset's mean would show a shift between the levels' pixel grids.
func TestCornerPosition(t *testing.T) {
	for _, tc := range []struct {
		level           int
		sigma, noise    float64
		rmsPx, offsetPx float64 // in pixels of the level
	}{
		{0, 0.7, 0, 0.02, 0.005},
		{0, 1, 0, 0.02, 0.005},
		{1, 1.1, 0, 0.04, 0.005},
		{2, 1.6, 0, 0.04, 0.005},
		{3, 2.3, 0, 0.04, 0.005},
		{4, 3.2, 0, 0.04, 0.01},
		// A 30th of the spot's depth.
		{0, 1, 0.01, 0.1, 0.03},
		{3, 2.3, 0.01, 0.1, 0.03},
	} {
		luma, at := spots(720, 640, tc.sigma, tc.noise, uint64(tc.level))
		s := detect(t, luma, Options{Levels: tc.level + 1, MaxPoints: 20000})
		scale := math.Exp2(float64(tc.level) / 2)
		var sq, found float64
		var sum geom.Pt
		for _, want := range at {
			nearest := geom.Pt{X: math.Inf(1)}
			for i := range s.Points {
				p := &s.Points[i]
				d := geom.Pt{X: (p.X - want.X) / scale, Y: (p.Y - want.Y) / scale}
				if p.level == tc.level && d.Norm() < nearest.Norm() {
					nearest = d
				}
			}
			if nearest.Norm() < 1 {
				found++
				sq += nearest.X*nearest.X + nearest.Y*nearest.Y
				sum.X += nearest.X
				sum.Y += nearest.Y
			}
		}
		if found != float64(len(at)) {
			t.Errorf("%+v: %v of %d spots found", tc, found, len(at))
		}
		rms, offset := math.Sqrt(sq/found), math.Hypot(sum.X, sum.Y)/found
		t.Logf("%+v: %v of %d, RMS %.4f, offset %.4f", tc, found, len(at), rms, offset)
		if !(rms <= tc.rmsPx && offset <= tc.offsetPx) {
			t.Errorf("%+v: RMS %.4f px, mean offset %.4f px", tc, rms, offset)
		}
	}
}

// TestCornersTurned: a frame on its side has the corners of the frame, turned,
// on every level, whatever its sides: portrait frames as shot and upright by
// their tag join alike.
func TestCornersTurned(t *testing.T) {
	luma, _ := spots(361, 283, 1.4, 0.01, 3)
	w, h := luma.Rect.Dx(), luma.Rect.Dy()
	turned := raster.NewPlane(image.Rect(0, 0, h, w)) // clockwise
	for y := range h {
		for x := range w {
			turned.Set(h-1-y, x, luma.At(x, y))
		}
	}
	a, b := detect(t, luma, Options{}), detect(t, turned, Options{})
	missing := 0
	for i := range a.Points {
		p := &a.Points[i]
		if !slices.ContainsFunc(b.Points, func(q Point) bool {
			return q.level == p.level && math.Hypot(q.X-(float64(h)-p.Y), q.Y-p.X) <= 0.01*p.Scale
		}) {
			missing++
		}
	}
	if len(a.Points) < 200 || missing > len(a.Points)/100 {
		t.Errorf("%d of %d corners are elsewhere in the turned frame", missing, len(a.Points))
	}
}

// TestCornerFollows: where an edge is bent by 90° the corner is found 2 pixels
// inside the bend, by the two blurs, but at the same place of it however the
// bend lies between the pixels: that is what two frames need.
func TestCornerFollows(t *testing.T) {
	const soft = 0.7 * math.Sqrt2
	bend := func(m geom.Pt, turn float64) *raster.Plane {
		p := raster.NewPlane(image.Rect(0, 0, 64, 64))
		sin, cos := math.Sincos(turn)
		for y := range 64 {
			for x := range 64 {
				dx, dy := float64(x)+0.5-m.X, float64(y)+0.5-m.Y
				u, v := cos*dx+sin*dy, cos*dy-sin*dx
				p.Set(x, y, float32(0.3+0.1*(1+math.Erf(u/soft))*(1+math.Erf(v/soft))))
			}
		}
		return p
	}
	strongest := func(p *raster.Plane) geom.Pt {
		pts := corners(newGradients(p), 0)
		if len(pts) == 0 {
			t.Fatal("no corner")
		}
		c := slices.MaxFunc(pts, func(a, b Point) int { return cmp.Compare(a.Strength, b.Strength) })
		return geom.Pt{X: c.X, Y: c.Y}
	}
	var worst float64
	for _, turn := range []float64{0, 0.3, 0.8, 2, 4} {
		var inside []geom.Pt
		for i := range 25 {
			m := geom.Pt{X: 32 + float64(i%5)/5, Y: 32 + float64(i/5)/5}
			inside = append(inside, strongest(bend(m, turn)).Sub(m))
		}
		var mean geom.Pt
		for _, d := range inside {
			mean.X += d.X / 25
			mean.Y += d.Y / 25
		}
		for _, d := range inside {
			worst = max(worst, d.Sub(mean).Norm())
		}
		t.Logf("turn %v: inside by %.3f", turn, mean.Norm())
		if !(mean.Norm() <= 2.5) {
			t.Errorf("turned by %g: found %.2f px from the bend", turn, mean.Norm())
		}
	}
	t.Logf("worst %.4f", worst)
	if !(worst <= 0.1) {
		t.Errorf("the place of a bend wanders by %.3f px between the pixels, want ≤ 0.1", worst)
	}
}

// TestPeak: the vertex of a quadratic is found exactly, and a saddle, a valley
// and a slope have none.
func TestPeak(t *testing.T) {
	at := func(cx, cy, a, b, c float64) (v [3][3]float32) {
		for y := range 3 {
			for x := range 3 {
				dx, dy := float64(x-1)-cx, float64(y-1)-cy
				v[y][x] = float32(4 - a*dx*dx - b*dy*dy - 2*c*dx*dy)
			}
		}
		return v
	}
	for _, tc := range []struct {
		x, y, a, b, c float64
		ok            bool
	}{
		{0, 0, 1, 1, 0, true},
		{0.3, -0.4, 1, 2, 0, true},
		{-0.45, 0.2, 1, 0.5, 0.4, true},
		{0.3, 0.2, -1, -2, 0, false}, // valley
		{0.3, 0.2, 1, -1, 0, false},  // saddle
		{1.5, 0, 1, 1, 0, false},     // elsewhere
		{0, 0, 0, 0, 0, false},       // flat
	} {
		v := at(tc.x, tc.y, tc.a, tc.b, tc.c)
		x, y, ok := peak(v[0][:], v[1][:], v[2][:])
		if ok != tc.ok || ok && !(math.Hypot(x-tc.x, y-tc.y) <= 1e-5) {
			t.Errorf("%+v: got %g, %g, %v", tc, x, y, ok)
		}
	}
}

// TestBlur: a Gaussian keeps the mean, adds its variance and replicates edges.
func TestBlur(t *testing.T) {
	for _, sigma := range []float64{0.8, derivativeSigma, integrationSigma} {
		p := raster.NewPlane(image.Rect(0, 0, 41, 31))
		p.Set(20, 15, 1)
		b := blur(p, sigma)
		var sum, xx, yy, xy float64
		for y := range 31 {
			for x := range 41 {
				v, dx, dy := float64(b.At(x, y)), float64(x-20), float64(y-15)
				sum += v
				xx += v * dx * dx
				yy += v * dy * dy
				xy += v * dx * dy
			}
		}
		// Cutting the kernel at 3 σ takes 3 % of the variance.
		if want := sigma * sigma; !(math.Abs(sum-1) <= 1e-5 && math.Abs(xx-yy) <= 1e-5 && math.Abs(xy) <= 1e-5 && math.Abs(xx/want-1) <= 0.05) {
			t.Errorf("σ %g: sum %g, variances %g, %g, %g", sigma, sum, xx, yy, xy)
		}
		for i := range p.Pix {
			p.Pix[i] = 0.7
		}
		for i, v := range blur(p, sigma).Pix {
			if !(math.Abs(float64(v)-0.7) <= 1e-6) {
				t.Fatalf("σ %g: pixel %d of an even plane became %g", sigma, i, v)
			}
		}
	}
}

// TestNoiseSigma: the estimate holds on noise and on noise in a picture.
func TestNoiseSigma(t *testing.T) {
	pic := newLeaves(300, 300, 1).draw(300, 300, similarity{scale: 1})
	for i, sigma := range []float64{0.002, 0.01, 0.05} {
		p := pixelwise(pic, func(v float64) float64 { return v })
		for name, got := range map[string]float64{
			"nothing":   noiseSigma(noisePlane(300, 300, sigma, uint64(i))),
			"a picture": noiseSigma(addNoise(p, sigma, uint64(i))),
		} {
			// The quietest tenth of the blocks is a tenth quieter than all.
			if !(math.Abs(got/sigma-1) <= 0.15) {
				t.Errorf("noise of %g on %s: found %.5f", sigma, name, got)
			}
		}
	}
}

// TestNoiseStrength measures the table on planes of 1 % of noise and nothing
// else, and what the floor lets through there.
func TestNoiseStrength(t *testing.T) {
	const planes, side, levels = 4, 640, len(noiseStrength)
	var strengths [levels][]float64
	passed := 0
	for seed := range uint64(planes) {
		luma := noisePlane(side, side, 0.01, seed)
		sigma := noiseSigma(luma)
		s := &Set{Width: side, Height: side}
		for l := range levels {
			if l > 0 {
				luma = shrinkHalfOctave(luma, s, l)
			}
			for _, p := range corners(newGradients(luma), 0) {
				strengths[l] = append(strengths[l], float64(p.Strength)/(sigma*sigma))
				if float64(p.Strength) > noiseFloor(sigma, l) {
					passed++
				}
			}
		}
	}
	all := 0
	for l, v := range strengths {
		all += len(v)
		got, want := quantile(v, 0.999), noiseFloor(1, l)
		t.Logf("level %d: %d maxima, %.5f, floor %.5f", l, len(v), got, want)
		// Three standard deviations of the percentile: a thousandth of the
		// maxima are beyond, and their number falls e-fold in 9 % of strength.
		tol := 0.02 + 3*0.09/math.Sqrt(0.001*float64(len(v)))
		if !(math.Abs(got/want-1) <= tol) {
			t.Errorf("level %d: the 99.9th percentile of %d maxima is %.5f, the floor %.5f", l, len(v), got, want)
		}
	}
	if a, b := noiseFloor(1, levels), noiseFloor(0.5, levels-1); !(math.Abs(a/b-2) <= 1e-12) {
		t.Errorf("beyond the table the floor is %g; on its last level, at half the noise, %g", a, b)
	}
	if share := float64(passed) / float64(all); !(share <= 0.002) {
		t.Errorf("%d of %d maxima of noise pass for corners", passed, all)
	}
}

// naiveSuppress is suppress by its definition.
func naiveSuppress(pts []Point, n int) []Point {
	pts = slices.Clone(pts)
	slices.SortFunc(pts, func(a, b Point) int {
		return cmp.Or(cmp.Compare(b.Strength, a.Strength), cmp.Compare(a.Y, b.Y), cmp.Compare(a.X, b.X))
	})
	radius := make(map[Point]float64)
	for _, p := range pts {
		radius[p] = math.Inf(1)
		for _, q := range pts {
			if p.Strength < robustRatio*q.Strength {
				radius[p] = min(radius[p], (p.X-q.X)*(p.X-q.X)+(p.Y-q.Y)*(p.Y-q.Y))
			}
		}
	}
	slices.SortStableFunc(pts, func(a, b Point) int { return cmp.Compare(radius[b], radius[a]) })
	return pts[:min(n, len(pts))]
}

func TestSuppressAgainstNaive(t *testing.T) {
	for seed := range uint64(30) {
		rng := rand.New(rand.NewPCG(seed, 5))
		n := []int{0, 1, 2, 10, 100, 400}[seed%6]
		w, h := 1+1000*rng.Float64(), 1+300*rng.Float64()
		pts := make([]Point, n)
		for i := range pts {
			pts[i] = Point{X: w * rng.Float64(), Y: h * rng.Float64(), Strength: rng.Float32()}
			switch seed % 4 {
			case 1: // strengths that tie, or differ by just the ratio
				pts[i].Strength = float32(math.Pow(robustRatio, float64(rng.IntN(5))))
			case 2: // most of them in one spot
				if i%8 != 0 {
					pts[i].X, pts[i].Y = w/2+3*rng.Float64(), h/2+3*rng.Float64()
				}
			case 3: // stronger to one side
				pts[i].Strength *= float32(pts[i].X)
			}
		}
		for _, keep := range []int{n, n / 3, 2 * n} {
			want := naiveSuppress(pts, keep)
			if got := suppress(slices.Clone(pts), keep); !slices.Equal(got, want) {
				t.Errorf("seed %d: %d of %d points differ from the definition's", seed, keep, n)
			}
		}
	}
}

// TestSuppressSpreads: where two thirds of a frame are faint clouds, these get
// corners too; the strongest alone would all lie in the land.
func TestSuppressSpreads(t *testing.T) {
	const w, h, keep = 480, 480, 250
	luma := newLeaves(w, h, 3).draw(w, h, similarity{scale: 1})
	for i := range luma.Pix {
		if i/luma.Stride < h*2/3 {
			luma.Pix[i] = 0.7 + 0.06*(luma.Pix[i]-0.5)
		}
	}
	addNoise(luma, 0.002, 3)
	pts := corners(newGradients(luma), float32(noiseFloor(noiseSigma(luma), 0)))
	const cell = 40
	cellsHit := func(pts []Point) (all, sky int) {
		seen := map[[2]int]bool{}
		for _, p := range pts {
			c := [2]int{int(p.X) / cell, int(p.Y) / cell}
			if !seen[c] {
				seen[c] = true
				all++
				if p.Y < h*2/3-cell {
					sky++
				}
			}
		}
		return all, sky
	}
	even, evenSky := cellsHit(suppress(pts, keep))
	strong, strongSky := cellsHit(pts[:keep]) // suppress has sorted them
	t.Logf("%d points: cells %d/%d, strongest %d/%d of 144", len(pts), even, evenSky, strong, strongSky)
	if !(even >= 125 && evenSky >= 70) {
		t.Errorf("%d of 144 parts of the frame have a corner, %d of 84 in the sky", even, evenSky)
	}
	if strongSky > 10 {
		t.Errorf("the strongest alone reach %d parts of the sky: the picture is no test", strongSky)
	}
}

// TestQuarterTurn: a picture turned by a quarter has the same corners, turned.
func TestQuarterTurn(t *testing.T) {
	const w, h = 320, 240
	a := addNoise(newLeaves(w, h, 4).draw(w, h, similarity{scale: 1}), 0.005, 4)
	b := raster.NewPlane(image.Rect(0, 0, h, w))
	for y := range h {
		for x := range w {
			b.Set(h-1-y, x, a.At(x, y))
		}
	}
	// Every corner is kept, so that equal radii can't change the choice.
	sa, sb := detect(t, a, Options{MaxPoints: 20000, Levels: 1}), detect(t, b, Options{MaxPoints: 20000, Levels: 1})
	if len(sa.Points) < 300 {
		t.Fatalf("%d corners, %d when turned", len(sa.Points), len(sb.Points))
	}
	same := 0
	for i, p := range sa.Points {
		for j, q := range sb.Points {
			turned := math.Mod(q.Angle-p.Angle+4*math.Pi, 2*math.Pi)
			if math.Hypot(q.X-(h-p.Y), q.Y-p.X) <= 1e-3 && math.Abs(turned-math.Pi/2) <= 1e-3 &&
				sa.desc[i].distSq(&sb.desc[j]) <= 1e-4 {
				same++
				break
			}
		}
	}
	if !(float64(same) >= 0.99*float64(len(sa.Points))) {
		t.Errorf("%d of %d corners are the same when turned", same, len(sa.Points))
	}
}

// setBytes is all that a set is made of.
func setBytes(t testing.TB, s *Set) []byte {
	t.Helper()
	var b bytes.Buffer
	for i := range s.Points {
		p := &s.Points[i]
		for _, v := range []any{p.X, p.Y, p.Scale, p.Angle, p.Strength, int32(p.level), s.desc[i].v, s.desc[i].code} {
			if err := binary.Write(&b, binary.LittleEndian, v); err != nil {
				t.Fatal(err)
			}
		}
	}
	return b.Bytes()
}

// TestWorkersDoNotMatter: frames looked at and matched side by side give the
// same bytes as one after the other.
func TestWorkersDoNotMatter(t *testing.T) {
	const w, h, n = 180, 140, 5
	pic := newLeaves(w, h, 5)
	lumas := make([]*raster.Plane, n)
	for i := range lumas {
		lumas[i] = addNoise(pic.draw(w, h, about(w, h, 0.1*float64(i), 1)), 0.01, uint64(i))
	}
	var want [][]byte
	var wantMatches [][]Match
	for _, workers := range []int{1, 2, 8} {
		sets := make([]*Set, n)
		got := make([][]byte, n)
		if err := par.Do(t.Context(), workers, n, func(i int) (err error) {
			sets[i], err = Detect(t.Context(), lumas[i], Options{MaxPoints: 300})
			return err
		}); err != nil {
			t.Fatal(err)
		}
		matches := make([][]Match, n)
		if err := par.Do(t.Context(), workers, n, func(i int) (err error) {
			matches[i], err = MatchSets(sets[i], sets[(i+1)%n], MatchOptions{})
			return err
		}); err != nil {
			t.Fatal(err)
		}
		for i, s := range sets {
			got[i] = setBytes(t, s)
		}
		if want == nil {
			want, wantMatches = got, matches
			if len(want[0]) == 0 || len(wantMatches[0]) == 0 {
				t.Fatal("nothing found")
			}
			continue
		}
		for i := range n {
			if !bytes.Equal(got[i], want[i]) {
				t.Errorf("%d workers: frame %d has other corners", workers, i)
			}
			if !slices.Equal(matches[i], wantMatches[i]) {
				t.Errorf("%d workers: pair %d has other matches", workers, i)
			}
		}
	}
}

// TestPlanesWithoutCorners: planes that show nothing have no corners, one of
// them a straight edge, and nothing breaks on them or in matching them.
func TestPlanesWithoutCorners(t *testing.T) {
	even := func(w, h int, v float32) *raster.Plane {
		p := raster.NewPlane(image.Rect(0, 0, w, h))
		for i := range p.Pix {
			p.Pix[i] = v
		}
		return p
	}
	ramp := even(200, 150, 0)
	for i := range ramp.Pix {
		ramp.Pix[i] = float32(i%ramp.Stride) / 200
	}
	edge := even(200, 150, 0)
	for i := range edge.Pix {
		if i%edge.Stride >= 100 {
			edge.Pix[i] = 1
		}
	}
	full := detect(t, newLeaves(200, 150, 6).draw(200, 150, similarity{scale: 1}), Options{})
	if len(full.Points) < 100 {
		t.Fatalf("%d corners in the picture to match with", len(full.Points))
	}
	for name, p := range map[string]*raster.Plane{
		"empty": even(0, 0, 0), "a pixel": even(1, 1, 0.5), "a line": even(1000, 1, 0.5), "a column": even(1, 1000, 0.5),
		"too small": even(minLevelSide-1, 300, 0.5), "just large enough": even(minLevelSide, minLevelSide, 0.5),
		"black": even(200, 150, 0), "white": even(200, 150, 1), "a slope": ramp, "an edge": edge,
	} {
		s := detect(t, p, Options{})
		if len(s.Points) != 0 || s.Width != p.Rect.Dx() || s.Height != p.Rect.Dy() {
			t.Errorf("%s: %d corners, %d × %d", name, len(s.Points), s.Width, s.Height)
		}
		segs, err := Segments(t.Context(), p, SegmentOptions{})
		want := 0
		if p == edge {
			want = 1
		}
		if err != nil || len(segs) != want {
			t.Errorf("%s: %d straight edges, want %d, %v", name, len(segs), want, err)
		}
		for _, pair := range [][2]*Set{{s, full}, {full, s}, {s, s}} {
			if ms, err := MatchSets(pair[0], pair[1], MatchOptions{}); err != nil || len(ms) != 0 {
				t.Errorf("%s: %d matches, %v", name, len(ms), err)
			}
		}
	}
}

// TestClippedPlane: in a picture that is clipped to black and white every
// number stays finite and every corner is inside.
func TestClippedPlane(t *testing.T) {
	const w, h = 300, 200
	luma := newLeaves(w, h, 7).draw(w, h, similarity{scale: 1})
	for i, v := range luma.Pix {
		luma.Pix[i] = min(max(20*(v-0.5)+0.5, 0), 1)
	}
	s := detect(t, luma, Options{})
	if len(s.Points) < 200 {
		t.Errorf("%d corners", len(s.Points))
	}
	for i, p := range s.Points {
		if !(p.X >= 0 && p.X <= w && p.Y >= 0 && p.Y <= h && p.Strength > 0 && !math.IsInf(float64(p.Strength), 0)) || math.IsNaN(p.Angle) {
			t.Errorf("%+v", p)
		}
		var sum float64
		for _, v := range s.desc[i].v {
			sum += float64(v) * float64(v)
		}
		if !(math.Abs(sum-1) <= 1e-4) {
			t.Errorf("the descriptor of %+v has length² %g", p, sum)
		}
	}
}

func TestDetectOptions(t *testing.T) {
	luma := addNoise(newLeaves(200, 200, 8).draw(200, 200, similarity{scale: 1}), 0.005, 8)
	for _, o := range []Options{{MaxPoints: -1}, {Levels: -1}, {Levels: 17}, {NoiseFactor: -1}} {
		if _, err := Detect(t.Context(), luma, o); err == nil {
			t.Errorf("%+v: no error", o)
		}
	}
	base := setBytes(t, detect(t, luma, Options{}))
	if !bytes.Equal(base, setBytes(t, detect(t, luma, Options{MaxPoints: 2500, Levels: 6, NoiseFactor: 2}))) {
		t.Error("the defaults are not those in the comments")
	}
	// A corner may have two descriptors.
	if got := len(detect(t, luma, Options{MaxPoints: 200}).Points); !(got > 150 && got <= 2*(200+6)) {
		t.Errorf("%d points of at most 200 corners", got)
	}
	for _, p := range detect(t, luma, Options{Levels: 2}).Points {
		if p.Scale > 1.5 {
			t.Errorf("scale %g on two levels", p.Scale)
		}
	}
	few, many := len(detect(t, luma, Options{NoiseFactor: 100}).Points), len(detect(t, luma, Options{}).Points)
	if few >= many {
		t.Errorf("%d points above a hundred times the noise, %d above the noise", few, many)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Detect(ctx, luma, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
