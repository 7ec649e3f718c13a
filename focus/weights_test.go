package focus

import (
	"image"
	"math"
	"testing"

	"flatfell.example/blend"
)

// TestWeights: the shares of all slices sum to one; where only one has a part its
// share is one; a straight border between two slices has half of each on it, and the
// step is as wide as the spline says; tiles give what the whole gives.
func TestWeights(t *testing.T) {
	const cell = 4
	labels := &blend.Labels{Rect: image.Rect(0, 0, 12, 8), Cell: cell, L: make([]int16, 12*8)}
	for i := range labels.L {
		if i%12 >= 6 {
			labels.L[i] = 2
		}
	}
	labels.L[0] = 1 // in a corner
	whole := image.Rect(0, 0, 12*cell, 8*cell)
	var w [3]weights
	for k := range w {
		if !w[k].of(labels, k, whole) {
			t.Fatalf("slice %d has no weight", k)
		}
	}
	at := func(k, x, y int) float64 { return float64(w[k].at[y*whole.Dx()+x]) }
	for y := range whole.Dy() {
		for x := range whole.Dx() {
			if sum := at(0, x, y) + at(1, x, y) + at(2, x, y); !(math.Abs(sum-1) < 1e-6) {
				t.Fatalf("at %d, %d the weights sum to %v", x, y, sum)
			}
		}
	}
	if v := at(2, 40, 20); !(math.Abs(v-1) < 1e-6) {
		t.Errorf("deep in its own part slice 2 has %v", v)
	}
	if l, r := at(2, 23, 20), at(2, 24, 20); !(math.Abs(l+r-1) < 1e-6) || !(r > 0.5) {
		t.Errorf("beside the border slice 2 has %v and %v", l, r)
	}
	// At a cell's middle the spline is (1 4 1)/6, half a pixel away nearly so.
	if v := at(2, 22, 20) + at(2, 21, 20); !(math.Abs(v/2-1./6) < 0.01) {
		t.Errorf("half a cell before the border slice 2 has %v, want about 1/6", v/2)
	}
	var tile weights
	part := image.Rect(19, 3, 33, 11)
	tile.of(labels, 2, part)
	for y := part.Min.Y; y < part.Max.Y; y++ {
		for x := part.Min.X; x < part.Max.X; x++ {
			if v := tile.at[(y-part.Min.Y)*part.Dx()+x-part.Min.X]; float64(v) != at(2, x, y) {
				t.Fatalf("at %d, %d a tile has %v, the whole %v", x, y, v, at(2, x, y))
			}
		}
	}
	if tile.of(labels, 1, image.Rect(24, 16, 30, 30)) || tile.at[0] != 0 {
		t.Error("far from its cell slice 1 has weight")
	}
}
