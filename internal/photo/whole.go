package photo

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
)

// WriteWhole stores content at path, whole or not at all: it is written under
// a hidden name in the same folder, synced, and renamed; on an error, or if
// ctx is cancelled, nothing new is left and an old file stays as it was. The
// error is then that of ctx, or of type [*Error] about the file. What a run left
// that was killed goes with the next that writes the same file.
//
// Without overwrite a file of that name is never replaced, even if it appears
// meanwhile. With it, a link stays one and the file that it leads to is
// replaced.
func WriteWhole(ctx context.Context, path string, overwrite bool, content io.WriterTo) error {
	if err := checkPlace(path, overwrite); err != nil {
		return err
	}
	return writer{osFS{}}.whole(ctx, path, overwrite, func(b io.Writer, _ io.WriterAt) error {
		_, err := content.WriteTo(b)
		return err
	})
}

// CheckWhole reports early what would make [WriteWhole] fail: a folder that
// is missing or not writable, or an output that exists and must not be
// replaced.
func CheckWhole(path string, overwrite bool) error {
	if err := checkPlace(path, overwrite); err != nil {
		return err
	}
	w := writer{osFS{}}
	temp, err := w.fs.create(tempName(path))
	if err != nil {
		return notWritable(path, err)
	}
	if err := errors.Join(temp.Close(), w.fs.remove(temp.Name())); err != nil {
		return notWritable(path, err)
	}
	return nil
}

// fileSystem is what writing needs of the operating system; tests put one in
// its place that fails.
type fileSystem interface {
	// create makes a new file; it fails if the name is taken.
	create(name string) (tempFile, error)
	rename(from, to string) error
	remove(name string) error
}

type tempFile interface {
	io.Writer
	io.WriterAt
	io.Closer
	Name() string
	Sync() error
}

type osFS struct{}

// create gives the file the usual permissions, which os.CreateTemp does not, and
// keeps [removeStale] of other runs away from it.
func (osFS) create(name string) (tempFile, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, err
	}
	lock(f)
	return f, nil
}
func (osFS) rename(from, to string) error { return os.Rename(from, to) }
func (osFS) remove(name string) error     { return os.Remove(name) }

type writer struct{ fs fileSystem }

// checkPlace checks what can be known without writing.
func checkPlace(path string, overwrite bool) error {
	dir := filepath.Dir(path)
	switch info, err := os.Stat(dir); {
	case err != nil:
		return &Error{path, ErrNotWritable, "lies in a folder that cannot be reached", "create the folder first", err}
	case !info.IsDir():
		return &Error{path, ErrNotWritable, "lies in " + dir + ", which is no folder", "give another name", nil}
	}
	switch info, err := os.Stat(path); {
	case err != nil:
		if _, err := os.Lstat(path); err == nil {
			return &Error{path, ErrNotWritable, "is a link that leads nowhere", "remove it or give another name", nil}
		}
		return nil
	case !info.Mode().IsRegular():
		return &Error{path, ErrNotWritable, "is no ordinary file", "give another name", nil}
	case !overwrite:
		return exists(path, nil)
	}
	return nil
}

func exists(path string, cause error) *Error {
	return &Error{path, ErrExists, "is there already", "give another name or allow to overwrite it", cause}
}

func notWritable(path string, cause error) *Error {
	return &Error{path, ErrNotWritable, "cannot be written", "check the permissions and the free space of the folder", cause}
}

// whole writes what content puts into the buffer, or anywhere at once, to a
// file that checkPlace found possible.
func (w writer) whole(ctx context.Context, path string, overwrite bool, content func(io.Writer, io.WriterAt) error) (err error) {
	if overwrite { // a link stays one; the file that it leads to is replaced
		if target, err := filepath.EvalSymlinks(path); err == nil {
			path = target
		}
	}
	removeStale(filepath.Dir(path), "."+globEscape(filepath.Base(path))+"."+strings.Repeat("[0-9a-f]", 16)+".part")
	temp, err := w.fs.create(tempName(path))
	if err != nil {
		return notWritable(path, err)
	}
	open := true
	defer func() {
		if err != nil {
			if open {
				temp.Close()
			}
			w.fs.remove(temp.Name())
		}
	}()
	buffer := bufio.NewWriterSize(&cancelWriter{ctx, temp}, 1<<18)
	if err := content(buffer, temp); err != nil {
		return writeError(ctx, path, err)
	}
	if err := buffer.Flush(); err != nil {
		return writeError(ctx, path, err)
	}
	if err := temp.Sync(); err != nil {
		return writeError(ctx, path, err)
	}
	open = false
	if err := temp.Close(); err != nil {
		return writeError(ctx, path, err)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return w.publish(temp.Name(), path, overwrite)
}

// publish gives the finished file its name. Without overwrite it claims the
// name first by a new empty file; a hard link would do so in one step, but
// the file systems of memory cards have none.
func (w writer) publish(temp, path string, overwrite bool) error {
	claimed := false
	if !overwrite {
		claim, err := w.fs.create(path)
		if errors.Is(err, fs.ErrExist) {
			return exists(path, err)
		}
		if err != nil {
			return notWritable(path, err)
		}
		claimed = true
		if err := claim.Close(); err != nil {
			w.fs.remove(path)
			return notWritable(path, err)
		}
	}
	if err := w.fs.rename(temp, path); err != nil {
		if claimed {
			w.fs.remove(path)
		}
		return notWritable(path, err)
	}
	return nil
}

// tempName returns a hidden name beside path.
func tempName(path string) string {
	return filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s.%016x.part", filepath.Base(path), rand.Uint64()))
}

// writeError is what err tells of the file, unless the cause is that ctx was
// cancelled or lies in the source.
func writeError(ctx context.Context, path string, err error) error {
	if ctxErr := ctx.Err(); ctxErr != nil {
		return ctxErr
	}
	if s, ok := errors.AsType[sourceError](err); ok {
		return s.error
	}
	if _, ok := errors.AsType[*Error](err); ok {
		return err
	}
	return notWritable(path, err)
}

// cancelWriter fails with the error of ctx once that is cancelled.
type cancelWriter struct {
	ctx context.Context
	w   io.Writer
}

func (c *cancelWriter) Write(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.w.Write(p)
}
