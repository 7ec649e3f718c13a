package optim

import "math"

// Loss is a robust loss ρ of a squared residual s, with ρ(s) ≈ s near zero,
// and its derivative, the weight of the residual in reweighted least squares.
// Scales are in the unit of the residual, not squared.
type Loss interface {
	Loss(s float64) (rho, weight float64)
}

// Huber is quadratic up to Scale and linear beyond (Huber 1964). A Scale of
// zero means no robustness at all.
type Huber struct{ Scale float64 }

// Loss implements [Loss].
func (h Huber) Loss(s float64) (rho, weight float64) {
	b2 := h.Scale * h.Scale
	if h.Scale == 0 || s <= b2 {
		return s, 1
	}
	r := math.Sqrt(s)
	return 2*h.Scale*r - b2, h.Scale / r
}

// Cauchy grows with the logarithm of the residual: ρ = c² log(1 + s/c²). It
// lets go of a gross outlier where [Huber] keeps pulling.
type Cauchy struct{ Scale float64 }

// Loss implements [Loss].
func (c Cauchy) Loss(s float64) (rho, weight float64) {
	c2 := c.Scale * c.Scale
	return c2 * math.Log1p(s/c2), 1 / (1 + s/c2)
}
