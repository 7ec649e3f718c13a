package stitch

import (
	"context"
	"fmt"
	"image"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"flatfell.example/blend"
	"flatfell.example/internal/photo"
	"flatfell.example/raster"
	"flatfell.example/warp"
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
	// Profile is the ICC profile that says what the samples mean, whole; nil
	// means that there is none, and that they are sRGB.
	Profile []byte
	// ProfileNote says why the transfer curve of the profile is not used, or
	// not quite; empty if all is well.
	ProfileNote string

	decode   func(context.Context) (image.Image, error)
	aside    func(ctx context.Context, dir string) (image.Image, error) // nil if there is no file
	bytes    int64                                                      // of the decoded pixels, about; 0 if they are the caller's
	parts    bool                                                       // aside gives parts of them
	made     bool                                                       // by this program, as the file says
	full     int                                                        // width before it was reduced; zero if it wasn't
	given    bool                                                       // decode only hands over the caller's pixels
	tags     func() (*photo.Tags, error)                                // nil for a frame without a file
	once     sync.Once                                                  // of transfer
	transfer *blend.Transfer
	mu       sync.Mutex    // of decoding
	planes   *photo.Planes // of a JPEG that was decoded aside
	img      atomic.Pointer[heldImage]
}

// heldImage is a frame's pixels and the memory that letting them go would
// free: none if they were the caller's.
type heldImage struct {
	image.Image
	bytes int64
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
		FocalMM: f.Meta.FocalMM, Time: f.Meta.Time, decode: f.Decode, aside: f.DecodeAside, bytes: f.SampleBytes(), parts: f.InParts(), tags: f.Tags,
	}
	if f.Profile != nil {
		out.Profile, out.ProfileNote = f.Profile.Data, f.Profile.Note
	} else {
		out.ProfileNote = f.ProfileNote
	}
	out.made = strings.HasPrefix(f.Meta.Software, "flatfell ")
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
	f.given = warp.CanSample(img)
	return f
}

// Image returns the frame's pixels, upright: an *image.YCbCr, a *raster.Stored or
// a *raster.Picture. They are read on the first call and kept until
// [Frame.Release]. It is safe for concurrent use.
func (f *Frame) Image(ctx context.Context) (image.Image, error) { return f.image(ctx, f.decode) }

// imageAside is Image for frames that don't fit into memory together: it takes none
// where the file allows that, see photo.File.DecodeAside, and keeps what a JPEG is
// decoded to in a file for the next time.
func (f *Frame) imageAside(ctx context.Context, dir string) (image.Image, error) {
	if f.aside == nil {
		return f.Image(ctx)
	}
	return f.image(ctx, func(ctx context.Context) (image.Image, error) {
		if f.planes != nil {
			img, err := f.planes.Image(ctx)
			if err == nil || ctx.Err() != nil {
				return img, err
			}
			f.planes.Close() // it is decoded once more
			f.planes = nil
		}
		img, err := f.aside(ctx, dir)
		if err == nil {
			f.planes, _ = photo.KeepPlanes(img, dir) // without room for it, it is decoded every time
		}
		return img, err
	})
}

func (f *Frame) image(ctx context.Context, decode func(context.Context) (image.Image, error)) (image.Image, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if held := f.img.Load(); held != nil {
		return held.Image, nil
	}
	img, err := decode(ctx)
	if err != nil {
		return nil, err
	}
	if b := img.Bounds(); b.Dx() != f.Width || b.Dy() != f.Height {
		return nil, fmt.Errorf("%s: decoded to %d×%d pixels, but its header says %d×%d; export the file again",
			f.Name, b.Dx(), b.Dy(), f.Width, f.Height)
	}
	if !warp.CanSample(img) {
		if img, err = raster.FromImage(ctx, 1, img); err != nil {
			return nil, err
		}
	}
	held := &heldImage{Image: img}
	if !f.given {
		held.bytes = imageBytes(img)
	}
	f.img.Store(held)
	return img, nil
}

// heldBytes is the memory that drop would free.
func (f *Frame) heldBytes() int64 {
	if held := f.img.Load(); held != nil {
		return held.bytes
	}
	return 0
}

// Release lets the frame's pixels go, and what was kept of them in a file; a later
// [Frame.Image] reads them again.
func (f *Frame) Release() {
	f.drop()
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.planes != nil {
		f.planes.Close() // nothing was written that could get lost
		f.planes = nil
	}
}

// drop lets the pixels go that are in memory.
func (f *Frame) drop() {
	held := f.img.Swap(nil)
	if held == nil || f.given {
		return
	}
	if s, ok := held.Image.(*raster.Stored); ok {
		s.Close() // nothing was written that could get lost
	}
}

// err returns what went wrong in reading from a frame that lies in a file.
func (f *Frame) err() error {
	if held := f.img.Load(); held != nil {
		if s, ok := held.Image.(*raster.Stored); ok {
			return s.Err()
		}
	}
	return nil
}
