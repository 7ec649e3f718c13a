package raster

import "image"

// Plane is one channel of float32 samples, 1.0 = full scale unless the owner
// says otherwise. The sample at (x, y) is
// Pix[(y-Rect.Min.Y)*Stride + (x-Rect.Min.X)].
type Plane struct {
	Pix    []float32
	Stride int
	Rect   image.Rectangle
}

// NewPlane returns a plane of zeros with bounds r.
func NewPlane(r image.Rectangle) *Plane {
	return &Plane{Pix: make([]float32, r.Dx()*r.Dy()), Stride: r.Dx(), Rect: r}
}

// Row returns the samples of line y, from Rect.Min.X to Rect.Max.X.
func (p *Plane) Row(y int) []float32 {
	i := (y - p.Rect.Min.Y) * p.Stride
	return p.Pix[i : i+p.Rect.Dx() : i+p.Rect.Dx()]
}

// At returns the sample at (x, y), which must lie inside Rect.
func (p *Plane) At(x, y int) float32 {
	return p.Pix[(y-p.Rect.Min.Y)*p.Stride+x-p.Rect.Min.X]
}

// Set stores v at (x, y), which must lie inside Rect.
func (p *Plane) Set(x, y int, v float32) {
	p.Pix[(y-p.Rect.Min.Y)*p.Stride+x-p.Rect.Min.X] = v
}

// Reset gives p the bounds r, reusing its memory where it is large enough.
// The samples are not cleared.
func (p *Plane) Reset(r image.Rectangle) {
	n := r.Dx() * r.Dy()
	if cap(p.Pix) < n {
		p.Pix = make([]float32, n)
	}
	p.Pix, p.Stride, p.Rect = p.Pix[:n], r.Dx(), r
}

// CopyClamped fills p with the samples of src at the same places; beyond src
// its border is repeated. src must not be empty.
func (p *Plane) CopyClamped(src *Plane) {
	s := src.Rect
	x0 := min(max(s.Min.X, p.Rect.Min.X), p.Rect.Max.X) // [x0, x1) lies in both
	x1 := max(x0, min(s.Max.X, p.Rect.Max.X))
	for y := p.Rect.Min.Y; y < p.Rect.Max.Y; y++ {
		row, from := p.Row(y), src.Row(min(max(y, s.Min.Y), s.Max.Y-1))
		for x := p.Rect.Min.X; x < x0; x++ {
			row[x-p.Rect.Min.X] = from[min(max(x, s.Min.X), s.Max.X-1)-s.Min.X]
		}
		if x0 < x1 {
			copy(row[x0-p.Rect.Min.X:x1-p.Rect.Min.X], from[x0-s.Min.X:])
		}
		for x := x1; x < p.Rect.Max.X; x++ {
			row[x-p.Rect.Min.X] = from[min(max(x, s.Min.X), s.Max.X-1)-s.Min.X]
		}
	}
}
