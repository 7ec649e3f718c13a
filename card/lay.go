package card

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"flatfell.example/internal/photo"
)

// How says how [Lay] puts a file into a folder.
type How string

// The ways.
const (
	// Copy makes the sets independent of the card.
	Copy How = "copy"
	// HardLink gives the same file a second name: no room is needed, but both
	// must lie on one disk.
	HardLink How = "hard-link"
	// SymLink points to the file where it is.
	SymLink How = "symbolic-link"
)

// Hows lists the ways.
func Hows() []string { return []string{string(Copy), string(HardLink), string(SymLink)} }

// Errors of [Lay]; test with errors.Is.
var (
	// ErrOccupied: something else has the name of a file that was to be laid.
	ErrOccupied = errors.New("another file has this name")
	// ErrNoRoom: the disk is too small for the copies.
	ErrNoRoom = errors.New("the disk is too small")
)

// Laid says what [Lay] did.
type Laid struct {
	// Folders of the sets, in their order; singles share one.
	Folders []string
	// New files were laid, Old ones were there already, from a run before.
	New, Old int
	Bytes    int64
}

// singlesFolder holds all single shots.
const singlesFolder = "singles"

// KindOf returns the kind of the set that [Lay] lays into a folder of that name; ok is
// false if no set's folder is called so.
func KindOf(folder string) (kind Kind, ok bool) {
	if folder == singlesFolder {
		return Single, true
	}
	digits := len(folder) - len(strings.TrimLeft(folder, "0123456789"))
	for _, k := range []Kind{Row, FocusBracket, BracketRow, Exposures, Repeats} {
		if digits > 0 && folder[digits:] == "-"+k.inName() {
			return k, true
		}
	}
	return "", false
}

// place is a file and where it goes.
type place struct{ from, to string }

// Lay puts each set of r into a folder of its name below dir, which is created;
// single shots into one. A row of brackets has a folder for each position. What
// is there already from an earlier run stays, so that a run that was
// interrupted is taken up again; anything else of the same name stops it with
// [ErrOccupied] before a file is laid. The photographs are only read.
//
// Each file appears whole or not at all. A copy has the time of its original.
func Lay(ctx context.Context, r *Result, dir string, how How, progress func(done float64)) (*Laid, error) {
	out, places := plan(r, dir)
	var todo []place
	for _, p := range places {
		done, err := laid(p)
		if err != nil {
			return nil, err
		}
		if done {
			out.Old++
			continue
		}
		todo = append(todo, p)
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, fmt.Errorf("%s: cannot be created (%w); give another folder", dir, plain(err))
	}
	if how == Copy {
		if err := room(todo, dir); err != nil {
			return nil, err
		}
	}
	for i, p := range todo {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		if err := os.MkdirAll(filepath.Dir(p.to), 0o777); err != nil {
			return out, fmt.Errorf("%s: cannot be created (%w); give another folder", filepath.Dir(p.to), plain(err))
		}
		n, err := lay(ctx, p, how)
		if err != nil {
			return out, err
		}
		out.New++
		out.Bytes += n
		if progress != nil {
			progress(float64(i+1) / float64(len(todo)))
		}
	}
	return out, nil
}

// plan says where each file goes. Of files of one name from two folders, those
// that come later have the name of their folder before their own.
func plan(r *Result, dir string) (*Laid, []place) {
	out := &Laid{}
	var places []place
	taken := map[string]bool{}
	for k := range r.Sets {
		s := &r.Sets[k]
		folder := filepath.Join(dir, s.Name)
		if s.Kind == Single {
			folder = filepath.Join(dir, singlesFolder)
		}
		out.Folders = append(out.Folders, folder)
		for p, shots := range s.Positions {
			in := folder
			if s.Kind == BracketRow {
				in = filepath.Join(folder, fmt.Sprintf("position-%d", p+1))
			}
			for _, i := range shots {
				for _, from := range r.Shots[i].Files {
					base := filepath.Base(from)
					to := filepath.Join(in, base)
					// Disks that don't tell small letters from capitals count, too.
					for n := 1; taken[strings.ToLower(to)]; n++ {
						to = filepath.Join(in, filepath.Base(filepath.Dir(from))+"-"+base)
						if n > 1 {
							to = filepath.Join(in, fmt.Sprintf("%d-%s", n, base))
						}
					}
					taken[strings.ToLower(to)] = true
					places = append(places, place{from, to})
				}
			}
		}
	}
	return out, places
}

