package blend

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// LightPos is a point of a frame, x right and y down from its optical centre,
// 1 = half the frame's diagonal.
type LightPos struct{ X, Y float64 }

// from returns p as seen from c.
func (p LightPos) from(c LightPos) LightPos { return LightPos{p.X - c.X, p.Y - c.Y} }

// LightSample is one place that two frames show.
//
// The caller leaves out places that are clipped in either frame (a channel
// above 0.97 encoded) and dark ones (below 0.01 linear): their ratio is not
// the ratio of exposures. A sample with a channel that is not above zero in
// both frames is passed over all the same.
type LightSample struct {
	A, B       int // frame numbers
	AtA, AtB   LightPos
	LinA, LinB [3]float64 // mean linear red, green, blue
	// Sigma is the error of log(LinA/LinB) that noise and texture let expect,
	// as a standard deviation. Zero means 0.01.
	Sigma float64
}

// Light is how the frames of a row recorded the light. What arrived at the
// lens, up to a factor common to all frames, follows from a frame's linear
// sample L, of encoded value v, at p:
//
//	log arrived = log L + T(v) + log Gain + F(p) − log V(|p − c|)
type Light struct {
	// Vignetting holds a1, a2, a3 of V(r) = 1 + a1 r² + a2 r⁴ + a3 r⁶, shared
	// by all frames.
	Vignetting Vignetting
	// Centre is c, the place about which light falls off.
	Centre LightPos
	// Tone bends the response of all frames away from their transfer curve.
	Tone   Tone
	Frames []FrameLight
}

// FrameLight is what one frame has for itself.
type FrameLight struct {
	Gain  [3]float64
	Field Field
}

// Vignetting are a1, a2, a3 of V(r) = 1 + a1 r² + a2 r⁴ + a3 r⁶, r = 1 at half
// the frame's diagonal: the part of the light that the lens and what is
// screwed on it let through (Goldman & Chen 2005).
type Vignetting [3]float64

// At returns V where r² = r2.
func (a Vignetting) At(r2 float64) float64 {
	return max(1+r2*(a[0]+r2*(a[1]+r2*a[2])), minFalloff)
}

// slope returns dV/dr² where r² = r2.
func (a Vignetting) slope(r2 float64) float64 {
	if a.At(r2) <= minFalloff {
		return 0
	}
	return a[0] + r2*(2*a[1]+r2*3*a[2])
}

// minFalloff keeps V positive whatever the search tries; a lens that lets
// through less than that shows black corners.
const minFalloff = 0.02

// Tone are the coefficients of T(v) = Σ tᵢ (vⁱ⁺² − γᵢ v), the logarithm by
// which the frames' decoding departs from their transfer curve, often sRGB's,
// at the encoded value v.
//
// Frames taken with different exposures tell the curve of a camera only up to
// a power of the light (Grossberg & Nayar, "What is the space of camera
// response functions?", CVPR 2003, call it the exponential ambiguity). The γᵢ
// take out of each term what a power would do, so that the mean slope stays
// that of sRGB.
type Tone [3]float64

// At returns T(v).
func (t Tone) At(v float64) float64 {
	sum := 0.
	for i, b := range toneTerms(v) {
		sum += t[i] * b
	}
	return sum
}

// Tables returns the linear light of each 16-bit sample, 1 for 65535, and the
// table back, for frames whose transfer curve is base. Those of the zero Tone
// are the curve's own. They are shared: read only. t must rise, as what
// [FitLight] returns does.
func (t Tone) Tables(base *Transfer) (*[65536]float32, *EncodeTable) {
	if t == (Tone{}) {
		return base.tables()
	}
	white := t.At(1)
	dec := new([65536]float32)
	for i := range dec {
		v := float64(i) / 65535
		dec[i] = float32(base.Decode(v) * math.Exp(t.At(v)-white))
	}
	return dec, inverse(dec)
}

// toneTerms returns the terms of T at v.
func toneTerms(v float64) (b [3]float64) {
	p := v
	for i := range b {
		p *= v
		b[i] = p - toneSlope[i]*v
	}
	return b
}

// toneSlopes returns the slopes of the terms of T at v over that of the
// logarithm of sRGB's light.
func toneSlopes(v float64) (s [3]float64) {
	log := 1 / max(v, 1e-3) // the straight piece
	if v > 0.04045 {
		log = 2.4 / (v + 0.055)
	}
	p := 1.
	for i := range s {
		p *= v
		s[i] = (float64(i+2)*p - toneSlope[i]) / log
	}
	return s
}

