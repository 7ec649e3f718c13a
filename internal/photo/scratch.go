package photo

import (
	"errors"
	"io/fs"
	"os"
)

// Scratch is a file for what does not fit into memory. Its name is gone as soon
// as it is made, where the system allows that: nothing is left even if the
// program is killed.
type Scratch struct {
	f    *os.File
	name string // still to be removed
}

// NewScratch makes one in a folder; empty means the system's for temporary
// files. The error is of type [*Error].
func NewScratch(dir string) (*Scratch, error) {
	if dir == "" {
		dir = os.TempDir()
	}
	removeStale(dir, ".flatfell-*.part") // killed between the two lines below
	f, err := os.CreateTemp(dir, ".flatfell-*.part")
	if err != nil {
		return nil, scratchError(dir, err)
	}
	s := &Scratch{f: f, name: f.Name()}
	if err := os.Remove(s.name); err == nil || errors.Is(err, fs.ErrNotExist) {
		s.name = ""
	}
	return s, nil
}

// WriteAt is io.WriterAt. The error is of type [*Error].
func (s *Scratch) WriteAt(b []byte, off int64) (int, error) {
	n, err := s.f.WriteAt(b, off)
	if err != nil {
		err = scratchError(s.f.Name(), err)
	}
	return n, err
}

// ReadAt is io.ReaderAt. The error is of type [*Error].
func (s *Scratch) ReadAt(b []byte, off int64) (int, error) {
	n, err := s.f.ReadAt(b, off)
	if err != nil {
		err = scratchError(s.f.Name(), err)
	}
	return n, err
}

// Close removes the file.
func (s *Scratch) Close() error {
	err := s.f.Close()
	if s.name != "" {
		err = errors.Join(err, os.Remove(s.name))
	}
	return err
}

func scratchError(path string, cause error) *Error {
	return &Error{path, ErrNotWritable, "cannot hold the picture on its way", "make room on that disk, or allow more memory", cause}
}
