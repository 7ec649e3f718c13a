package photo

import (
	"context"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"math"

	"flatfell.example/raster"
)

// WriteOptions are the settings of [Write]. The zero value is the default.
type WriteOptions struct {
	// Bits of a sample, 8 or 16. Zero means 8. JPEG has 8 only. From 16 to 8
	// each sample is rounded once.
	Bits int
	// Quality of a JPEG, 1 to 100; higher is larger. Zero means 95.
	Quality int
	// Overwrite allows to replace a file of the same name.
	Overwrite bool
	// PPI is the resolution noted in the file, pixels per inch, 0 to 65535.
	// Zero notes none.
	PPI float64
	// Workers converts and compresses; see par.Workers. It changes no byte.
	Workers int
}

// Validate reports a setting out of range.
func (o WriteOptions) Validate() error {
	switch {
	case o.Bits != 0 && o.Bits != 8 && o.Bits != 16:
		return fmt.Errorf("photo: Bits %d is neither 8 nor 16", o.Bits)
	case o.Quality < 0 || o.Quality > 100:
		return fmt.Errorf("photo: Quality %d is not within 1 to 100", o.Quality)
	case !(o.PPI >= 0 && o.PPI <= 65535):
		return fmt.Errorf("photo: PPI %v is not within 0 to 65535", o.PPI)
	}
	return nil
}

// Write stores pic in the format that the ending of path names: .jpg, .jpeg,
// .png, .tif or .tiff, whole or not at all as [WriteWhole] does. Errors about
// the file are of type [*Error].
func Write(ctx context.Context, path string, pic *raster.Picture, opts WriteOptions) error {
	return writer{osFS{}}.write(ctx, path, pic, opts)
}

// CheckWritable reports early, before hours of work, what would make [Write]
// fail: an unknown ending, or what [CheckWhole] reports.
func CheckWritable(path string, overwrite bool) error {
	if err := checkEnding(path); err != nil {
		return err
	}
	return CheckWhole(path, overwrite)
}

func checkEnding(path string) error {
	if formatOf(path) == 0 {
		return &Error{path, ErrEnding, "has an ending that names no format", "use .jpg, .jpeg, .png, .tif or .tiff", nil}
	}
	return nil
}

func (w writer) write(ctx context.Context, path string, pic *raster.Picture, opts WriteOptions) error {
	if err := opts.Validate(); err != nil {
		return err
	}
	if err := checkEnding(path); err != nil {
		return err
	}
	if err := checkPlace(path, opts.Overwrite); err != nil {
		return err
	}
	if err := checkPicture(path, pic, opts); err != nil {
		return err
	}
	return w.whole(ctx, path, opts.Overwrite, func(b io.Writer, at io.WriterAt) error {
		return encode(ctx, b, at, path, pic, opts)
	})
}

// checkPicture refuses what the format cannot hold.
func checkPicture(path string, pic *raster.Picture, opts WriteOptions) error {
	w, h := pic.Rect.Dx(), pic.Rect.Dy()
	switch format := formatOf(path); {
	case w < 1 || h < 1:
		return &Error{path, ErrUnsupported, "would have no pixels", "check the area to write", nil}
	case format != JPEG:
		return nil
	case w > 65535 || h > 65535:
		return &Error{path, ErrTooLarge, fmt.Sprintf("would be %d × %d pixels, a JPEG has at most 65535 a side", w, h), "use the ending .png or .tif", nil}
	case opts.Bits == 16:
		return &Error{path, ErrUnsupported, "cannot have 16 bits as a JPEG", "use the ending .png or .tif, or 8 bits", nil}
	case !pic.Opaque():
		return &Error{path, ErrUnsupported, "cannot have transparent parts as a JPEG", "use the ending .png or .tif, or crop the picture", nil}
	}
	return nil
}

func encode(ctx context.Context, w io.Writer, at io.WriterAt, path string, pic *raster.Picture, opts WriteOptions) error {
	switch formatOf(path) {
	case JPEG:
		m, err := to8Bit(ctx, pic, opts.Workers)
		if err != nil {
			return err
		}
		quality := opts.Quality
		if quality == 0 {
			quality = 95
		}
		return encodeJPEG(ctx, &inserter{w: w, skip: 2, insert: jfif(opts.PPI)}, m, quality)
	case PNG:
		out := w
		if opts.PPI > 0 {
			out = &inserter{w: w, skip: 33, insert: phys(opts.PPI)} // behind the signature and IHDR
		}
		if opts.Bits == 16 {
			// The encoder asks any 16-bit image for one pixel at a time.
			return png.Encode(out, pic)
		}
		m, err := to8Bit(ctx, pic, opts.Workers)
		if err != nil {
			return err
		}
		return png.Encode(out, m)
	default:
		return writeTIFF(ctx, w, at, path, pic, opts)
	}
}

// stopped is thrown through the JPEG encoder, see encodeJPEG.
type stopped struct{}

// stopWriter throws stopped once ctx is cancelled.
type stopWriter struct {
	ctx context.Context
	w   io.Writer
}

func (s *stopWriter) Write(p []byte) (int, error) {
	if s.ctx.Err() != nil {
		panic(stopped{})
	}
	return s.w.Write(p)
}

// encodeJPEG is jpeg.Encode, which stops soon after ctx is cancelled. The
// encoder itself only remembers that writing failed and goes on to the last
// block, two seconds for 85 megapixels.
func encodeJPEG(ctx context.Context, w io.Writer, m image.Image, quality int) (err error) {
	defer func() {
		switch p := recover(); p {
		case nil:
		case stopped{}:
			err = ctx.Err()
		default:
			panic(p)
		}
	}()
	return jpeg.Encode(&stopWriter{ctx, w}, m, &jpeg.Options{Quality: quality})
}

// inserter writes insert after the first skip bytes.
type inserter struct {
	w      io.Writer
	skip   int
	insert []byte
}

func (i *inserter) Write(p []byte) (int, error) {
	if i.insert == nil {
		return i.w.Write(p)
	}
	if len(p) < i.skip {
		n, err := i.w.Write(p)
		i.skip -= n
		return n, err
	}
	n, err := i.w.Write(p[:i.skip])
	if err != nil {
		return n, err
	}
	if _, err := i.w.Write(i.insert); err != nil {
		return n, err
	}
	i.insert = nil
	m, err := i.w.Write(p[n:])
	return n + m, err
}

// jfif returns the JFIF segment (ITU-T T.871, clause 10.1), which also says
// that the colours are full-range BT.601.
func jfif(ppi float64) []byte {
	units, density := byte(0), 1 // only an aspect ratio
	if d := int(math.Round(ppi)); d > 0 {
		units, density = 1, d
	}
	hi, lo := byte(density>>8), byte(density)
	return []byte{0xff, 0xe0, 0, 16, 'J', 'F', 'I', 'F', 0, 1, 2, units, hi, lo, hi, lo, 0, 0}
}