// toneSlope are the γᵢ: the terms are uncorrelated with log L over encoded
// values from 0.1 to 1.
var toneSlope = func() (gamma [3]float64) {
	const steps = 1000
	var sum, log float64
	var power, cross [4]float64
	for i := range steps + 1 {
		v := 0.1 + 0.9*float64(i)/steps
		l := math.Log(DecodeSRGB(v))
		sum++
		log += l
		p := 1.
		for k := range power {
			p *= v
			power[k] += p
			cross[k] += p * l
		}
	}
	cov := func(k int) float64 { return cross[k] - power[k]*log/sum }
	for i := range gamma {
		gamma[i] = cov(i+1) / cov(0)
	}
	return gamma
}()

// FieldTerms is the number of terms of a [Field].
const FieldTerms = fieldDown + fieldAcross

const fieldDown, fieldAcross = 8, 4

// Field are the coefficients of F(p), a slow gain over one frame: the Legendre
// polynomials P1 to P8 of y, fine enough for the edge of a soft graduated filter
// that sits higher in one frame (P6 leaves 6 % of the light where the edge of one
// of two stops is off by 6 % of the height, P8 2.6 %, P12 2 %), and x times P0 to
// P3.
type Field [FieldTerms]float64

// At returns F(p).
func (f *Field) At(p LightPos) float64 {
	sum := 0.
	for i, b := range fieldTerms(p) {
		sum += f[i] * b
	}
	return sum
}

func fieldTerms(p LightPos) (t [FieldTerms]float64) {
	legendre := [fieldDown + 1]float64{1, p.Y}
	for n := 1; n < fieldDown; n++ {
		legendre[n+1] = (float64(2*n+1)*p.Y*legendre[n] - float64(n)*legendre[n-1]) / float64(n+1)
	}
	copy(t[:], legendre[1:])
	for k := range fieldAcross {
		t[fieldDown+k] = p.X * legendre[k]
	}
	return t
}

// largest returns the largest |F| where |x| and |y| are within those of most.
func (f *Field) largest(most LightPos) float64 {
	const steps = 20
	worst := 0.
	for i := range steps + 1 {
		for j := range steps + 1 {
			x, y := most.X*(2*float64(i)/steps-1), most.Y*(2*float64(j)/steps-1)
			worst = max(worst, math.Abs(f.At(LightPos{x, y})))
		}
	}
	return worst
}

// bound shrinks the terms of y alone, and those with x, until neither is
// larger than its bound within most.
func (f *Field) bound(down, across float64, most LightPos) {
	var parts [2]Field
	copy(parts[0][:fieldDown], f[:fieldDown])
	copy(parts[1][fieldDown:], f[fieldDown:])
	for i, limit := range [2]float64{down, across} {
		if worst := parts[i].largest(most); worst > limit {
			for k := range parts[i] {
				parts[i][k] *= limit / worst
			}
		}
	}
	for k := range f {
		f[k] = parts[0][k] + parts[1][k]
	}
}

// LightOptions are the settings of [FitLight]. The zero value is usable.
type LightOptions struct {
	// PriorSigma is the standard deviation that gains are expected to have
	// around 1, as a natural logarithm. Zero means 0.1, the σ_g of Brown &
	// Lowe 2007. Smaller keeps long rows from drifting; larger trusts the
	// samples more.
	PriorSigma float64
	// Start holds each frame's log gain as the camera's metadata has it, the
	// same for its channels; the prior is about it. Nil means 0 for all.
	Start []float64
	// Transfer is the curve by which the samples were decoded.
	Transfer *Transfer
	// GainsOnly leaves out all but the gains.
	GainsOnly bool
	// MostField bounds the slow gain of a frame along its width, as a natural
	// logarithm; down its height, where graduated filters work, it may be four
	// times as large. Zero means 0.15.
	MostField float64
}

// ErrLight is wrapped by the errors of [FitLight] about its input.
var ErrLight = errors.New("blend: bad light input")

// Validate reports the first field out of range for n frames.
func (o LightOptions) Validate(n int) error {
	switch {
	case !(o.PriorSigma >= 0) || math.IsInf(o.PriorSigma, 0):
		return fmt.Errorf("%w: PriorSigma %v is no number of at least 0", ErrLight, o.PriorSigma)
	case o.Start != nil && len(o.Start) != n:
		return fmt.Errorf("%w: Start has %d entries for %d frames", ErrLight, len(o.Start), n)
	case slices.ContainsFunc(o.Start, func(v float64) bool { return v-v != 0 }):
		return fmt.Errorf("%w: Start %v has what is no number", ErrLight, o.Start)
	case !(o.MostField >= 0):
		return fmt.Errorf("%w: MostField %v is negative", ErrLight, o.MostField)
	}
	return nil
}
