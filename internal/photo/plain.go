package photo

import (
	"context"
	"image"
	"io"
	"os"

	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// plain is how the pixels of a usual TIFF or PNG file lie: grey, RGB, or RGB
// with alpha, of 8 or 16 bits, in strips, tiles, or one stream. Such files are
// decoded by our own readers straight into a [raster.Stored], a few lines at a
// time; unusual ones by the libraries.
type plain struct {
	samples, bytes      int
	bigEndian, inverted bool
	pieces              pieces
}

// pieces are the compressed parts of a file. Each holds whole lines, and can be
// read alone.
type pieces interface {
	// count returns the number of pieces, and the lines of all but the last.
	count() (n, lines int)
	// read calls emit with the lines of pieces [from, to), from above, decoded
	// and without gaps, some at a time: y is that of the first. emit keeps nothing.
	read(ctx context.Context, r io.ReaderAt, from, to int, emit func(y int, lines []byte) error) error
}

// bandLines is the number of lines that are handed on at once: a picture that is
// turned by a quarter is written in pieces of as many pixels.
const bandLines = 128

// layout returns the layout of the upright picture in one strip.
func (f *File) plainLayout() raster.StoredLayout {
	return raster.StoredLayout{
		Width: f.Width, Height: f.Height, Samples: f.plain.samples, Bytes: f.plain.bytes,
		BigEndian: f.plain.bigEndian, Inverted: f.plain.inverted, Strips: []int64{0}, PerStrip: f.Height,
	}
}

// decodePlain decodes a plain file into memory.
func (f *File) decodePlain(ctx context.Context, r io.ReaderAt) (image.Image, error) {
	l := f.plainLayout()
	memory := make([]byte, l.Height*l.LineBytes())
	err := f.readPlain(ctx, r, func(at int64, b []byte) error {
		copy(memory[at:], b)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return raster.NewStoredMemory(memory, l), nil
}

// readPlain decodes the file, on all processors if it has pieces, and calls put
// with parts of the upright picture and where they lie in plainLayout, from
// several goroutines at once.
func (f *File) readPlain(ctx context.Context, r io.ReaderAt, put func(at int64, b []byte) error) error {
	n, lines := f.plain.pieces.count()
	per := max(1, bandLines/lines)
	return par.DoScratch(ctx, 0, (n+per-1)/per, func() *turner { return newTurner(f) }, func(i int, t *turner) error {
		return f.plain.pieces.read(ctx, r, i*per, min((i+1)*per, n), func(y int, lines []byte) error {
			if err := ctx.Err(); err != nil {
				return err
			}
			return t.put(y, lines, put)
		})
	})
}

// turner puts lines of a file into the upright picture.
type turner struct {
	size        image.Point // of the file
	pixel       int
	orientation int
	buf         []byte
}

func newTurner(f *File) *turner {
	return &turner{size: f.stored, pixel: f.plain.samples * f.plain.bytes, orientation: f.Meta.Orientation}
}

// put turns lines from line y of the file on.
func (t *turner) put(y int, lines []byte, put func(at int64, b []byte) error) error {
	if o := t.orientation; o < 2 || o > 8 {
		return put(int64(y*t.size.X*t.pixel), lines)
	}
	n := len(lines) / (t.size.X * t.pixel)
	if cap(t.buf) < len(lines) {
		t.buf = make([]byte, len(lines))
	}
	out := t.buf[:len(lines)]
	flipX, flipY := flips(t.orientation)
	first := y // of the band in the upright picture, along the file's lines
	if flipY {
		first = t.size.Y - y - n
	}
	px := t.pixel
	if !swapsAxes(t.orientation) {
		for k := range n {
			to := k
			if flipY {
				to = n - 1 - k
			}
			line, turned := lines[k*t.size.X*px:][:t.size.X*px], out[to*t.size.X*px:][:t.size.X*px]
			if !flipX {
				copy(turned, line)
				continue
			}
			for x := 0; x < len(line); x += px {
				copy(turned[len(line)-px-x:][:px], line[x:x+px])
			}
		}
		return put(int64(first*t.size.X*px), out)
	}
	// Columns of the file become lines of n pixels.
	for x := range t.size.X {
		from := x
		if flipX {
			from = t.size.X - 1 - x
		}
		turned := out[x*n*px:][:n*px]
		for k := range n {
			to := k
			if flipY {
				to = n - 1 - k
			}
			copy(turned[to*px:][:px], lines[(k*t.size.X+from)*px:][:px])
		}
		if err := put(int64((x*t.size.Y+first)*px), turned); err != nil {
			return err
		}
	}
	return nil
}

// DecodeAside is [File.Decode] for pictures that shall take no memory: a plain
// TIFF or PNG file comes as a [raster.Stored] that reads the file itself if its
// samples lie there as they are, or else a file without a name in dir, into
// which it is decoded. It holds that open: close it. Others are decoded into
// memory.
func (f *File) DecodeAside(ctx context.Context, dir string) (image.Image, error) {
	if f.plain == nil {
		return f.Decode(ctx)
	}
	r, err := f.open()
	if err != nil {
		return nil, err
	}
	if o := f.Meta.Orientation; o < 2 || o > 8 {
		if strips, ok := f.plain.pieces.(*tiffStrips); ok && strips.raw() {
			l := f.plainLayout()
			l.Strips, l.PerStrip = strips.offsets, strips.perStrip
			return raster.NewStored(&openFile{r, f}, l), nil
		}
	}
	defer r.Close()
	s, err := NewScratch(dir)
	if err != nil {
		return nil, err
	}
	err = f.whole(ctx, func() error {
		return f.readPlain(ctx, r, func(at int64, b []byte) error {
			_, err := s.WriteAt(b, at)
			return err
		})
	})
	if err != nil {
		s.Close()
		return nil, err
	}
	return raster.NewStored(s, f.plainLayout()), nil
}

// openFile is a file that a picture is read from: an error tells its name.
type openFile struct {
	*os.File
	f *File
}

func (o *openFile) ReadAt(b []byte, off int64) (int, error) {
	n, err := o.File.ReadAt(b, off)
	if err != nil {
		err = damaged(o.f.Path, "was cut or can't be read any more", err)
	}
	return n, err
}

// InParts reports whether DecodeAside gives pixels that take no memory.
func (f *File) InParts() bool { return f.plain != nil }

// SampleBytes returns about how much memory the decoded pixels take.
func (f *File) SampleBytes() int64 {
	n := int64(f.Width) * int64(f.Height)
	switch {
	case f.plain != nil:
		return n * int64(f.plain.samples*f.plain.bytes)
	case f.Format == JPEG:
		return f.decoded
	}
	return 6 * n
}
