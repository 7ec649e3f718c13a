package stitch

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"path/filepath"
	"slices"

	"flatfell.example/blend"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

const (
	// seamCells is the number of cells to which a frame is reduced for finding
	// seams: at 26 megapixels a cell is 8 pixels wide.
	seamCells = 4e5
	// maxCell divides the turn of a closed picture, see closedGrain.
	maxCell = 32
	// seamMargin keeps seams this many cells away from a frame's border.
	seamMargin = 2
	// noiseCost is the cost of taking a cell from a frame that was brightened
	// by a stop: where all else is equal the seam moves toward it.
	noiseCost = 0.0005
)

// cellFor returns the side of a seam cell in output pixels, a power of two.
func cellFor(framePixels int) int {
	cell := 1
	for cell < maxCell && float64(framePixels)/float64(4*cell*cell) >= seamCells {
		cell *= 2
	}
	return cell
}

// findSeams chooses which frame each part of the picture is taken from.
func findSeams(ctx context.Context, sol *Solution, layers []*layer, view warp.View, o Options) (*blend.Labels, error) {
	progress := o.stage("seams")
	keep := keepsOf(layers, o.Keep)
	f := layers[0].frame
	cell := cellFor(f.Width * f.Height)
	coarse := seamView(view, cell)
	out := make([]blend.SeamLayer, len(layers))
	sharp := make([]*sharpnessMap, len(layers))
	done := newCounter(len(layers), func(share float64) { progress(0.5 * share) })
	err := par.Do(ctx, o.Workers, len(layers), func(i int) error {
		l := layers[i]
		small, err := l.pic.Shrink(ctx, 1, cell)
		if err != nil {
			return err
		}
		r := image.Rect(floorDiv(l.bounds.Min.X, cell), floorDiv(l.bounds.Min.Y, cell), ceilDiv(l.bounds.Max.X, cell), ceilDiv(l.bounds.Max.Y, cell))
		if coarse.WrapPx > 0 {
			r.Max.X = min(r.Max.X, r.Min.X+coarse.WrapPx)
		} else {
			r = r.Intersect(coarse.Rect)
		}
		out[i], sharp[i] = l.seamLayer(small, coarse, cell, r, keep[i])
		done()
		return nil
	})
	if err != nil {
		return nil, err
	}
	preferSharper(out, sharp, coarse.WrapPx)
	labels, err := blend.Seams(ctx, coarse.Rect, cell, out, blend.SeamOptions{Wrap: coarse.WrapPx > 0})
	progress(1)
	return labels, err
}

// seamView returns the view on the grid of the seams.
func seamView(view warp.View, cell int) warp.View {
	view.PxPerRadian /= float64(cell)
	view.OriginPx.X /= float64(cell)
	view.OriginPx.Y /= float64(cell)
	view.WrapPx /= cell
	view.Rect = image.Rect(0, 0, ceilDiv(view.Rect.Dx(), cell), ceilDiv(view.Rect.Dy(), cell))
	return view
}

// seamLayer resamples the layer on part r of the seams' grid and measures its
// sharpness there, nil if it is too small for that. small is its picture reduced
// by cell.
func (l *layer) seamLayer(small *raster.Picture, coarse warp.View, cell int, r image.Rectangle, keep []Keep) (out blend.SeamLayer, sharp *sharpnessMap) {
	cam := l.frame.Camera().Scaled(1 / float64(cell))
	cam.Width, cam.Height = small.Rect.Dx(), small.Rect.Dy()
	s := warp.NewSampler(small, cam, coarse, warp.Options{MarginPx: seamMargin, Shade: l.shade})
	out = blend.SeamLayer{Rect: r, Valid: new(raster.Plane), Cost: raster.NewPlane(r)}
	for c := range out.RGB {
		out.RGB[c] = new(raster.Plane)
	}
	fillFrom(s, lightOf(l.frame, l.shade, false), l.masks, &out.RGB, out.Valid, r)
	gain := l.frame.Gain
	noise := float32(noiseCost * math.Max(0, math.Log2((gain[0]+gain[1]+gain[2])/3)))
	for i := range out.Cost.Pix {
		out.Cost.Pix[i] = noise
	}
	if isClipped(small) {
		lost := [3]*raster.Plane{new(raster.Plane), new(raster.Plane), new(raster.Plane)}
		plain := warp.NewSampler(small, cam, coarse, warp.Options{})
		fillFrom(plain, lostCurves(), l.masks, &lost, new(raster.Plane), r)
		out.Lost = lost[0]
		for i := range out.Lost.Pix {
			out.Lost.Pix[i] = min(max((lost[0].Pix[i]+lost[1].Pix[i]+lost[2].Pix[i])/3, 0), 1)
		}
	}
	if d := detailOf(l.pic); d != nil {
		sharp = d.sharpnessOn(s, cell, r)
	}
	if len(keep) == 0 {
		return out, sharp
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := out.Cost.Row(y)
		for x := r.Min.X; x < r.Max.X; x++ {
			p, ok := s.PixelAt(float64(x)+0.5, float64(y)+0.5)
			for _, k := range keep {
				w := float64(cam.Width)
				if ok && math.Hypot(p.X-k.X*w, p.Y-k.Y*float64(cam.Height)) <= k.Radius*w {
					row[x-r.Min.X] = blend.Wanted
				}
			}
		}
	}
	return out, sharp
}

// isClipped reports whether any sample has lost of its light.
func isClipped(pic *raster.Picture) bool {
	return slices.ContainsFunc(pic.Pix, func(v uint16) bool { return lostLight(int(v)) > 0 })
}

// lostCurves returns the part of a sample's light that is lost, as curves of the
// samples.
func lostCurves() *[3][]float32 {
	curve := make([]float32, 1<<16)
	for v := range curve {
		curve[v] = lostLight(v)
	}
	return &[3][]float32{curve, curve, curve}
}

// ErrKeep is wrapped by the errors about [Options.Keep].
var ErrKeep = errors.New("the place to keep can't be found")

// is reports whether the frame of that name is meant.
func (k *Keep) is(name string) bool { return name == k.Frame || filepath.Base(name) == k.Frame }

// checkKeep reports a place to keep of a frame that is not there, or of more
// than one.
func checkKeep(frames []*Frame, keep []Keep) error {
	for i := range keep {
		n := 0
		for _, f := range frames {
			if keep[i].is(f.Name) {
				n++
			}
		}
		switch {
		case n == 0:
			return fmt.Errorf("%w: %s is not among the frames; name one of them", ErrKeep, keep[i].Frame)
		case n > 1:
			return fmt.Errorf("%w: %s is the name of %d frames; give it with its folder", ErrKeep, keep[i].Frame, n)
		}
	}
	return nil
}

// keepsOf returns each layer's places to keep.
func keepsOf(layers []*layer, keep []Keep) [][]Keep {
	of := make([][]Keep, len(layers))
	for i, l := range layers {
		for _, k := range keep {
			if k.is(l.frame.File) {
				of[i] = append(of[i], k)
			}
		}
	}
	return of
}
