package blend

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Sample is one place that two frames show: the linear light of red, green
// and blue in frame A and in frame B, or its mean over Weight such places.
//
// The caller leaves out places that are clipped in either frame (a channel
// above 0.97 encoded) and dark ones (below 0.01 linear): their ratio is not
// the ratio of exposures. A channel that is not above zero in both frames is
// passed over all the same.
type Sample struct {
	A, B       int // frame numbers
	LinA, LinB [3]float64
	Weight     float64 // number of places; 0 means 1
}

// GainOptions are the settings of [Gains]. The zero value is usable.
type GainOptions struct {
	// PriorSigma is the standard deviation that gains are expected to have
	// around 1, as a natural logarithm. Zero means 0.1, the σ_g of Brown &
	// Lowe 2007. Smaller keeps long rows from drifting; larger trusts the
	// samples more.
	PriorSigma float64
	// MaxIterations bounds the reweighting. Zero means 50.
	MaxIterations int
}

// ErrGainOptions is wrapped by the errors of [GainOptions.Validate].
var ErrGainOptions = errors.New("blend: bad gain options")

// Validate reports the first field out of range.
func (o GainOptions) Validate() error {
	switch {
	case !(o.PriorSigma >= 0):
		return fmt.Errorf("%w: PriorSigma %v is negative", ErrGainOptions, o.PriorSigma)
	case o.MaxIterations < 0:
		return fmt.Errorf("%w: MaxIterations %d is negative", ErrGainOptions, o.MaxIterations)
	}
	return nil
}

// GainReport tells how well the gains explain the samples.
type GainReport struct {
	Samples    int  // samples used
	Iterations int  // reweightings
	Converged  bool // no log gain moved by more than 1e-9 at the end
	// Sigma is the noise of a sample's log ratio (robust, over all channels).
	Sigma float64
	// Inliers is the share of the weight that lies within 3 Sigma.
	Inliers float64
	// Before and After are medians of |log ratio| over the channels of the
	// samples, with all gains 1 and with the gains found.
	Before, After float64
	// Group numbers the connected groups of frames. Gains of frames in
	// different groups do not relate to each other.
	Group []int
}

// minGainSigma keeps the weights finite when frames agree exactly. It is a
// tenth of a percent of exposure: far below one visible step.
const minGainSigma = 1e-3

// Gains returns a factor for each channel of each of n frames that levels
// their exposures: gain[A] · LinA ≈ gain[B] · LinB. It minimises, in l = log
// gain,
//
//	Σ w ρ(|log LinA − log LinB + l_A − l_B| / σ) + Σ l² / σ_g²
//
// where ρ(x) = x²/(1 + x²/9) is the loss of Geman & McClure, over the three channels together (a mover is
// one in all of them), and σ is estimated from the residuals. It is
// the criterion of Brown & Lowe 2007, sec. 6, in logarithms, where it has no
// trivial solution of zero gain, needs no reference frame and is linear but
// for ρ. The prior counts as one sample of noise σ_g, so that it settles what
// the samples leave open and no more:
//
//	(1) the mean log gain of a connected group is 0, for each channel;
//	(2) a frame without samples has gain 1;
//	(3) multiplying all weights by a factor changes the result only through
//	    the prior.
//
// It is solved by reweighted least squares (weights (1 + x²/9)⁻²) from the fit
// to the weighted medians of the pairs, which less than half the samples of a
// pair cannot upset. The error is that of o.Validate, or tells of a frame number outside
// [0, n).
//
// Cost O(iterations · (samples + n³)).
func Gains(n int, samples []Sample, o GainOptions) ([][3]float64, GainReport, error) {
	if err := o.Validate(); err != nil {
		return nil, GainReport{}, err
	}
	if o.PriorSigma == 0 {
		o.PriorSigma = 0.1
	}
	if o.MaxIterations == 0 {
		o.MaxIterations = 50
	}
	obs, err := gainObservations(n, samples)
	if err != nil {
		return nil, GainReport{}, err
	}
	report := GainReport{Samples: len(obs), Group: gainGroups(n, obs)}
	logs := make([][3]float64, n)
	report.Before = medianMisfit(obs, logs)

	logs, err = solveGains(n, pairMedians(obs), minGainSigma, o.PriorSigma)
	if err != nil {
		return nil, report, err
	}
	weighted := slices.Clone(obs)
	for report.Iterations < o.MaxIterations && !report.Converged {
		report.Iterations++
		// The median of |r| is 0.6745 σ for normal noise.
		sigma := max(medianMisfit(obs, logs)/0.6745, minGainSigma)
		for i := range weighted {
			q := weighted[i].misfit(logs) / (3 * sigma)
			weighted[i].w = obs[i].w / ((1 + q*q) * (1 + q*q))
		}
		next, err := solveGains(n, weighted, sigma, o.PriorSigma)
		if err != nil {
			return nil, report, err
		}
		moved := 0.
		for i := range next {
			for c := range 3 {
				moved = max(moved, math.Abs(next[i][c]-logs[i][c]))
			}
		}
		logs, report.Sigma, report.Converged = next, sigma, moved <= 1e-9
	}

	report.After = medianMisfit(obs, logs)
	total, within := 0., 0.
	for i := range obs {
		total += obs[i].w
		if obs[i].misfit(logs) <= 3*report.Sigma {
			within += obs[i].w
		}
	}
	if total > 0 {
		report.Inliers = within / total
	}
	gains := make([][3]float64, n)
	for i := range gains {
		for c := range 3 {
			gains[i][c] = math.Exp(logs[i][c])
		}
	}
	return gains, report, nil
}

