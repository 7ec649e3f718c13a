package plan

import (
	"fmt"
	"math"
)

// Optics is a lens at an aperture, with the blur that counts as sharp.
type Optics struct {
	FocalMM float64
	// FNumber is the exact f-number, see [ExactFNumber].
	FNumber float64
	// CircleMM is the largest diameter of blur on the sensor that counts as
	// sharp.
	CircleMM float64
}

// Validate reports the first value that no lens has.
func (o Optics) Validate() error {
	switch {
	case !(o.FocalMM > 0):
		return fmt.Errorf("plan: a focal length of %g mm: give it above zero", o.FocalMM)
	case !(o.FNumber >= 0.5) || o.FNumber > 512:
		return fmt.Errorf("plan: an aperture of f/%g: give one such as f/11", o.FNumber)
	case !(o.CircleMM > 0) || o.CircleMM > 1:
		return fmt.Errorf("plan: a blur of %g mm: give the diameter that counts as sharp, such as 0.02mm", o.CircleMM)
	}
	return nil
}

// ExactFNumber is what an engraved f-number stands for: the power of √2^(1/3)
// that is within 3 % of it (f/11 is 11.314, f/8 is 8), else the number itself.
func ExactFNumber(engraved float64) float64 {
	exact := math.Exp2(math.Round(6*math.Log2(engraved)) / 6)
	if math.Abs(engraved/exact-1) <= 0.03 {
		return exact
	}
	return engraved
}

// HyperfocalM is the nearest distance of focus in metres with which infinity
// still counts as sharp:
//
//	H = f²/(N c) + f
//
// (Greenleaf, Photographic Optics, 1950).
func (o Optics) HyperfocalM() float64 {
	return (o.FocalMM*o.FocalMM/(o.FNumber*o.CircleMM) + o.FocalMM) / 1000
}

// LimitsM returns the nearest and the farthest distance in metres that count as
// sharp with the focus at a distance s:
//
//	near = s (H − f) / (H + s − 2f),  far = s (H − f) / (H − s)
//
// far is infinite from s = H on.
func (o Optics) LimitsM(focusM float64) (near, far float64) {
	h, f := o.HyperfocalM(), o.FocalMM/1000
	if math.IsInf(focusM, 1) {
		return h - f, math.Inf(1)
	}
	near = focusM * (h - f) / (h + focusM - 2*f)
	if focusM >= h*(1-1e-12) {
		return near, math.Inf(1)
	}
	return near, focusM * (h - f) / (h - focusM)
}

// BlurMM is the diameter of the blur on the sensor of a point at a distance
// with the focus at another, both in metres, either of them infinite:
//
//	f²/N · |D − s| / (D (s − f))
func (o Optics) BlurMM(focusM, distanceM float64) float64 {
	k := o.FocalMM * o.FocalMM / o.FNumber
	f, s, d := o.FocalMM, focusM*1000, distanceM*1000
	switch {
	case math.IsInf(s, 1) && math.IsInf(d, 1):
		return 0
	case math.IsInf(s, 1):
		return k / d
	case math.IsInf(d, 1):
		return k / (s - f)
	}
	return k * math.Abs(d-s) / (d * (s - f))
}

// greenMM is the wavelength of green light, where the eye sees best.
const greenMM = 0.00055

// AiryMM is the diameter of the disc into which diffraction spreads a point,
// 2.44 λ N (Airy 1835, for green light).
func (o Optics) AiryMM() float64 { return 2.44 * greenMM * o.FNumber }

// maxSlices ends a bracket that no one would shoot.
const maxSlices = 200

// Bracket returns the fewest distances of focus in metres, from the near point
// to infinity, between any two of which no point is blurred by more than the
// share meet, at most 1, of what counts as sharp. The first is in focus at the
// near point, the last, +Inf, at infinity; between them the focus
// travels by even steps, those of 1/(s − f), along which depth of field is the
// same everywhere. Where infinity is
// within reach of the near point a single one serves, at twice its distance.
//
// It is the next focus rule, the far limit of one being the near limit of the
// next, with a blur that leaves room for the hand on the ring.
func (o Optics) Bracket(nearM, meet float64) ([]float64, error) {
	f := o.FocalMM / 1000
	switch {
	case !(meet > 0 && meet <= 1):
		return nil, fmt.Errorf("plan: slices that meet at %.3g of the blur that counts as sharp: give a share above 0, at most 100 %%", meet)
	case !(nearM > 2*f):
		return nil, fmt.Errorf("plan: a near point of %.3g m: nearer than twice the focal length nothing is in focus but with a macro lens", nearM)
	}
	tight := o
	tight.CircleMM *= meet
	if nearM >= tight.HyperfocalM() {
		return []float64{2 * nearM}, nil
	}
	for n := 2; n <= maxSlices; n++ {
		s := make([]float64, n)
		for i := range s {
			s[i] = f + (nearM-f)/(1-float64(i)/float64(n-1))
		}
		if o.WorstMeetingMM(s) <= tight.CircleMM*(1+1e-9) {
			return s, nil
		}
	}
	return nil, fmt.Errorf("plan: from %.3g m on it takes more than %d slices; stop down, or take a near point farther off", nearM, maxSlices)
}

// WorstMeetingMM is the largest blur, in millimetres on the sensor, of a point
// between two neighbouring distances of focus in the sharper of both.
func (o Optics) WorstMeetingMM(focusM []float64) float64 {
	f, worst := o.FocalMM/1000, 0.0
	for i := 1; i < len(focusM); i++ {
		// A blur of k · w · |1/s − 1/D| each, with w = s/(s − f): equal where
		// 1/D is their mean weighted by w.
		a, b := focusM[i-1], focusM[i]
		wa, wb := a/(a-f), 1.0
		if !math.IsInf(b, 1) {
			wb = b / (b - f)
		}
		meet := (wa + wb) / (wa/a + wb/b)
		worst = max(worst, o.BlurMM(a, meet))
	}
	return worst
}
