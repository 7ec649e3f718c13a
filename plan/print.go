package plan

import (
	"fmt"
	"math"

	"flatfell.example/geom"
)

const (
	// Acuity is the smallest angle that a good eye tells apart: one arcminute.
	Acuity = geom.Degree / 60
	// ArmCM is the distance of a print in the hand: 60 cm (common practice).
	ArmCM  = 60
	inchCM = 2.54
)

// PPIAt is the resolution in pixels an inch from which on an eye that tells
// apart an angle can't see the pixels at a distance: 3438 / inches at one
// arcminute.
func PPIAt(distanceCM float64, eye geom.Angle) float64 {
	return inchCM / (distanceCM * math.Tan(float64(eye)))
}

// DistanceCM is the inverse of [PPIAt].
func DistanceCM(ppi float64, eye geom.Angle) float64 {
	return inchCM / (ppi * math.Tan(float64(eye)))
}

// PrintCM is the length in print of a number of pixels.
func PrintCM(px, ppi float64) float64 { return px / ppi * inchCM }

// SheetPx is the number of pixels along a length of paper.
func SheetPx(mm, ppi float64) float64 { return mm / 10 / inchCM * ppi }

// Sheet returns the sides of the sheet An of ISO 216 in millimetres: A0 has a
// square metre with sides as 1 to √2, each further one is the last cut in half,
// rounded down.
func Sheet(n int) (shortMM, longMM int) {
	shortMM, longMM = 841, 1189
	for range n {
		shortMM, longMM = longMM/2, shortMM
	}
	return shortMM, longMM
}

// maxSheet is the smallest sheet, A10.
const maxSheet = 10

// LargestSheet names the largest A sheet of ISO 216 that a picture covers to
// all edges at a resolution, cropped to the sheet's shape; ok is false if it
// does not even cover the smallest.
func LargestSheet(widthPx, heightPx, ppi float64) (name string, ok bool) {
	long, short := max(widthPx, heightPx), min(widthPx, heightPx)
	for n := range maxSheet + 1 {
		s, l := Sheet(n)
		if short >= math.Floor(SheetPx(float64(s), ppi)) && long >= math.Floor(SheetPx(float64(l), ppi)) {
			return fmt.Sprintf("A%d", n), true
		}
	}
	return "", false
}

// ViewingCM returns the range of distances from which a picture is looked at as
// a whole, 1.5 to 2 times its diagonal (common practice).
func ViewingCM(widthCM, heightCM float64) (from, to float64) {
	d := math.Hypot(widthCM, heightCM)
	return 1.5 * d, 2 * d
}
