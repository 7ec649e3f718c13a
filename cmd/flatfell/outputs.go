package main

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"

	"flatfell.example/internal/photo"
)

// checkOutputs finds out before any pixel is decoded whether the outputs can
// be written, are different files, and are none of the inputs.
func (s *stitchCommand) checkOutputs(inputs []string) error {
	for _, list := range []string{s.from, s.sorted} {
		if list != "" {
			inputs = append([]string{list}, inputs...)
		}
	}
	return checkOutputs(s.usage, inputs, []plannedOutput{
		{"--output", s.out, photo.CheckWritable},
		{"--preview", s.preview, checkPreview},
		{"--report", s.report, checkReport},
		{"--solution", s.solution, photo.CheckWhole},
	}, s.overwrite)
}

// plannedOutput is a file that an option names; an empty path is none.
type plannedOutput struct {
	flag, path string
	check      func(path string, overwrite bool) error
}

// checkOutputs refuses outputs that are read, named twice or can't be written.
// usage makes a complaint about the command line.
func checkOutputs(usage func(format string, a ...any) error, inputs []string, outputs []plannedOutput, overwrite bool) error {
	for i, out := range outputs {
		if out.path == "" {
			continue
		}
		for _, in := range inputs {
			if photo.SameFile(out.path, in) {
				return usage("%s %s is also read; files that are read are never replaced, so give another name or folder", out.flag, out.path)
			}
		}
		for _, other := range outputs[:i] {
			if other.path != "" && samePath(out.path, other.path) {
				return usage("%s and %s are the same file %s", other.flag, out.flag, out.path)
			}
		}
		switch err := out.check(out.path, overwrite); {
		case errors.Is(err, photo.ErrEnding):
			return usage("%w", err)
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

// unfinished is an error after some of several outputs. Those written are
// whole, and the others are as they were: each appears at once or not at all.
type unfinished struct {
	written, missing []string // files, one or more of each
	err              error
}

func (u *unfinished) Error() string {
	return fmt.Sprintf("%s written, but %s not: %s", are(u.written), are(u.missing), plain(u.err))
}

func (u *unfinished) Unwrap() error { return u.err }

// are says "a is", "a and b are", "a, b and c are".
func are(files []string) string {
	last := len(files) - 1
	if last == 0 {
		return files[0] + " is"
	}
	return strings.Join(files[:last], ", ") + " and " + files[last] + " are"
}

// output is a file to write; an empty path is none.
type output struct {
	path  string
	write func() error
}

// writeAll writes the outputs in turn. An error after the first is of type
// [*unfinished].
func writeAll(outputs []output) error {
	var written []string
	for i, out := range outputs {
		if out.path == "" {
			continue
		}
		if err := out.write(); err != nil {
			return after(written, pathsOf(outputs[i:]), err)
		}
		written = append(written, out.path)
	}
	return nil
}

// pathsOf lists the outputs.
func pathsOf(outputs []output) (paths []string) {
	for _, out := range outputs {
		if out.path != "" {
			paths = append(paths, out.path)
		}
	}
	return paths
}

// after is err, which kept missing from being written when written was
// there; if it is of type [*unfinished], some of missing is written after all.
func after(written, missing []string, err error) error {
	if u, ok := errors.AsType[*unfinished](err); ok {
		written = slices.Concat(written, u.written)
		missing = slices.DeleteFunc(slices.Clone(missing), func(path string) bool { return slices.Contains(u.written, path) })
		err = u.err
	}
	if len(written) == 0 {
		return err
	}
	return &unfinished{written, missing, err}
}

// plainPathError is err without the path, which stands already in the message.
func plainPathError(err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err
	}
	return err
}
