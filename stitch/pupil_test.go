package stitch

import (
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/warp"
)

// pupilTies returns ties between neighbours of a rig with its pupil, with noise of
// σ pixels.
func pupilTies(r *rig, perPair int, sigma float64, rng *rand.Rand) (ties []tie) {
	for a := 0; a+1 < len(r.rot); a++ {
		way := r.passage(a, a+1)
		for n := 0; n < perPair; {
			p := geom.Pt{X: rng.Float64() * 800, Y: rng.Float64() * 1200}
			if !way.sees(p, 0) {
				continue
			}
			q, _ := way.at(p)
			q.X += sigma * rng.NormFloat64()
			q.Y += sigma * rng.NormFloat64()
			ties = append(ties, tie{a: a, b: a + 1, inA: p, inB: q, info: [3]float64{1 / (sigma * sigma), 0, 1 / (sigma * sigma)}})
			n++
		}
	}
	return ties
}

func levelRig(n int) rig {
	r := rig{width: 800, height: 1200, focalPx: 1179, radial: [3]float64{-0.02}}
	for i := range n {
		r.rot = append(r.rot, geom.FromYawPitchRoll(geom.Angle(i-n/2)*25*geom.Degree, geom.Angle(0.4*float64(i%3)-0.4)*geom.Degree, geom.Angle(0.3*float64(i%2))*geom.Degree))
	}
	return r
}

// settled adjusts the rig to ties from a start with the focal length off by 3 %.
func settled(truth rig, ties []tie) *aligner {
	a := &aligner{placed: make([]int, len(truth.rot)), rig: truth, shrink: 1}
	a.rig.pupil, a.rig.focalPx, a.rig.radial = pupil{}, truth.focalPx*1.03, [3]float64{}
	a.start = a.rig
	a.settle(ties)
	return a
}

// TestPupilFound: the offset is found with the focal length, which is off by
// several per cent if the camera is taken to turn about its pupil; and it is told
// of a camera that does that.
func TestPupilFound(t *testing.T) {
	for _, want := range []pupil{{forward: 0.04}, {forward: -0.03, right: 0.02}, {}} {
		truth := levelRig(5)
		truth.pupil = want
		truth.pupil.down = geom.Vec{Y: 1}
		a := settled(truth, pupilTies(&truth, 400, 0.1, rand.New(rand.NewPCG(5, 6))))
		if off := math.Hypot(a.pupil.right-want.right, a.pupil.forward-want.forward); !(off <= 0.001) {
			t.Errorf("%+v: found %+v", want, a.pupil)
		}
		if s := math.Hypot(a.pupilSigma[0], a.pupilSigma[1]); !(s > 0 && s < 0.001) {
			t.Errorf("%+v: σ %v", want, a.pupilSigma)
		}
		if f := a.rig.focalPx/truth.focalPx - 1; !(math.Abs(f) <= 5e-4) {
			t.Errorf("%+v: focal length off by %.3f %%", want, 100*f)
		}
		if used := a.rig.pupil != (pupil{}); used != (want != pupil{}) {
			t.Errorf("%+v: in the rig: %v", want, used)
		}
		if p := a.pupilSolution(); !p.Known || math.Abs(p.ForwardMM-1500*want.forward) > 1.5 || p.EyeM != UsualEyeM {
			t.Errorf("%+v: %+v", want, p)
		}
	}
}

// TestPupilUnknown: nothing near, nothing told.
func TestPupilUnknown(t *testing.T) {
	truth := levelRig(5)
	ties := pupilTies(&truth, 400, 0.1, rand.New(rand.NewPCG(7, 8)))
	var far []tie
	for _, q := range ties {
		if q.inA.Y < 600 {
			far = append(far, q)
		}
	}
	a := settled(truth, far)
	if p := a.pupilSolution(); p.Known {
		t.Errorf("known: %+v", p)
	}
}

// shifts are displacements of three frames over their overlaps, as shift says.
func shifts(r *rig, shift func(inA geom.Pt) geom.Pt) (all []displaced) {
	for a := 0; a+1 < len(r.rot); a++ {
		way := r.passage(a, a+1)
		for y := 12.5; y < 1200; y += 25 {
			for x := 12.5; x < 800; x += 25 {
				p := geom.Pt{X: x, Y: y}
				if !way.sees(p, 4) {
					continue
				}
				q, _ := way.at(p)
				d := shift(p)
				all = append(all, displaced{tie: tie{a: a, b: a + 1, inA: p, inB: geom.Pt{X: q.X + d.X, Y: q.Y + d.Y}}, off: d})
			}
		}
	}
	return all
}

func bent(r rig, all []displaced, stems ...stem) []*warp.Local {
	weight := make([]float64, len(all))
	for i := range weight {
		weight[i] = 1
	}
	a := &aligner{placed: make([]int, len(r.rot)), rig: r, shrink: 1}
	return a.bendFrames(all, stems, weight)
}

