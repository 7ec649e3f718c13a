package optim

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Normal gathers the normal equations of a least-squares problem:
// H = Σ w JᵀJ, of which the upper triangle is kept, and G = Σ w Jᵀr.
type Normal struct {
	dim int
	H   []float64 // dim × dim, row order, upper triangle
	G   []float64
}

// NewNormal returns empty normal equations of dim unknowns.
func NewNormal(dim int) *Normal {
	return &Normal{dim: dim, H: make([]float64, dim*dim), G: make([]float64, dim)}
}

// Reset clears the sums.
func (n *Normal) Reset() {
	clear(n.H)
	clear(n.G)
}

// Add adds one residual r with weight w whose derivative by unknown cols[i]
// is jac[i]; the others are zero. No column may occur twice.
func (n *Normal) Add(cols []int, jac []float64, r, w float64) {
	for i, ci := range cols {
		wj := w * jac[i]
		if wj == 0 {
			continue
		}
		n.G[ci] += wj * r
		for k, ck := range cols {
			if ck >= ci {
				n.H[ci*n.dim+ck] += wj * jac[k]
			}
		}
	}
}

// Covariance returns the inverse of H, the covariance of the unknowns if the
// residuals had unit variance; ok is false if H is singular.
func (n *Normal) Covariance() (*mat.SymDense, bool) {
	var chol mat.Cholesky
	if !chol.Factorize(mat.NewSymDense(n.dim, append([]float64(nil), n.H...))) {
		return nil, false
	}
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return nil, false
	}
	return &inv, true
}

// LMOptions are the settings of [Minimise]. The zero value is usable.
type LMOptions struct {
	// MaxIterations bounds the accepted and rejected steps; zero means 50.
	MaxIterations int
	// RelTolerance ends the search when a step lowers the cost by less than
	// this fraction; zero means 1e-10.
	RelTolerance float64
}

// Summary says how [Minimise] ended.
type Summary struct {
	Iterations             int
	InitialCost, FinalCost float64
	// Converged is false if the iterations ran out first.
	Converged bool
}

// Minimise lowers Σ ρ(r²) over a state of type S by the Levenberg-Marquardt
// method with the damping rule of Nielsen (1999).
//
// eval returns the cost at a state and, if n is not nil, adds the residuals'
// rows to it, weighted by ρ'. plus returns the state moved by a step of dim
// numbers; the state may live on a manifold (rotations), and plus must leave
// its argument unchanged. The returned state never costs more than start.
//
// Madsen, Nielsen & Tingleff, "Methods for Non-Linear Least Squares
// Problems", 2nd ed. 2004, algorithm 3.16.
func Minimise[S any](start S, dim int,
	eval func(s S, n *Normal) float64, plus func(s S, step []float64) S, o LMOptions,
) (S, Summary) {
	if o.MaxIterations == 0 {
		o.MaxIterations = 50
	}
	if o.RelTolerance == 0 {
		o.RelTolerance = 1e-10
	}
	n := NewNormal(dim)
	x := start
	cost := eval(x, n)
	sum := Summary{InitialCost: cost}
	mu, nu := 1e-4, 2.0 // relative to the diagonal: scale-free
	damped := mat.NewSymDense(dim, nil)
	step := mat.NewVecDense(dim, nil)
	var chol mat.Cholesky
	for sum.Iterations < o.MaxIterations {
		sum.Iterations++
		for i := range dim {
			for j := i; j < dim; j++ {
				damped.SetSym(i, j, n.H[i*dim+j])
			}
			d := n.H[i*dim+i]
			if d == 0 {
				d = 1 // an unknown that nothing depends on stays where it is
			}
			damped.SetSym(i, i, d*(1+mu))
		}
		solved := chol.Factorize(damped)
		if solved {
			solved = chol.SolveVecTo(step, mat.NewVecDense(dim, n.G)) == nil
		}
		if solved {
			d := make([]float64, dim)
			var predicted float64
			for i := range d {
				d[i] = -step.AtVec(i)
				predicted += d[i] * (mu*n.H[i*dim+i]*d[i] - n.G[i])
			}
			next := plus(x, d)
			nextCost := eval(next, nil)
			if gain := cost - nextCost; gain > 0 && !math.IsNaN(nextCost) {
				done := gain <= o.RelTolerance*cost
				x, cost = next, nextCost
				if done {
					sum.Converged = true
					break
				}
				n.Reset()
				eval(x, n)
				q := 2*gain/max(predicted, 1e-300) - 1
				mu *= max(1.0/3, 1-q*q*q)
				nu = 2
				continue
			}
			if predicted <= o.RelTolerance*cost {
				sum.Converged = true
				break
			}
		}
		mu *= nu
		nu *= 2
		if mu > 1e12 {
			sum.Converged = true // no direction lowers the cost any more
			break
		}
	}
	sum.FinalCost = cost
	return x, sum
}
