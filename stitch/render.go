package stitch

import (
	"context"
	"fmt"
	"image"
	"math"
	"slices"
	"sync"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

// Render makes the picture of a Solution, 16 bits a sample in the encoding of
// the frames. frames are those given to Align, in the same order; those that
// were not placed are not read. With opts.Crop.Whole the picture has alpha.
//
// Render fills sol.Output anew for opts.Surface and opts.Crop and appends to
// sol.Stages. The pixels do not depend on opts.Workers.
func Render(ctx context.Context, sol *Solution, frames []*Frame, o Options) (*raster.Picture, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := matchesFrames(sol, frames); err != nil {
		return nil, err
	}
	if err := checkKeep(frames, o.Keep); err != nil {
		return nil, err
	}
	if err := planOutput(sol, o); err != nil {
		return nil, err
	}
	view, err := sol.Output.View()
	if err != nil {
		return nil, err
	}
	c := newClock(sol)
	layers, err := openLayers(ctx, sol, frames, view, o)
	if err != nil {
		return nil, err
	}
	c.lap("read")
	labels, err := findSeams(ctx, sol, layers, view, o)
	if err != nil {
		return nil, err
	}
	c.lap("seams")
	if o.Seams != nil {
		o.Seams(labels)
	}
	pic := raster.NewPicture(view.Rect)
	if o.Crop.Whole {
		pic.Alpha = make([]uint16, view.Rect.Dx()*view.Rect.Dy())
	}
	bl := make([]blend.Layer, len(layers))
	for i := range layers {
		bl[i] = layers[i]
	}
	err = blend.Multiband(ctx, pic, bl, labels, blend.MultibandOptions{Workers: o.Workers, Progress: o.stage("blend")})
	if err != nil {
		return nil, err
	}
	c.lap("blend")
	return pic, nil
}

func matchesFrames(sol *Solution, frames []*Frame) error {
	if err := sol.validate(); err != nil {
		return fmt.Errorf("the Solution can't be rendered: %w", err)
	}
	if len(frames) != len(sol.Frames) {
		return fmt.Errorf("%w: the Solution has %d frames, %d were given; give the same frames in the same order", ErrFrames, len(sol.Frames), len(frames))
	}
	placed := 0
	for i, f := range frames {
		s := &sol.Frames[i]
		if s.Placed {
			placed++
		}
		if f.Width != s.Width || f.Height != s.Height {
			return fmt.Errorf("%w: %s is %d×%d pixels, in the Solution %d×%d; give the frames it was made from",
				ErrFrames, f.Name, f.Width, f.Height, s.Width, s.Height)
		}
	}
	if placed == 0 {
		return fmt.Errorf("%w: the Solution places no frame", ErrFrames)
	}
	return nil
}

// layer is one placed frame on the output view.
type layer struct {
	pic     *raster.Picture
	frame   *FrameSolution
	sampler *warp.Sampler
	tone    *[3][]float32
	shade   *warp.Shade
	bounds  image.Rectangle
	masks   *sync.Pool // of *[]uint8
}

// Bounds implements blend.Layer.
func (l *layer) Bounds() image.Rectangle { return l.bounds }

// Fill implements blend.Layer.
func (l *layer) Fill(dst *[3]*raster.Plane, valid *raster.Plane, r image.Rectangle) {
	fillFrom(l.sampler, l.tone, l.masks, dst, valid, r)
}

func fillFrom(s *warp.Sampler, tone *[3][]float32, masks *sync.Pool, dst *[3]*raster.Plane, valid *raster.Plane, r image.Rectangle) {
	for c := range dst {
		dst[c].Reset(r)
	}
	valid.Reset(r)
	buf := masks.Get().(*[]uint8)
	defer masks.Put(buf)
	n := r.Dx() * r.Dy()
	if cap(*buf) < n {
		*buf = make([]uint8, n)
	}
	mask := (*buf)[:n]
	s.Fill(dst, mask, r, tone)
	for i, m := range mask {
		valid.Pix[i] = float32(m / 255)
	}
}

// openLayers reads the placed frames.
func openLayers(ctx context.Context, sol *Solution, frames []*Frame, view warp.View, o Options) ([]*layer, error) {
	cams, index := placedCameras(sol)
	layers := make([]*layer, len(cams))
	masks := &sync.Pool{New: func() any { return new([]uint8) }}
	done := newCounter(len(cams), o.stage("read"))
	err := par.Do(ctx, o.Workers, len(cams), func(k int) error {
		img, err := frames[index[k]].Image(ctx)
		if err != nil {
			return err
		}
		pic, err := raster.FromImage(ctx, 1, img)
		if err != nil {
			return err
		}
		frames[index[k]].Release()
		l := &layer{pic: pic, frame: &sol.Frames[index[k]], masks: masks}
		l.shade = shadeOf(l.frame)
		l.tone = lightOf(l.frame, l.shade, true)
		l.sampler = warp.NewSampler(pic, cams[k], view, warp.Options{MarginPx: coverMarginPx, Shade: l.shade})
		l.bounds, _ = warp.Bounds(view, cams[k:k+1])
		layers[k] = l
		done()
		return nil
	})
	return layers, err
}

// shadeNodes is the number of nodes of a shade along the frame's longer side.
// Between two of them the light of a lens that loses two stops in its corners
// departs from a straight line by 1e-3 at most, a tenth of an 8-bit step.
const shadeNodes = 513

// lightOf returns how a frame's samples become the picture's: tone curves that
// give encoded samples, or linear light for the shade, if not nil, to encode.
//
// With whiten a sample whose light is lost to clipping becomes white, whatever
// the gains of its frame: else a blown-out sky would be grey in a frame that is
// darkened, and tinted by the correction of the white balance. Without, it
// becomes the least light that it can have been.
func lightOf(f *FrameSolution, shade *warp.Shade, whiten bool) *[3][]float32 {
	dec, enc := f.Tone.Tables()
	white := float32(1) // light that is white wherever it lies in the frame
	if shade != nil {
		white = 1 / min(1, slices.Min(shade.Factor))
	}
	tone := new([3][]float32)
	for c, g := range f.Gain {
		tone[c] = make([]float32, len(dec))
		for v, l := range dec {
			l *= float32(g)
			if whiten && l < white {
				l += lostLight(v) * (white - l)
			}
			switch {
			case shade != nil:
				tone[c][v] = l
			case g == 1:
				tone[c][v] = float32(v) / 65535 // exactly as it came
			default:
				tone[c][v] = enc.Encode(l)
			}
		}
	}
	return tone
}

// shadeOf returns what varies over a frame of its light, nil for nothing.
func shadeOf(f *FrameSolution) *warp.Shade {
	if f.Vignetting == (blend.Vignetting{}) && f.Field == (blend.Field{}) {
		return nil
	}
	_, enc := f.Tone.Tables()
	cam := f.Camera()
	long := max(f.Width, f.Height)
	nodes := func(side int) int { return max(2, side*(shadeNodes-1)/long+1) }
	shade := &warp.Shade{Rows: nodes(f.Height), Cols: nodes(f.Width), Encode: (*[65537]float32)(enc)}
	for j := range shade.Rows {
		for i := range shade.Cols {
			p := lightPos(&cam, geom.Pt{
				X: float64(f.Width) * float64(i) / float64(shade.Cols-1),
				Y: float64(f.Height) * float64(j) / float64(shade.Rows-1),
			})
			shade.Factor = append(shade.Factor, float32(f.shadeAt(p)))
		}
	}
	return shade
}

func floorDiv(a, b int) int { return int(math.Floor(float64(a) / float64(b))) }
func ceilDiv(a, b int) int  { return int(math.Ceil(float64(a) / float64(b))) }
