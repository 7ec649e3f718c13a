package stitch

import (
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/optim"
)

// testRig is a row of n frames a third apart, with every parameter in use.
func testRig(n int) rig {
	r := rig{width: 800, height: 1200, focalPx: 1179, radial: [3]float64{-0.02, 0.01, -0.005}, centre: geom.Pt{X: 4, Y: -7}}
	for i := range n {
		yaw := geom.Angle(i) * 25 * geom.Degree
		r.rot = append(r.rot, geom.FromYawPitchRoll(yaw, geom.Angle(0.3*float64(i%3))*geom.Degree, geom.Angle(0.5*float64(i%2))*geom.Degree))
	}
	return r
}

// testTies returns exact ties between neighbours with noise of σ pixels.
func testTies(r *rig, perPair int, sigma float64, rng *rand.Rand) (ties []tie) {
	for a := 0; a+1 < len(r.rot); a++ {
		ca, cb := r.camera(a), r.camera(a+1)
		for n := 0; n < perPair; {
			p := geom.Pt{X: rng.Float64() * 800, Y: rng.Float64() * 1200}
			w, _ := ca.WorldFromPixel(p)
			q, ok := cb.PixelFromWorld(w)
			if !ok || !cb.Contains(q, 0) {
				continue
			}
			q.X += sigma * rng.NormFloat64()
			q.Y += sigma * rng.NormFloat64()
			ties = append(ties, tie{a: a, b: a + 1, inA: p, inB: q, info: [3]float64{1, 0, 1}})
			n++
		}
	}
	return ties
}

func TestTransferJacobian(t *testing.T) {
	r := testRig(2)
	r.pupil = pupil{right: 0.01, forward: 0.04, down: unit(geom.Vec{X: 0.01, Y: 1, Z: -0.02})}
	p := bundle{free: freedom{focal: true, radial: 3, centre: true, pupil: true}, fixed: -1}
	const h = 1e-6
	for _, inA := range []geom.Pt{{X: 700, Y: 100}, {X: 600, Y: 1150}, {X: 790, Y: 610}} {
		var jac, unused projection
		at := func(d []float64) geom.Pt {
			m := p.plus(r, d)
			q, ok := unused.transfer(&m, 0, 1, inA, false)
			if !ok {
				t.Fatal("not seen")
			}
			return q
		}
		jac.transfer(&r, 0, 1, inA, true)
		analytic := append(append(jac.byA[:], jac.byB[:]...), jac.byLogFocal)
		analytic = append(append(append(analytic, jac.byRadial[:]...), jac.byCentre[:]...), jac.byPupil[:]...)
		for i, got := range analytic {
			d := make([]float64, len(analytic))
			d[i] = h
			up := at(d)
			d[i] = -h
			down := at(d)
			want := geom.Pt{X: (up.X - down.X) / (2 * h), Y: (up.Y - down.Y) / (2 * h)}
			// Central differences are good to about 1e-6 of the value here.
			if e := got.Sub(want).Norm(); !(e <= 1e-5*(1+want.Norm())) {
				t.Errorf("%v, unknown %d: %v, by differences %v", inA, i, got, want)
			}
		}
	}
}

func TestBundleRecovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	truth := testRig(5)
	p := bundle{ties: testTies(&truth, 200, 0, rng), free: freedom{focal: true, radial: 3, centre: true}, loss: optim.Huber{}}
	start := truth
	start.focalPx *= 1.05
	start.radial, start.centre = [3]float64{}, geom.Pt{}
	start.rot = append([]geom.Rotation(nil), truth.rot...)
	for i := 1; i < 5; i++ {
		start.rot[i] = geom.Exp(geom.Vec{X: 0.01 * rng.NormFloat64(), Y: 0.01 * rng.NormFloat64(), Z: 0.01}).Mul(start.rot[i])
	}
	got, sum := p.solve(start, optim.LMOptions{MaxIterations: 200})
	for i, e := range residualsPx(&got, p.ties) {
		if !(e <= 1e-5) {
			t.Fatalf("tie %d: residual %g px after %+v", i, e, sum)
		}
	}
	if !(math.Abs(got.focalPx/truth.focalPx-1) <= 1e-6) {
		t.Errorf("focal %g, want %g", got.focalPx, truth.focalPx)
	}
	for i := range got.rot {
		if a := got.rot[i].Mul(truth.rot[i].Inv()).Angle(); !(a.Degrees() <= 1e-4) {
			t.Errorf("frame %d: %v off", i, a)
		}
	}
}

// TestBundleCovariance: the predicted focal error must be of the size that
// comes out, or verdicts built on it mean nothing.
func TestBundleCovariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	truth := testRig(5)
	truth.radial, truth.centre = [3]float64{-0.02}, geom.Pt{}
	const sigma, trials = 0.1, 40
	var sq, predicted float64
	for range trials {
		p := bundle{ties: testTies(&truth, 100, sigma, rng), free: freedom{focal: true, radial: 1}, loss: optim.Huber{}}
		got, _ := p.solve(truth, optim.LMOptions{})
		e := math.Log(got.focalPx / truth.focalPx)
		sq += e * e / trials
		n := optim.NewNormal(p.dim(5))
		p.eval(got, n)
		for i := range 3 {
			n.Add([]int{i}, []float64{1}, 0, 1) // the held frame
		}
		cov, ok := n.Covariance()
		if !ok {
			t.Fatal("singular")
		}
		predicted += sigma * sigma * cov.At(15, 15) / trials
	}
	if ratio := math.Sqrt(sq / predicted); !(ratio > 0.7 && ratio < 1.4) { // 3σ of 40 trials
		t.Errorf("focal error %.3g %%, predicted %.3g %%", 100*math.Sqrt(sq), 100*math.Sqrt(predicted))
	}
	t.Logf("focal σ %.4f %% at 0.1 px, 100 ties a pair", 100*math.Sqrt(sq))
}
