package optim

import (
	"math"
	"math/rand/v2"
)

// Estimator makes models of type M from numbered measurements.
type Estimator[M any] struct {
	// SampleSize is the number of measurements that fix a model.
	SampleSize int
	// Fit appends to dst[:0] the models that a minimal sample allows.
	Fit func(dst []M, sample []int) []M
	// ErrorSq returns the squared error of measurement i, in the unit of
	// RANSACOptions.MaxError squared.
	ErrorSq func(m *M, i int) float64
	// Refine polishes m on its inliers (the local optimisation); nil means
	// none. ok false leaves m as it was.
	Refine func(m M, inliers []int) (M, bool)
}

// RANSACOptions are the settings of [RANSAC].
type RANSACOptions struct {
	// MaxError is the largest error, not squared, of an inlier. Required.
	MaxError float64
	// Confidence that a sample of inliers only was drawn; zero means 0.999.
	Confidence float64
	// MaxTrials bounds the samples; zero means 2000.
	MaxTrials int
	// Seed and Stream select the random numbers; equal values, equal results.
	Seed, Stream uint64
}

// RANSACReport says what [RANSAC] found.
type RANSACReport struct {
	Trials  int
	Inliers []int // ascending
	// Score is the sum over all measurements of min(error², MaxError²), the
	// M-estimator score of Torr & Zisserman (MLESAC, CVIU 78, 2000).
	Score float64
}

// Trials returns the number of samples of size s after which, with the given
// confidence, one at least holds only inliers, when the share of inliers is w:
//
//	⌈log(1−confidence) / log(1−wˢ)⌉
//
// Fischler & Bolles, Comm. ACM 24(6), 1981.
func Trials(w float64, s int, confidence float64) int {
	p := math.Pow(w, float64(s))
	switch {
	case p >= 1:
		return 1
	case p < 1e-12:
		return math.MaxInt
	}
	// The tiny subtraction keeps a quotient that is a whole number but for
	// rounding from being counted up.
	return max(1, int(math.Ceil(math.Log(1-confidence)/math.Log1p(-p)-1e-9)))
}

// RANSAC searches the model with the best [RANSACReport.Score] over n
// measurements, polishing each new best one (locally optimised RANSAC: Chum,
// Matas & Kittler, DAGM 2003). ok is false if no sample gave a model with at
// least SampleSize inliers.
func RANSAC[M any](n int, e Estimator[M], o RANSACOptions) (best M, rep RANSACReport, ok bool) {
	if o.Confidence == 0 {
		o.Confidence = 0.999
	}
	if o.MaxTrials == 0 {
		o.MaxTrials = 2000
	}
	maxSq := o.MaxError * o.MaxError
	rep.Score = float64(n) * maxSq
	if n < e.SampleSize {
		return best, rep, false
	}
	score := func(m *M, limit float64) (sum float64) {
		for i := range n {
			sum += min(e.ErrorSq(m, i), maxSq)
			if sum >= limit {
				break
			}
		}
		return sum
	}
	inliers := func(m *M) (in []int) {
		for i := range n {
			if e.ErrorSq(m, i) < maxSq {
				in = append(in, i)
			}
		}
		return in
	}
	rng := rand.New(rand.NewPCG(o.Seed, o.Stream))
	sample := make([]int, e.SampleSize)
	var models []M
	needed := o.MaxTrials
	for rep.Trials < min(needed, o.MaxTrials) {
		rep.Trials++
		draw(sample, n, rng)
		models = e.Fit(models[:0], sample)
		for i := range models {
			m := models[i]
			s := score(&m, rep.Score)
			if !(s < rep.Score) {
				continue
			}
			in := inliers(&m)
			for range 4 {
				if e.Refine == nil || len(in) <= e.SampleSize {
					break
				}
				polished, refined := e.Refine(m, in)
				if !refined {
					break
				}
				ps := score(&polished, s)
				if !(ps < s) {
					break
				}
				m, s, in = polished, ps, inliers(&polished)
			}
			if len(in) < e.SampleSize {
				continue
			}
			best, ok = m, true
			rep.Score, rep.Inliers = s, in
			needed = Trials(float64(len(in))/float64(n), e.SampleSize, o.Confidence)
		}
	}
	return best, rep, ok
}

// draw fills sample with different numbers below n.
func draw(sample []int, n int, rng *rand.Rand) {
	for i := range sample {
	again:
		sample[i] = rng.IntN(n)
		for _, prev := range sample[:i] {
			if prev == sample[i] {
				goto again
			}
		}
	}
}
