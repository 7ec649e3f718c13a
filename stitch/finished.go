package stitch

import (
	"context"
	"image"

	"flatfell.example/blend"
	"flatfell.example/internal/par"
	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// Finished is a rendered picture. It lies in memory, or in a file without a name if
// it is too large for that; or, after [Options.Once], it may be drawn by
// [Finished.Write] only. Close it when it is written.
type Finished struct {
	w, h, bits int
	alpha      bool
	pixel      int // bytes: samples interleaved, those of 16 bits with the low byte first
	pixels     pixelStore
	labels     *blend.Labels // which frame each part is taken from
	clock      *clock
	stage      func(name string) func(done float64)
}

// pixelStore is where the pixels come from.
type pixelStore interface {
	// eachSpan calls use with the bytes of lines [y0, y0+n), in pieces of a line:
	// those of line y that begin at column x.
	eachSpan(ctx context.Context, y0, n int, use func(x, y int, pixels []byte)) error
	close() error
}

// newFinished makes a picture of 8 or 16 bits a sample that has no pixels yet.
func newFinished(w, h, bits int, alpha bool) *Finished {
	f := &Finished{w: w, h: h, bits: bits, alpha: alpha, pixel: 3 * bits / 8}
	if alpha {
		f.pixel = 4 * bits / 8
	}
	return f
}

// Size returns the width and height in pixels.
func (f *Finished) Size() (w, h int) { return f.w, f.h }

// HasAlpha reports whether a part of the picture may be without content.
func (f *Finished) HasAlpha() bool { return f.alpha }

// Bits returns the bits of a stored sample, 8 or 16.
func (f *Finished) Bits() int { return f.bits }

// passing reports whether the picture can be written only.
func (f *Finished) passing() bool {
	_, ok := f.pixels.(*passing)
	return ok
}

// Close lets the picture go. One that is still being drawn is so no further.
func (f *Finished) Close() error {
	if f.pixels == nil {
		return nil
	}
	return f.pixels.close()
}

// pack stores the pixels of r, the first of them at the start of out, stride bytes
// from one line to the next.
func (f *Finished) pack(out []byte, stride int, r image.Rectangle, rgb *[3]*raster.Plane, valid []uint8) {
	n := r.Dx()
	for y := r.Min.Y; y < r.Max.Y; y++ {
		out := out[(y-r.Min.Y)*stride:][:n*f.pixel]
		red := rgb[0].Row(y)[r.Min.X-rgb[0].Rect.Min.X:][:n]
		green := rgb[1].Row(y)[r.Min.X-rgb[1].Rect.Min.X:][:n]
		blue := rgb[2].Row(y)[r.Min.X-rgb[2].Rect.Min.X:][:n]
		switch f.pixel {
		case 3:
			raster.Pack8(out, red, green, blue)
		case 6:
			raster.Pack16(out, red, green, blue)
		default:
			for x, v := range red {
				a := byte(255)
				if valid != nil {
					a = valid[(y-r.Min.Y)*n+x]
				}
				if f.bits == 8 {
					px := (*[4]byte)(out[4*x:])
					px[0], px[1], px[2], px[3] = raster.Sample8(v), raster.Sample8(green[x]), raster.Sample8(blue[x]), a
					continue
				}
				raster.EncodeWords(out[8*x:8*x+8], []uint16{raster.Sample16(v), raster.Sample16(green[x]), raster.Sample16(blue[x]), uint16(a) * 0x101})
			}
		}
	}
}

// Rows8 stores the samples of lines [y0, y0+n), RGB or RGBA, in 8 bits.
func (f *Finished) Rows8(ctx context.Context, dst []uint8, y0, n int) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	samples := f.pixel * 8 / f.bits
	return f.pixels.eachSpan(ctx, y0, n, func(x, y int, pixels []byte) {
		out := dst[((y-y0)*f.w+x)*samples:]
		if f.bits == 8 {
			copy(out, pixels)
			return
		}
		for i := range len(pixels) / 2 {
			v := uint32(pixels[2*i]) | uint32(pixels[2*i+1])<<8
			out[i] = uint8((v*255 + 32895) >> 16)
		}
	})
}

