package raster

import (
	"image"
)

// LumaPatch fills dst with the luma (0 to 1, encoded scale) of the part of
// img that dst.Rect names, in blocks of shrink×shrink pixels: dst pixel (x, y)
// is the mean over [x·shrink, (x+1)·shrink) × [y·shrink, (y+1)·shrink) of the
// image moved to start at (0, 0). Beyond the image its edge is repeated.
//
// It serves small windows cheaply, without converting the whole image, and
// agrees with [Luma] where that is defined.
func LumaPatch(dst *Plane, img image.Image, shrink int) {
	size := img.Bounds().Size()
	if s, ok := img.(*Stored); ok && !dst.Rect.Empty() && size.X > 0 {
		r := image.Rectangle{dst.Rect.Min.Mul(shrink), dst.Rect.Max.Mul(shrink)}
		// The part that is asked for, and where all lies beyond, the edge.
		x0, y0 := min(max(r.Min.X, 0), size.X-1), min(max(r.Min.Y, 0), size.Y-1)
		part, put := s.Part(image.Rect(x0, y0, max(x0+1, min(r.Max.X, size.X)), max(y0+1, min(r.Max.Y, size.Y))))
		defer put()
		lumaPatch(dst, size, shrink, part.Rect.Min, lumaSpans(part))
		return
	}
	lumaPatch(dst, size, shrink, image.Point{}, lumaSpans(img))
}

// lumaPatch is LumaPatch of an image of some size of which read reads the part
// that is needed; it begins at corner.
func lumaPatch(dst *Plane, size image.Point, shrink int, corner image.Point, span func(dst []float32, x0, y, n int)) {
	read := func(dst []float32, x0, y, n int) { span(dst, x0-corner.X, y-corner.Y, n) }
	n := 1 / float32(shrink*shrink)
	r := dst.Rect
	if size.X == 0 || size.Y == 0 {
		clear(dst.Pix)
		return
	}
	// Columns [x0, x1) of dst lie wholly inside the image, the rest is done a
	// pixel at a time.
	x0 := min(max(0, r.Min.X), r.Max.X)
	x1 := max(x0, min(size.X/shrink, r.Max.X))
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := dst.Row(y)
		clear(row)
		for sy := y * shrink; sy < (y+1)*shrink; sy++ {
			cy := min(max(sy, 0), size.Y-1)
			if x0 < x1 {
				read(row[x0-r.Min.X:x1-r.Min.X], x0*shrink, cy, shrink)
			}
			for i := range row {
				x := r.Min.X + i
				if x >= x0 && x < x1 {
					continue
				}
				for sx := x * shrink; sx < (x+1)*shrink; sx++ {
					read(row[i:i+1], min(max(sx, 0), size.X-1), cy, 1)
				}
			}
		}
		for i := range row {
			row[i] *= n
		}
	}
}

// lumaSpans returns a function that adds to dst[i] the luma of the pixels
// x0 + i·n … x0 + i·n + n − 1 of line y, counted from the image's corner.
func lumaSpans(img image.Image) func(dst []float32, x0, y, n int) {
	bytes := func(pix []uint8, stride int) func(dst []float32, x0, y, n int) {
		return func(dst []float32, x0, y, n int) {
			line := pix[y*stride+x0:][:len(dst)*n]
			if n == 1 {
				for i, v := range line {
					dst[i] += float32(v) * (1. / 255)
				}
				return
			}
			for i := range dst {
				sum := 0
				for _, v := range line[i*n:][:n] {
					sum += int(v)
				}
				dst[i] += float32(sum) * (1. / 255)
			}
		}
	}
	switch m := img.(type) {
	case *image.YCbCr:
		return bytes(m.Y, m.YStride)
	case *image.Gray:
		return bytes(m.Pix, m.Stride)
	case *Picture:
		return func(dst []float32, x0, y, n int) {
			line := m.Row(m.Rect.Min.Y + y)[3*x0:][:3*len(dst)*n]
			for i := range dst {
				var sum float32
				for k := 3 * n * i; k < 3*n*(i+1); k += 3 {
					px := (*[3]uint16)(line[k:])
					sum += 0.299*float32(px[0]) + 0.587*float32(px[1]) + 0.114*float32(px[2])
				}
				dst[i] += sum * (1. / 65535)
			}
		}
	}
	read := rowReader(img)()
	line := make([]uint16, 3*img.Bounds().Dx())
	return func(dst []float32, x0, y, n int) {
		read(y, line, nil)
		for i := range dst {
			for k := range n {
				px := (*[3]uint16)(line[3*(x0+i*n+k):])
				dst[i] += (0.299*float32(px[0]) + 0.587*float32(px[1]) + 0.114*float32(px[2])) * (1. / 65535)
			}
		}
	}
}
