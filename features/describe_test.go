package features

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// pixelwise returns a plane with f applied to each sample.
func pixelwise(p *raster.Plane, f func(float64) float64) *raster.Plane {
	q := raster.NewPlane(p.Rect)
	for i, v := range p.Pix {
		q.Pix[i] = float32(f(float64(v)))
	}
	return q
}

// quantile returns the value below which a share of v lies; it sorts v.
func quantile(v []float64, share float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[int(share*float64(len(v)-1))]
}

// unrelated returns the squared distances of descriptors of a to descriptors of
// b that are of other places: of different pictures.
func unrelated(a, b *Set) (d []float64) {
	for i := range a.desc {
		for j := i % 7; j < len(b.desc); j += 7 {
			d = append(d, float64(a.desc[i].distSq(&b.desc[j])))
		}
	}
	return d
}

// TestDescriptorInvariance: with the corner given, its descriptor at the
// dominant angle stays what it is when the view is turned by any angle, dimmed,
// or developed with another gamma, and to a degree when it is enlarged; and it
// is never near that of another place. Distances are squared, 0 to 2.
func TestDescriptorInvariance(t *testing.T) {
	const w, h = 280, 280
	pic := newLeaves(w, h, 11)
	upright := pic.draw(w, h, similarity{scale: 1})
	same := func(v float64) float64 { return v }
	far := quantile(unrelated(
		detect(t, upright, Options{}), detect(t, newLeaves(w, h, 12).draw(w, h, similarity{scale: 1}), Options{}),
	), 0.01)
	t.Logf("1 %% of unrelated pairs are nearer than %.3f", far)
	if !(far >= 0.3) {
		t.Errorf("1 %% of unrelated pairs are nearer than %.3f, want ≥ 0.3", far)
	}
	g := newGradients(upright)
	pts := suppress(corners(g, 0), 200)
	for _, tc := range []struct {
		deg, scale    float64
		light         func(float64) float64
		what          string
		median, worse float64 // 9 of 10 are below worse
	}{
		{0, 1, func(v float64) float64 { return 0.25*v + 0.3 }, "gain and offset", 1e-6, 1e-6},
		{0, 1, func(v float64) float64 { return math.Pow(v, 1/1.8) }, "gamma 1.8", 0.01, 0.05},
		{0, 1, func(v float64) float64 { return math.Pow(v, 2.2) }, "gamma 1/2.2", 0.01, 0.05},
		{7, 1, same, "turned", 0.01, 0.05},
		{33, 1, same, "turned", 0.01, 0.05},
		{45, 1, same, "turned", 0.01, 0.05},
		{-90, 1, same, "turned", 0.001, 0.001},
		{161.3, 1, same, "turned", 0.01, 0.05},
		{0, 1.1, same, "enlarged", 0.05, 0.1},
		{0, 1.19, same, "enlarged", 0.1, 0.2}, // as far as a level is off
		{0, 1.4, same, "enlarged", 0.2, 0.4},
		{25, 1 / 1.1, func(v float64) float64 { return 0.6 * math.Pow(v, 1.2) }, "turned, smaller and darker", 0.05, 0.2},
	} {
		view := about(w, h, tc.deg*math.Pi/180, tc.scale)
		g2 := newGradients(pixelwise(pic.draw(w, h, view), tc.light))
		var dist []float64
		for _, p := range pts {
			q := view.apply(geom.Pt{X: p.X, Y: p.Y})
			const margin = 25
			if min(p.X, p.Y, q.X, q.Y, w-p.X, h-p.Y, w-q.X, h-q.Y) < margin {
				continue
			}
			angles, n := dominantAngles(g, p)
			angles2, n2 := dominantAngles(g2, Point{X: q.X, Y: q.Y})
			var d descriptor
			if n == 0 || !d.fill(g, p, angles[0]) {
				t.Fatalf("corner %+v of the upright view is flat", p)
			}
			// The second angle may have become the first.
			best := 2.0
			for _, a := range angles2[:n2] {
				var d2 descriptor
				if d2.fill(g2, Point{X: q.X, Y: q.Y}, a) {
					best = min(best, float64(d.distSq(&d2)))
				}
			}
			dist = append(dist, best)
		}
		if len(dist) < 60 {
			t.Fatalf("%s: %d corners are in both views", tc.what, len(dist))
		}
		median, worse := quantile(dist, 0.5), quantile(dist, 0.9)
		t.Logf("%s, %g°, × %.2f: median %.4g, 9 of 10 %.4g", tc.what, tc.deg, tc.scale, median, worse)
		if !(median <= tc.median && worse <= tc.worse) {
			t.Errorf("%s, %g°, × %.2f: median %.3g, 9 of 10 below %.3g; want %g, %g", tc.what, tc.deg, tc.scale, median, worse, tc.median, tc.worse)
		}
	}
}

