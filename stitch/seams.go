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
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

const (
	// seamCells is the number of cells above which a frame is reduced to a quarter of
	// them for finding seams: from 16 to 64 megapixels a cell is 8 pixels wide.
	seamCells = 1e6
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
	for cell < maxCell && float64(framePixels) > float64(cell*cell)*seamCells {
		cell *= 2
	}
	return cell
}

// lookForSeams resamples the layers on the seams' grid as the seams judge them; draw
// does it as they are drawn, when the seams are found and what they were judged by is
// gone. cell is the side of its cells in output pixels.
func lookForSeams(ctx context.Context, layers []*layer, view warp.View, o Options) (judged []blend.SeamLayer, draw func() ([]blend.SeamLayer, error), cell int, err error) {
	keep := keepsOf(layers, o.Keep)
	cell = cellFor(layers[0].frame.Width * layers[0].frame.Height)
	coarse := coarseView(view, cell)
	judged = make([]blend.SeamLayer, len(layers))
	drawn := make([]func() blend.SeamLayer, len(layers))
	sharp := make([]*sharpnessMap, len(layers))
	done := newCounter(len(layers), o.stage("read"))
	err = par.Do(ctx, o.Workers, len(layers), func(i int) error {
		l := layers[i]
		img, err := l.kept.hold(ctx, l.index)
		if err != nil {
			return err
		}
		small, err := raster.Shrink(ctx, 1, img, cell)
		fine := detailOf(img)
		l.kept.free(l.index)
		if err != nil {
			return err
		}
		r := image.Rect(floorDiv(l.bounds.Min.X, cell), floorDiv(l.bounds.Min.Y, cell), ceilDiv(l.bounds.Max.X, cell), ceilDiv(l.bounds.Max.Y, cell))
		if coarse.WrapPx > 0 {
			r.Max.X = min(r.Max.X, r.Min.X+coarse.WrapPx)
		} else {
			r = r.Intersect(coarse.Rect)
		}
		judged[i], drawn[i] = l.seamLayer(small, coarse, cell, r, keep[i])
		sharp[i] = fine.on(l.cam, coarse, cell, r)
		done()
		return nil
	})
	if err == nil && len(layers) > 0 {
		err = layers[0].kept.err()
	}
	if err == nil {
		preferSharper(judged, sharp, coarse.WrapPx)
	}
	draw = func() ([]blend.SeamLayer, error) {
		out := make([]blend.SeamLayer, len(drawn))
		return out, par.Do(ctx, o.Workers, len(out), func(i int) error {
			out[i] = drawn[i]()
			drawn[i] = nil
			return nil
		})
	}
	return judged, draw, cell, err
}

// coarseView returns the view on cells.
func coarseView(view warp.View, cell int) warp.View {
	coarse := view
	coarse.PxPerRadian /= float64(cell)
	coarse.OriginPx.X /= float64(cell)
	coarse.OriginPx.Y /= float64(cell)
	coarse.WrapPx /= cell
	coarse.Rect = image.Rect(0, 0, ceilDiv(view.Rect.Dx(), cell), ceilDiv(view.Rect.Dy(), cell))
	return coarse
}

// findSeams chooses which frame each part of the picture is taken from.
func findSeams(ctx context.Context, layers []blend.SeamLayer, cell int, view warp.View, o Options) (*blend.Labels, error) {
	progress := o.stage("seams")
	coarse := coarseView(view, cell)
	labels, err := blend.Seams(ctx, coarse.Rect, cell, layers, blend.SeamOptions{Wrap: coarse.WrapPx > 0})
	progress(1)
	return labels, err
}

// seamLayer resamples the layer on part r of the seams' grid. small is its
// picture reduced by cell. As it is drawn, the layer differs where light is lost to
// clipping, see lightOf.
func (l *layer) seamLayer(small *raster.Picture, coarse warp.View, cell int, r image.Rectangle, keep []Keep) (judged blend.SeamLayer, draw func() blend.SeamLayer) {
	cam := l.frame.Camera().Scaled(1 / float64(cell))
	cam.Width, cam.Height = small.Rect.Dx(), small.Rect.Dy()
	scaled := func(light *warp.Light) *warp.Light {
		if light == nil || light.Shade == nil {
			return light
		}
		out := *light
		out.Shade = func(p geom.Pt) float64 {
			return light.Shade(geom.Pt{X: p.X * float64(cell), Y: p.Y * float64(cell)})
		}
		return &out
	}
	planes := func() [3]*raster.Plane {
		return [3]*raster.Plane{raster.NewPlane(r), raster.NewPlane(r), raster.NewPlane(r)}
	}
	s := warp.NewSampler(small, cam, coarse, warp.Options{MarginPx: seamMargin, Local: l.frame.Local, Light: scaled(l.light)})
	out := blend.SeamLayer{Rect: r, RGB: planes(), Valid: image.NewGray(r), Cost: raster.NewPlane(r)}
	s.Fill(&out.RGB, out.Valid.Pix, r)
	drawn := blend.SeamLayer{Rect: r, RGB: out.RGB, Valid: out.Valid}
	draw = func() blend.SeamLayer { return drawn }
	gain := l.frame.Gain
	noise := float32(noiseCost * math.Max(0, math.Log2((gain[0]+gain[1]+gain[2])/3)))
	for i := range out.Cost.Pix {
		out.Cost.Pix[i] = noise
	}
	if isClipped(small) {
		drawn.RGB = [3]*raster.Plane{}
		draw = func() blend.SeamLayer {
			drawn.RGB = planes()
			s.Fill(&drawn.RGB, nil, r)
			return drawn
		}
		warp.NewSampler(small, cam, coarse, warp.Options{Local: l.frame.Local, Light: scaled(lightOf(l.frame, l.transfer(), false))}).Fill(&out.RGB, nil, r)
		lost := planes()
		warp.NewSampler(lostPart(small), cam, coarse, warp.Options{Local: l.frame.Local}).Fill(&lost, nil, r)
		out.Lost = image.NewGray(r)
		for i := range out.Lost.Pix {
			out.Lost.Pix[i] = raster.Sample8((lost[0].Pix[i] + lost[1].Pix[i] + lost[2].Pix[i]) / 3)
		}
		drawn.Lost = out.Lost
	}
	if len(keep) == 0 {
		return out, draw
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
	return out, draw
}

// isClipped reports whether any sample has lost of its light.
func isClipped(pic *raster.Picture) bool {
	return slices.ContainsFunc(pic.Pix, func(v uint16) bool { return lostLight(int(v)) > 0 })
}

// lostPart returns a picture of the part of each sample's light that is lost.
func lostPart(pic *raster.Picture) *raster.Picture {
	out := raster.NewPicture(pic.Rect)
	for i, v := range pic.Pix {
		out.Pix[i] = uint16(lostLight(int(v))*0xffff + 0.5)
	}
	return out
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
