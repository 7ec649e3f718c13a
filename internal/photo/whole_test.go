package photo

import (
	"context"
	"errors"
	"io"
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
