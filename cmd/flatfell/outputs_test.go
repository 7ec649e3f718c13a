package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
)

// untilExists is cancelled as soon as there is a file of that name.
type untilExists struct {
	context.Context
	path string
}

func (u untilExists) Err() error {
	if _, err := os.Lstat(u.path); err == nil {
		return context.Canceled
	}
	return nil
}

// rowOfTwo writes two frames that join into a new folder.
func rowOfTwo(t *testing.T) (dir string) {
	t.Helper()
	dir = t.TempDir()
	for i, name := range []string{"1.png", "2.png"} {
		pic, err := rendered(scene.Row{Frames: 2, Width: 300, Height: 450, Seed: 2}, i)
		if err != nil {
			t.Fatal(err)
		}
		if err := photo.Write(t.Context(), filepath.Join(dir, name), pic, photo.WriteOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// wantEntries checks what a folder holds, hidden files included.
func wantEntries(t *testing.T, dir string, want ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s holds %q, want %q", dir, got, want)
	}
}

// TestInterruptBetweenOutputs: what was written before Ctrl-C stays and is
// named, and so is what was not.
func TestInterruptBetweenOutputs(t *testing.T) {
	if testing.Short() {
		t.Skip("joins a row and renders it twice more")
	}
	frames := rowOfTwo(t)
	found := filepath.Join(t.TempDir(), "found.json")
	var stdout, stderr bytes.Buffer
	if status := run([]string{"stitch", frames, "-o", filepath.Join(t.TempDir(), "row.png"), "--solution", found}, &stdout, &stderr); status != statusDone {
		t.Fatalf("status %d: %s", status, &stderr)
	}
	for _, tt := range []struct {
		after, say string // % stands for the folder
		left       []string
	}{
		{"row.png", "%/row.png is written, but %/small.jpg and %/row.json are not: interrupted", []string{"row.png"}},
		{"small.jpg", "%/row.png and %/small.jpg are written, but %/row.json is not: interrupted", []string{"row.png", "small.jpg"}},
	} {
		t.Run(tt.after, func(t *testing.T) {
			out := t.TempDir()
			stdout.Reset()
			stderr.Reset()
			status := execute(untilExists{t.Context(), filepath.Join(out, tt.after)}, []string{
				"stitch", frames, "-o", filepath.Join(out, "row.png"), "--quiet",
				"--preview", filepath.Join(out, "small.jpg"), "--solution", filepath.Join(out, "row.json"),
			}, &stdout, &stderr)
			want := "flatfell: error: " + inFolder(tt.say, out) + "\n"
			if status != statusFailed || stderr.String() != want || stdout.Len() > 0 {
				t.Errorf("status %d, stdout %q, stderr %q, want %q", status, &stdout, &stderr, want)
			}
			wantEntries(t, out, tt.left...)
			f, err := photo.Open(filepath.Join(out, "row.png"))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := f.Decode(t.Context()); err != nil {
				t.Errorf("the picture is not whole: %v", err)
			}
		})
	}
}

// inFolder is say with dir for %.
func inFolder(say, dir string) string {
	return strings.ReplaceAll(filepath.FromSlash(say), "%", dir)
}

// TestWriteAll: outputs that are not asked for are not told, and what fails
// first is no *unfinished.
func TestWriteAll(t *testing.T) {
	errDisk := errors.New("disk full.")
	var done []string
	ok := func(path string) output {
		return output{path, func() error { done = append(done, path); return nil }}
	}
	bad := output{"c", func() error { return errDisk }}
	unasked := output{"", func() error { t.Error("an output without a name is written"); return nil }}
	for _, tt := range []struct {
		outputs []output
		say     string
	}{
		{[]output{ok("a"), unasked, ok("b")}, ""},
		{[]output{unasked, bad, ok("b")}, "disk full."},
		{[]output{ok("a"), bad, unasked}, "a is written, but c is not: disk full"},
		{[]output{ok("a"), unasked, ok("b"), bad, unasked, ok("d")}, "a and b are written, but c and d are not: disk full"},
		{[]output{ok("a"), {"b", func() error { return after([]string{"b"}, []string{"d"}, errDisk) }}, ok("d"), ok("e")}, "a and b are written, but d and e are not: disk full"},
	} {
		err := writeAll(tt.outputs)
		if (err == nil) != (tt.say == "") || err != nil && (err.Error() != tt.say || !errors.Is(err, errDisk)) {
			t.Errorf("error %v, want %q", err, tt.say)
		}
	}
	if want := "a b a a b a"; strings.Join(done, " ") != want {
		t.Errorf("written %q, want %q", done, want)
	}
}
