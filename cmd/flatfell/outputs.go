package main

import (
	"errors"
	"io/fs"
	"path/filepath"
	"strings"

	"flatfell.example/internal/photo"
)

// checkOutputs finds out before any pixel is decoded whether the outputs can
// be written, are different files, and are none of the inputs.
func (s *stitchCommand) checkOutputs(inputs []string) error {
	if s.reuse != "" {
		inputs = append([]string{s.reuse}, inputs...)
	}
	outputs := []struct {
		flag, path string
		check      func(path string, overwrite bool) error
	}{
		{"--output", s.out, photo.CheckWritable},
		{"--preview", s.preview, checkPreview},
		{"--solution", s.solution, photo.CheckWhole},
	}
	for i, out := range outputs {
		if out.path == "" {
			continue
		}
		for _, in := range inputs {
			if photo.SameFile(out.path, in) {
				return s.usage("%s %s is also read; files that are read are never replaced, so give another name or folder", out.flag, out.path)
			}
		}
		for _, other := range outputs[:i] {
			if other.path != "" && samePath(out.path, other.path) {
				return s.usage("%s and %s are the same file %s", other.flag, out.flag, out.path)
			}
		}
		switch err := out.check(out.path, s.overwrite); {
		case errors.Is(err, photo.ErrEnding):
			return s.usage("%w", err)
		case err != nil:
			return err
		}
	}
	return nil
}

// samePath reports whether two names, of files that need not exist yet, are
// one place.
func samePath(a, b string) bool {
	x, errX := filepath.Abs(a)
	y, errY := filepath.Abs(b)
	return errX == nil && errY == nil && x == y || photo.SameFile(a, b)
}

// checkPreview is photo.CheckWritable for a preview, which is a JPEG.
func checkPreview(path string, overwrite bool) error {
	if e := strings.ToLower(filepath.Ext(path)); e != ".jpg" && e != ".jpeg" {
		return &photo.Error{Path: path, Kind: photo.ErrEnding, What: "is no name for a preview", Remedy: "use .jpg"}
	}
	return photo.CheckWritable(path, overwrite)
}

// plainPathError is err without the path, which stands already in the message.
func plainPathError(err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err
	}
	return err
}
