package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"flatfell.example/bench"
	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// TestDemo runs the demonstration with small frames.
func TestDemo(t *testing.T) {
	if testing.Short() {
		t.Skip("renders five frames and joins twice")
	}
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
	if e := bench.Compare(&sol, truth.Cameras()); !(e.Worst() < 0.1*geom.Degree) || !(e.Tilt < 2*geom.Degree) {
		t.Errorf("rotations off by %v, vertical by %v", e.Worst(), e.Tilt)
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

// TestDemoInterrupted: Ctrl-C leaves whole files and names them.
func TestDemoInterrupted(t *testing.T) {
	defer func(row scene.Row) { demoRow = row }(demoRow)
	demoRow.Frames, demoRow.Width, demoRow.Height = 2, 60, 90
	for _, tt := range []struct {
		after, say string // % stands for the folder
	}{
		{"frames/coast-1.jpg", "%/frames/coast-1.jpg is written, but %/frames/coast-2.jpg, %/truth.json, %/row.jpg, %/small.jpg and %/solution.json are not: interrupted"},
		{"truth.json", "%/frames/coast-1.jpg, %/frames/coast-2.jpg and %/truth.json are written, but %/row.jpg, %/small.jpg and %/solution.json are not: interrupted"},
	} {
		dir := filepath.Join(t.TempDir(), "demo")
		var stdout, stderr bytes.Buffer
		status := execute(untilExists{t.Context(), filepath.Join(dir, tt.after)}, []string{"demo", dir, "--quiet"}, &stdout, &stderr)
		if want := "flatfell: error: " + inFolder(tt.say, dir) + "\n"; status != statusFailed || stderr.String() != want || stdout.Len() > 0 {
			t.Errorf("status %d, stdout %q, stderr %q, want %q", status, &stdout, &stderr, want)
		}
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
