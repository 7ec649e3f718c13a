package plan

import (
	"math"

	"flatfell.example/geom"
)

// EV is the exposure value log2(N²/t) of an aperture and a time, which at ISO
// 100 is also that of the light it is right for; each doubling of the ISO is
// worth one less.
func EV(fNumber, seconds, iso float64) float64 {
	return math.Log2(fNumber * fNumber / seconds / (iso / 100))
}

// Stretched is the exposure time behind filters of so many stops in all: twice
// as long a stop. The stops of stacked filters add up.
func Stretched(seconds, stops float64) float64 { return seconds * math.Exp2(stops) }

// FilterStops is what the factor on a filter's rim stands for: the nearest
// third of a stop, as makers round the factors themselves (ND15 for 16, ND1000
// for 1024).
func FilterStops(factor float64) float64 { return math.Round(3*math.Log2(factor)) / 3 }

// DensityStops is the same for a filter that is marked with its optical
// density, 0.3 a stop.
func DensityStops(density float64) float64 {
	return math.Round(3*density/math.Log10(2)) / 3
}

// PolariserStops is what a polariser takes: 1.3 to 2 stops, by the light and
// the filter (common practice).
const PolariserStops = 1.5

// Pace is how long the photographer takes.
type Pace struct {
	// ShutterSeconds is the exposure time behind the filters.
	ShutterSeconds float64
	// TimerSeconds is the delay between the release and the exposure.
	TimerSeconds float64
	// TurnSeconds is what turning to the next frame takes until the tripod is
	// still.
	TurnSeconds float64
}

// FrameSeconds is the time from the start of a frame to that of the next, with
// a number of focus slices a frame.
func (p Pace) FrameSeconds(slices int) float64 {
	return float64(slices)*(p.TimerSeconds+p.ShutterSeconds) + p.TurnSeconds
}

// RowSeconds is the time from pressing the release for the first frame to the
// end of the last.
func (p Pace) RowSeconds(frames, slices int) float64 {
	return float64(frames)*p.FrameSeconds(slices) - p.TurnSeconds
}

// SunMoves is the angle by which the sun moves along its path in a time: 15° an
// hour.
func SunMoves(seconds float64) geom.Angle {
	return geom.Angle(seconds) * 15 * geom.Degree / 3600
}

// A day with a fresh breeze under low clouds, for the warning about what moves
// (common practice; both differ tenfold from day to day).
const (
	CloudMetresPerSecond = 10
	CloudHeightM         = 1000
)

// CloudsMove is the angle by which clouds at a height, drifting across the view
// at a speed, move in a time where they stand at an elevation: the nearer to
// the horizon the slower.
func CloudsMove(metresPerSecond, heightM float64, elevation geom.Angle, seconds float64) geom.Angle {
	distance := heightM / math.Sin(float64(elevation))
	return geom.Angle(math.Atan2(metresPerSecond*seconds, distance))
}