// laid reports whether a file is at its place already.
func laid(p place) (bool, error) {
	info, err := os.Stat(p.to)
	if errors.Is(err, fs.ErrNotExist) {
		if _, err := os.Lstat(p.to); err != nil {
			return false, nil
		}
		return false, occupied(p) // a link that leads nowhere
	}
	if err != nil {
		return false, fmt.Errorf("%s: cannot be looked at (%w); check the permissions", p.to, plain(err))
	}
	if photo.SameFile(p.from, p.to) {
		return true, nil
	}
	from, err := os.Stat(p.from)
	if err != nil {
		return false, fmt.Errorf("%s: cannot be read (%w); if the card was pulled out, put it back and run this again", p.from, plain(err))
	}
	if !info.Mode().IsRegular() || from.Size() != info.Size() {
		return false, occupied(p)
	}
	same, err := sameBytes(p.from, p.to)
	if err == nil && !same {
		err = occupied(p)
	}
	return same, err
}

func occupied(p place) error {
	return fmt.Errorf("%s: %w and is not a copy of %s; nothing is ever replaced, so give another folder", p.to, ErrOccupied, p.from)
}

func sameBytes(a, b string) (bool, error) {
	f, err := os.Open(a)
	if err != nil {
		return false, err
	}
	defer f.Close()
	g, err := os.Open(b)
	if err != nil {
		return false, err
	}
	defer g.Close()
	x, y := make([]byte, 1<<16), make([]byte, 1<<16)
	for {
		n, errX := io.ReadFull(f, x)
		m, errY := io.ReadFull(g, y)
		if n != m || !bytes.Equal(x[:n], y[:m]) {
			return false, nil
		}
		if errX != nil || errY != nil {
			end := func(err error) bool { return err == io.EOF || err == io.ErrUnexpectedEOF }
			if end(errX) && end(errY) {
				return true, nil
			}
			return false, errors.Join(errX, errY)
		}
	}
}

// room refuses copies that the disk can't hold.
func room(todo []place, dir string) error {
	var need int64
	for _, p := range todo {
		info, err := os.Stat(p.from)
		if err != nil {
			return fmt.Errorf("%s: cannot be read (%w); if the card was pulled out, put it back and run this again", p.from, plain(err))
		}
		need += info.Size()
	}
	free, ok := freeBytes(dir)
	if !ok || need <= free {
		return nil
	}
	return fmt.Errorf("%s: %w: the copies need %.1f GB, %.1f GB are free; link instead, or give a folder on another disk", dir, ErrNoRoom, float64(need)/1e9, float64(free)/1e9)
}

// lay puts one file into its place and returns the bytes that it takes.
func lay(ctx context.Context, p place, how How) (int64, error) {
	switch how {
	case HardLink:
		from, err := filepath.EvalSymlinks(p.from)
		if err == nil {
			err = os.Link(from, p.to)
		}
		if err != nil {
			return 0, fmt.Errorf("%s: no hard link to %s can be made (%w); copy instead, if the two are on different disks", p.to, p.from, plain(err))
		}
		return 0, nil
	case SymLink:
		from, err := filepath.Abs(p.from)
		if err == nil {
			err = os.Symlink(from, p.to)
		}
		if err != nil {
			return 0, fmt.Errorf("%s: no symbolic link can be made (%w); copy instead", p.to, plain(err))
		}
		return 0, nil
	}
	f, err := os.Open(p.from)
	if err != nil {
		return 0, fmt.Errorf("%s: cannot be read (%w); if the card was pulled out, put it back and run this again", p.from, plain(err))
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	src := &copied{r: f, path: p.from}
	if err := photo.WriteWhole(ctx, p.to, false, src); err != nil {
		if src.err != nil {
			return 0, fmt.Errorf("%s: cannot be read to its end (%w); if the card was pulled out, put it back and run this again", p.from, plain(src.err))
		}
		return 0, err
	}
	// The time of a photograph is worth keeping, but no reason to fail.
	_ = os.Chtimes(p.to, info.ModTime(), info.ModTime())
	return info.Size(), nil
}

// copied is the content of a file, and what went wrong in reading it.
type copied struct {
	r    io.Reader
	path string
	err  error
}

func (c *copied) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if err != nil && err != io.EOF {
		c.err = err
	}
	return n, err
}

func (c *copied) WriteTo(w io.Writer) (int64, error) { return io.Copy(w, struct{ io.Reader }{c}) }

// plain is err without the path, which stands already in the message.
func plain(err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err
	}
	if l, ok := errors.AsType[*os.LinkError](err); ok {
		return l.Err
	}
	return err
}
