package main

import (
	"bytes"
	"strings"
	"testing"

	"flatfell.example/stitch"
)

// TestPreviewSummary: a preview is not taken for the picture; one that needed no
// reducing is the picture.
func TestPreviewSummary(t *testing.T) {
	frame := stitch.FrameSolution{Placed: true, Width: 2000, Height: 3000, FocalPx: 2600}
	frame.CamFromWorld = [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	for _, tt := range []struct {
		scale  float64
		width  int
		small  bool
		says   string
		unsaid string
	}{
		{1300, 2000, true, "try.jpg: a preview of 2000 × 1000 pixels; the full picture has about 4000 × 2000 pixels (8.0 megapixels), 34 × 17 cm in print", "2.0 mega"},
		{2600, 1500, true, "try.jpg: 1500 × 1000 pixels (1.5 megapixels), 13 × 8 cm in print", "preview"},
		{2600, 4000, false, "try.jpg: 4000 × 1000 pixels (4.0 megapixels), 34 × 8 cm in print", "preview"},
	} {
		sol := &stitch.Solution{Frames: []stitch.FrameSolution{frame}, Verdict: stitch.Joined}
		sol.Output = stitch.OutputSolution{File: "try.jpg", Width: tt.width, Height: 1000, PxPerRadian: tt.scale, Surface: "cylinder"}
		var b bytes.Buffer
		s := &stitchCommand{from: "x.json", small: tt.small}
		if err := s.summary(&b, sol); err != nil {
			t.Fatal(err)
		}
		if got := b.String(); !strings.Contains(got, tt.says) || strings.Contains(got, tt.unsaid) {
			t.Errorf("%d pixels wide: %q, want %q", tt.width, got, tt.says)
		}
	}
}
