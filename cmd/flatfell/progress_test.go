package main

import (
	"bytes"
	"testing"

	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// TestStagesAreNamed runs the two halves and checks that every stage that
// they report has its words and its share of the bar.
func TestStagesAreNamed(t *testing.T) {
	known := map[string]bool{}
	var sum float64
	for _, s := range stitchStages {
		known[s.name] = true
		sum += s.share
	}
	if sum != barLength {
		t.Errorf("the shares add up to %g of %d", sum, barLength)
	}
	var frames []*stitch.Frame
	for i := range 2 {
		pic, err := rendered(scene.Row{Frames: 2, Width: 300, Height: 450, Seed: 2}, i)
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, stitch.NewFrame(string(rune('a'+i)), pic))
	}
	reported := map[string]bool{"write": true}
	o := stitch.Options{Progress: func(stage string, done float64) {
		if !(done >= 0 && done <= 1) {
			t.Errorf("%s: %g done", stage, done)
		}
		reported[stage] = true
	}}
	sol, err := stitch.Align(t.Context(), frames, o)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stitch.Render(t.Context(), sol, frames, o); err != nil {
		t.Fatal(err)
	}
	for name := range reported {
		if !known[name] {
			t.Errorf("stage %q has no words", name)
		}
	}
	for name := range known {
		if !reported[name] {
			t.Errorf("stage %q was not reported", name)
		}
	}
}

func TestPlainProgress(t *testing.T) {
	var b bytes.Buffer
	p := newProgress(&b, false, stitchStages)
	for _, done := range []float64{0, 0.4, 1} {
		p.report("match", done)
	}
	p.note("3 of 3")
	p.report("write", 0)
	p.end()
	p.report("blend", 0) // too late to be told
	if got, want := b.String(), "flatfell: matching frames\nflatfell: 3 of 3\nflatfell: writing\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	b.Reset()
	p = newProgress(&b, true, stitchStages)
	p.report("match", 0)
	p.note("3 of 3")
	if b.Len() > 0 {
		t.Errorf("quiet, but %q", &b)
	}
}
