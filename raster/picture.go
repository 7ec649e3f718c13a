package raster

import (
	"image"
	"image/color"
)

// Picture is an RGB picture of 16-bit samples in the file's own (encoded)
// scale, interleaved. The red sample of (x, y) is
// Pix[(y-Rect.Min.Y)*Stride + 3*(x-Rect.Min.X)].
//
// It implements image.Image, so any encoder can write it; those that care
// for speed read Pix.
type Picture struct {
	Pix    []uint16
	Stride int
	Rect   image.Rectangle
	// Alpha has one sample a pixel, in row order without gaps, 0 where the
	// picture has no content; nil if every pixel has. Colours are not
	// premultiplied.
	Alpha []uint16
}

// NewPicture returns a black picture with bounds r and no alpha.
func NewPicture(r image.Rectangle) *Picture {
	return &Picture{Pix: make([]uint16, 3*r.Dx()*r.Dy()), Stride: 3 * r.Dx(), Rect: r}
}

// Reset gives p the bounds r and no alpha, reusing its memory where it is large
// enough. The samples are not cleared.
func (p *Picture) Reset(r image.Rectangle) {
	n := 3 * r.Dx() * r.Dy()
	if cap(p.Pix) < n {
		p.Pix = make([]uint16, n)
	}
	p.Pix, p.Stride, p.Rect, p.Alpha = p.Pix[:n], 3*r.Dx(), r, nil
}

// Row returns the samples of line y: 3·Rect.Dx() of them.
func (p *Picture) Row(y int) []uint16 {
	i := (y - p.Rect.Min.Y) * p.Stride
	return p.Pix[i : i+3*p.Rect.Dx() : i+3*p.Rect.Dx()]
}

// AlphaRow returns the alpha samples of line y, or nil if there is no alpha.
func (p *Picture) AlphaRow(y int) []uint16 {
	if p.Alpha == nil {
		return nil
	}
	w := p.Rect.Dx()
	i := (y - p.Rect.Min.Y) * w
	return p.Alpha[i : i+w : i+w]
}

// Put stores the pixels of r, which the planes hold and the picture contains:
// red, green and blue, 1 = full scale, limited to 0 to 1 and rounded; NaN gives
// 0. valid is nil if all have content; else it has an entry for each in row
// order, 0 where there is none. Different pixels may be put at once.
func (p *Picture) Put(r image.Rectangle, rgb *[3]*Plane, valid []uint8) {
	for y := r.Min.Y; y < r.Max.Y; y++ {
		out := p.Row(y)[3*(r.Min.X-p.Rect.Min.X):][:3*r.Dx()]
		red := rgb[0].Row(y)[r.Min.X-rgb[0].Rect.Min.X:][:r.Dx()]
		green := rgb[1].Row(y)[r.Min.X-rgb[1].Rect.Min.X:][:r.Dx()]
		blue := rgb[2].Row(y)[r.Min.X-rgb[2].Rect.Min.X:][:r.Dx()]
		for x, v := range red {
			px := (*[3]uint16)(out[3*x:])
			px[0], px[1], px[2] = Sample16(v), Sample16(green[x]), Sample16(blue[x])
		}
		alpha := p.AlphaRow(y)
		if alpha == nil {
			continue
		}
		alpha = alpha[r.Min.X-p.Rect.Min.X:][:r.Dx()]
		for x := range alpha {
			alpha[x] = 0xffff
			if valid != nil {
				alpha[x] = uint16(valid[(y-r.Min.Y)*r.Dx()+x]) * 0x101
			}
		}
	}
}

// ColorModel implements image.Image.
func (p *Picture) ColorModel() color.Model { return color.NRGBA64Model }

// Bounds implements image.Image.
func (p *Picture) Bounds() image.Rectangle { return p.Rect }

// At implements image.Image.
func (p *Picture) At(x, y int) color.Color {
	if !(image.Point{X: x, Y: y}).In(p.Rect) {
		return color.NRGBA64{}
	}
	i := (y-p.Rect.Min.Y)*p.Stride + 3*(x-p.Rect.Min.X)
	c := color.NRGBA64{R: p.Pix[i], G: p.Pix[i+1], B: p.Pix[i+2], A: 0xffff}
	if p.Alpha != nil {
		c.A = p.Alpha[(y-p.Rect.Min.Y)*p.Rect.Dx()+x-p.Rect.Min.X]
	}
	return c
}

// RGBA64At implements image.RGBA64Image.
func (p *Picture) RGBA64At(x, y int) color.RGBA64 {
	r, g, b, a := p.At(x, y).RGBA()
	return color.RGBA64{R: uint16(r), G: uint16(g), B: uint16(b), A: uint16(a)}
}

// Opaque reports whether every pixel has content.
func (p *Picture) Opaque() bool {
	for _, a := range p.Alpha {
		if a != 0xffff {
			return false
		}
	}
	return true
}