// naiveFill is fill by its definition, in float64: every pixel's gradient votes
// for the cells and directions beside it, by its distance from their middles.
func naiveFill(g gradients, p Point, angle float64) (v [dims]float64) {
	sin, cos := math.Sincos(angle)
	var sum float64
	for y := 1; y < g.x.Rect.Dy()-1; y++ {
		for x := 1; x < g.x.Rect.Dx()-1; x++ {
			dx, dy := float64(x)+0.5-p.X, float64(y)+0.5-p.Y
			// In cells from the middle of the window.
			u, w := (dx*cos+dy*sin)/cellSize, (dy*cos-dx*sin)/cellSize
			gx, gy := float64(g.x.At(x, y)), float64(g.y.At(x, y))
			const sigma = cells / 2
			m := math.Hypot(gx, gy) * math.Exp(-(u*u+w*w)/(2*sigma*sigma))
			for k := range v {
				col, row, dir := k/orients%cells, k/orients/cells, k%orients
				du, dw := math.Abs(u-float64(col)+(cells-1)/2.0), math.Abs(w-float64(row)+(cells-1)/2.0)
				if du >= 1 || dw >= 1 {
					continue
				}
				off := math.Abs(math.Remainder(math.Atan2(gy, gx)-angle-float64(dir)*2*math.Pi/orients, 2*math.Pi)) * orients / (2 * math.Pi)
				vote := m * (1 - du) * (1 - dw) * max(0, 1-off)
				v[k] += vote
				sum += vote
			}
		}
	}
	for k := range v {
		v[k] = math.Sqrt(v[k] / sum)
	}
	return v
}

func TestDescriptorAgainstNaive(t *testing.T) {
	const w, h = 64, 64
	rng := rand.New(rand.NewPCG(1, 7))
	g := newGradients(newLeaves(w, h, 15).draw(w, h, similarity{scale: 1}))
	var worst float64
	for i := range 20 {
		p := Point{X: border + (w-2*border)*rng.Float64(), Y: border + (h-2*border)*rng.Float64()}
		angle := 2 * math.Pi * (rng.Float64() - 0.5)
		var d descriptor
		if !d.fill(g, p, angle) {
			t.Fatalf("%d: flat", i)
		}
		want := naiveFill(g, p, angle)
		var sq float64
		for k := range want {
			sq += (float64(d.v[k]) - want[k]) * (float64(d.v[k]) - want[k])
		}
		worst = max(worst, math.Sqrt(sq))
	}
	// The weight of the window comes in steps of a 16th of a cell squared.
	if !(worst <= 0.005) {
		t.Errorf("a descriptor is %.4f from its definition", worst)
	}
}

// TestDominantAngle: on a slope it is the direction in which the luma rises.
func TestDominantAngle(t *testing.T) {
	for deg := -180.0; deg < 180; deg += 17 {
		sin, cos := math.Sincos(deg * math.Pi / 180)
		luma := noisePlane(40, 40, 0, 0)
		for y := range 40 {
			for x := range 40 {
				luma.Set(x, y, float32(0.5+0.01*(cos*float64(x)+sin*float64(y))))
			}
		}
		angles, n := dominantAngles(newGradients(luma), Point{X: 20, Y: 20})
		off := math.Remainder(angles[0]*180/math.Pi-deg, 360)
		if n != 1 || !(math.Abs(off) <= 1) {
			t.Errorf("slope toward %g°: %d angles, off by %.2f°", deg, n, off)
		}
	}
}

// TestCodesTellAngles: two codes differ in the share of bits that is the angle
// between the descriptors, in half turns, once their common part is out
// (Charikar 2002).
func TestCodesTellAngles(t *testing.T) {
	const w, h = 200, 200
	s := detect(t, newLeaves(w, h, 13).draw(w, h, similarity{scale: 1}), Options{})
	centred := make([][dims]float64, len(s.desc))
	for i := range s.desc {
		var mean, norm float64
		for _, v := range s.desc[i].v {
			mean += float64(v) / dims
		}
		for _, v := range s.desc[i].v {
			norm += (float64(v) - mean) * (float64(v) - mean)
		}
		for k, v := range s.desc[i].v {
			centred[i][k] = (float64(v) - mean) / math.Sqrt(norm)
		}
	}
	var off []float64
	for i := range centred {
		for j := range i {
			var dot float64
			for k := range dims {
				dot += centred[i][k] * centred[j][k]
			}
			want := math.Acos(min(max(dot, -1), 1)) / math.Pi
			off = append(off, math.Abs(float64(s.desc[i].code.hamming(&s.desc[j].code))/(64*codeWords)-want))
		}
	}
	// The binomial's standard deviation is at most 1/32.
	median, worst := quantile(off, 0.5), quantile(off, 0.999)
	t.Logf("median %.4f, 99.9 %% %.4f", median, worst)
	if !(median <= 0.67/32*1.2 && worst <= 3.3/32*1.2) {
		t.Errorf("share of bits off the angle by %.3f in the median, %.3f at 99.9 %%", median, worst)
	}
}

