package raster

import (
	"image"
	"image/color"
)

// LumaPatch fills dst with the luma (0 to 1, encoded scale) of the part of
// img that dst.Rect names, in blocks of shrink×shrink pixels: dst pixel (x, y)
// is the mean over [x·shrink, (x+1)·shrink) × [y·shrink, (y+1)·shrink) of the
// image moved to start at (0, 0). Beyond the image its edge is repeated.
//
// It serves small windows cheaply, without converting the whole image, and
// agrees with [Luma] where that is defined.
func LumaPatch(dst *Plane, img image.Image, shrink int) {
	b := img.Bounds()
	at := lumaAt(img)
	n := 1 / float32(shrink*shrink)
	for y := dst.Rect.Min.Y; y < dst.Rect.Max.Y; y++ {
		row := dst.Row(y)
		for i := range row {
			x := dst.Rect.Min.X + i
			var sum float32
			for sy := y * shrink; sy < (y+1)*shrink; sy++ {
				cy := b.Min.Y + min(max(sy, 0), b.Dy()-1)
				for sx := x * shrink; sx < (x+1)*shrink; sx++ {
					sum += at(b.Min.X+min(max(sx, 0), b.Dx()-1), cy)
				}
			}
			row[i] = sum * n
		}
	}
}

// lumaAt returns a function that reads the luma of one pixel inside img.
func lumaAt(img image.Image) func(x, y int) float32 {
	rgb := func(r, g, b float32) float32 { return 0.299*r + 0.587*g + 0.114*b }
	switch m := img.(type) {
	case *image.YCbCr:
		return func(x, y int) float32 { return float32(m.Y[(y-m.Rect.Min.Y)*m.YStride+x-m.Rect.Min.X]) / 255 }
	case *image.Gray:
		return func(x, y int) float32 { return float32(m.Pix[m.PixOffset(x, y)]) / 255 }
	case image.RGBA64Image:
		return func(x, y int) float32 {
			c := m.RGBA64At(x, y)
			return rgb(float32(c.R), float32(c.G), float32(c.B)) / 65535
		}
	}
	return func(x, y int) float32 {
		c := color.RGBA64Model.Convert(img.At(x, y)).(color.RGBA64)
		return rgb(float32(c.R), float32(c.G), float32(c.B)) / 65535
	}
}
