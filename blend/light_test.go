package blend

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// lightScene is how the frames of a made-up row recorded the light.
type lightScene struct {
	frames   int
	perPair  int
	noise    float64 // of a log
	outliers float64 // share of samples that show something else
	gains    float64 // standard deviation of log gains
	v        Vignetting
	centre   LightPos
	curve    func(v float64) float64 // of encoded samples; nil means none
	field    func(frame int, p LightPos) float64
	flat     bool // the light varies by a few per cent only
}

// samples returns samples and the true gains, whose mean log is 0. Frames are
// portrait, 2:3, and overlap the next by a third.
func (s lightScene) samples(seed uint64) (out []LightSample, gain [][3]float64) {
	rng := rand.New(rand.NewPCG(seed, 0))
	gain = make([][3]float64, s.frames)
	var mean [3]float64
	for i := range gain {
		for c := range 3 {
			gain[i][c] = s.gains * rng.NormFloat64()
			mean[c] += gain[i][c] / float64(s.frames)
		}
	}
	for i := range gain {
		for c := range 3 {
			gain[i][c] = math.Exp(gain[i][c] - mean[c])
		}
	}
	const halfW, halfH = 0.5547, 0.8321
	record := func(i int, p LightPos, light [3]float64) (lin [3]float64) {
		for c, l := range light {
			l *= s.v.At(r2(p.from(s.centre))) / gain[i][c]
			if s.field != nil {
				l *= math.Exp(-s.field(i, p))
			}
			if s.curve != nil {
				l = DecodeSRGB(s.curve(EncodeSRGB(l)))
			}
			lin[c] = l * math.Exp(s.noise*rng.NormFloat64())
		}
		return lin
	}
	for a := range s.frames - 1 {
		for range s.perPair {
			x, y := (1+2*rng.Float64())/3, 2*rng.Float64()-1
			p := LightPos{x * halfW, y * halfH}
			q := LightPos{(x - 4.0/3) * halfW, y * halfH}
			level := 0.05 + 0.35*rng.Float64()
			if s.flat {
				level = 0.3 + 0.01*rng.Float64()
			}
			light := [3]float64{level, level * (0.8 + 0.4*rng.Float64()), level * (0.6 + 0.8*rng.Float64())}
			other := light
			if rng.Float64() < s.outliers { // something else stood there
				f := 0.3 + rng.Float64()
				other = [3]float64{f * light[0], f * light[1], f * light[2]}
			}
			out = append(out, LightSample{A: a, B: a + 1, AtA: p, AtB: q, LinA: record(a, p, light), LinB: record(a+1, q, other), Sigma: s.noise})
		}
	}
	return out, gain
}

// worstGain returns the largest error of a log gain.
func worstGain(l *Light, want [][3]float64) (worst float64) {
	for i := range want {
		for c, g := range want[i] {
			worst = max(worst, math.Abs(math.Log(l.Frames[i].Gain[c]/g)))
		}
	}
	return worst
}

func worstFalloff(got, want Vignetting) (worst float64) {
	for i := range 101 {
		r := float64(i) / 100
		worst = max(worst, math.Abs(got.At(r*r)/want.At(r*r)-1))
	}
	return worst
}

// filters is the fall-off of a small lens with stacked filters: 1.5 stops.
var filters = Vignetting{-0.35, -0.35, 0.06}

