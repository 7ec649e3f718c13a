package focus

import (
	"context"
	"fmt"
	"image"

	"flatfell.example/blend"
	"flatfell.example/internal/photo"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

// Slice is one frame of a focus bracket. Its pixels are read when they are
// needed and not kept.
type Slice struct {
	// Name is what messages call it: its file name.
	Name string
	// Width and Height in pixels, after the file's orientation is applied.
	Width, Height int
	// Bits a sample in the file: 8 or 16.
	Bits int

	profile  *photo.Profile
	tags     func() (*photo.Tags, error) // nil without a file
	decode   func(context.Context) (image.Image, error)
	transfer *blend.Transfer
}

// OpenSlice reads the header of a photograph (JPEG, PNG or TIFF), not yet its
// pixels. The errors name the file and the remedy.
func OpenSlice(path string) (*Slice, error) {
	f, err := photo.Open(path)
	if err != nil {
		return nil, err
	}
	s := &Slice{Name: path, Width: f.Width, Height: f.Height, Bits: f.Bits, profile: f.Profile, tags: f.Tags, decode: f.Decode}
	if decode, ok := f.Profile.Curve(); ok {
		s.transfer = blend.NewTransfer(decode)
	}
	return s, nil
}

// NewSlice makes a slice of pixels that are already in memory; img must not
// change.
func NewSlice(name string, img image.Image) *Slice {
	b := img.Bounds()
	s := &Slice{Name: name, Width: b.Dx(), Height: b.Dy(), Bits: 8, decode: func(context.Context) (image.Image, error) { return img, nil }}
	if _, ok := img.(*raster.Picture); ok {
		s.Bits = 16
	}
	return s
}

// image reads the pixels.
func (s *Slice) image(ctx context.Context, workers int) (image.Image, error) {
	img, err := s.decode(ctx)
	if err != nil {
		return nil, err
	}
	if b := img.Bounds(); b.Dx() != s.Width || b.Dy() != s.Height {
		return nil, fmt.Errorf("%s: decoded to %d×%d pixels, but its header says %d×%d; export the file again",
			s.Name, b.Dx(), b.Dy(), s.Width, s.Height)
	}
	if !warp.CanSample(img) {
		return raster.FromImage(ctx, workers, img)
	}
	return img, nil
}

// check refuses what can be seen from the headers to be no bracket.
func check(slices []*Slice) error {
	switch {
	case len(slices) < minSlices:
		return fmt.Errorf("%w: a focus bracket has two slices or more, and there is %d; give all of them", ErrSlices, len(slices))
	case len(slices) > maxSlices:
		return fmt.Errorf("%w: %d slices are more than %d; leave some out", ErrSlices, len(slices), maxSlices)
	}
	first := slices[0]
	if first.Width < leastSide || first.Height < leastSide {
		return fmt.Errorf("%w: %s has %d×%d pixels, less than %d a side; give the photographs themselves",
			ErrSlices, first.Name, first.Width, first.Height, leastSide)
	}
	for _, s := range slices[1:] {
		if s.Width != first.Width || s.Height != first.Height {
			return fmt.Errorf("%w: %s has %d×%d pixels, but %s has %d×%d; leave out what belongs to another bracket, or export all alike",
				ErrSlices, s.Name, s.Width, s.Height, first.Name, first.Width, first.Height)
		}
		if !s.profile.Same(first.profile) {
			return fmt.Errorf("%w: %s and %s have different colour profiles; export all with the same", ErrSlices, first.Name, s.Name)
		}
	}
	return nil
}

// leastSide is the smallest width and height: below it there is no room to
// register.
const leastSide = 64
