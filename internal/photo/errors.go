package photo

import (
	"errors"
	"io"
	"io/fs"
)

// The kinds of [Error]; ask with errors.Is.
var (
	// ErrNotAPicture: a folder, an empty file, text, anything that is no image.
	ErrNotAPicture = errors.New("not a picture")
	// ErrUnsupported: a sound picture of a kind that is not read or written.
	ErrUnsupported = errors.New("unsupported picture")
	// ErrDamaged: the file breaks the rules of its format or ends too early.
	ErrDamaged = errors.New("damaged picture")
	// ErrTooLarge: beyond a limit of this package or of the file format.
	ErrTooLarge = errors.New("picture too large")
	// ErrUnreadable: the operating system does not give the file out.
	ErrUnreadable = errors.New("cannot read")
	// ErrEnding: the name of an output does not end in a known format.
	ErrEnding = errors.New("unknown file ending")
	// ErrExists: the output is there already and must not be replaced.
	ErrExists = errors.New("output exists")
	// ErrNotWritable: the output cannot be created or stored.
	ErrNotWritable = errors.New("cannot write")
)

// Error says in one line what is wrong with which file and what to do next.
type Error struct {
	Path   string
	Kind   error  // one of the Err values above
	What   string // what is wrong
	Remedy string // what to do next
	Cause  error  // what a decoder or the operating system said; may be nil
}

func (e *Error) Error() string {
	s := e.Path + ": " + e.What
	if e.Cause != nil {
		s += " (" + plainCause(e.Cause) + ")"
	}
	return s + "; " + e.Remedy
}

// Unwrap makes errors.Is find the kind and the cause.
func (e *Error) Unwrap() []error {
	if e.Cause == nil {
		return []error{e.Kind}
	}
	return []error{e.Kind, e.Cause}
}

// plainCause leaves out the path and the operation, which stand already in
// the message.
func plainCause(err error) string {
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		return "it ends too early"
	}
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err.Error()
	}
	return err.Error()
}

func damaged(path, what string, cause error) *Error {
	return &Error{path, ErrDamaged, what, "copy it again from the camera or leave it out", cause}
}

func unsupported(path, what string, cause error) *Error {
	return &Error{path, ErrUnsupported, what, "save it as an RGB or grey JPEG, PNG or TIFF", cause}
}

func unreadable(path string, cause error) *Error {
	return &Error{path, ErrUnreadable, "cannot be read", "check the name and the permissions", cause}
}