// TestFitLightRecovers: gains and vignetting come out as they were, whatever
// moved in a tenth of the places, and nothing else is found.
func TestFitLightRecovers(t *testing.T) {
	seeds := uint64(5)
	if testing.Short() {
		seeds = 1
	}
	for seed := range seeds {
		s := lightScene{frames: 6, perPair: 1000, noise: 0.01, outliers: 0.1, gains: 0.3, v: filters}
		samples, want := s.samples(seed)
		l, rep, err := FitLight(s.frames, samples, LightOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if e := worstFalloff(l.Vignetting, filters); !(e <= 0.01) {
			t.Errorf("seed %d: vignetting off by %.4f", seed, e)
		}
		// Noise of a pair's ratio: √2 · 0.01 / √1000; five pairs add up.
		if e := worstGain(l, want); !(e <= 0.005) {
			t.Errorf("seed %d: a gain off by %.4f", seed, e)
		}
		if !rep.Vignetting || rep.Centre || rep.Tone || rep.Field || len(rep.Undetermined) > 0 {
			t.Errorf("seed %d: %+v", seed, rep)
		}
		if !(rep.Inliers > 0.85 && rep.Inliers < 0.93) || !(rep.After < rep.Before/5) {
			t.Errorf("seed %d: %+v", seed, rep)
		}
	}
}

// TestFitLightNothing: frames that agree are left alone.
func TestFitLightNothing(t *testing.T) {
	seeds := uint64(5)
	if testing.Short() {
		seeds = 1
	}
	for seed := range seeds {
		s := lightScene{frames: 4, perPair: 800, noise: 0.01, outliers: 0.1}
		samples, want := s.samples(seed)
		l, rep, err := FitLight(s.frames, samples, LightOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if l.Vignetting != (Vignetting{}) || l.Tone != (Tone{}) || rep.Field {
			t.Errorf("seed %d: found %+v", seed, rep)
		}
		if e := worstGain(l, want); !(e <= 0.004) {
			t.Errorf("seed %d: a gain off by %.4f", seed, e)
		}
	}
}

// TestFitLightTone: under an S-shaped curve the frames agree as well as the
// noise lets them, which gains and vignetting alone don't reach.
func TestFitLightTone(t *testing.T) {
	s := lightScene{
		frames: 5, perPair: 1000, noise: 0.01, gains: 0.4, v: filters,
		curve: func(v float64) float64 { return v - 0.3/(2*math.Pi)*math.Sin(2*math.Pi*v) },
	}
	samples, _ := s.samples(1)
	l, rep, err := FitLight(s.frames, samples, LightOptions{})
	if err != nil || !rep.Tone || !rep.Vignetting {
		t.Fatalf("%+v, %v", rep, err)
	}
	// The median of √(χ²₃/3)·√2·0.01, the noise alone, is 0.0126.
	if !(rep.After <= 0.0135) {
		t.Errorf("left %.4f, want the noise alone", rep.After)
	}
	if !l.Tone.Rises() {
		t.Errorf("tone %v falls", l.Tone)
	}
	_, gains, err := FitLight(s.frames, samples, LightOptions{GainsOnly: true})
	if err != nil || gains.Vignetting || gains.Tone || !(gains.After > 2*rep.After) {
		t.Errorf("gains only: %+v, %v", gains, err)
	}
}

// TestToneTables: there and back is the same, and a zero tone is sRGB.
func TestToneTables(t *testing.T) {
	for _, tone := range []Tone{{}, {-5.4, 5.6, -1.4}, {0.3, 0, 0}} {
		dec, enc := tone.Tables(nil)
		if dec[65535] != 1 || dec[0] != 0 {
			t.Errorf("%v: ends at %v and %v", tone, dec[0], dec[65535])
		}
		for i := 0; i < 65536; i += 37 {
			if got := 65535 * float64(enc.Encode(dec[i])); !(math.Abs(got-float64(i)) <= 1) {
				t.Errorf("%v: sample %d comes back as %.2f", tone, i, got)
				break
			}
		}
	}
	dec, _ := Tone{}.Tables(nil)
	if dec != SRGBDecodeTable() {
		t.Error("the zero tone has a table of its own")
	}
}

// TestToneSlope: no term has the slope of a power.
func TestToneSlope(t *testing.T) {
	for k := range 3 {
		var tone Tone
		tone[k] = 1
		var st, sl, stl, n float64
		for i := range 901 {
			v := 0.1 + float64(i)/1000
			x, l := tone.At(v), math.Log(DecodeSRGB(v))
			st, sl, stl, n = st+x, sl+l, stl+x*l, n+1
		}
		// An end counted whole or half makes that much.
		if cov := stl/n - st/n*sl/n; !(math.Abs(cov) <= 1e-4) {
			t.Errorf("term %d goes with the light by %v", k, cov)
		}
	}
}

// TestFitLightField: a filter's edge that sits lower in one frame is taken up,
// within its bound.
func TestFitLightField(t *testing.T) {
	const moved = 2
	edge := func(y float64) float64 { return 0.5 / (1 + math.Exp(-y/0.15)) } // log, about 0.7 stops
	s := lightScene{frames: 4, perPair: 1200, noise: 0.01, gains: 0.1, field: func(i int, p LightPos) float64 {
		if i == moved {
			return edge(p.Y-0.15) - edge(p.Y)
		}
		return 0
	}}
	samples, _ := s.samples(3)
	l, rep, err := FitLight(s.frames, samples, LightOptions{})
	if err != nil || !rep.Field {
		t.Fatalf("%+v, %v", rep, err)
	}
	for k := range FieldTerms { // no slope of light over the whole row
		mean := 0.
		for i := range l.Frames {
			mean += l.Frames[i].Field[k] / float64(s.frames)
		}
		if !(math.Abs(mean) <= 0.003) {
			t.Errorf("the frames have %.4f of term %d in common", mean, k)
		}
	}
	// The overlaps show it; the polynomials follow it but for a percent.
	if !(rep.After <= 0.018) {
		t.Errorf("left %.4f", rep.After)
	}
	bounded, _, err := FitLight(s.frames, samples, LightOptions{MostField: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	for i := range bounded.Frames {
		if f := bounded.Frames[i].Field.largest(LightPos{0.55, 0.83}); !(f <= 0.05+1e-9) { // down and across
			t.Errorf("frame %d has a field of %.3f beyond the bound", i, f)
		}
	}
}

// TestFitLightCentre: where light falls off about another place than the middle,
// that place is found and nothing else stands for it.
func TestFitLightCentre(t *testing.T) {
	for seed, centre := range []LightPos{{0.04, 0}, {0, 0.04}, {-0.03, 0.02}} {
		s := lightScene{frames: 5, perPair: 1000, noise: 0.01, outliers: 0.1, gains: 0.3, v: filters, centre: centre}
		samples, want := s.samples(uint64(seed))
		l, rep, err := FitLight(s.frames, samples, LightOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Sqrt(r2(l.Centre.from(centre))); !(d <= 0.005) {
			t.Errorf("centre %v found at %v", centre, l.Centre)
		}
		if e := worstFalloff(l.Vignetting, filters); !(e <= 0.015) {
			t.Errorf("centre %v: vignetting off by %.4f", centre, e)
		}
		if e := worstGain(l, want); !(e <= 0.005) {
			t.Errorf("centre %v: a gain off by %.4f", centre, e)
		}
		if !rep.Vignetting || !rep.Centre || rep.Tone || rep.Field || len(rep.Undetermined) > 0 {
			t.Errorf("centre %v: %+v", centre, rep)
		}
	}
}

// TestFitLightUndetermined: places along one line of the frames tell nothing of
// the corners, which is said.
func TestFitLightUndetermined(t *testing.T) {
	s := lightScene{frames: 2, perPair: 400, noise: 0.02, gains: 0.1, v: filters, flat: true}
	samples, _ := s.samples(2)
	samples = slices.DeleteFunc(samples, func(s LightSample) bool { return math.Abs(s.AtA.Y) > 0.3 })
	l, rep, err := FitLight(2, samples, LightOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if l.Vignetting != (Vignetting{}) || !slices.Contains(rep.Undetermined, "vignetting") {
		t.Errorf("%v, %+v", l.Vignetting, rep)
	}
}

// TestFitLightApart: two rows that do not touch are each right by themselves,
// a frame without samples keeps its start, and useless samples don't count.
func TestFitLightApart(t *testing.T) {
	ratio := func(a, b int, r float64) []LightSample {
		s := LightSample{A: a, B: b, LinA: [3]float64{0.5, 0.4, 0.3}, LinB: [3]float64{0.5 * r, 0.4 * r, 0.3 * r}}
		return slices.Repeat([]LightSample{s}, 1000)
	}
	samples := slices.Concat(ratio(0, 1, 1.21), ratio(4, 3, 1.44), []LightSample{
		{A: 2, B: 0, LinA: [3]float64{0.1, 0, 0.1}, LinB: [3]float64{0.1, 0.1, 0.1}}, // no ratio
		{A: 2, B: 2, LinA: [3]float64{1, 1, 1}, LinB: [3]float64{0.5, 0.5, 0.5}},     // no pair
	})
	l, rep, err := FitLight(5, samples, LightOptions{GainsOnly: true, Start: []float64{0, 0, 0.5, 0, 0}})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{1.1, 1 / 1.1, math.Exp(0.5), 1 / 1.2, 1.2} {
		if got := l.Frames[i].Gain[1]; !(math.Abs(got/want-1) <= 1e-6) {
			t.Errorf("gain of frame %d = %v, want %v", i, got, want)
		}
	}
	if rep.Samples != 2000 {
		t.Errorf("%d samples used, want 2000", rep.Samples)
	}
}

func TestFitLightBadInput(t *testing.T) {
	if _, _, err := FitLight(2, []LightSample{{A: 0, B: 2}}, LightOptions{}); !errors.Is(err, ErrLight) {
		t.Errorf("frame 2 of 2: %v", err)
	}
	for _, o := range []LightOptions{{PriorSigma: math.NaN()}, {Start: []float64{1}}, {MostField: -1}} {
		if _, _, err := FitLight(2, nil, o); !errors.Is(err, ErrLight) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	if l, _, err := FitLight(2, nil, LightOptions{}); err != nil || l.Frames[0].Gain != [3]float64{1, 1, 1} {
		t.Errorf("no samples: %+v, %v", l, err)
	}
	if l, _, err := FitLight(0, nil, LightOptions{}); err != nil || len(l.Frames) != 0 {
		t.Errorf("no frames: %+v, %v", l, err)
	}
}

// gainScene returns samples of a row of n frames with known gains: each frame
// shares places with the next two, and a share of them is wrong.
func gainScene(n, perPair int, noise, outliers float64, rng *rand.Rand) (samples []LightSample, truth [][3]float64) {
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
				s := LightSample{A: a, B: b}
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

// TestGainsRecover: gains alone are found through a fifth of wrong places.
func TestGainsRecover(t *testing.T) {
	const tol = 0.002
	seeds := uint64(10)
	if testing.Short() {
		seeds = 2
	}
	for seed := range seeds {
		samples, truth := gainScene(9, 4000, 0.02, 0.2, rand.New(rand.NewPCG(seed, 0)))
		l, report, err := FitLight(9, samples, LightOptions{GainsOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		if worst := worstGain(l, truth); !(worst <= tol) {
			t.Errorf("seed %d: worst gain off by %.4f, want ≤ %v", seed, worst, tol)
		}
		// Outliers are a fifth, few of them by chance within the noise.
		if !(report.Inliers > 0.75 && report.Inliers < 0.85) || !(report.After < report.Before/3) {
			t.Errorf("seed %d: %+v", seed, report)
		}
	}
}

// TestGainsAgree: frames that agree exactly get gains of 1, also one that
// touches nobody.
func TestGainsAgree(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	var samples []LightSample
	for i := range 4 {
		for range 50 {
			v := [3]float64{rng.Float64() + 0.1, rng.Float64() + 0.1, rng.Float64() + 0.1}
			samples = append(samples, LightSample{A: i + 1, B: i, LinA: v, LinB: v})
		}
	}
	l, _, err := FitLight(6, samples, LightOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range l.Frames {
		for _, g := range l.Frames[i].Gain {
			if !(math.Abs(g-1) <= 1e-12) {
				t.Errorf("gain of frame %d = %v, want 1", i, l.Frames[i].Gain)
			}
		}
	}
}
