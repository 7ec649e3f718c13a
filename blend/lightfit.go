package blend

import (
	"fmt"
	"math"
	"slices"

	"flatfell.example/internal/optim"
)

// LightReport tells how well the model explains the samples.
type LightReport struct {
	Samples int // samples used
	// Vignetting, Tone and Field say which parts of the model the samples
	// call for; the others are zero.
	Vignetting, Tone, Field bool
	// Centre says that vignetting is not about the middle of the frames.
	Centre bool
	// Undetermined names the parts that the samples seem to call for but
	// cannot settle.
	Undetermined []string
	// Before and After are medians of |log ratio| over the samples, with the
	// frames as they came and as the model has them.
	Before, After float64
	// Inliers is the share of the samples within three typical errors: the
	// others show something that moved.
	Inliers float64
	// LargestField is the largest slow gain of a frame, as |log|.
	LargestField float64
}

// FitLight estimates a [Light] from places that two frames share. It minimises
//
//	Σ ρ(|e|/σ) + Σ (l − start)²/σ_g² + priors of the other coefficients
//
// where e are the three channels' differences of the two logarithms of the
// light that arrived, as the model has it, ρ(x) = x²/(1 + x²/27) is the loss of
// Geman & McClure over the channels together (a mover is one in all of them),
// and σ the sample's own Sigma times a scale found from the residuals. In
// logarithms the criterion of Brown & Lowe 2007, sec. 6, has no trivial
// solution of zero gain and needs no reference frame; the prior counts as one
// sample, so that it settles what the samples leave open and no more:
//
//	(1) the mean log gain of a connected group is that of Start, for each
//	    channel;
//	(2) a frame without samples keeps its Start;
//	(3) frames that agree get gains of 1 and nothing else.
//
// The model grows by a part only when that lowers the cost by more than its
// coefficients would by chance, changes the light by more than leastEffect,
// and the samples settle it: gains first, then vignetting (Goldman & Chen
// 2005; Doutre & Nasiopoulos 2009), the tone curve, the place about which light
// falls off, and the slow gain that
// takes up what is left. The search starts at the weighted medians of the
// pairs, which less than half the samples of a pair cannot upset.
//
// The error wraps [ErrLight] or tells of a frame number outside [0, n).
func FitLight(n int, samples []LightSample, o LightOptions) (*Light, LightReport, error) {
	if err := o.Validate(n); err != nil {
		return nil, LightReport{}, err
	}
	if o.PriorSigma == 0 {
		o.PriorSigma = 0.1
	}
	if o.MostField == 0 {
		o.MostField = 0.15
	}
	if n == 0 {
		return new(Light), LightReport{}, nil
	}
	f := lightFit{n: n, o: o}
	if err := f.observe(samples); err != nil {
		return nil, LightReport{}, err
	}
	rep := LightReport{Samples: len(f.obs)}
	start := f.zero()
	rep.Before = f.medianLog(lightModel{}, start)
	best := f.fit(lightModel{}, f.fromMedians())
	if !o.GainsOnly && len(f.obs) >= leastSamples {
		best = f.grow(best, &rep)
	}
	f.boundFields(best)
	rep.After = f.medianLog(best.model, best.p)
	rep.Inliers = f.inliers(best)
	rep.Vignetting, rep.Tone, rep.Field = best.model.vignetting > 0, best.model.tone, best.model.field
	rep.Centre = best.model.centre
	light := f.light(best)
	for i := range light.Frames {
		rep.LargestField = max(rep.LargestField, light.Frames[i].Field.largest(f.most))
	}
	return light, rep, nil
}

// lightModel says which parts are in use.
type lightModel struct {
	vignetting  int  // number of coefficients
	centre      bool // of the vignetting is free
	tone, field bool
}