// TestBendFrames: shifts that grow toward the lower edge are met, half by either
// frame; a few mistakes among them change nothing; and a frame's middle, which no
// overlap reaches, stays.
func TestBendFrames(t *testing.T) {
	r := levelRig(3)
	grow := func(p geom.Pt) geom.Pt { return geom.Pt{X: -18 * max(0, p.Y-600) / 600} }
	all := shifts(&r, grow)
	for i := range all {
		if i%17 == 0 {
			all[i].off.X += 9
		}
	}
	locals := bent(r, all)
	var left []float64
	for i := range all {
		d := &all[i]
		if i%17 == 0 {
			continue
		}
		_, m, _ := func() (geom.Pt, bend, bool) { w := r.passage(d.a, d.b); return w.mapping(d.inA, 1) }()
		ua, ub := locals[d.a].At(d.inA, 800, 1200), locals[d.b].At(d.inB, 800, 1200)
		left = append(left, math.Hypot(d.off.X-ub.X+m.jac[0]*ua.X+m.jac[1]*ua.Y, d.off.Y-ub.Y+m.jac[2]*ua.X+m.jac[3]*ua.Y))
	}
	if q := quantile(left, 0.95); !(q <= 0.6) {
		t.Errorf("95 %% of the shifts are met to %.2f px", q)
	}
	at := func(k int, x, y float64) geom.Pt { return locals[k].At(geom.Pt{X: x, Y: y}, 800, 1200) }
	if m := at(1, 400, 1150).Norm(); !(m <= 1.5) {
		t.Errorf("the middle moves by %.2f px", m)
	}
	if a, b := at(0, 700, 1150).X, at(1, 100, 1150).X; !(a > 6 && b < -6) {
		t.Errorf("the two frames move by %.2f and %.2f px", a, b)
	}
	if m := at(0, 700, 300).Norm(); !(m <= 0.3) {
		t.Errorf("the sky moves by %.2f px", m)
	}
}

// TestBendFramesUpright: a post before ground that shifts the more the nearer it is
// keeps its edges straight, up to the sky that doesn't shift.
func TestBendFramesUpright(t *testing.T) {
	r := levelRig(3)
	all := shifts(&r, func(p geom.Pt) geom.Pt { return geom.Pt{X: -18 * max(0, p.Y-600) / 600} })
	az := -12.5 * degree
	post := upright{normal: geom.Vec{X: math.Cos(az), Z: -math.Sin(az)}, az: az, top: -0.2, bottom: 0.3}
	var stems []stem
	for k := range 2 {
		cam := r.camera(k)
		s, ok := newStem(&post, &cam)
		if !ok {
			t.Fatal("the post is not seen")
		}
		s.frame = k
		stems = append(stems, s)
	}
	bow := func(l *warp.Local, s *stem) (bow float64) {
		across := func(p geom.Pt, i int) float64 {
			d := l.At(p, 800, 1200)
			return d.X*s.across[i].X + d.Y*s.across[i].Y
		}
		n := len(s.p) - 1
		a, b := across(s.p[0], 0), across(s.p[n], n)
		for i, p := range s.p {
			bow = max(bow, math.Abs(across(p, i)-a-(b-a)*float64(i)/float64(n)))
		}
		return bow
	}
	loose, kept := bent(r, all), bent(r, all, stems...)
	for k := range stems {
		if was, is := bow(loose[k], &stems[k]), bow(kept[k], &stems[k]); !(was >= 1.5 && is <= 0.6) {
			t.Errorf("frame %d: the post bows by %.2f px, and by %.2f if it is not known", k, is, was)
		}
	}
	tilted := post
	tilted.normal = unit(geom.Vec{X: post.normal.X, Y: 0.05, Z: post.normal.Z})
	cam := r.camera(0)
	if _, ok := newStem(&tilted, &cam); ok {
		t.Error("a leaning trunk is held for a post")
	}
}

// TestBendFramesBounded: what would tear a frame is met in part or not at all.
func TestBendFramesBounded(t *testing.T) {
	r := levelRig(3)
	for k, l := range bent(r, shifts(&r, func(p geom.Pt) geom.Pt {
		return geom.Pt{X: 60 * math.Sin(p.Y/15), Y: 60 * math.Cos(p.X/15)}
	})) {
		if l != nil {
			if err := l.Validate(800, 1200); err != nil {
				t.Errorf("frame %d: %v", k, err)
			}
		}
	}
	for k, l := range bent(r, shifts(&r, func(geom.Pt) geom.Pt { return geom.Pt{} })) {
		if l != nil {
			t.Errorf("frame %d is bent for nothing", k)
		}
	}
}
