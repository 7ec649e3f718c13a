package scene

import (
	"math"

	"flatfell.example/geom"
)

// Lens is what makes a frame less than sharp. The zero value is a pinhole held
// still.
type Lens struct {
	// ApertureM is the diameter of the entrance pupil in metres; zero means a
	// pinhole. What lies at a distance of z metres along the optical axis is
	// blurred to a disc of ApertureM·|1/z − 1/FocusM| radians. Small frames
	// need a larger pupil than a camera has to show a blur of some pixels.
	ApertureM float64
	// FocusM is the distance in metres that is sharp; zero means infinity.
	FocusM float64
	// Shake is the rotation vector, in radians in the camera frame, by which
	// the camera turns at a steady speed while the shutter is open.
	Shake geom.Vec
}

// lensRays is the number of rays a sample through a [Lens]. Each sample of a
// pixel has others, so that 2 × 2 make four times as many.
const lensRays = 8

// throughLens returns the mean colour of what the lens of frame f gathers from
// the direction v, in the camera frame with z = 1, at the place (x, y).
func (s *Scene) throughLens(f *FrameTruth, worldFromCam geom.Rotation, v geom.Vec, x, y, foot, edge float64) rgb {
	focus := 0.0
	if f.Lens.FocusM > 0 {
		focus = 1 / f.Lens.FocusM
	}
	// A start of its own for each place on the sensor, the same in every run.
	turn := unit(hash2(int32(4*x), int32(4*y), 0x6c656e73))
	var sum rgb
	for k := range lensRays {
		// The sunflower spiral of Vogel (Math. Biosciences 44, 1979).
		t := (float64(k) + turn) / lensRays
		r, a := math.Sqrt(t)*f.Lens.ApertureM/2, 2.399963*float64(k)+2*math.Pi*turn
		at := geom.Vec{X: r * math.Cos(a), Y: r * math.Sin(a)}
		d := geom.Vec{X: v.X - at.X*focus, Y: v.Y - at.Y*focus, Z: v.Z}
		w := worldFromCam
		if f.Lens.Shake != (geom.Vec{}) {
			// The shutter's time runs through its own order: else the aperture's
			// rim would see its end only.
			m := math.Mod(float64(5*k)/lensRays+turn, 1) - 0.5
			w = worldFromCam.Mul(geom.Exp(geom.Vec{X: m * f.Lens.Shake.X, Y: m * f.Lens.Shake.Y, Z: m * f.Lens.Shake.Z}))
		}
		o := w.Apply(at)
		o.X, o.Y, o.Z = o.X+f.Origin.X, o.Y+f.Origin.Y, o.Z+f.Origin.Z
		sum = sum.add(s.shade(o, w.Apply(d), foot, edge, f.Seconds))
	}
	return sum.scale(1.0 / lensRays)
}
