package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
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
		{"--solution", s.solution, checkWhole},
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

// checkWhole reports early what would make writeWhole fail.
func checkWhole(path string, overwrite bool) error {
	if !overwrite {
		if _, err := os.Lstat(path); err == nil {
			return exists(path)
		}
	}
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return &photo.Error{Path: path, Kind: photo.ErrNotWritable, What: "is no ordinary file", Remedy: "give another name"}
	}
	temp, err := createTemp(path)
	if err != nil {
		return notWritable(path, err)
	}
	if err := errors.Join(temp.Close(), os.Remove(temp.Name())); err != nil {
		return notWritable(path, err)
	}
	return nil
}

// writeWhole writes content to path, whole or not at all: under a hidden name
// in the same folder, synced, then renamed.
func writeWhole(path string, overwrite bool, content io.WriterTo) (err error) {
	temp, err := createTemp(path)
	if err != nil {
		return notWritable(path, err)
	}
	defer os.Remove(temp.Name()) // without effect once it is renamed
	_, err = content.WriteTo(temp)
	if err == nil {
		err = temp.Sync()
	}
	if err := errors.Join(err, temp.Close()); err != nil {
		return notWritable(path, err)
	}
	if overwrite {
		err = os.Rename(temp.Name(), path)
	} else if err = os.Link(temp.Name(), path); err != nil && !errors.Is(err, fs.ErrExist) {
		// A file system without links: the check and the renaming are two steps.
		if _, statErr := os.Lstat(path); statErr == nil {
			return exists(path)
		}
		err = os.Rename(temp.Name(), path)
	}
	switch {
	case errors.Is(err, fs.ErrExist):
		return exists(path)
	case err != nil:
		return notWritable(path, err)
	}
	return nil
}

func createTemp(path string) (*os.File, error) {
	name := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s.%016x.part", filepath.Base(path), rand.Uint64()))
	return os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
}

func exists(path string) error {
	return &photo.Error{Path: path, Kind: photo.ErrExists, What: "is there already", Remedy: "give another name or allow to overwrite it"}
}

func notWritable(path string, cause error) error {
	return &photo.Error{Path: path, Kind: photo.ErrNotWritable, What: "cannot be written", Remedy: "check the permissions and the free space of the folder", Cause: cause}
}

// plainPathError is err without the path, which stands already in the message.
func plainPathError(err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err
	}
	return err
}
