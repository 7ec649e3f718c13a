package photo

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// breaksOff is content that fails when half is written.
type breaksOff struct{}

func (breaksOff) WriteTo(w io.Writer) (int64, error) {
	n, _ := w.Write([]byte("ha"))
	return int64(n), errors.New("broke off")
}

// TestWriteWhole: a file appears whole or not at all, and what was there stays
// unless it may be replaced.
func TestWriteWhole(t *testing.T) {
	for _, tt := range []struct {
		name              string
		before, after     string // content; empty: no file
		overwrite, broken bool
		cancelled         bool
		kind              error
	}{
		{name: "new", after: "new"},
		{name: "new, breaks off", broken: true, kind: ErrNotWritable},
		{name: "new, cancelled", cancelled: true, kind: context.Canceled},
		{name: "exists", before: "old", after: "old", kind: ErrExists},
		{name: "replaced", before: "old", after: "new", overwrite: true},
		{name: "replaced, breaks off", before: "old", after: "old", overwrite: true, broken: true, kind: ErrNotWritable},
		{name: "replaced, cancelled", before: "old", after: "old", overwrite: true, cancelled: true, kind: context.Canceled},
		{name: "nothing to replace", after: "new", overwrite: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, "a.json")
			if tt.before != "" {
				if err := os.WriteFile(path, []byte(tt.before), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			var content io.WriterTo = strings.NewReader("new")
			if tt.broken {
				content = breaksOff{}
			}
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			if tt.cancelled {
				cancel()
			}
			checked := CheckWhole(path, tt.overwrite)
			if (tt.kind == ErrExists) != errors.Is(checked, ErrExists) {
				t.Errorf("checked early: %v", checked)
			}
			if err := WriteWhole(ctx, path, tt.overwrite, content); !errors.Is(err, tt.kind) {
				t.Errorf("error %v, want %v", err, tt.kind)
			}
			if tt.after == "" {
				wantFiles(t, dir)
			} else {
				wantFiles(t, dir, "a.json: "+tt.after)
			}
		})
	}
}

// TestStale: what a killed run has left goes with the next run that writes the
// same file; what another run is writing, and what only looks alike, stays.
func TestStale(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a [b]")
	if err := os.Mkdir(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "row [1].jpg")
	left := tempName(path)
	for _, name := range []string{left, filepath.Join(dir, ".row [1].jpg.notes.part"), tempName(filepath.Join(dir, "row 1.jpg"))} {
		if err := os.WriteFile(name, []byte("half"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	busy, err := osFS{}.create(tempName(path))
	if err != nil {
		t.Fatal(err)
	}
	defer busy.Close()
	if err := WriteWhole(t.Context(), path, false, bytes.NewBufferString("whole")); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(left); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("what was left is there: %v", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 4 { // the picture, and all but what was left
		t.Errorf("%v, error %v", entries, err)
	}
}
