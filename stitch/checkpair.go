package stitch

import (
	"cmp"
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/blend"
	"flatfell.example/geom"
)

// pairFigures is what is measured of two neighbours beside the report's figures.
type pairFigures struct {
	joined bool // both in one part, with an overlap that was looked at
	blocks int  // of detail that were compared
	// byWay is log2 of B's fine detail over A's of what runs one way; NaN where
	// too little does.
	byWay [ways]float64
	lit   bool // the light was compared
	weak  string
}

// measurePair compares the frames k and k + 1 of the report.
func (c *checker) measurePair(ctx context.Context, k int) error {
	x, y := c.order[k], c.order[k+1]
	cp, fig := &c.report.Pairs[k], &c.pairs[k]
	*cp = CheckPair{A: k, B: k + 1, Verdict: NotJoined}
	if x.part != y.part || x.at < 0 {
		return nil
	}
	al := c.parts[x.part].al
	camA, camB := c.camera(x), c.camera(y)
	cp.Overlap = fullOverlap(&camA, &camB)
	cp.TurnDeg = angleBetween(&camA, &camB).Degrees()
	if c.o.Overlap > 0 {
		cp.Planned = plannedOverlap(&camA, c.o.Overlap)
	}
	e := slices.IndexFunc(al.evidence, func(e evidence) bool {
		return e.a == min(x.at, y.at) && e.b == max(x.at, y.at)
	})
	if e < 0 {
		return nil
	}
	ev := &al.evidence[e]
	cp.Verdict, cp.Matches, cp.Inliers, cp.RMSPx = ev.verdict, ev.tried, ev.fit, ev.rmsPx*float64(c.shrink)
	fig.joined = ev.verdict != NotJoined
	c.compareSharpness(cp, fig, x, y, &camA, &camB)
	both := []int{al.placed[x.at], al.placed[y.at]}
	imgs, err := al.kept.holdAll(ctx, 1, both)
	if err != nil {
		return err
	}
	fig.lit = comparePairLight(cp, al.compareLight(x.at, y.at, imgs[0], imgs[1]))
	for _, f := range both {
		al.kept.free(f)
	}
	cp.ParallaxPx = float64(c.shrink) * al.parallaxPx(ev)
	if shifts := c.parts[x.part].shifts; shifts != nil && shifts[e] != nil {
		cp.Shift = shifts[e].Kind
	}
	if ev.verdict == Weak {
		a, b := c.base(k), c.base(k+1)
		fig.weak = al.weakAdvice(*ev, a, b)
	}
	return nil
}

func angleBetween(a, b *geom.Camera) geom.Angle {
	return geom.Angle(math.Acos(max(-1, min(1, r3.Dot(a.CamFromWorld.Row(2), b.CamFromWorld.Row(2))))))
}

// turnFor is the turn that leaves a share of the frame's width in common with
// the next, counted as the angle that the width subtends.
func turnFor(cam *geom.Camera, overlap float64) geom.Angle {
	wide, _ := cam.ViewAngles()
	return geom.Angle((1 - overlap) * wide.Radians())
}

// plannedOverlap is the share of the area that two level frames have in common
// after that turn.
func plannedOverlap(cam *geom.Camera, overlap float64) float64 {
	a, b := *cam, *cam
	a.CamFromWorld = geom.Identity
	b.CamFromWorld = geom.FromYawPitchRoll(turnFor(cam, overlap), 0, 0)
	return fullOverlap(&a, &b)
}

// compareSharpness compares the blocks of detail that both frames show.
func (c *checker) compareSharpness(cp *CheckPair, fig *pairFigures, x, y framePlace, camA, camB *geom.Camera) {
	da, db := c.details[x.frame], c.details[y.frame]
	type seen struct{ height, stops float64 }
	var byWay [ways][]float64
	var all []seen
	for i := range da.fine {
		p := geom.Pt{X: (float64(i%da.w) + 0.5) * float64(da.block), Y: (float64(i/da.w) + 0.5) * float64(da.block)}
		w, ok := camA.WorldFromPixel(p)
		if !ok {
			continue
		}
		q, ok := camB.PixelFromWorld(w)
		if !ok || !camB.Contains(q, float64(da.block)) {
			continue
		}
		j, ok := db.at(q.X, q.Y)
		if !ok {
			continue
		}
		if s, way, ok := da.compare(i, db, j); ok {
			all = append(all, seen{-w.Y, s})
			byWay[way] = append(byWay[way], s)
		}
	}
	fig.blocks = len(all)
	for k, v := range byWay {
		fig.byWay[k] = math.NaN()
		if len(v) >= leastByWay {
			fig.byWay[k] = median(v)
		}
	}
	if len(all) < leastBlocks {
		return
	}
	one := make([]float64, len(all))
	mid := func(part []seen) float64 {
		for i := range part {
			one[i] = part[i].stops
		}
		return median(one[:len(part)])
	}
	cp.SharpnessStops = mid(all)
	slices.SortStableFunc(all, func(a, b seen) int { return cmp.Compare(a.height, b.height) })
	if third := len(all) / 3; third >= leastBlocks/2 {
		cp.NearStops, cp.FarStops = mid(all[:third]), mid(all[len(all)-third:])
	}
}