func TestAtan2Fast(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 6))
	for range 100000 {
		x, y := float32(rng.NormFloat64()), float32(rng.NormFloat64()*math.Exp(3*rng.NormFloat64()))
		if d := float64(atan2Fast(y, x)) - math.Atan2(float64(y), float64(x)); !(math.Abs(d) <= 2e-4) {
			t.Fatalf("atan2(%g, %g) is off by %g", y, x, d)
		}
	}
	for _, v := range [][2]float32{{0, 0}, {0, 1}, {0, -1}, {1, 0}, {-1, 0}, {1, 1}, {-1, -1}} {
		if d := math.Abs(float64(atan2Fast(v[0], v[1])) - math.Atan2(float64(v[0]), float64(v[1]))); !(d <= 2e-4) {
			t.Errorf("atan2(%g, %g) is off by %g", v[0], v[1], d)
		}
	}
}

// TestMatchTurnedAndEnlarged: all of it together, from two planes to matches,
// against the true view.
func TestMatchTurnedAndEnlarged(t *testing.T) {
	const w, h = 280, 280
	pic := newLeaves(w, h, 14)
	sa := detect(t, addNoise(pic.draw(w, h, similarity{scale: 1}), 0.005, 1), Options{MaxPoints: 600})
	for i, tc := range []struct {
		deg, scale, gamma float64
		share             float64 // of the corners seen again that are matched rightly
	}{
		{0, 1, 1, 0.8},
		{50, 1, 1, 0.7},
		{180, 1, 2, 0.7},
		{-20, 1.2, 1, 0.5},
		{10, 1.4, 1.3, 0.5},
		{90, 1 / 1.4, 0.7, 0.5},
	} {
		view := about(w, h, tc.deg*math.Pi/180, tc.scale)
		luma := pixelwise(pic.draw(w, h, view), func(v float64) float64 { return 0.8 * math.Pow(v, tc.gamma) })
		sb := detect(t, addNoise(luma, 0.005, uint64(2+i)), Options{MaxPoints: 600})
		ms, err := MatchSets(sa, sb, MatchOptions{})
		if err != nil {
			t.Fatal(err)
		}
		right, again := judge(sa, sb, ms, view.apply)
		precision, share := float64(right)/float64(len(ms)), float64(right)/float64(again)
		name := fmt.Sprintf("%g°, × %.2f, gamma %g", tc.deg, tc.scale, tc.gamma)
		t.Logf("%s: %d matches, %d right, %d seen again", name, len(ms), right, again)
		if !(precision >= 0.92 && share >= tc.share && right >= 50) {
			t.Errorf("%s: %d of %d matches are right, of %d corners seen again", name, right, len(ms), again)
		}
	}
}

// judge counts the matches that are right to 2 pixels of the level, and the
// places of a where b has a corner at all, both by the true map.
func judge(a, b *Set, ms []Match, bFromA func(geom.Pt) geom.Pt) (right, again int) {
	for _, m := range ms {
		p, q := &a.Points[m.A], &b.Points[m.B]
		if d := bFromA(geom.Pt{X: p.X, Y: p.Y}).Sub(geom.Pt{X: q.X, Y: q.Y}); d.Norm() <= 2*max(p.Scale, q.Scale) {
			right++
		}
	}
	type place struct{ x, y int }
	seen := map[place]bool{}
	for i := range a.Points {
		p := &a.Points[i]
		at := place{int(p.X / 3), int(p.Y / 3)} // as matches are counted once
		if seen[at] {
			continue
		}
		want := bFromA(geom.Pt{X: p.X, Y: p.Y})
		for j := range b.Points {
			q := &b.Points[j]
			if want.Sub(geom.Pt{X: q.X, Y: q.Y}).Norm() <= 1.5*max(p.Scale, q.Scale) && q.Scale <= 2.1*p.Scale && p.Scale <= 2.1*q.Scale {
				seen[at] = true
				again++
				break
			}
		}
	}
	return right, again
}