// lightObs is a sample as logarithms.
type lightObs struct {
	a, b  int
	posA  LightPos
	posB  LightPos
	ratio [3]float64    // log LinA − log LinB
	tone  [3][3]float64 // by channel: terms of T at A less those at B
	// slope has, by channel, the mean of the terms' slopes at A and B over
	// that of log L.
	slope  [3][3]float64
	field  [2][FieldTerms]float64
	weight float64 // 1/Sigma²
}

// Priors of the coefficients, as standard deviations: wide against what
// cameras do, so that they only settle what nothing else does.
const (
	vignettingPrior = 2.0
	tonePrior       = 1.0
	centrePrior     = 0.05
	downPrior       = 0.05
	acrossPrior     = 0.02
	// commonPriorSigma holds what the frames' slow gains have in common.
	commonPriorSigma = 0.001
	// leastSigma is the smallest Sigma that is believed.
	leastSigma = 1e-3
	// leastSlope bounds how flat a tone curve is taken to be.
	leastSlope = 0.2
	// leastEffect is the smallest change of the light, as a logarithm, for
	// which a part is worth having: half a just visible step.
	leastEffect = 0.004
	// leastField is the difference between frames from which a slow gain is
	// tried: a just visible step.
	leastField = 0.01
	// alikeSamples is the number of samples that count as one: neighbours
	// share texture and errors of registration.
	alikeSamples = 8
	// toneGain is the factor by which a tone curve must lower the cost: small
	// departures (glare, the mean of textured blocks) look like one too.
	toneGain = 1.15
	// leastSamples is the number of samples from which more than gains is
	// tried.
	leastSamples = 50
	// mostUnsure is the largest standard deviation of log V in the corner.
	mostUnsure = 0.03
	// mostUnsureCentre is the largest standard deviation of the centre of the
	// vignetting, in the unit of [LightPos].
	mostUnsureCentre = 0.01
	// mostCentre is how far off the middle it may lie.
	mostCentre = 0.15
)

type lightFit struct {
	n   int
	o   LightOptions
	obs []lightObs
	// most has the largest |x| and |y| of a sample: what a slow gain is seen
	// in.
	most LightPos
}

// fitted is a model with its parameters: 3 n log gains, 3 of the vignetting, 3
// of the tone, FieldTerms a frame.
type fitted struct {
	model lightModel
	p     []float64
	scale float64 // typical error over Sigma
	cost  float64 // of the samples, at this scale
	// unsure is the standard deviation of log V in the corner.
	unsure float64
	// unsureCentre is that of the centre of the vignetting.
	unsureCentre float64
}

func (f *lightFit) atVignetting() int { return 3 * f.n }
func (f *lightFit) atTone() int       { return 3*f.n + 3 }
func (f *lightFit) atCentre() int     { return 3*f.n + 6 }
func (f *lightFit) atField(i int) int { return 3*f.n + 8 + FieldTerms*i }
func (f *lightFit) zero() []float64   { return make([]float64, f.atField(f.n)) }
func (f *lightFit) start(i int) float64 {
	if f.o.Start == nil {
		return 0
	}
	return f.o.Start[i]
}

// observe turns the samples into logarithms.
func (f *lightFit) observe(samples []LightSample) error {
	f.obs = make([]lightObs, 0, len(samples))
next:
	for i := range samples {
		s := &samples[i]
		if s.A < 0 || s.B < 0 || s.A >= f.n || s.B >= f.n {
			return fmt.Errorf("%w: sample %d joins frames %d and %d of %d", ErrLight, i, s.A, s.B, f.n)
		}
		sigma := s.Sigma
		if sigma == 0 {
			sigma = 0.01
		}
		if s.A == s.B || !(sigma > 0) || math.IsInf(sigma, 0) {
			continue
		}
		sigma = max(sigma, leastSigma)
		o := lightObs{a: s.A, b: s.B, posA: s.AtA, posB: s.AtB, weight: 1 / (sigma * sigma)}
		o.field = [2][FieldTerms]float64{fieldTerms(s.AtA), fieldTerms(s.AtB)}
		for c := range 3 {
			if !(s.LinA[c] > 0 && s.LinB[c] > 0) {
				continue next
			}
			o.ratio[c] = math.Log(s.LinA[c] / s.LinB[c])
			if math.IsInf(o.ratio[c], 0) || math.IsNaN(o.ratio[c]) {
				continue next
			}
			va, vb := f.o.Transfer.Encode(s.LinA[c]), f.o.Transfer.Encode(s.LinB[c])
			ta, tb, sa, sb := toneTerms(va), toneTerms(vb), toneSlopes(va), toneSlopes(vb)
			for k := range ta {
				o.tone[c][k] = ta[k] - tb[k]
				o.slope[c][k] = (sa[k] + sb[k]) / 2
			}
		}
		f.obs = append(f.obs, o)
		f.most.X = max(f.most.X, math.Abs(s.AtA.X), math.Abs(s.AtB.X))
		f.most.Y = max(f.most.Y, math.Abs(s.AtA.Y), math.Abs(s.AtB.Y))
	}
	return nil
}

