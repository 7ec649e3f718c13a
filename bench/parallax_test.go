package bench

import (
	"math"
	"testing"
)

// TestParallax: a row whose near ground shifts by 10 pixels is found, bent and
// measured.
func TestParallax(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a row")
	}
	c := Config{Width: 400, Height: 600}.withDefaults(1, 1, 0, 0)
	pc := parallaxCases()[1]
	row, o := c.parallaxRow(&pc, 1)
	row.Frames = 3
	shots, err := c.photograph(t.Context(), row, o)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.measureParallax(t.Context(), &pc, shots, o.EyeM); err != nil {
		t.Fatal(err)
	}
	if len(pc.Rows) != 1 {
		t.Fatalf("%d rows, %d refused", len(pc.Rows), pc.Refused)
	}
	r := &pc.Rows[0]
	if len(r.Break) != 2 || !(quantile(r.Break, 1) <= 0.5) || !(r.SSIM >= 0.93) {
		t.Errorf("breaks of %.2f px (turned only %.2f), SSIM %.3f", r.Break, r.Turned, r.SSIM)
	}
	if !(quantile(r.Turned, 0) >= 2*quantile(r.Break, 1)) {
		t.Errorf("breaks of %.2f px are no better than %.2f", r.Break, r.Turned)
	}
	if !(math.Abs(r.FoundMM-pc.OffsetMM) <= 0.15*pc.OffsetMM) {
		t.Errorf("found %.1f mm", r.FoundMM)
	}
}

// TestBowOf: a parabola of 2 pixels over 1000.
func TestBowOf(t *testing.T) {
	var u, v []float64
	for x := 0.0; x <= 1000; x += 10 {
		u, v = append(u, x), append(v, 3+0.1*x+2*(1-(x-500)*(x-500)/250000))
	}
	// The line lies a third of the rise below the vertex, two thirds above the ends.
	if b, _, ok := bowOf(u, v); !ok || !(math.Abs(b-4./3) <= 0.05) {
		t.Errorf("bow %v, %v", b, ok)
	}
	if _, _, ok := bowOf(u[:5], v[:5]); ok {
		t.Error("a line of 40 pixels has a bow")
	}
}
