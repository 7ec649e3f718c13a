package focus

import (
	"context"
	"fmt"
	"image"
	"math"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

// Merge makes the picture of a Plan and its slices. It has the size of
// Plan.Crop. Where something nearer spreads over a slice, its spread is taken off. Each slice is read once, and let go before the next.
func Merge(ctx context.Context, p *Plan, given []*Slice, o Options) (*raster.Picture, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	r := image.Rectangle{Max: p.Crop.Size()}
	pic := raster.NewPicture(r)
	var tiles []image.Rectangle
	for y := 0; y < r.Max.Y; y += mergeTile {
		for x := 0; x < r.Max.X; x += mergeTile {
			tiles = append(tiles, image.Rect(x, y, x+mergeTile, y+mergeTile).Intersect(r))
		}
	}
	// What is nearer than the slice that is being added, and the same before that.
	nearer := raster.NewPicture(r)
	curve := newCurve(given[0].transfer)
	progress := o.stage("merge")
	for k := range p.Frames {
		f := &p.Frames[k]
		if f.Share > 0 {
			if f.Index >= len(given) {
				return nil, fmt.Errorf("%w: the plan is of more slices than given", ErrSlices)
			}
			s := given[f.Index]
			img, err := s.image(ctx, o.Workers)
			if err != nil {
				return nil, err
			}
			sampler := warp.NewSampler(img, f.Pose.Camera(p.Width, p.Height), p.view(), warp.Options{Kernel: warp.Lanczos5, Light: lightOf(f.Gain, s.transfer)})
			err = par.DoScratch(ctx, o.Workers, len(tiles), func() *mergeScratch { return newMergeScratch() }, func(i int, m *mergeScratch) error {
				m.add(p, pic, nearer, k, tiles[i], sampler, curve)
				return nil
			})
			if err != nil {
				return nil, err
			}
			copy(nearer.Pix, pic.Pix)
		}
		progress(float64(k+1) / float64(len(p.Frames)))
	}
	return pic, nil
}

const mergeTile = 128

// view is the picture: the reference's plane, cropped.
func (p *Plan) view() warp.View {
	return warp.View{
		Surface: warp.Plane, PxPerRadian: float64(max(p.Width, p.Height)),
		OriginPx: geom.Pt{X: float64(p.Width)/2 - float64(p.Crop.Min.X), Y: float64(p.Height)/2 - float64(p.Crop.Min.Y)},
		Rect:     image.Rectangle{Max: p.Crop.Size()},
	}
}

// lightOf is the gain of a slice for the sampler; nil if there is none.
func lightOf(gain [3]float64, t *blend.Transfer) *warp.Light {
	if gain == [3]float64{1, 1, 1} {
		return nil
	}
	const steps = 1 << 13
	l := &warp.Light{}
	dec, enc := make([]float32, steps+1), make([]float32, 4*steps+1)
	for i := range dec {
		dec[i] = float32(t.Decode(float64(i) / steps))
	}
	for i := range enc {
		enc[i] = float32(t.Encode(float64(i) / (4 * steps)))
	}
	for c, g := range gain {
		l.Decode[c], l.Encode[c], l.Gain[c] = dec, enc, float32(g)
	}
	return l
}

type mergeScratch struct {
	rgb    [3]*raster.Plane
	weight weights
	veil   veil
}

func newMergeScratch() *mergeScratch {
	m := &mergeScratch{}
	for c := range m.rgb {
		m.rgb[c] = new(raster.Plane)
	}
	return m
}

// add adds what slice k gives to a tile, less what nearer things spread over it.
func (m *mergeScratch) add(p *Plan, pic, nearer *raster.Picture, k int, r image.Rectangle, s *warp.Sampler, curve *curve) {
	if !m.weight.of(p.Labels, k, r) {
		return
	}
	for c := range m.rgb {
		m.rgb[c].Reset(r)
	}
	s.Fill(&m.rgb, nil, r)
	m.veil.lift(p, nearer, k, r, &m.rgb, curve)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		out := pic.Row(y)[3*r.Min.X:][:3*r.Dx()]
		for i, w := range m.weight.at[(y-r.Min.Y)*r.Dx():][:r.Dx()] {
			if w == 0 {
				continue
			}
			for c := range 3 {
				v := w * max(0, min(1, m.rgb[c].Pix[(y-r.Min.Y)*r.Dx()+i]))
				out[3*i+c] = uint16(min(0xffff, uint32(out[3*i+c])+uint32(raster.Sample16(v))))
			}
		}
	}
}

// Evidence returns a picture of the cells, one pixel each, that shows which
// slice they were taken from: from red, the nearest, to blue.
func (p *Plan) Evidence() *raster.Picture {
	pic := raster.NewPicture(p.Labels.Rect)
	for i, l := range p.Labels.L {
		t := 4 * float64(l) / float64(max(1, len(p.Frames)-1))
		for c, mid := range [3]float64{0.5, 2, 3.5} {
			v := math.Max(0, math.Min(1, 1.75-math.Abs(t-mid)))
			pic.Pix[3*i+c] = uint16(math.Round(v * 0xffff))
		}
	}
	return pic
}