// shared returns what the three channels have in common of a sample's
// difference: vignetting and fields.
func (f *lightFit) shared(m lightModel, o *lightObs, p []float64) (d float64) {
	if m.vignetting > 0 {
		v, c := Vignetting(p[f.atVignetting():][:3]), f.centre(p)
		d -= math.Log(v.At(r2(o.posA.from(c)))) - math.Log(v.At(r2(o.posB.from(c))))
	}
	if m.field {
		fa, fb := p[f.atField(o.a):][:FieldTerms], p[f.atField(o.b):][:FieldTerms]
		for k := range fa {
			d += fa[k]*o.field[0][k] - fb[k]*o.field[1][k]
		}
	}
	return d
}

// centre returns the place about which light falls off.
func (f *lightFit) centre(p []float64) LightPos { return LightPos{p[f.atCentre()], p[f.atCentre()+1]} }

func r2(p LightPos) float64 { return p.X*p.X + p.Y*p.Y }

// residual returns the three channels' differences.
func (f *lightFit) residual(m lightModel, o *lightObs, p []float64) (e [3]float64) {
	d := f.shared(m, o, p)
	for c := range e {
		e[c] = o.ratio[c] + p[3*o.a+c] - p[3*o.b+c] + d
		if m.tone {
			for k, t := range p[f.atTone():][:3] {
				e[c] += t * o.tone[c][k]
			}
		}
	}
	return e
}

func sumSq(e [3]float64) float64 { return e[0]*e[0] + e[1]*e[1] + e[2]*e[2] }

// gemanMcClure is the loss of a sample: 27 is three sigmas squared, times three
// channels.
func gemanMcClure(s float64) (rho, weight float64) {
	const c = 27
	q := 1 / (1 + s/c)
	return s * q, q * q
}

// weightOf returns 1/σ² of a sample's difference. Where a tone curve is
// flatter than sRGB's, the same noise of a sample is less of its logarithm:
// without that, a curve that flattens the noisy shadows would seem to explain
// them.
func (f *lightFit) weightOf(m lightModel, o *lightObs, p []float64) float64 {
	if !m.tone {
		return o.weight
	}
	sum := 0.
	for c := range 3 {
		slope := 1.
		for k, t := range p[f.atTone():][:3] {
			slope += t * o.slope[c][k]
		}
		slope = max(slope, leastSlope)
		sum += slope * slope / 3
	}
	return o.weight / sum
}

// typical returns the scale: the median of the root mean square of the
// channels' differences over their errors, 0.888 of which normal noise has.
func (f *lightFit) typical(m lightModel, p []float64) float64 {
	v := make([]float64, len(f.obs))
	for i := range f.obs {
		o := &f.obs[i]
		v[i] = math.Sqrt(sumSq(f.residual(m, o, p)) / 3 * f.weightOf(m, o, p))
	}
	return max(middle(v)/0.888, 0.05) // median of χ₃/√3
}

