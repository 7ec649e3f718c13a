package bench

import (
	"math"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// solutionOf is the solution that finds cams as they are.
func solutionOf(cams []geom.Camera) *stitch.Solution {
	sol := &stitch.Solution{}
	for i := range cams {
		c := &cams[i]
		f := stitch.FrameSolution{
			Width: c.Width, Height: c.Height, Placed: true, FocalPx: c.FocalPx,
			CentrePx: [2]float64{c.CentrePx.X, c.CentrePx.Y}, Radial: c.Radial, Gain: [3]float64{1, 1, 1},
		}
		for k, v := range c.CamFromWorld {
			f.CamFromWorld[k/3][k%3] = v
		}
		sol.Frames = append(sol.Frames, f)
	}
	return sol
}

func truthRow() []geom.Camera {
	row := Config{Width: 800, Height: 1200}.fieldRow(3)
	truth := scene.New(3, scene.Options{}).Plan(row)
	return truth.Cameras()
}

// TestCompare puts known errors into a solution.
func TestCompare(t *testing.T) {
	const tol = 1e-9
	truth := truthRow()
	e := Compare(solutionOf(truth), truth)
	if !(e.Worst() <= 1e-7) || !(math.Abs(e.Focal) <= tol) || !(e.Tilt <= 1e-7) || !(e.Bow <= tol) {
		t.Errorf("the truth is off by %+v", e)
	}

	// A world turned about its vertical is the same; one that leans is tilted
	// by as much, and its horizon bows.
	lean := 0.3 * geom.Degree
	for _, tc := range []struct {
		by   geom.Vec
		tilt geom.Angle
	}{
		{geom.Vec{Y: 0.7}, 0},
		{geom.Vec{X: lean.Radians()}, lean},
		{geom.Vec{Z: lean.Radians()}, lean},
	} {
		cams := truthRow()
		for i := range cams {
			cams[i].CamFromWorld = cams[i].CamFromWorld.Mul(geom.Exp(tc.by))
		}
		e := Compare(solutionOf(cams), truth)
		if !(e.Worst() <= 1e-7) || !(math.Abs((e.Tilt - tc.tilt).Radians()) <= 1e-7) {
			t.Errorf("world turned by %v: %+v, want a tilt of %v", tc.by, e, tc.tilt)
		}
		if tc.by.X != 0 {
			// The horizon is h = tan(lean)·cos θ over ±θ₁: the line through it is
			// its mean, sin(θ₁)/θ₁, and the middle is the farthest but for the ends.
			half := spread(cams) / 2
			mean := math.Sin(half) / half
			want := math.Tan(lean.Radians()) * math.Max(1-mean, mean-math.Cos(half)) / (2 * half)
			if !(math.Abs(e.Bow/want-1) <= 0.1) {
				t.Errorf("bow %.6f, want about %.6f", e.Bow, want)
			}
		}
	}

	// One frame of six turned by ε: the fit of the common rotation takes a
	// sixth of it from all.
	cams := truthRow()
	const eps = 1e-4
	cams[2].CamFromWorld = geom.Exp(geom.Vec{Y: eps}).Mul(cams[2].CamFromWorld)
	cams[0].FocalPx *= 1.001
	n := float64(len(cams))
	e = Compare(solutionOf(cams), truth)
	if !(math.Abs(e.Worst().Radians()-eps*(n-1)/n) <= 1e-3*eps) || !(math.Abs(e.Median().Radians()-eps/n) <= 1e-3*eps) ||
		!(math.Abs(e.Focal-0.001) <= tol) {
		t.Errorf("worst %.3g, median %.3g, focal %.3g; want %.3g, %.3g, 0.001", e.Worst().Radians(), e.Median().Radians(), e.Focal, eps*(n-1)/n, eps/n)
	}

	// Frames that are left out don't count.
	sol := solutionOf(cams)
	sol.Frames[2].Placed = false
	if e := Compare(sol, truth); len(e.Rotation) != len(cams)-1 || !(e.Worst() <= 1e-7) {
		t.Errorf("with the turned frame left out: %+v", e)
	}
}

// spread is the azimuth from one end of the horizon in view to the other.
func spread(cams []geom.Camera) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range cams {
		for _, x := range []float64{0, float64(cams[i].Width)} {
			w, _ := cams[i].WorldFromPixel(geom.Pt{X: x, Y: float64(cams[i].Height) / 2})
			az := math.Atan2(w.X, w.Z)
			lo, hi = math.Min(lo, az), math.Max(hi, az)
		}
	}
	return hi - lo
}
