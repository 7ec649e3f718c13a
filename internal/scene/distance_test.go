package scene

import (
	"math"
	"testing"

	"flatfell.example/geom"
)

func TestDistance(t *testing.T) {
	s := New(4, Options{EyeM: 0.5, Stakes: 9, NearM: 1})
	down := geom.Vec{Y: 0.5, Z: math.Sqrt(0.75)}
	if d := s.Distance(geom.Vec{}, geom.Vec{Y: 3}, 1e-3); !(math.Abs(d-0.5) <= 1e-6) {
		t.Errorf("straight down: %v", d)
	}
	if d := s.Distance(geom.Vec{Y: 0.1}, down, 1e-3); !(math.Abs(d-0.8) <= 1e-9) {
		t.Errorf("30° down from 0.1 m lower: %v", d)
	}
	if d := s.Distance(geom.Vec{}, geom.Vec{Y: -1, Z: 0.1}, 1e-3); !math.IsInf(d, 1) {
		t.Errorf("the sky: %v", d)
	}
	// The stakes keep their distance, and the nearest is seen where it stands.
	nearest := s.Posts()[0]
	if d := math.Hypot(nearest.X, nearest.Z); !(d >= 1 && d <= 2) {
		t.Errorf("the nearest stake is %v m away", d)
	}
	at := geom.Vec{X: nearest.X, Y: 0.5 - 0.6*nearest.Height, Z: nearest.Z}
	want := math.Hypot(math.Hypot(nearest.X, nearest.Z), at.Y)
	if d := s.Distance(geom.Vec{}, at, 1e-3); !(math.Abs(d-want) <= 2*nearest.Radius) {
		t.Errorf("the stake: %v, want %v", d, want)
	}
}