// medianLog returns the median of the root mean square difference.
func (f *lightFit) medianLog(m lightModel, p []float64) float64 {
	v := make([]float64, len(f.obs))
	for i := range f.obs {
		v[i] = math.Sqrt(sumSq(f.residual(m, &f.obs[i], p)) / 3)
	}
	return middle(v)
}

func (f *lightFit) inliers(b fitted) float64 {
	if len(f.obs) == 0 {
		return 0
	}
	in := 0
	for i := range f.obs {
		o := &f.obs[i]
		if sumSq(f.residual(b.model, o, b.p))*f.weightOf(b.model, o, b.p) <= 27*b.scale*b.scale {
			in++
		}
	}
	return float64(in) / float64(len(f.obs))
}

// middle sorts v and returns its median, 0 for none.
func middle(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// fromMedians returns the gains that level the medians of the pairs' ratios.
func (f *lightFit) fromMedians() []float64 {
	p := f.zero()
	for i := range f.n {
		for c := range 3 {
			p[3*i+c] = f.start(i)
		}
	}
	type pair struct{ a, b int }
	ratios := map[pair]*[3][]float64{}
	var order []pair
	for i := range f.obs {
		o := &f.obs[i]
		k := pair{o.a, o.b}
		if ratios[k] == nil {
			ratios[k] = new([3][]float64)
			order = append(order, k)
		}
		for c, r := range o.ratio {
			ratios[k][c] = append(ratios[k][c], r)
		}
	}
	// Linear: one step of the search from any start is the answer.
	eval := func(p []float64, n *optim.Normal) (cost float64) {
		for _, k := range order {
			for c, r := range ratios[k] {
				e := middle(r) + p[3*k.a+c] - p[3*k.b+c]
				w := float64(len(r)) * 1e4
				cost += w * e * e
				if n != nil {
					n.Add([]int{3*k.a + c, 3*k.b + c}, []float64{1, -1}, e, w)
				}
			}
		}
		return cost + f.gainPrior(p, n)
	}
	p, _ = optim.Minimise(p, len(p), eval, addTo, optim.LMOptions{})
	return p
}

func addTo(p, step []float64) []float64 {
	q := slices.Clone(p)
	for i, d := range step {
		q[i] += d
	}
	return q
}

func (f *lightFit) gainPrior(p []float64, n *optim.Normal) (cost float64) {
	w := 1 / (f.o.PriorSigma * f.o.PriorSigma)
	for i := range f.n {
		for c := range 3 {
			d := p[3*i+c] - f.start(i)
			cost += w * d * d
			if n != nil {
				n.Add([]int{3*i + c}, []float64{1}, d, w)
			}
		}
	}
	return cost
}

// fit searches from p with the parts of m; those not in m are set to zero.
func (f *lightFit) fit(m lightModel, p []float64) fitted {
	p = slices.Clone(p)
	use := make([]bool, len(p)) // parameters that are searched
	for i := range 3 * f.n {
		use[i] = true
	}
	mark := func(at, n int) {
		for i := range n {
			use[at+i] = true
		}
	}
	mark(f.atVignetting(), m.vignetting)
	if m.centre {
		mark(f.atCentre(), 2)
	}
	if m.tone {
		mark(f.atTone(), 3)
	}
	if m.field {
		mark(f.atField(0), FieldTerms*f.n)
	}
	// The search sees the used parameters, close together.
	at := make([]int, len(p))
	dim := 0
	for i, u := range use {
		at[i] = -1
		if u {
			at[i] = dim
			dim++
		} else {
			p[i] = 0
		}
	}
	plus := func(p, step []float64) []float64 {
		q := slices.Clone(p)
		for i, k := range at {
			if k >= 0 {
				q[i] += step[k]
			}
		}
		return q
	}
	b := fitted{model: m, p: p}
	normal := optim.NewNormal(dim)
	weight := make([]float64, len(f.obs))
	for range 12 {
		b.scale = f.typical(m, b.p)
		for i := range f.obs { // held while the search runs
			weight[i] = f.weightOf(m, &f.obs[i], b.p) / (b.scale * b.scale)
		}
		eval := func(p []float64, n *optim.Normal) float64 { return f.cost(m, p, weight, at, n) }
		before := b.p
		b.p, _ = optim.Minimise(b.p, dim, eval, plus, optim.LMOptions{MaxIterations: 20, RelTolerance: 1e-8})
		moved := 0.
		for i := range before {
			moved = max(moved, math.Abs(b.p[i]-before[i]))
		}
		if moved <= 1e-6 {
			break
		}
	}
	b.cost = f.sampleCost(m, b.p, b.scale)
	if m.vignetting > 0 {
		normal.Reset()
		f.cost(m, b.p, weight, at, normal)
		b.unsure = math.Inf(1)
		if cov, ok := normal.Covariance(); ok {
			v := Vignetting(b.p[f.atVignetting():][:3])
			k0, sum := at[f.atVignetting()], 0.
			for i := range m.vignetting {
				for j := range m.vignetting {
					sum += cov.At(k0+i, k0+j)
				}
			}
			b.unsure = math.Sqrt(sum*alikeSamples) / v.At(1)
			if m.centre {
				k0 = at[f.atCentre()]
				b.unsureCentre = math.Sqrt((cov.At(k0, k0) + cov.At(k0+1, k0+1)) * alikeSamples)
			}
		}
	}
	return b
}

// sampleCost is the cost of the samples alone.
func (f *lightFit) sampleCost(m lightModel, p []float64, scale float64) (cost float64) {
	for i := range f.obs {
		o := &f.obs[i]
		rho, _ := gemanMcClure(sumSq(f.residual(m, o, p)) * f.weightOf(m, o, p) / (scale * scale))
		cost += rho
	}
	return cost
}

// cost is what fit minimises, the samples weighted by weight. at maps
// parameters to the columns of n.
func (f *lightFit) cost(m lightModel, p, weight []float64, at []int, n *optim.Normal) float64 {
	cost := f.gainPrior(p, n)
	prior := func(i int, sigma float64) {
		w := 1 / (sigma * sigma)
		cost += w * p[i] * p[i]
		if n != nil {
			n.Add(at[i:i+1], []float64{1}, p[i], w)
		}
	}
	for k := range m.vignetting {
		prior(f.atVignetting()+k, vignettingPrior)
	}
	if m.centre {
		prior(f.atCentre(), centrePrior)
		prior(f.atCentre()+1, centrePrior)
	}
	if m.tone {
		for k := range 3 {
			prior(f.atTone()+k, tonePrior)
		}
	}
	if m.field {
		for i := range f.n {
			for k := range FieldTerms {
				sigma := downPrior
				if k >= fieldDown {
					sigma = acrossPrior
				}
				prior(f.atField(i)+k, sigma)
			}
		}
		cost += f.commonPrior(p, at, n)
	}
	if n == nil {
		for i := range f.obs {
			rho, _ := gemanMcClure(sumSq(f.residual(m, &f.obs[i], p)) * weight[i])
			cost += rho
		}
		return cost
	}
	vig, centre := Vignetting(p[f.atVignetting():][:3]), f.centre(p)
	var cols []int
	var jac []float64
	for i := range f.obs {
		o := &f.obs[i]
		e := f.residual(m, o, p)
		w := weight[i]
		rho, robust := gemanMcClure(sumSq(e) * w)
		cost += rho
		// All columns but the gains' and the tone's are the channels' own.
		cols, jac = append(cols[:0], 0, 0), append(jac[:0], 1, -1)
		if m.vignetting > 0 {
			inA, inB := o.posA.from(centre), o.posB.from(centre)
			qa, qb := r2(inA), r2(inB)
			pa, pb := -1/vig.At(qa), -1/vig.At(qb)
			if m.centre {
				sa, sb := -2*pa*vig.slope(qa), -2*pb*vig.slope(qb)
				cols = append(cols, at[f.atCentre()], at[f.atCentre()+1])
				jac = append(jac, inA.X*sa-inB.X*sb, inA.Y*sa-inB.Y*sb)
			}
			for k := range m.vignetting {
				pa *= qa
				pb *= qb
				cols, jac = append(cols, at[f.atVignetting()+k]), append(jac, pa-pb)
			}
		}
		if m.field {
			for k := range FieldTerms {
				cols = append(cols, at[f.atField(o.a)+k], at[f.atField(o.b)+k])
				jac = append(jac, o.field[0][k], -o.field[1][k])
			}
		}
		own := len(cols)
		for c := range e {
			cols[0], cols[1] = 3*o.a+c, 3*o.b+c
			cols, jac = cols[:own], jac[:own]
			if m.tone {
				for k, t := range o.tone[c] {
					cols, jac = append(cols, at[f.atTone()+k]), append(jac, t)
				}
			}
			n.Add(cols, jac, e[c], w*robust)
		}
	}
	return cost
}

// commonPrior keeps the mean of the frames' slow gains at nothing: the overlaps
// hardly see what all frames have in common, which would paint a slope of light
// over the whole row, made up for by the gains.
func (f *lightFit) commonPrior(p []float64, at []int, n *optim.Normal) (cost float64) {
	w := 1 / (commonPriorSigma * commonPriorSigma)
	cols, jac := make([]int, f.n), make([]float64, f.n)
	for k := range FieldTerms {
		mean := 0.
		for i := range f.n {
			mean += p[f.atField(i)+k] / float64(f.n)
			cols[i], jac[i] = at[f.atField(i)+k], 1/float64(f.n)
		}
		cost += w * mean * mean
		if n != nil {
			n.Add(cols, jac, mean, w)
		}
	}
	return cost
}

// grow adds the parts that pay.
func (f *lightFit) grow(best fitted, rep *LightReport) fitted {
	// pays reports whether the larger of two models is worth its k further
	// coefficients: the Bayesian information criterion (Schwarz 1978) on as
	// many samples as are independent.
	pays := func(small, large fitted, k int) bool {
		was := f.sampleCost(small.model, small.p, large.scale)
		n := float64(len(f.obs)) / alikeSamples
		return (was-large.cost)/alikeSamples > float64(k)*math.Log(max(n, 3))
	}
	vignetting := func(base fitted) fitted {
		unsure := false
		rep.Undetermined = nil
		for _, terms := range [2]int{3, 1} {
			m := base.model
			m.vignetting = terms
			v := f.fit(m, base.p)
			switch {
			case !pays(base, v, terms) || f.vignettingEffect(v) < leastEffect:
			case v.unsure <= mostUnsure:
				return v
			default:
				unsure = true
			}
		}
		if unsure {
			rep.Undetermined = append(rep.Undetermined, "vignetting")
		}
		return base
	}
	best = vignetting(best)
	straight := best
	m := best.model
	m.tone = true
	if t := f.fit(m, best.p); pays(best, t, 3) && f.sampleCost(best.model, best.p, t.scale) > toneGain*t.cost && f.tone(t).Rises() {
		best = t
		if m.vignetting > 0 { // it may have stood for the curve
			m.vignetting = 0
			best = f.fit(m, best.p)
		}
		best = vignetting(best)
	}
	if best.model.tone && !f.tone(best).Rises() { // any more
		best = straight
	}
	// A filter that sits askew or is not flat, a lens that is shifted or
	// decentred: the light falls off about another place than the middle.
	middle := best
	if best.model.vignetting > 0 {
		m = best.model
		m.centre = true
		switch c := f.fit(m, best.p); {
		case !pays(best, c, 2) || f.centreEffect(c) < leastEffect || m.tone && !f.tone(c).Rises():
		case c.unsure <= mostUnsure && c.unsureCentre <= mostUnsureCentre && r2(f.centre(c.p)) <= mostCentre*mostCentre:
			best = c
		default:
			rep.Undetermined = append(rep.Undetermined, "centre")
		}
	}
	field := func(base fitted) fitted {
		if !f.uneven(base) {
			return base
		}
		m := base.model
		m.field = true
		if w := f.fit(m, base.p); pays(base, w, FieldTerms*(f.n-1)) && (!m.tone || f.tone(w).Rises()) {
			return w
		}
		return base
	}
	best = field(best)
	if best.model.centre && best.model.field {
		// It may have stood for what differs from frame to frame.
		if w := field(middle); w.model.field && !pays(w, best, 2) {
			best = w
		}
	}
	return best
}

// uneven reports whether some strip of an overlap, an eighth of its height,
// differs by more than leastField in the median: a slow gain then has something
// to do, and its fit is dear.
func (f *lightFit) uneven(b fitted) bool {
	const strips, enough = 8, 20
	type strip struct{ a, b, k int }
	left := map[strip][]float64{}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range f.obs {
		lo, hi = min(lo, f.obs[i].posA.Y), max(hi, f.obs[i].posA.Y)
	}
	for i := range f.obs {
		o := &f.obs[i]
		e := f.residual(b.model, o, b.p)
		k := strip{o.a, o.b, int(strips * (o.posA.Y - lo) / (hi - lo + 1e-9))}
		left[k] = append(left[k], (e[0]+e[1]+e[2])/3)
	}
	for _, v := range left {
		if len(v) >= enough && math.Abs(middle(v)) > leastField {
			return true
		}
	}
	return false
}

// vignettingEffect is the largest |log V|.
func (f *lightFit) vignettingEffect(b fitted) (worst float64) {
	v := Vignetting(b.p[f.atVignetting():][:3])
	for i := range 21 {
		r := float64(i) / 20
		worst = max(worst, math.Abs(math.Log(v.At(r*r))))
	}
	return worst
}

// centreEffect is the largest change of log V that the place of its centre makes
// in a frame's corners.
func (f *lightFit) centreEffect(b fitted) (worst float64) {
	v, c := Vignetting(b.p[f.atVignetting():][:3]), f.centre(b.p)
	for _, p := range [4]LightPos{{-f.most.X, -f.most.Y}, {f.most.X, -f.most.Y}, {-f.most.X, f.most.Y}, {f.most.X, f.most.Y}} {
		worst = max(worst, math.Abs(math.Log(v.At(r2(p.from(c)))/v.At(r2(p)))))
	}
	return worst
}

func (f *lightFit) tone(b fitted) Tone { return Tone(b.p[f.atTone():][:3]) }

// Rises reports whether brighter samples mean more light everywhere, by at
// least a fifth of what they do for sRGB.
func (t Tone) Rises() bool {
	for i := 1; i <= 100; i++ {
		v, w := float64(i-1)/100, float64(i)/100
		plain := math.Log(DecodeSRGB(w)) - math.Log(DecodeSRGB(max(v, 1e-3)))
		if !(plain+t.At(w)-t.At(v) >= plain/5) {
			return false
		}
	}
	return true
}

// boundFields brings the slow gains within their bounds.
func (f *lightFit) boundFields(b fitted) {
	for i := range f.n {
		p := b.p[f.atField(i):][:FieldTerms]
		field := Field(p)
		field.bound(4*f.o.MostField, f.o.MostField, f.most)
		copy(p, field[:])
	}
}

// light returns the model's parts.
func (f *lightFit) light(b fitted) *Light {
	l := &Light{Frames: make([]FrameLight, f.n)}
	copy(l.Vignetting[:], b.p[f.atVignetting():])
	l.Centre = f.centre(b.p)
	l.Tone = f.tone(b)
	for i := range l.Frames {
		fr := &l.Frames[i]
		for c := range fr.Gain {
			fr.Gain[c] = math.Exp(b.p[3*i+c])
		}
		copy(fr.Field[:], b.p[f.atField(i):])
	}
	return l
}
