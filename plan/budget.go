package plan

import (
	"math"

	"flatfell.example/geom"
)

// Kept is what is left of the level row's picture after the crop on a surface,
// when the setup is out of level by t, as a share of its height: of a picture of
// the shape shapeW:shapeH exactly, and of one of any shape, if these are zero, by
// its area, as the width hardly changes on the cylinder and the sphere. On the
// plane, where it is the ends that a lean takes, more of the height is left.
func (r Row) Kept(s Surface, t Tilt, shapeW, shapeH float64) float64 {
	area := func(t Tilt) float64 {
		q := r.Inside(s, t, shapeW, shapeH)
		return q.Width() * q.Height()
	}
	kept := area(t) / area(Tilt{})
	if shapeW > 0 {
		kept = math.Sqrt(kept)
	}
	return kept
}

// maxLean bounds the answers about how far out of level a setup may be: beyond
// it the camera is aimed, not out of level.
const maxLean = 5 * geom.Degree

// LevelEnough returns how far the turning axis may lean, forward or sideways
// (which costs more), for a share of the level row's height to be left, as
// [Row.Kept] reckons it. It is 5° if any lean up to there leaves that much.
func (r Row) LevelEnough(s Surface, shapeW, shapeH, share float64, forward bool) geom.Angle {
	enough := func(a geom.Angle) bool {
		t := Tilt{AxisRoll: a}
		if forward {
			t = Tilt{AxisPitch: a}
		}
		return r.Kept(s, t, shapeW, shapeH) >= share
	}
	lo, hi := geom.Angle(0), maxLean
	if enough(hi) {
		return hi
	}
	for range 12 { // to 0.004°, finer than a bubble
		if m := (lo + hi) / 2; enough(m) {
			lo = m
		} else {
			hi = m
		}
	}
	return lo
}

// ParallaxPx is how far apart two neighbouring frames show a thing on the line
// where one hands over to the other, in pixels, if the entrance pupil lies
// offsetMM before or behind the turning axis and the thing is distanceM from
// the axis:
//
//	2 f atan(r sin a / (D − r cos a)),  a = half the turn
//
// The pivot is the entrance pupil, not a nodal point: Littlefield, "Theory of
// the 'No-Parallax' Point in Panorama Photography", 2006. It is infinite if the
// thing is not farther from the axis than the pupil.
func (r Row) ParallaxPx(offsetMM, distanceM float64) float64 {
	sin, cos := math.Sincos(float64(r.Turn) / 2)
	m := math.Abs(offsetMM) / 1000
	if !(distanceM > m) {
		return math.Inf(1)
	}
	return 2 * r.Camera.FocalPx() * math.Atan2(m*sin, distanceM-m*cos)
}

// NearestM is the inverse of [Row.ParallaxPx]: the smallest distance in metres
// from the axis of a thing that the two frames show at most px apart.
func (r Row) NearestM(offsetMM, px float64) float64 {
	sin, cos := math.Sincos(float64(r.Turn) / 2)
	m := math.Abs(offsetMM) / 1000
	if m == 0 {
		return 0
	}
	return m*cos + m*sin/math.Tan(px/2/r.Camera.FocalPx())
}
