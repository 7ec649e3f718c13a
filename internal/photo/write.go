package photo

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"

	"flatfell.example/raster"
)

// WriteOptions are the settings of [Write] and [WritePixels]. The zero value
// is the default.
type WriteOptions struct {
	// Bits of a sample, 8 or 16. Zero means 8. JPEG has 8 only. From 16 to 8
	// each sample is rounded once.
	Bits int
	// Quality of a JPEG, 1 to 100; higher is larger. Zero means 95. Below 90
	// colours have half the resolution both ways, and at any with HalvedColour.
	Quality      int
	HalvedColour bool
	// Compression of a TIFF; empty means Deflate.
	Compression Compression
	// Overwrite allows to replace a file of the same name.
	Overwrite bool
	// PPI is the resolution noted in the file, pixels per inch, 0 to 65535.
	// Zero notes none.
	PPI float64
	// Embed is the colour profile and the metadata; nil are none.
	Embed *Embedded
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
	case o.Compression != "" && !slices.Contains(Compressions(), o.Compression):
		return fmt.Errorf("photo: Compression %q is none of %v", o.Compression, Compressions())
	case !(o.PPI >= 0 && o.PPI <= 65535):
		return fmt.Errorf("photo: PPI %v is not within 0 to 65535", o.PPI)
	}
	return nil
}

// Write is [WritePixels] of a picture in memory.
func Write(ctx context.Context, path string, pic *raster.Picture, opts WriteOptions) error {
	return writer{osFS{}}.write(ctx, path, picturePixels(pic), opts)
}

// WritePixels stores src in the format that the ending of path names: .jpg,
// .jpeg, .png, .tif or .tiff, whole or not at all as [WriteWhole] does. It
// takes a few bands of lines at a time, so its memory does not grow with the
// height. Errors about the file are of type [*Error];
// those of src come back as they are.
func WritePixels(ctx context.Context, path string, src Pixels, opts WriteOptions) error {
	return writer{osFS{}}.write(ctx, path, src, opts)
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

func (w writer) write(ctx context.Context, path string, src Pixels, opts WriteOptions) error {
	if err := opts.Validate(); err != nil {
		return err
	}
	if err := checkEnding(path); err != nil {
		return err
	}
	if err := checkPlace(path, opts.Overwrite); err != nil {
		return err
	}
	if err := checkPixels(path, src, opts); err != nil {
		return err
	}
	return w.whole(ctx, path, opts.Overwrite, func(b io.Writer, at io.WriterAt) error {
		return encode(ctx, b, at, formatOf(path), checkedPixels{src}, opts)
	})
}

// CheckSize refuses, with an [ErrTooLarge], a size in pixels that the format of
// path's ending can't hold: what Write would say once all is drawn.
func CheckSize(path string, w, h int) error {
	switch {
	case w > math.MaxInt32 || h > math.MaxInt32:
		return &Error{path, ErrTooLarge, fmt.Sprintf("would be %d × %d pixels, the limit is %d a side", w, h, math.MaxInt32), "write a smaller part", nil}
	case formatOf(path) == JPEG && (w > 65535 || h > 65535):
		return &Error{path, ErrTooLarge, fmt.Sprintf("would be %d × %d pixels, a JPEG has at most 65535 a side", w, h), "use the ending .png or .tif", nil}
	}
	return nil
}

// checkPixels refuses what the format cannot hold.
func checkPixels(path string, src Pixels, opts WriteOptions) error {
	w, h := src.Size()
	if err := CheckSize(path, w, h); err != nil {
		return err
	}
	switch format := formatOf(path); {
	case w < 1 || h < 1:
		return &Error{path, ErrUnsupported, "would have no pixels", "check the area to write", nil}
	case format != JPEG:
		return nil
	case opts.Bits == 16:
		return &Error{path, ErrUnsupported, "cannot have 16 bits as a JPEG", "use the ending .png or .tif, or 8 bits", nil}
	case src.HasAlpha():
		return &Error{path, ErrUnsupported, "cannot have transparent parts as a JPEG", "use the ending .png or .tif, or crop the picture", nil}
	}
	return nil
}

func encode(ctx context.Context, w io.Writer, at io.WriterAt, format Format, src Pixels, o WriteOptions) error {
	width, height := src.Size()
	bits, quality := cmp.Or(o.Bits, 8), cmp.Or(o.Quality, 95)
	switch format {
	case JPEG:
		return encodeJPEG(ctx, w, src, quality, quality >= fullChroma && !o.HalvedColour, o.Workers, o.Embed.jpegMarkers(width, height, o.PPI))
	case PNG:
		return encodePNG(ctx, w, src, bits, o.Workers, o.Embed.pngChunks(width, height, o.PPI))
	default:
		return encodeTIFF(ctx, w, at, src, bits, o.Workers, cmp.Or(o.Compression, Deflate), o.Embed.tiffTree(width, height, o.PPI), tiffLimit)
	}
}
