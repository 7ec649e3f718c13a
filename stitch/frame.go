package stitch

import (
	"context"
	"fmt"
	"image"
	"sync"
	"time"

	"flatfell.example/internal/photo"
)

// Frame is one photograph of a row. Its pixels are read when they are needed
// and kept until [Frame.Release].
type Frame struct {
	// Name is what messages and the Solution call the frame: its file name.
	Name string
	// Width and Height in pixels, after the file's orientation is applied.
	Width, Height int
	// Bits a sample in the file: 8 or 16.
	Bits int
	// Gray is true for a file without colour.
	Gray bool
	// FocalPx is the focal length in pixels as the file's metadata give it;
	// zero if they don't. FocalSource says from which fields.
	FocalPx     float64
	FocalSource string
	// FocalMM is the focal length in millimetres in the metadata, or zero.
	FocalMM float64
	// ExposureEV is how much light the exposure gathered in stops, up to a
	// constant, as the metadata have it, if Exposed.
	ExposureEV float64
	Exposed    bool
	// Time of the exposure; the zero time if unknown.
	Time time.Time

	decode func(context.Context) (image.Image, error)
	mu     sync.Mutex
	img    image.Image
}

// OpenFrame reads the header of a photograph (JPEG, PNG or TIFF), not yet its
// pixels. The errors name the file and the remedy.
func OpenFrame(path string) (*Frame, error) {
	f, err := photo.Open(path)
	if err != nil {
		return nil, err
	}
	out := &Frame{
		Name: path, Width: f.Width, Height: f.Height, Bits: f.Bits, Gray: f.Gray,
		FocalMM: f.Meta.FocalMM, Time: f.Meta.Time, decode: f.Decode,
	}
	out.ExposureEV, out.Exposed = f.Meta.ExposureEV()
	if px, source, ok := f.Meta.FocalPx(f.Width, f.Height); ok {
		out.FocalPx, out.FocalSource = px, source
	}
	return out, nil
}

// NewFrame makes a frame of pixels that are already in memory. The caller may
// set the exported fields that it knows more of; img must not change.
func NewFrame(name string, img image.Image) *Frame {
	b := img.Bounds()
	f := &Frame{Name: name, Width: b.Dx(), Height: b.Dy(), Bits: 8}
	switch img.(type) {
	case *image.Gray:
		f.Gray = true
	case *image.Gray16:
		f.Gray, f.Bits = true, 16
	case *image.RGBA64, *image.NRGBA64:
		f.Bits = 16
	}
	f.decode = func(context.Context) (image.Image, error) { return img, nil }
	return f
}

// Image returns the frame's pixels, upright, decoding them on the first call.
// It is safe for concurrent use.
func (f *Frame) Image(ctx context.Context) (image.Image, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.img == nil {
		img, err := f.decode(ctx)
		if err != nil {
			return nil, err
		}
		if b := img.Bounds(); b.Dx() != f.Width || b.Dy() != f.Height {
			return nil, fmt.Errorf("%s: decoded to %d×%d pixels, but its header says %d×%d; export the file again",
				f.Name, b.Dx(), b.Dy(), f.Width, f.Height)
		}
		f.img = img
	}
	return f.img, nil
}

// Release lets the frame's pixels go; a later [Frame.Image] reads them again.
func (f *Frame) Release() {
	f.mu.Lock()
	f.img = nil
	f.mu.Unlock()
}
