package optim

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestTrialsPublished(t *testing.T) {
	// Hartley & Zisserman, Multiple View Geometry, table 4.3 (p = 0.99).
	shares := []float64{.05, .10, .20, .25, .30, .40, .50}
	for s, row := range map[int][]int{
		2: {2, 3, 5, 6, 7, 11, 17},
		3: {3, 4, 7, 9, 11, 19, 35},
		4: {3, 5, 9, 13, 17, 34, 72},
		5: {4, 6, 12, 17, 26, 57, 146},
		6: {4, 7, 16, 24, 37, 97, 293},
		7: {4, 8, 20, 33, 54, 163, 588},
		8: {5, 9, 26, 44, 78, 272, 1177},
	} {
		for i, want := range row {
			if got := Trials(1-shares[i], s, 0.99); got != want {
				t.Errorf("Trials(%g, %d) = %d, want %d", 1-shares[i], s, got, want)
			}
		}
	}
}

func TestLossDerivative(t *testing.T) {
	for _, l := range []Loss{Huber{1.5}, Cauchy{1.5}, Huber{}} {
		for _, s := range []float64{0.01, 1, 2, 3, 50} {
			const h = 1e-5
			up, _ := l.Loss(s + h)
			down, _ := l.Loss(s - h)
			_, w := l.Loss(s)
			if d := math.Abs((up-down)/(2*h) - w); !(d <= 1e-6) {
				t.Errorf("%#v at %g: weight %g, slope %g", l, s, w, (up-down)/(2*h))
			}
		}
	}
}

// TestMinimiseMisra1a: NIST StRD nonlinear regression, Misra1a, both starts;
// certified b1 = 238.94212918, b2 = 0.00055015643181, sum of squares
// 0.12455138894 (from memory).
func TestMinimiseMisra1a(t *testing.T) {
	y := []float64{10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78}
	x := []float64{77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0}
	type state [2]float64
	eval := func(b state, n *Normal) (cost float64) {
		for i := range x {
			e := math.Exp(-b[1] * x[i])
			r := b[0]*(1-e) - y[i]
			cost += r * r
			if n != nil {
				n.Add([]int{0, 1}, []float64{1 - e, b[0] * x[i] * e}, r, 1)
			}
		}
		return cost
	}
	plus := func(b state, d []float64) state { return state{b[0] + d[0], b[1] + d[1]} }
	for _, start := range []state{{500, 0.0001}, {250, 0.0005}} {
		b, sum := Minimise(start, 2, eval, plus, LMOptions{MaxIterations: 200, RelTolerance: 1e-14})
		if !(math.Abs(b[0]/238.94212918-1) <= 1e-6) || !(math.Abs(b[1]/0.00055015643181-1) <= 1e-6) ||
			!(math.Abs(sum.FinalCost-0.12455138894) <= 1e-9) || !sum.Converged {
			t.Errorf("from %v: %v, %+v", start, b, sum)
		}
	}
}

func TestRANSACLine(t *testing.T) {
	type line struct{ a, b float64 }
	rng := rand.New(rand.NewPCG(1, 1))
	const n = 200
	x, y := make([]float64, n), make([]float64, n)
	for i := range n {
		x[i] = rng.Float64() * 10
		y[i] = 2*x[i] + 1 + 0.05*rng.NormFloat64()
		if i%2 == 0 {
			y[i] = rng.Float64() * 30
		}
	}
	e := Estimator[line]{
		SampleSize: 2,
		Fit: func(dst []line, s []int) []line {
			a := (y[s[1]] - y[s[0]]) / (x[s[1]] - x[s[0]])
			return append(dst, line{a, y[s[0]] - a*x[s[0]]})
		},
		ErrorSq: func(m *line, i int) float64 { d := m.a*x[i] + m.b - y[i]; return d * d },
	}
	o := RANSACOptions{MaxError: 0.2, Seed: 7}
	m, rep, ok := RANSAC(n, e, o)
	if !ok || !(math.Abs(m.a-2) <= 0.05) || len(rep.Inliers) < 95 {
		t.Errorf("got %+v, %d inliers of 100, ok %v", m, len(rep.Inliers), ok)
	}
	again, rep2, _ := RANSAC(n, e, o)
	if again != m || rep2.Trials != rep.Trials {
		t.Error("same seed, other result")
	}
	if _, _, ok := RANSAC(1, e, o); ok {
		t.Error("one point: ok")
	}
}
