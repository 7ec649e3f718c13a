package plan

import (
	"errors"
	"fmt"
	"math"

	"flatfell.example/geom"
)

// Diagonal35MM is the diagonal of the 36 × 24 mm frame.
var Diagonal35MM = math.Hypot(36, 24)

// Camera is one lens before one sensor, and how it is held.
type Camera struct {
	// FocalMM is the focal length in millimetres.
	FocalMM float64
	// LongMM and ShortMM are the sides of the sensor in millimetres, LongPx
	// and ShortPx those of a frame in pixels.
	LongMM, ShortMM float64
	LongPx, ShortPx int
	// Portrait says that the short side lies along the row.
	Portrait bool
}

// Validate reports the first value that no camera has.
func (c Camera) Validate() error {
	switch {
	case !(c.FocalMM > 0) || c.FocalMM > 1e5:
		return fmt.Errorf("plan: a focal length of %g mm: give it above zero, such as 23mm", c.FocalMM)
	case !(c.ShortMM > 0) || !(c.LongMM >= c.ShortMM) || c.LongMM > 1000:
		return fmt.Errorf("plan: a sensor of %g × %g mm: give both sides above zero, the longer first, such as 23.5x15.6", c.LongMM, c.ShortMM)
	case c.ShortPx < 1 || c.LongPx < c.ShortPx || c.LongPx > 1<<20:
		return fmt.Errorf("plan: frames of %d × %d pixels: give both sides above zero, the longer first, such as 6240x4160", c.LongPx, c.ShortPx)
	}
	// Sensors are quoted to a tenth of a millimetre, and some pixels at the
	// rim are not used: 23.5 × 15.6 mm for 3:2.
	if r := c.LongMM / c.ShortMM / (float64(c.LongPx) / float64(c.ShortPx)); !(math.Abs(r-1) <= 0.03) {
		return fmt.Errorf("plan: the sensor's sides are as %.3f to 1, those of the frame in pixels as %.3f: one of the two is wrong, or the frame is cropped",
			c.LongMM/c.ShortMM, float64(c.LongPx)/float64(c.ShortPx))
	}
	// Beyond this a frame is no flat picture any more; geom trusts no ray there.
	if a := c.Across(); a/2 > geom.MaxViewAngle {
		return fmt.Errorf("plan: a frame that sees %.0f° across is that of no flat-field lens; check the focal length and the sensor", a.Degrees())
	}
	return nil
}

// acrossMM is the side of the sensor that lies along the row.
func (c Camera) acrossMM() float64 {
	if c.Portrait {
		return c.ShortMM
	}
	return c.LongMM
}

func (c Camera) upMM() float64 { return c.LongMM + c.ShortMM - c.acrossMM() }

// Width is a frame's width in pixels as the camera is held.
func (c Camera) Width() int {
	if c.Portrait {
		return c.ShortPx
	}
	return c.LongPx
}

// Height is the frame's height in pixels as the camera is held.
func (c Camera) Height() int { return c.LongPx + c.ShortPx - c.Width() }

// FocalPx is the focal length in pixels, by the side that lies along the row.
func (c Camera) FocalPx() float64 { return c.FocalMM / c.acrossMM() * float64(c.Width()) }

// PitchMM is the distance of two pixels on the sensor.
func (c Camera) PitchMM() float64 { return c.acrossMM() / float64(c.Width()) }

// Across is the angle of view of a frame along the row, see [ViewAngle].
func (c Camera) Across() geom.Angle { return ViewAngle(c.acrossMM(), c.FocalMM) }

// Up is the angle of view of a frame's height.
func (c Camera) Up() geom.Angle { return ViewAngle(c.upMM(), c.FocalMM) }

// Diagonal is the angle of view from corner to corner.
func (c Camera) Diagonal() geom.Angle { return ViewAngle(c.diagonalMM(), c.FocalMM) }

func (c Camera) diagonalMM() float64 { return math.Hypot(c.LongMM, c.ShortMM) }

// Held returns the camera held upright or across.
func (c Camera) Held(portrait bool) Camera {
	c.Portrait = portrait
	return c
}

// EquivalentMM is the focal length that sees the same from corner to corner on
// 36 × 24 mm: the rule of equal diagonals of CIPA DCG-001.
func (c Camera) EquivalentMM() float64 { return c.FocalMM * Diagonal35MM / c.diagonalMM() }

// CircleMM is the diameter of blur on the sensor that still counts as sharp if
// nothing else is asked for: the diagonal / 1440 (common practice; the rule of
// Exif viewers).
func (c Camera) CircleMM() float64 { return c.diagonalMM() / 1440 }

// ViewAngle is the angle at which a length on the sensor is seen, 2 atan(d/2f).
func ViewAngle(sideMM, focalMM float64) geom.Angle {
	return geom.Angle(2 * math.Atan2(sideMM/2, focalMM))
}

// FocalFor is the inverse of [ViewAngle]: the focal length at which a side of
// the sensor sees an angle below a half turn.
func FocalFor(sideMM float64, view geom.Angle) float64 {
	return sideMM / 2 / math.Tan(float64(view)/2)
}

// AsWideAs is the horizontal angle of view of a focal length on 36 × 24 mm held
// across: what "as wide as 14 mm" means.
func AsWideAs(focalMM float64) geom.Angle { return ViewAngle(36, focalMM) }

// FromEquivalent is the camera of which only the 35 mm equivalent is known: its
// angles and pixels are right, its focal length and sensor those of a full
// frame of its shape, so that nothing may be concluded for depth of field.
func FromEquivalent(equivalentMM float64, longPx, shortPx int) Camera {
	return FromFocalPx(equivalentMM, equivalentMM/Diagonal35MM*math.Hypot(float64(longPx), float64(shortPx)), longPx, shortPx)
}

// FromFocalPx is the camera of a focal length that is known in millimetres and
// in pixels of a frame of that size.
func FromFocalPx(focalMM, focalPx float64, longPx, shortPx int) Camera {
	pitch := focalMM / focalPx
	return Camera{
		FocalMM: focalMM, LongMM: pitch * float64(longPx), ShortMM: pitch * float64(shortPx),
		LongPx: longPx, ShortPx: shortPx, Portrait: true,
	}
}

// errNaN guards numbers that came from division of what was asked for.
var errNaN = errors.New("plan: these numbers have no answer; check them for zeros")
