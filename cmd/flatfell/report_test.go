package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// TestTilesBeside: the tiles of a large picture lie beside the page, take the place
// of old ones only, and an interrupted run leaves all as it was.
func TestTilesBeside(t *testing.T) {
	if testing.Short() {
		t.Skip("joins a row")
	}
	var frames []*stitch.Frame
	for i := range 2 {
		pic, err := rendered(scene.Row{Frames: 2, Width: 300, Height: 450, Seed: 2}, i)
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, stitch.NewFrame([]string{"1.png", "2.png"}[i], pic))
	}
	sol, err := stitch.Align(t.Context(), frames, stitch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	pic, err := stitch.Finish(t.Context(), sol, frames, stitch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer pic.Close()
	dir := t.TempDir()
	beside := filepath.Join(dir, "a b-tiles")
	if err := os.Mkdir(beside, 0o777); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"77-3.jpg", "mine.txt"} {
		if err := os.WriteFile(filepath.Join(beside, name), []byte("old"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	s := &stitchCommand{report: filepath.Join(dir, "a b.html"), overwrite: true}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.writeReport(ctx, sol, frames, pic, stitch.Options{}, 0); err == nil {
		t.Error("no error when interrupted")
	}
	wantEntries(t, dir, "a b-tiles")
	wantEntries(t, beside, "77-3.jpg", "mine.txt")
	if err := s.writeReport(t.Context(), sol, frames, pic, stitch.Options{}, 0); err != nil {
		t.Fatal(err)
	}
	wantEntries(t, dir, "a b-tiles", "a b.html")
	wantEntries(t, beside, "0-0.jpg", "mine.txt")
	page, err := os.ReadFile(s.report)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), `a%20b-tiles/0-0.jpg`) && !strings.Contains(string(page), `a%20b-tiles\/0-0.jpg`) {
		t.Error("the page does not name its tiles")
	}
}
