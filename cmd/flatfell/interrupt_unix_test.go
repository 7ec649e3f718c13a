//go:build unix

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
)

// interrupter is a standard error that presses Ctrl-C when a line begins with
// trigger.
type interrupter struct {
	bytes.Buffer
	trigger string
}

func (i *interrupter) Write(p []byte) (int, error) {
	if i.trigger != "" && strings.HasPrefix(string(p), i.trigger) {
		i.trigger = ""
		if err := syscall.Kill(os.Getpid(), syscall.SIGINT); err != nil {
			return 0, err
		}
	}
	return i.Buffer.Write(p)
}

// TestInterrupt interrupts a run as each of its stages begins: it ends with
// status 1 and a word, and leaves no file.
func TestInterrupt(t *testing.T) {
	dir := t.TempDir()
	frames := filepath.Join(dir, "frames")
	if err := os.Mkdir(frames, 0o777); err != nil {
		t.Fatal(err)
	}
	row := scene.Row{Frames: 2, Width: 300, Height: 450, Seed: 2}
	for i, name := range []string{"1.png", "2.png"} {
		pic, err := rendered(row, i)
		if err != nil {
			t.Fatal(err)
		}
		if err := photo.Write(t.Context(), filepath.Join(frames, name), pic, photo.WriteOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	for _, s := range stitchStages {
		t.Run(s.name, func(t *testing.T) {
			out := t.TempDir()
			var stdout bytes.Buffer
			stderr := &interrupter{trigger: "flatfell: " + s.words}
			status := run([]string{
				"stitch", frames, "-o", filepath.Join(out, "row.png"),
				"--solution", filepath.Join(out, "row.json"), "--preview", filepath.Join(out, "row.jpg"),
			}, &stdout, stderr)
			if status != statusFailed || !strings.HasSuffix(stderr.String(), "flatfell: error: interrupted\n") || stdout.Len() > 0 {
				t.Errorf("status %d, stdout %q, stderr %q", status, &stdout, stderr)
			}
			left, err := os.ReadDir(out)
			if err != nil || len(left) > 0 {
				t.Errorf("left behind: %v %v", left, err)
			}
		})
	}
}
