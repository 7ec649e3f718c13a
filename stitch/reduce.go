package stitch

import (
	"context"
	"image"

	"flatfell.example/raster"
)

// reduce returns the Solution and its frames at such a part of their size that
// the picture has o.MaxWidth pixels or a few less, sol.Output planned. Frames are
// reduced by a whole number, each pixel the mean of a square, which leaves no
// detail too fine for the picture.
func reduce(sol *Solution, frames []*Frame, o Options) (*Solution, []*Frame, error) {
	n := sol.Output.Width / o.MaxWidth
	small := *sol
	small.Frames = make([]FrameSolution, len(sol.Frames))
	reduced := make([]*Frame, len(frames))
	for i, f := range frames {
		reduced[i] = f.reduced(n)
		fs := sol.Frames[i]
		fs.Width, fs.Height = reduced[i].Width, reduced[i].Height
		fs.FocalPx /= float64(n)
		fs.CentrePx[0] /= float64(n)
		fs.CentrePx[1] /= float64(n)
		small.Frames[i] = fs
	}
	scale := 1.0
	for {
		if err := planOutput(&small, o, scale); err != nil {
			return nil, nil, err
		}
		w := small.Output.Width
		if w <= o.MaxWidth {
			return &small, reduced, nil
		}
		scale *= (float64(o.MaxWidth) - 0.5) / float64(w)
	}
}

// reduced returns the frame at 1/n of its size.
func (f *Frame) reduced(n int) *Frame {
	if n == 1 {
		return f
	}
	return &Frame{
		Name: f.Name, Width: f.Width / n, Height: f.Height / n, Bits: f.Bits, Gray: f.Gray,
		full: f.Width, Profile: f.Profile, ProfileNote: f.ProfileNote, tags: f.tags,
		decode: func(ctx context.Context) (image.Image, error) {
			img, err := f.Image(ctx)
			if err != nil {
				return nil, err
			}
			defer f.Release()
			return raster.Shrink(ctx, 1, img, n)
		},
	}
}
