package photo

import "math"

// diagonal35 is the diagonal in millimetres of the 24 × 36 mm frame, the
// reference of the 35 mm equivalent (CIPA DCG-001: equal diagonal angle).
const diagonal35 = 43.2666

// Where [Meta.FocalPx] takes a focal length from.
const (
	FromFocalPlane = "focal plane resolution"
	From35MM       = "35 mm equivalent"
)

// FocalPx returns the focal length in pixels of a picture of the given size
// that shows the whole of what the camera recorded, at whatever scale; either
// order of the sides gives the same.
//
// It follows from FocalMM and the sensor, which is source [FromFocalPlane];
// or from Focal35MM by the rule of equal diagonal angles, [From35MM]. If both
// are known and differ by more than 35 mm equivalents are rounded, the latter
// wins: programs that scale a photograph often leave the resolution behind.
// ok is false if the metadata has neither.
func (m Meta) FocalPx(width, height int) (px float64, source string, ok bool) {
	if width < 1 || height < 1 {
		return 0, "", false
	}
	var plane, eq float64
	if m.FocalMM > 0 && m.SensorLongMM > 0 {
		plane = m.FocalMM / m.SensorLongMM * float64(max(width, height))
	}
	if m.Focal35MM > 0 {
		eq = m.Focal35MM / diagonal35 * math.Hypot(float64(width), float64(height))
	}
	switch {
	case plane > 0 && (eq == 0 || math.Abs(plane/eq-1) <= 0.05+0.5/m.Focal35MM):
		return plane, FromFocalPlane, true
	case eq > 0:
		return eq, From35MM, true
	}
	return 0, "", false
}

// sensorLong returns the longer side in millimetres of the sensor area that
// the picture shows, 0 if unknown or not plausible.
//
// The focal plane resolution counts the pixels of the picture as recorded. A
// program that scales a picture keeps it but changes the size fields, so the
// largest size on record is taken; one that crops makes it useless.
func sensorLong(tags map[string]any, h header) float64 {
	x, y := number(tags["FocalPlaneXResolution"]), number(tags["FocalPlaneYResolution"])
	if y == 0 {
		y = x
	}
	if !(x > 0) || !(math.Abs(x/y-1) <= 0.05) { // square pixels
		return 0
	}
	unit := 25.4
	switch number(tags["FocalPlaneResolutionUnit"]) {
	case 3: // centimetre
		unit = 10
	case 4: // millimetre, outside Exif; common practice
		unit = 1
	}
	long, short := sides(float64(h.size.X), float64(h.size.Y))
	wholeLong, wholeShort := long, short
	for _, prefix := range []string{"ExifImage", "RelatedImage"} {
		l, s := sides(number(tags[prefix+"Width"]), number(tags[prefix+"Height"]))
		if s > 0 && l > wholeLong {
			wholeLong, wholeShort = l, s
		}
	}
	if !(math.Abs(wholeLong/wholeShort/(long/short)-1) <= 0.02) { // cropped
		return 0
	}
	mm := wholeLong * unit / x
	diagonal := math.Hypot(mm, wholeShort*unit/x)
	// From the smallest sensors of telephones to medium format; from memory.
	if !(diagonal >= 3.5 && diagonal <= 80) {
		return 0
	}
	return mm
}

func sides(w, h float64) (long, short float64) { return max(w, h), min(w, h) }
