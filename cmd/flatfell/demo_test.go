package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// TestDemo runs the demonstration with small frames.
func TestDemo(t *testing.T) {
	defer func(row scene.Row) { demoRow = row }(demoRow)
	demoRow.Frames, demoRow.Width, demoRow.Height = 3, 300, 450
	dir := filepath.Join(t.TempDir(), "demo")
	var stdout, stderr bytes.Buffer
	if status := run([]string{"demo", dir}, &stdout, &stderr); status != statusDone {
		t.Fatalf("status %d: %s", status, &stderr)
	}
	told := regexp.MustCompile(`rotations off by (0\.0\d+)° at most, the vertical by (\d\.\d+)°,\nthe focal length by [+-]0\.\d+ %`)
	if !told.Match(stdout.Bytes()) {
		t.Errorf("stdout %q does not match %v", &stdout, told)
	}
	for i, name := range []string{"coast-1.jpg", "coast-2.jpg", "coast-3.jpg"} {
		f, err := photo.Open(filepath.Join(dir, "frames", name))
		if err != nil || f.Width != 300 || f.Height != 450 {
			t.Errorf("frame %d: %+v, %v", i, f, err)
		}
	}
	var truth scene.Truth
	readJSON(t, filepath.Join(dir, "truth.json"), &truth)
	var sol stitch.Solution
	readJSON(t, filepath.Join(dir, "solution.json"), &sol)
	if worst, tilt := rotationErrors(&sol, &truth); !(worst < 0.1*geom.Degree) || !(tilt < 2*geom.Degree) {
		t.Errorf("rotations off by %v, vertical by %v", worst, tilt)
	}
	if truth.Frames[1].File != "frames/coast-2.jpg" {
		t.Errorf("the truth calls frame 2 %q", truth.Frames[1].File)
	}

	// The folder is in use now.
	stdout.Reset()
	if status := run([]string{"demo", dir}, &stdout, &stderr); status != statusFailed || stdout.Len() > 0 {
		t.Errorf("again: status %d, stdout %q", status, &stdout)
	}

	// Used once more on request, with one frame less than what is there.
	demoRow.Frames = 2
	if status := run([]string{"demo", dir, "--overwrite"}, &stdout, &stderr); status != statusDone || !bytes.Contains(stdout.Bytes(), []byte("2 of 2 frames")) {
		t.Errorf("with --overwrite: status %d, stdout %q, stderr %q", status, &stdout, &stderr)
	}
}

// TestRotationErrors: a common rotation is no error but for its tilt, one
// frame's own is.
func TestRotationErrors(t *testing.T) {
	truth := scene.New(1, scene.Options{}).Plan(scene.Row{Frames: 4})
	tilt := geom.Exp(geom.Vec{X: 0.01}).Mul(geom.Exp(geom.Vec{Y: 0.3}))
	sol := &stitch.Solution{Frames: make([]stitch.FrameSolution, 4)}
	for i := range sol.Frames {
		r := truth.Frames[i].Camera.CamFromWorld.Mul(tilt)
		for k := range 3 {
			copy(sol.Frames[i].CamFromWorld[k][:], r[3*k:3*k+3])
		}
	}
	const tol = 1e-7 // an angle from the trace of a matrix near the identity
	if worst, got := rotationErrors(sol, &truth); !(worst < tol) || !(max(got-0.01, 0.01-got) < tol) {
		t.Errorf("worst %g, tilt %g; want 0 and 0.01", worst, got)
	}
	r := geom.Exp(geom.Vec{Z: 0.02}).Mul(truth.Frames[2].Camera.CamFromWorld.Mul(tilt))
	for k := range 3 {
		copy(sol.Frames[2].CamFromWorld[k][:], r[3*k:3*k+3])
	}
	// A quarter of one frame's error goes into what is common to the four.
	if worst, _ := rotationErrors(sol, &truth); !(worst > 0.0149 && worst < 0.0151) {
		t.Errorf("worst %g, want 0.015", worst)
	}
}

func readJSON(t *testing.T, path string, v any) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(b, v)
	}
	if err != nil {
		t.Fatal(err)
	}
}
