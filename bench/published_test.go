package bench

import (
	"math"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/shareddata"
)

// TestPublished holds the quarter-size frames of the set to the homographies
// published for the full ones.
func TestPublished(t *testing.T) {
	if testing.Short() {
		t.Skip("joins six frames")
	}
	res, err := Published(t.Context(), Config{}, []string{shareddata.Dir(t, "rows/goldengate-quarter", "frames")})
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range res.Bars() {
		if !b.OK() {
			t.Errorf("%s: %g%s, at most %g", b.What, b.Found, b.Unit, b.Limit)
		}
	}
	for m := range res.Pairs {
		limit := 1.0
		if m == 0 {
			limit = 1.5 // the published one is itself 0.92 px from any rotation
		}
		if worst := res.Pairs[m].WorstPx; !(worst <= limit) {
			t.Errorf("pair %d: %.2f px from the published homography in the overlap", m, worst)
		}
	}
}

// TestPublishedHomographies: the closed form of Szeliski & Shum, "Creating Full
// View Panoramic Image Mosaics and Environment Maps", SIGGRAPH 1997 (from
// memory), gives the focal length of the published matrices within 3 % and
// their turns within 0.15°: the figures that Published compares with are
// in the matrices.
func TestPublishedHomographies(t *testing.T) {
	var focals []float64
	for _, pub := range measure.Goldengate {
		h := pub.Centred()
		// For a turn about the vertical alone the other two forms are 0/0.
		f0 := (h[5]*h[5] - h[2]*h[2]) / (h[0]*h[0] + h[1]*h[1] - h[3]*h[3] - h[4]*h[4])
		f1 := (h[1]*h[1] + h[4]*h[4] - h[0]*h[0] - h[3]*h[3]) / (h[6]*h[6] - h[7]*h[7])
		focals = append(focals, math.Sqrt(math.Sqrt(f0*f1)))
	}
	var f float64
	for _, v := range focals {
		f += v / float64(len(focals))
	}
	if !(math.Abs(f/measure.GoldengateFocalPx-1) <= 0.03) {
		t.Errorf("focal length %.0f px of %.0f, want %g within 3 %%", f, focals, measure.GoldengateFocalPx)
	}
	lens := geom.Camera{FocalPx: f}
	ray := func(p geom.Pt) geom.Vec {
		v, _ := lens.RayFromPixel(p)
		return v
	}
	for m, pub := range measure.Goldengate {
		// The rotation that fits the homography best where both frames see.
		h := pub.Centred()
		var inN, inM []geom.Vec
		for y := -450.0; y <= 450; y += 50 {
			for x := -300.0; x <= 300; x += 50 {
				w := h[6]*x + h[7]*y + h[8]
				q := geom.Pt{X: (h[0]*x + h[1]*y + h[2]) / w, Y: (h[3]*x + h[4]*y + h[5]) / w}
				if math.Abs(q.X) <= 300 && math.Abs(q.Y) <= 450 {
					inN = append(inN, ray(geom.Pt{X: x, Y: y}))
					inM = append(inM, ray(q))
				}
			}
		}
		mFromN, _ := geom.FitRotation(inN, inM, nil)
		if yaw := mFromN.Log().Y / geom.Degree.Radians(); !(math.Abs(yaw-pub.YawDeg) <= 0.15) {
			t.Errorf("pair %d: turned by %.2f°, want %.2f", m, yaw, pub.YawDeg)
		}
	}
}