// leastBlocks is the number of blocks below which nothing is said of sharpness.
const leastBlocks = 24

// leastByWay is the same of those that run one way; what they say is looked into
// (blurOf) before anybody is told.
const leastByWay = 6

// comparePairLight compares the light of two placed frames; ok is false if too
// little of it can be.
func comparePairLight(cp *CheckPair, samples []blend.LightSample) (ok bool) {
	const least = 20
	if len(samples) < least {
		return false
	}
	logs := make([][3]float64, len(samples))
	one := make([]float64, len(samples))
	var mid [3]float64
	for k := range 3 {
		for n := range samples {
			logs[n][k] = math.Log2(samples[n].LinB[k] / samples[n].LinA[k])
			one[n] = logs[n][k]
		}
		mid[k] = median(one)
	}
	cp.ExposureStops, cp.RedStops, cp.BlueStops = mid[1], mid[0]-mid[1], mid[2]-mid[1]
	// The lens's fall-off makes the ratio slope across the overlap; what is left
	// beside a slope has moved.
	slope := robustSlope(len(samples), func(n int) (x, y float64) { return samples[n].AtA.X - samples[n].AtB.X, logs[n][1] })
	across := robustSlope(len(samples), func(n int) (x, y float64) { return samples[n].AtA.X + samples[n].AtB.X, logs[n][1] })
	for n := range samples {
		s := &samples[n]
		one[n] = logs[n][1] - slope*(s.AtA.X-s.AtB.X) - across*(s.AtA.X+s.AtB.X)
	}
	level := median(one)
	moved := 0
	for n := range samples {
		if d := math.Abs(one[n] - level); d > 0.2+4*samples[n].Sigma/math.Ln2 {
			moved++
		}
	}
	cp.Moved = float64(moved) / float64(len(samples))
	return true
}

// robustSlope returns the median of the slopes between points half of the set
// apart (Theil 1950, in its incomplete form).
func robustSlope(n int, at func(i int) (x, y float64)) float64 {
	idx := make([]int, n)
	for i := range idx {
		idx[i] = i
	}
	sortBy(idx, func(i int) float64 { x, _ := at(i); return x })
	var slopes []float64
	for i := range n / 2 {
		x0, y0 := at(idx[i])
		x1, y1 := at(idx[i+n-n/2])
		if x1-x0 > 1e-3 {
			slopes = append(slopes, (y1-y0)/(x1-x0))
		}
	}
	return median(slopes)
}

// parallaxPx returns the largest shift, in pixels of the aligner's frames, that
// a band of the overlap has in common against the turn of the camera. Near
// things lie low in a landscape: bands are by height.
func (a *aligner) parallaxPx(e *evidence) (worst float64) {
	const bands, least = 6, 8
	h := float64(a.rig.height)
	reach := 0.03 * math.Hypot(float64(a.rig.width), h)
	var xs, ys [bands][]float64
	turns := a.rig // what the ground explains is parallax too
	turns.pupil = pupil{}
	add := func(ties []tie, limit float64) {
		var jac projection
		for i := range ties {
			t := &ties[i]
			q, ok := jac.transfer(&turns, t.a, t.b, t.inA, false)
			if !ok {
				continue
			}
			d := q.Sub(t.inB)
			if t.a == e.b { // the other way round
				d = geom.Pt{X: -d.X, Y: -d.Y}
			}
			if d.Norm() > limit {
				continue
			}
			b := min(max(int(bands*t.inA.Y/h), 0), bands-1)
			xs[b], ys[b] = append(xs[b], d.X), append(ys[b], d.Y)
		}
	}
	measure := func() {
		for b := range bands {
			if len(xs[b]) >= least {
				worst = max(worst, math.Hypot(median(xs[b]), median(ys[b])))
			}
			xs[b], ys[b] = xs[b][:0], ys[b][:0]
		}
	}
	add(e.ties, reach)
	measure()
	// Ties are looked for near their place only: matches of corners reach
	// farther.
	for _, p := range a.pairs {
		i, j := slices.Index(a.placed, p.a), slices.Index(a.placed, p.b)
		if min(i, j) == e.a && max(i, j) == e.b {
			ms := slices.Clone(p.matches)
			for k := range ms {
				ms[k].a, ms[k].b = i, j
			}
			add(ms, reach)
		}
	}
	measure()
	return worst
}
