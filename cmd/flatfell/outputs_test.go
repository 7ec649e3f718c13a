package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"flatfell.example/internal/photo"
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
		kind              error
	}{
		{name: "new", after: "new"},
		{name: "new, breaks off", broken: true, kind: photo.ErrNotWritable},
		{name: "exists", before: "old", after: "old", kind: photo.ErrExists},
		{name: "replaced", before: "old", after: "new", overwrite: true},
		{name: "replaced, breaks off", before: "old", after: "old", overwrite: true, broken: true, kind: photo.ErrNotWritable},
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
			if err := writeWhole(path, tt.overwrite, content); !errors.Is(err, tt.kind) {
				t.Errorf("error %v, want %v", err, tt.kind)
			}
			if got, _ := os.ReadFile(path); string(got) != tt.after {
				t.Errorf("holds %q, want %q", got, tt.after)
			}
			want := 1
			if tt.after == "" {
				want = 0
			}
			if left, err := os.ReadDir(dir); err != nil || len(left) != want {
				t.Errorf("the folder holds %v, %v", left, err)
			}
		})
	}
}
