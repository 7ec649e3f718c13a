package stitch

import (
	"context"
	"image"
	"math"
	"sync"
	"sync/atomic"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

// layer is one placed frame on the output view. Its pixels are held only while
// it is drawn.
type layer struct {
	ctx    context.Context // of the run, for frames read on the way
	kept   *cache
	index  int // among all frames
	frame  *FrameSolution
	cam    geom.Camera
	view   warp.View
	light  *warp.Light
	bounds image.Rectangle
	// fail ends the run: Fill has no other way to say so.
	fail func(error)

	mu      sync.Mutex // of reading
	whole   *warp.Sampler
	next    *nearSampler // for the strip that is drawn next
	sampler atomic.Pointer[nearSampler]
}

// nearSampler is a sampler of which a strip needs a part that is in memory.
type nearSampler struct {
	*warp.Sampler
	put func()
}

// newLayers returns the placed frames. Nothing is read yet.
func newLayers(ctx context.Context, sol *Solution, kept *cache, view warp.View) []*layer {
	cams, index := placedCameras(sol)
	layers := make([]*layer, len(cams))
	for k := range layers {
		l := &layer{ctx: ctx, kept: kept, index: index[k], frame: &sol.Frames[index[k]], cam: cams[k], view: view, fail: func(error) {}}
		l.light = lightOf(l.frame, l.transfer(), true)
		l.bounds, _ = warp.Bounds(view, cams[k:k+1])
		if local := l.frame.Local; local != nil {
			l.bounds = l.bounds.Inset(-int(math.Ceil(local.MaxPx(l.frame.Width) + 1)))
		}
		layers[k] = l
	}
	return layers
}

// transfer is the curve between the frame's samples and light.
func (l *layer) transfer() *blend.Transfer { return l.kept.frames[l.index].Transfer() }

// Bounds implements blend.Layer.
func (l *layer) Bounds() image.Rectangle { return l.bounds }

// Fill implements blend.Layer.
func (l *layer) Fill(dst *[3]*raster.Plane, valid []uint8, r image.Rectangle) (whole bool) {
	for c := range dst {
		dst[c].Reset(r)
	}
	s := l.sampler.Load()
	if s == nil { // it was not thought to be needed
		if err := l.readNow(); err != nil {
			l.fail(err)
			for c := range dst {
				clear(dst[c].Pix)
			}
			clear(valid)
			return false
		}
		s = l.sampler.Load()
	}
	return s.Fill(dst, valid, r)
}

// samplerErrorPx is more than the sampler's places are off by: a pixel that the
// crop found covered must not be a hole in the picture.
const samplerErrorPx = 0.02

// nearPad is about how far beyond a strip the blend looks, in output pixels.
const nearPad = 64

// ready reads what a strip needs of the frame, if it isn't there, for the time
// after the next turn.
func (l *layer) ready(ctx context.Context, strip image.Rectangle) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.next != nil {
		return nil
	}
	img, err := l.open(ctx)
	if err != nil {
		return err
	}
	l.next = &nearSampler{l.whole, func() {}}
	if s, ok := img.(*raster.Stored); ok {
		near, put, err := s.Near(l.sourceRect(strip), &l.kept.nears.shelf)
		if err != nil {
			return err
		}
		l.next = &nearSampler{l.whole.On(near), put}
	}
	return nil
}

// readNow reads the frame in the midst of drawing.
func (l *layer) readNow() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.sampler.Load() != nil {
		return nil
	}
	if _, err := l.open(l.ctx); err != nil {
		return err
	}
	l.sampler.Store(&nearSampler{l.whole, func() {}})
	return nil
}

// open makes whole, with mu held, and holds the frame for it.
func (l *layer) open(ctx context.Context) (image.Image, error) {
	img, err := l.kept.hold(ctx, l.index)
	switch {
	case err != nil:
	case l.whole != nil:
		l.kept.free(l.index) // it is held already
	default:
		l.whole = warp.NewSampler(img, l.cam, l.view, warp.Options{MarginPx: coverMarginPx - samplerErrorPx, Local: l.frame.Local, Light: l.light})
	}
	return img, err
}

// turn goes over to what was made ready.
func (l *layer) turn() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.next == nil {
		return
	}
	if old := l.sampler.Swap(l.next); old != nil {
		old.put()
	}
	l.next = nil
}

// rest lets the frame go for now.
func (l *layer) rest() {
	l.turn()
	if old := l.sampler.Swap(nil); old != nil {
		old.put()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.whole != nil {
		l.whole = nil
		l.kept.free(l.index)
	}
}

// forget lets the frame go for good.
func (l *layer) forget() {
	l.rest()
	l.kept.frames[l.index].Release()
}

// lightOf returns how a frame's samples become the picture's, nil if they stay
// as they are.
//
// With whiten a sample whose light is lost to clipping becomes white, whatever
// the gains of its frame: else a blown-out sky would be grey in a frame that is
// darkened, and tinted by the correction of the white balance. Without, it
// becomes the least light that it can have been.
func lightOf(f *FrameSolution, transfer *blend.Transfer, whiten bool) *warp.Light {
	even := f.Vignetting == blend.Vignetting{} && f.Field == blend.Field{}
	if even && f.Gain == [3]float64{1, 1, 1} {
		return nil
	}
	dec, enc := f.Tone.Tables(transfer)
	encode := every(enc[:65536], encodeStep)
	light := &warp.Light{Encode: [3][]float32{encode, encode, encode}, Gain: [3]float32{1, 1, 1}}
	white := float32(1) // light that is white wherever it lies in the frame
	if !even {
		cam := f.Camera()
		light.Shade = func(p geom.Pt) float64 { return f.shadeAt(lightPos(&cam, p)) }
		for i := range shadeGrid * shadeGrid {
			at := geom.Pt{X: float64(f.Width) * float64(i%shadeGrid) / (shadeGrid - 1), Y: float64(f.Height) * float64(i/shadeGrid) / (shadeGrid - 1)}
			white = max(white, float32(1/light.Shade(at)))
		}
	}
	for c, g := range f.Gain {
		curve := every(dec[:], decodeStep)
		for i := range curve {
			curve[i] *= float32(g)
			if whiten && curve[i] < white {
				curve[i] += lostLight(i*decodeStep) * (white - curve[i])
			}
		}
		light.Decode[c] = curve
	}
	return light
}

// shadeGrid² places of a frame tell the least of its shade.
const shadeGrid = 33

// The steps at which the curves' tables are taken, divisors of 65535. Straight
// lines between are off by a sixth of a 16-bit step in the darkest part of the
// encoding, which is the steepest, and stay in a processor's nearest memory.
const decodeStep, encodeStep = 15, 5

// every returns every n-th entry, the first and the last included.
func every(table []float32, n int) []float32 {
	out := make([]float32, 0, len(table)/n+1)
	for i := 0; i < len(table); i += n {
		out = append(out, table[i])
	}
	return out
}
