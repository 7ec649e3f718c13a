package warp

import (
	"errors"
	"fmt"
	"math"

	"flatfell.example/geom"
)

// Local is a small smooth displacement over a frame, for what no turn of a
// camera explains: where the mapping leads to point p of the frame, the frame is
// sampled at p + At(p) instead. It is a uniform cubic B-spline of Columns − 3 by
// Rows − 3 cells over the frame; beyond the frame the value at its edge stays.
type Local struct {
	Columns int `json:"columns"`
	Rows    int `json:"rows"`
	// X and Y hold the coefficients in row order, as shares of the frame's
	// width, so that they serve a frame of any size.
	X []float64 `json:"x"`
	Y []float64 `json:"y"`
}

// MaxLocalSlope bounds the differences of neighbouring coefficients of a Local,
// in cells. The derivative of a B-spline is a B-spline of these differences, so
// that with all four of them below 0.45 the Frobenius norm of the displacement's
// derivative stays below 0.9, and p ↦ p + At(p) can't fold.
const MaxLocalSlope = 0.45

// Validate returns an error if the sizes do not agree, a coefficient is no
// number, or the mapping might fold for a frame of w × h pixels.
func (l *Local) Validate(w, h int) error {
	n := l.Columns * l.Rows
	if l.Columns < 4 || l.Rows < 4 || l.Columns > 1000 || l.Rows > 1000 || len(l.X) != n || len(l.Y) != n {
		return fmt.Errorf("warp: a Local of %d × %d coefficients has %d and %d", l.Columns, l.Rows, len(l.X), len(l.Y))
	}
	if s := l.Slope(w, h); !(s <= MaxLocalSlope) {
		return errors.New("warp: a Local folds the frame")
	}
	return nil
}

// Slope returns the largest difference of neighbouring coefficients in cells,
// for a frame of w × h pixels; NaN or infinite if a coefficient is.
func (l *Local) Slope(w, h int) (slope float64) {
	perX := float64(l.Columns - 3)
	perY := float64(l.Rows-3) * float64(w) / float64(h)
	for _, v := range [2][]float64{l.X, l.Y} {
		for i, c := range v {
			if c-c != 0 {
				return math.NaN()
			}
			if i%l.Columns > 0 {
				slope = max(slope, perX*math.Abs(c-v[i-1]))
			}
			if i >= l.Columns {
				slope = max(slope, perY*math.Abs(c-v[i-l.Columns]))
			}
		}
	}
	return slope
}

// At returns the displacement in pixels at p of a frame of w × h pixels.
func (l *Local) At(p geom.Pt, w, h int) geom.Pt {
	at, wx, wy := l.Weights(p, w, h)
	var d geom.Pt
	for j, v := range wy {
		row := at + j*l.Columns
		for i, u := range wx {
			d.X += u * v * l.X[row+i]
			d.Y += u * v * l.Y[row+i]
		}
	}
	return geom.Pt{X: d.X * float64(w), Y: d.Y * float64(w)}
}

// Weights returns the coefficients that At sums at p: the first of four by four,
// and their weights across and down.
func (l *Local) Weights(p geom.Pt, w, h int) (first int, wx, wy [4]float64) {
	i, wx := spline(p.X/float64(w), l.Columns-3)
	j, wy := spline(p.Y/float64(h), l.Rows-3)
	return j*l.Columns + i, wx, wy
}

// spline returns the cell at a share of the way over n cells and the weights of
// its four coefficients.
func spline(share float64, n int) (cell int, w [4]float64) {
	t := max(0, min(1, share)) * float64(n)
	cell = min(int(t), n-1)
	t -= float64(cell)
	s := 1 - t
	return cell, [4]float64{s * s * s / 6, (3*t*t*t - 6*t*t + 4) / 6, (3*s*s*s - 6*s*s + 4) / 6, t * t * t / 6}
}

// MaxPx returns a bound of the displacement in pixels of a frame of width w.
func (l *Local) MaxPx(w int) float64 {
	var most float64
	for i, x := range l.X {
		most = max(most, math.Hypot(x, l.Y[i]))
	}
	return most * float64(w)
}
