package photo

import (
	"context"

	"flatfell.example/raster"
)

// Pixels is a picture that hands out its lines in bands, so that nobody need
// hold the whole of it. Samples are interleaved, RGB, or RGBA with colours
// that are not premultiplied.
//
// The encoders ask for each line exactly once, in bands that come one below
// the other, from several goroutines at once: a band is asked for when all
// above it have been asked for, and only while none that lies more than
// [BandsAhead] bands above is still being made or written. They stop at the
// first error and give it back.
type Pixels interface {
	// Size returns the width and height.
	Size() (w, h int)
	// HasAlpha reports whether a pixel has four samples instead of three.
	HasAlpha() bool
	// Rows8 stores the samples of lines [y0, y0+n) in 8 bits.
	Rows8(ctx context.Context, dst []uint8, y0, n int) error
	// Rows16 stores them in 16 bits.
	Rows16(ctx context.Context, dst []uint16, y0, n int) error
}

// checkedPixels marks the errors of the source, which tell nothing of the file.
type checkedPixels struct{ Pixels }

type sourceError struct{ error }

func (c checkedPixels) Rows8(ctx context.Context, dst []uint8, y0, n int) error {
	return asSourceError(c.Pixels.Rows8(ctx, dst, y0, n))
}

func (c checkedPixels) Rows16(ctx context.Context, dst []uint16, y0, n int) error {
	return asSourceError(c.Pixels.Rows16(ctx, dst, y0, n))
}

func asSourceError(err error) error {
	if err == nil {
		return nil
	}
	return sourceError{err}
}

// pictureSource is a [raster.Picture] as Pixels.
type pictureSource struct {
	pic    *raster.Picture
	opaque bool
}

func picturePixels(pic *raster.Picture) Pixels { return pictureSource{pic, pic.Opaque()} }

func (s pictureSource) Size() (w, h int) { return s.pic.Rect.Dx(), s.pic.Rect.Dy() }
func (s pictureSource) HasAlpha() bool   { return !s.opaque }

func (s pictureSource) Rows8(_ context.Context, dst []uint8, y0, n int) error {
	for y := s.pic.Rect.Min.Y + y0; n > 0; y, n = y+1, n-1 {
		src := s.pic.Row(y)
		if s.opaque {
			for i, v := range src {
				dst[i] = to8(v)
			}
			dst = dst[len(src):]
			continue
		}
		alpha := s.pic.AlphaRow(y)
		for x, a := range alpha {
			p, d := src[3*x:3*x+3:3*x+3], dst[4*x:4*x+4:4*x+4]
			d[0], d[1], d[2], d[3] = to8(p[0]), to8(p[1]), to8(p[2]), to8(a)
		}
		dst = dst[4*len(alpha):]
	}
	return nil
}

func (s pictureSource) Rows16(_ context.Context, dst []uint16, y0, n int) error {
	for y := s.pic.Rect.Min.Y + y0; n > 0; y, n = y+1, n-1 {
		src := s.pic.Row(y)
		if s.opaque {
			dst = dst[copy(dst, src):]
			continue
		}
		alpha := s.pic.AlphaRow(y)
		for x, a := range alpha {
			p, d := src[3*x:3*x+3:3*x+3], dst[4*x:4*x+4:4*x+4]
			d[0], d[1], d[2], d[3] = p[0], p[1], p[2], a
		}
		dst = dst[4*len(alpha):]
	}
	return nil
}

// to8 rounds a 16-bit sample to the nearest of 8 bits.
func to8(v uint16) uint8 { return uint8((uint32(v)*255 + 32895) >> 16) }
