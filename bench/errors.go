package bench

import (
	"math"

	"flatfell.example/geom"
	"flatfell.example/stitch"
)

// Errors are how far a solution lies from the cameras with which its frames
// were taken.
type Errors struct {
	// Rotation of each placed frame, left when the rotation common to the row
	// is removed: no picture tells that one, but for the level.
	Rotation []geom.Angle
	// Focal is found over true focal length, less one, of the first placed
	// frame.
	Focal float64
	// Tilt is the angle between the solution's vertical and the true one.
	Tilt geom.Angle
	// Bow is the largest distance of the true horizon, as it would appear in
	// the picture, from the straight line through it, as a share of the row's
	// width. It holds for the cylinder.
	Bow float64
}

// Worst returns the largest error of a rotation.
func (e *Errors) Worst() geom.Angle { return e.rotationQuantile(1) }

// Median returns the median error of a rotation.
func (e *Errors) Median() geom.Angle { return e.rotationQuantile(0.5) }

func (e *Errors) rotationQuantile(share float64) geom.Angle {
	v := make([]float64, len(e.Rotation))
	for i, a := range e.Rotation {
		v[i] = a.Radians()
	}
	return geom.Angle(quantile(v, share))
}

// Compare returns the errors of a solution; truth[i] is the camera that took
// its frame i, in a world that is level. It panics if their numbers differ.
func Compare(sol *stitch.Solution, truth []geom.Camera) Errors {
	if len(truth) != len(sol.Frames) {
		panic("bench: not one true camera a frame")
	}
	var found, want []geom.Camera
	for i := range sol.Frames {
		if f := &sol.Frames[i]; f.Placed {
			found, want = append(found, f.Camera()), append(want, truth[i])
		}
	}
	if len(found) == 0 {
		return Errors{Focal: math.NaN(), Tilt: geom.Angle(math.NaN()), Bow: math.NaN()}
	}
	foundFromTrue := foundFromTrue(sol, truth)
	e := Errors{Focal: found[0].FocalPx/want[0].FocalPx - 1}
	for i := range found {
		r := found[i].CamFromWorld.Mul(foundFromTrue).Mul(want[i].CamFromWorld.Inv())
		e.Rotation = append(e.Rotation, r.Angle())
	}
	down := foundFromTrue.Apply(geom.Vec{Y: 1})
	e.Tilt = geom.Angle(math.Atan2(math.Hypot(down.X, down.Z), down.Y))
	e.Bow = bow(found, want)
	return e
}

// foundFromTrue returns the rotation that takes the true world to the
// solution's, as the placed frames have it in the mean.
func foundFromTrue(sol *stitch.Solution, truth []geom.Camera) geom.Rotation {
	var trueAxes, foundAxes []geom.Vec
	for i := range sol.Frames {
		f := &sol.Frames[i]
		if !f.Placed {
			continue
		}
		found := f.Camera()
		for axis := range 3 {
			trueAxes = append(trueAxes, truth[i].CamFromWorld.Row(axis))
			foundAxes = append(foundAxes, found.CamFromWorld.Row(axis))
		}
	}
	r, _ := geom.FitRotation(trueAxes, foundAxes, nil)
	return r
}

// horizonStep is the distance in radians of the points at which the horizon
// is looked at.
const horizonStep = 0.01

// bow follows the true horizon through the frames onto the solution's
// cylinder.
func bow(found, want []geom.Camera) float64 {
	var theta, h []float64
	for i := range want {
		for az := -math.Pi; az < math.Pi; az += horizonStep {
			p, ok := want[i].PixelFromWorld(geom.Vec{X: math.Sin(az), Z: math.Cos(az)})
			if !ok || !want[i].Contains(p, 0) {
				continue
			}
			if w, ok := found[i].WorldFromPixel(p); ok {
				theta = append(theta, math.Atan2(w.X, w.Z))
				h = append(h, w.Y/math.Hypot(w.X, w.Z))
			}
		}
	}
	n := float64(len(theta))
	if n < 2 {
		return math.NaN()
	}
	var st, sh, stt, sth float64
	for i, t := range theta {
		st, sh, stt, sth = st+t, sh+h[i], stt+t*t, sth+t*h[i]
	}
	slope := (n*sth - st*sh) / (n*stt - st*st)
	var worst float64
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, t := range theta {
		worst = math.Max(worst, math.Abs(h[i]-sh/n-slope*(t-st/n)))
		lo, hi = math.Min(lo, t), math.Max(hi, t)
	}
	return worst / (hi - lo)
}
