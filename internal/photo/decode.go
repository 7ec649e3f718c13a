package photo

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"os"

	"golang.org/x/image/tiff"
)

// Decode reads the pixels and turns them upright by the orientation in Meta,
// without any loss: the image has the type that suits the file, such as
// *image.YCbCr with its subsampled chroma, a [raster.Stored] for all usual TIFF
// and PNG files, or *image.Paletted.
// Its size is Width × Height; its bounds need not start at (0, 0), because a
// subsampled image of odd size that is mirrored starts in the middle of a
// chroma sample.
//
// Decode stops soon after ctx is cancelled, with the error of ctx. Other
// errors are of type [*Error]; a truncated file is [ErrDamaged].
func (f *File) Decode(ctx context.Context) (image.Image, error) {
	r, err := f.open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return f.decode(ctx, r)
}

// open opens the file again.
func (f *File) open() (*os.File, error) {
	r, err := os.Open(f.Path)
	if err != nil {
		return nil, unreadable(f.Path, err)
	}
	info, err := r.Stat()
	if err == nil && info.Size() != f.size {
		err = damaged(f.Path, "has changed since it was opened", nil)
	} else if err != nil {
		err = unreadable(f.Path, err)
	}
	if err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

// decode is Decode from bytes at hand.
func (f *File) decode(ctx context.Context, r io.ReaderAt) (image.Image, error) {
	var img image.Image
	err := f.whole(ctx, func() (err error) {
		img, err = f.decodePixels(ctx, r)
		return err
	})
	if err != nil {
		return nil, err
	}
	if f.plain != nil {
		return img, nil
	}
	if img.Bounds().Size() != f.stored {
		return nil, damaged(f.Path, fmt.Sprintf("holds %v pixels instead of %v", img.Bounds().Size(), f.stored), nil)
	}
	return orient(ctx, img, f.Meta.Orientation)
}

// whole runs a decoder and turns what it says into an error about the file.
func (f *File) whole(ctx context.Context, decode func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = damaged(f.Path, fmt.Sprintf("is a damaged %v file", f.Format), fmt.Errorf("%v", p))
		}
	}()
	err = decode()
	if ctxErr := ctx.Err(); ctxErr != nil {
		return ctxErr
	}
	if err != nil {
		return f.decodeError(err)
	}
	return nil
}

func (f *File) decodePixels(ctx context.Context, file io.ReaderAt) (image.Image, error) {
	if f.plain != nil {
		return f.decodePlain(ctx, file)
	}
	r := func() *cancelReader { return &cancelReader{ctx, io.NewSectionReader(file, 0, f.size)} }
	switch f.Format {
	case JPEG:
		if err := checkJPEGScans(r()); err != nil {
			return nil, err
		}
		return jpeg.Decode(r())
	case PNG:
		return png.Decode(r())
	default:
		return tiff.Decode(r())
	}
}

// cancelReader fails with the error of ctx once that is cancelled.
type cancelReader struct {
	ctx context.Context
	r   *io.SectionReader
}

func (c *cancelReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}

// ReadAt serves the TIFF decoder, which would else keep the file in memory.
func (c *cancelReader) ReadAt(p []byte, off int64) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.ReadAt(p, off)
}

// isUnsupported reports whether a decoder calls the file sound but unusual.
func isUnsupported(err error) bool {
	_, j := errors.AsType[jpeg.UnsupportedError](err)
	_, p := errors.AsType[png.UnsupportedError](err)
	_, t := errors.AsType[tiff.UnsupportedError](err)
	return j || p || t
}
