package geom

import (
	"fmt"
	"math"
)

// Angle is an angle in radians. Write constants as 30 * geom.Degree.
type Angle float64

// Units of [Angle].
const (
	Radian Angle = 1
	Degree Angle = math.Pi / 180
)

// Radians returns a in radians.
func (a Angle) Radians() float64 { return float64(a) }

// Degrees returns a in degrees.
func (a Angle) Degrees() float64 { return float64(a / Degree) }

// Wrap returns a plus the multiple of a full turn that brings it into (−π, π].
func (a Angle) Wrap() Angle {
	w := math.Remainder(float64(a), 2*math.Pi)
	if w <= -math.Pi {
		w = math.Pi
	}
	return Angle(w)
}

// String returns a in degrees with two decimals, such as "24.98°".
func (a Angle) String() string { return fmt.Sprintf("%.2f°", a.Degrees()) }
