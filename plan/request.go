package plan

import (
	"fmt"
	"math"
)

// Request is everything that the photographer wants to know about a row. Camera
// and Wish are needed, the rest is optional.
type Request struct {
	Camera Camera
	Wish   Wish
	// Surface is where the picture will be laid out; empty means the cylinder.
	// A plane that can't hold the row is an error.
	Surface Surface
	// FNumber is the engraved f-number; zero leaves focus out of the plan.
	FNumber float64
	// CircleMM is the diameter of blur that counts as sharp; zero means
	// [Camera.CircleMM].
	CircleMM float64
	// NearM is the distance in metres of the nearest thing that must be sharp
	// and join well; zero means not given.
	NearM float64
	// Bracket asks for a focus bracket from NearM to infinity, whose slices
	// meet at the share Meet of the blur that counts as sharp; zero means
	// [DefaultMeet].
	Bracket bool
	Meet    float64
	// PupilOffsetMM is how far the entrance pupil lies from the turning axis,
	// or nothing if PupilUnknown: then two usual cases are told.
	PupilOffsetMM float64
	PupilKnown    bool
	// ShutterSeconds is the exposure time without filters; zero leaves time
	// out of the plan. ISO is noted with it; zero means not known.
	ShutterSeconds, ISO float64
	// FilterStops are those of each filter on the lens.
	FilterStops []float64
	// TimerSeconds and TurnSeconds are the photographer's pace; see [Pace].
	TimerSeconds, TurnSeconds float64
	// WantedHeightPx is a height that shall be left after the crop; zero means
	// not given.
	WantedHeightPx int
}

// DefaultMeet is where the slices of a bracket meet if nothing is said: at
// three quarters of the blur that counts as sharp, so that a hand on the ring
// may miss a little.
const DefaultMeet = 0.75

// Offsets of the entrance pupil in millimetres that are told if none is given:
// a camera screwed straight onto its tripod, and one on a rail set by eye
// (common practice).
const (
	PupilNoRailMM = 60
	PupilRailMM   = 5
)

// Validate reports the first value out of range that neither [Camera.Validate]
// nor [Wish.Row] looks at.
func (q Request) Validate() error {
	for _, v := range []struct {
		what  string
		value float64
		most  float64
		unit  string
	}{
		{"an aperture", q.FNumber, 512, ""},
		{"a blur", q.CircleMM, 1, " mm"},
		{"a near point", q.NearM, 1e6, " m"},
		{"a shutter time", q.ShutterSeconds, 86400, " s"},
		{"an ISO", q.ISO, 1e8, ""},
		{"a timer delay", q.TimerSeconds, 3600, " s"},
		{"a time for turning", q.TurnSeconds, 3600, " s"},
		{"a wanted height", float64(q.WantedHeightPx), 1 << 20, " px"},
	} {
		if !(v.value >= 0 && v.value <= v.most) {
			return fmt.Errorf("plan: %s of %g%s is out of range (0 to %g)", v.what, v.value, v.unit, v.most)
		}
	}
	switch {
	case q.Surface != "" && q.Surface != Cylinder && q.Surface != Plane && q.Surface != Sphere:
		return fmt.Errorf("plan: no surface %q is planned for: give cylinder, plane or sphere", q.Surface)
	case q.Bracket && (q.NearM == 0 || q.FNumber == 0):
		return fmt.Errorf("plan: a focus bracket needs the near point and the aperture")
	case !(math.Abs(q.PupilOffsetMM) <= 1000):
		return fmt.Errorf("plan: an entrance pupil %g mm off the axis is out of range (up to 1 m)", q.PupilOffsetMM)
	}
	total := 0.0
	for _, s := range q.FilterStops {
		if !(s >= 0 && s <= 30) {
			return fmt.Errorf("plan: a filter of %g stops is out of range (0 to 30)", s)
		}
		total += s
	}
	if t := Stretched(q.ShutterSeconds, total); t > 86400 {
		return fmt.Errorf("plan: behind %g stops the exposure would take %.0f hours; check the filters and the shutter time", total, t/3600)
	}
	return nil
}