// gainObservation is a sample as log ratio log LinA − log LinB.
type gainObservation struct {
	a, b  int
	ratio [3]float64
	w     float64
}

// misfit returns the root mean square of the channels' residuals.
func (o *gainObservation) misfit(logs [][3]float64) float64 {
	sum := 0.
	for c := range 3 {
		r := o.ratio[c] + logs[o.a][c] - logs[o.b][c]
		sum += r * r
	}
	return math.Sqrt(sum / 3)
}

func gainObservations(n int, samples []Sample) ([]gainObservation, error) {
	obs := make([]gainObservation, 0, len(samples))
next:
	for i, s := range samples {
		if s.A < 0 || s.B < 0 || s.A >= n || s.B >= n {
			return nil, fmt.Errorf("blend: sample %d joins frames %d and %d of %d", i, s.A, s.B, n)
		}
		o := gainObservation{a: s.A, b: s.B, w: s.Weight}
		if o.w == 0 {
			o.w = 1
		}
		if s.A == s.B || !(o.w > 0) || math.IsInf(o.w, 0) {
			continue
		}
		for c := range 3 {
			if !(s.LinA[c] > 0 && s.LinB[c] > 0) {
				continue next
			}
			o.ratio[c] = math.Log(s.LinA[c] / s.LinB[c])
			if math.IsInf(o.ratio[c], 0) || math.IsNaN(o.ratio[c]) {
				continue next
			}
		}
		if o.a > o.b {
			o.a, o.b = o.b, o.a
			for c := range 3 {
				o.ratio[c] = -o.ratio[c]
			}
		}
		obs = append(obs, o)
	}
	return obs, nil
}

// gainGroups numbers the connected groups of frames in order of their first.
func gainGroups(n int, obs []gainObservation) []int {
	root := make([]int, n)
	for i := range root {
		root[i] = i
	}
	find := func(i int) int {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	for _, o := range obs {
		a, b := find(o.a), find(o.b)
		root[max(a, b)] = min(a, b)
	}
	group := make([]int, n)
	count := 0
	for i := range group {
		if r := find(i); r == i {
			group[i] = count
			count++
		} else {
			group[i] = group[r]
		}
	}
	return group
}

// medianMisfit returns the weighted median of the residuals, 0 for none.
func medianMisfit(obs []gainObservation, logs [][3]float64) float64 {
	m := make([]weightedValue, len(obs))
	for i := range obs {
		m[i] = weightedValue{obs[i].misfit(logs), obs[i].w}
	}
	return weightedMedian(m)
}

type weightedValue struct{ v, w float64 }

// weightedMedian sorts m and returns its median, 0 for none.
func weightedMedian(m []weightedValue) float64 {
	slices.SortFunc(m, func(a, b weightedValue) int {
		switch {
		case a.v < b.v:
			return -1
		case a.v > b.v:
			return 1
		}
		return 0
	})
	total := 0.
	for _, x := range m {
		total += x.w
	}
	sum := 0.
	for _, x := range m {
		if sum += x.w; sum >= total/2 {
			return x.v
		}
	}
	return 0
}

// pairMedians returns one observation for each pair of frames: the median of
// its ratios with the sum of its weights.
func pairMedians(obs []gainObservation) []gainObservation {
	sorted := slices.Clone(obs)
	slices.SortStableFunc(sorted, func(p, q gainObservation) int {
		if p.a != q.a {
			return p.a - q.a
		}
		return p.b - q.b
	})
	var out []gainObservation
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && sorted[j].a == sorted[i].a && sorted[j].b == sorted[i].b {
			j++
		}
		pair := gainObservation{a: sorted[i].a, b: sorted[i].b}
		for c := range 3 {
			m := make([]weightedValue, 0, j-i)
			for _, o := range sorted[i:j] {
				m = append(m, weightedValue{o.ratio[c], o.w})
			}
			pair.ratio[c] = weightedMedian(m)
		}
		for _, o := range sorted[i:j] {
			pair.w += o.w
		}
		out = append(out, pair)
		i = j
	}
	return out
}

// solveGains is one weighted least-squares step: the normal equations are the
// Laplacian of the graph of frames plus the prior, the same for the three
// channels.
func solveGains(n int, obs []gainObservation, sigma, priorSigma float64) ([][3]float64, error) {
	logs := make([][3]float64, n)
	if n == 0 || len(obs) == 0 {
		return logs, nil
	}
	left := mat.NewSymDense(n, nil)
	right := mat.NewDense(n, 3, nil)
	prior := sigma * sigma / (priorSigma * priorSigma)
	for i := range n {
		left.SetSym(i, i, prior)
	}
	for _, o := range obs {
		left.SetSym(o.a, o.a, left.At(o.a, o.a)+o.w)
		left.SetSym(o.b, o.b, left.At(o.b, o.b)+o.w)
		left.SetSym(o.a, o.b, left.At(o.a, o.b)-o.w)
		for c, r := range o.ratio {
			right.Set(o.a, c, right.At(o.a, c)-o.w*r)
			right.Set(o.b, c, right.At(o.b, c)+o.w*r)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(left) {
		return nil, fmt.Errorf("blend: gain equations of %d frames are not positive definite", n)
	}
	var x mat.Dense
	if err := chol.SolveTo(&x, right); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) || math.IsInf(float64(cond), 1) {
			return nil, fmt.Errorf("blend: gain equations: %w", err)
		}
	}
	for i := range logs {
		for c := range 3 {
			logs[i][c] = x.At(i, c)
		}
	}
	return logs, nil
}
