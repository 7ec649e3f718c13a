package scene

import (
	"math"
	"testing"

	"flatfell.example/geom"
)

// TestLens: what lies at the distance of focus keeps its detail, and what does
// not loses it; a shake takes the detail along its direction only.
func TestLens(t *testing.T) {
	s := New(2, Options{Clouds: -1, NoHorizon: true})
	plan := s.Plan(Row{Frames: 1, Width: 90, Height: 120, FocalPx: 180, Pitch: -14 * geom.Degree})
	// energy returns the squared differences along x and y of the lower half,
	// the sand some metres away.
	energy := func(l Lens) (along, down float64) {
		plan.Frames[0].Lens = l
		pic, err := s.Frame(t.Context(), 0, &plan, 0)
		if err != nil {
			t.Fatal(err)
		}
		for y := 70; y < 119; y++ {
			a, b := pic.Row(y), pic.Row(y+1)
			for x := range 89 {
				along += math.Pow(float64(a[3*x+4])-float64(a[3*x+1]), 2)
				down += math.Pow(float64(b[3*x+1])-float64(a[3*x+1]), 2)
			}
		}
		return along, down
	}
	sharpX, sharpY := energy(Lens{})
	focused, _ := energy(Lens{ApertureM: 0.03, FocusM: 5.5})
	near, _ := energy(Lens{ApertureM: 0.15, FocusM: 1})
	if !(focused > 0.6*sharpX) || !(near < 0.4*sharpX) {
		t.Errorf("detail %.3g, focused on it %.3g, before it %.3g", sharpX, focused, near)
	}
	// About the vertical axis the camera sweeps along x.
	x, y := energy(Lens{Shake: geom.Vec{Y: 6.0 / 180}})
	if !(x < 0.4*sharpX) || !(y/sharpY > 1.5*x/sharpX) {
		t.Errorf("detail left after a shake along x: %.2f in x, %.2f in y", x/sharpX, y/sharpY)
	}
}