// Rows16 stores the samples of lines [y0, y0+n), RGB or RGBA, in 16 bits.
func (f *Finished) Rows16(ctx context.Context, dst []uint16, y0, n int) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	samples := f.pixel * 8 / f.bits
	return f.pixels.eachSpan(ctx, y0, n, func(x, y int, pixels []byte) {
		out := dst[((y-y0)*f.w+x)*samples:]
		if f.bits == 8 {
			for i, v := range pixels {
				out[i] = uint16(v) * 0x101
			}
			return
		}
		raster.DecodeWords(out, pixels)
	})
}

// Shrink returns the picture at 1/n of its size, each pixel the mean of n×n; a
// remainder at the right and lower edge is dropped. What has no content is
// black.
func (f *Finished) Shrink(ctx context.Context, n int) (*raster.Picture, error) {
	if f.passing() {
		return nil, errPassed
	}
	out := raster.NewPicture(image.Rect(0, 0, f.w/n, f.h/n))
	samples := f.pixel * 8 / f.bits
	line := make([]uint16, f.w*samples*n)
	for y := range out.Rect.Dy() {
		if err := f.Rows16(ctx, line, y*n, n); err != nil {
			return nil, err
		}
		row := out.Row(y)
		for i := range row {
			x, c := i/3, i%3
			var sum uint64
			for v := range n {
				for u := range n {
					sum += uint64(line[(v*f.w+x*n+u)*samples+c])
				}
			}
			row[i] = uint16((sum + uint64(n*n/2)) / uint64(n*n))
		}
	}
	return out, nil
}

// JPEG returns part r of the picture as a JPEG; what has no content is black.
func (f *Finished) JPEG(ctx context.Context, r image.Rectangle, quality int) ([]byte, error) {
	if f.passing() {
		return nil, errPassed
	}
	samples := f.pixel * 8 / f.bits
	lines := make([]uint16, f.w*samples*r.Dy())
	if err := f.Rows16(ctx, lines, r.Min.Y, r.Dy()); err != nil {
		return nil, err
	}
	return f.cut(ctx, lines, r, quality)
}

// cut makes a JPEG of part r, whose lines are given whole.
func (f *Finished) cut(ctx context.Context, lines []uint16, r image.Rectangle, quality int) ([]byte, error) {
	samples := f.pixel * 8 / f.bits
	out := raster.NewPicture(image.Rect(0, 0, r.Dx(), r.Dy()))
	for y := range r.Dy() {
		row := out.Row(y)
		from := lines[(y*f.w+r.Min.X)*samples:]
		for x := range r.Dx() {
			copy(row[3*x:3*x+3], from[samples*x:samples*x+3])
		}
	}
	return photo.JPEGBytes(ctx, out, quality)
}

// Tiles hands over the picture in squares of side pixels, those at the right and
// lower edge smaller, each a JPEG: by lines from the top, from left to right.
func (f *Finished) Tiles(ctx context.Context, side, quality, workers int, put func(column, line int, jpeg []byte) error) error {
	if f.passing() {
		return errPassed
	}
	samples := f.pixel * 8 / f.bits
	lines := make([]uint16, f.w*samples*min(side, f.h))
	for y := 0; y < f.h; y += side {
		n := min(side, f.h-y)
		if err := f.Rows16(ctx, lines, y, n); err != nil {
			return err
		}
		tiles := make([][]byte, ceilDiv(f.w, side))
		err := par.Do(ctx, workers, len(tiles), func(c int) (err error) {
			tiles[c], err = f.cut(ctx, lines, image.Rect(c*side, y, min((c+1)*side, f.w), y+n), quality)
			return err
		})
		if err != nil {
			return err
		}
		for c, b := range tiles {
			if err := put(c, y/side, b); err != nil {
				return err
			}
		}
	}
	return nil
}
