package blend

import (
	"math"
	"math/rand/v2"
	"testing"
)

// gainScene returns samples of a row of n frames with known gains: each frame
// shares places with the next two, and a share of them is wrong.
func gainScene(n, perPair int, noise, outliers float64, rng *rand.Rand) (samples []Sample, truth [][3]float64) {
	truth = make([][3]float64, n)
	var mean [3]float64
	for i := range truth {
		for c := range 3 {
			truth[i][c] = 0.15 * rng.NormFloat64()
			mean[c] += truth[i][c] / float64(n)
		}
	}
	for i := range truth {
		for c := range 3 {
			truth[i][c] = math.Exp(truth[i][c] - mean[c])
		}
	}
	for a := range n {
		for b := a + 1; b <= min(a+2, n-1); b++ {
			for range perPair {
				s := Sample{A: a, B: b}
				other := rng.Float64() < outliers
				for c := range 3 {
					v := 0.02 + 0.9*rng.Float64()
					w := v
					if other { // something brighter stood there
						w = 0.5 + 0.5*rng.Float64()
					}
					s.LinA[c] = v / truth[a][c] * math.Exp(noise*rng.NormFloat64())
					s.LinB[c] = w / truth[b][c] * math.Exp(noise*rng.NormFloat64())
				}
				samples = append(samples, s)
			}
		}
	}
	return samples, truth
}

func TestGainsRecover(t *testing.T) {
	const tol = 0.002
	seeds := uint64(10)
	if testing.Short() {
		seeds = 2
	}
	for seed := range seeds {
		samples, truth := gainScene(9, 4000, 0.02, 0.2, rand.New(rand.NewPCG(seed, 0)))
		got, report, err := Gains(9, samples, GainOptions{})
		if err != nil || !report.Converged {
			t.Fatalf("seed %d: %v, %+v", seed, err, report)
		}
		worst := 0.
		for i := range got {
			for c := range 3 {
				worst = max(worst, math.Abs(got[i][c]/truth[i][c]-1))
			}
		}
		if !(worst <= tol) {
			t.Errorf("seed %d: worst gain off by %.4f, want ≤ %v", seed, worst, tol)
		}
		// Noise of a log ratio: √2 · 0.02. Outliers are a fifth, few of them by chance within it.
		if !(report.Sigma > 0.025 && report.Sigma < 0.045 && report.Inliers > 0.75 && report.Inliers < 0.85) {
			t.Errorf("seed %d: sigma %v, inliers %v", seed, report.Sigma, report.Inliers)
		}
		if !(report.After < report.Before/3) {
			t.Errorf("seed %d: misfit %v before, %v after", seed, report.Before, report.After)
		}
		t.Logf("seed %d: worst gain off by %.5f after %d steps", seed, worst, report.Iterations)
	}
}

func TestGainsAgree(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	var samples []Sample
	for i := range 4 {
		for range 50 {
			v := [3]float64{rng.Float64() + 0.1, rng.Float64() + 0.1, rng.Float64() + 0.1}
			samples = append(samples, Sample{A: i + 1, B: i, LinA: v, LinB: v, Weight: 7})
		}
	}
	got, _, err := Gains(6, samples, GainOptions{}) // frame 5 touches nobody
	if err != nil {
		t.Fatal(err)
	}
	for i := range got {
		for c := range 3 {
			if !(math.Abs(got[i][c]-1) <= 1e-12) {
				t.Errorf("gain of frame %d = %v, want 1", i, got[i])
			}
		}
	}
}

// Two rows that do not touch: each has mean log gain 0 and is right by itself.
func TestGainsDisconnected(t *testing.T) {
	ratio := func(a, b int, r float64) Sample {
		return Sample{A: a, B: b, LinA: [3]float64{0.5, 0.4, 0.3}, LinB: [3]float64{0.5 * r, 0.4 * r, 0.3 * r}, Weight: 1000}
	}
	samples := []Sample{
		ratio(0, 1, 1.21),
		ratio(4, 3, 1.44),
		{A: 2, B: 0, LinA: [3]float64{0.1, 0, 0.1}, LinB: [3]float64{0.1, 0.1, 0.1}}, // no ratio
		{A: 2, B: 2, LinA: [3]float64{1, 1, 1}, LinB: [3]float64{0.5, 0.5, 0.5}},     // no pair
	}
	got, report, err := Gains(5, samples, GainOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{1.1, 1 / 1.1, 1, 1 / 1.2, 1.2} {
		if !(math.Abs(got[i][1]/want-1) <= 1e-6) {
			t.Errorf("gain of frame %d = %v, want %v", i, got[i], want)
		}
	}
	for i, want := range []int{0, 0, 1, 2, 2} {
		if report.Group[i] != want {
			t.Errorf("groups = %v", report.Group)
			break
		}
	}
	if report.Samples != 2 {
		t.Errorf("%d samples used, want 2", report.Samples)
	}
}

func TestGainsBadInput(t *testing.T) {
	if _, _, err := Gains(2, []Sample{{A: 0, B: 2}}, GainOptions{}); err == nil {
		t.Error("frame 2 of 2: no error")
	}
	if _, _, err := Gains(2, nil, GainOptions{PriorSigma: math.NaN()}); err == nil {
		t.Error("PriorSigma NaN: no error")
	}
	got, _, err := Gains(2, nil, GainOptions{})
	if err != nil || got[0] != [3]float64{1, 1, 1} || got[1] != [3]float64{1, 1, 1} {
		t.Errorf("no samples: %v, %v", got, err)
	}
	if got, _, err := Gains(0, nil, GainOptions{}); err != nil || len(got) != 0 {
		t.Errorf("no frames: %v, %v", got, err)
	}
}
