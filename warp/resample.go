package warp

import (
	"errors"
	"fmt"
	"image"
	"math"
	"sync"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// Options are the settings of a [Sampler]. The zero value is usable.
type Options struct {
	// Kernel interpolates between source pixels. Zero means Cubic.
	Kernel Kernel
	// MarginPx is how far inside its frame, in source pixels, a pixel must lie
	// to count as valid. Zero means up to the very edge. A larger margin
	// keeps a frame's outermost pixels, where demosaicing and lens correction
	// are weakest, out of the picture.
	MarginPx float64
	// Local displaces the mapping within the frame. Nil means not.
	Local *Local
	// Light changes the samples. Nil means no change.
	Light *Light
}

// Validate returns an error if a setting is out of range.
func (o Options) Validate() error {
	if o.Kernel != Cubic && o.Kernel != Lanczos5 {
		return fmt.Errorf("warp: no kernel %d", o.Kernel)
	}
	if !(o.MarginPx >= 0) || math.IsInf(o.MarginPx, 0) {
		return fmt.Errorf("warp: MarginPx is %g, want a number of at least 0", o.MarginPx)
	}
	if o.Local != nil && (len(o.Local.X) != o.Local.Columns*o.Local.Rows || len(o.Local.Y) != len(o.Local.X)) {
		return errors.New("warp: a Local with coefficients missing")
	}
	if o.Light != nil {
		return o.Light.validate()
	}
	return nil
}

// Sampler resamples one frame over rectangles of a view. It is safe for
// concurrent use.
type Sampler struct {
	src    *source
	proj   projector
	kernel Kernel
	margin float64
	light  *lighting
}

// NewSampler returns the sampler of the frame src, seen by cam, on view. Frame
// pixel (0, 0) is src's top left pixel wherever its bounds start; for a reduced
// src pass the camera's Scaled twin. Alpha is not looked at.
//
// NewSampler panics if src is of a type that [CanSample] denies, doesn't have
// cam's size, or o is not valid.
func NewSampler(src image.Image, cam geom.Camera, view View, o Options) *Sampler {
	if b := src.Bounds(); b.Dx() != cam.Width || b.Dy() != cam.Height || b.Empty() {
		panic(fmt.Sprintf("warp: NewSampler: picture %v for a camera of %d × %d", b, cam.Width, cam.Height))
	}
	if err := o.Validate(); err != nil {
		panic(err)
	}
	samples, err := newSource(src)
	if err != nil {
		panic(err)
	}
	s := &Sampler{src: samples, proj: newProjector(cam, view), kernel: o.Kernel, margin: o.MarginPx, light: newLighting(o.Light)}
	s.proj.local = o.Local
	return s
}

// On returns the sampler of another picture of the same size: the same frame,
// stored otherwise. It panics where NewSampler would.
func (s *Sampler) On(src image.Image) *Sampler {
	samples, err := newSource(src)
	if err != nil {
		panic(err)
	}
	out := *s
	out.src = samples
	return &out
}

// PixelAt returns the exact point of the frame that the output point (x, y)
// shows; it may lie outside the frame. ok is false where the surface or the
// camera's view ends.
func (s *Sampler) PixelAt(x, y float64) (inFrame geom.Pt, ok bool) { return s.proj.at(x, y) }

// Fill writes into dst the frame resampled at the centre of every pixel of r:
// red, green and blue, 1 = full scale. Samples are interpolated in the file's
// own encoding, YCbCr as it is with coarser chroma linearly, and then changed
// by the Light, if any.
//
// Outside the frame it is continued by repeating its edge pixels, so that
// pyramids have something smooth to stand on; past the end of the surface or
// of the camera's view too. valid, if not nil, has one entry for each pixel of
// r in row order: 255 where the pixel's ray lies inside the frame by at least
// MarginPx, else 0. Fill reports whether all are.
//
// Properties:
//
//	(1) a constant frame stays that constant, to 1e-6 relative
//	(2) a pixel's value doesn't depend on r: tiles give the bytes of the whole
//	(3) on a surface that wraps, a turn more or less gives the same, to the
//	    accuracy below
//
// Accuracy: positions are within 0.01 px of the exact mapping, and rounded to
// 1/1024 px. Values may overshoot the source's range at edges; the caller
// limits them. Where the picture shrinks by more than 1.15 to 1.32 along a
// source axis, the kernel is widened along it, so that detail doesn't alias;
// the widening is decided for blocks of 64 pixels.
//
// Fill panics if r is not inside all three planes, or valid is not of length
// r.Dx()·r.Dy().
func (s *Sampler) Fill(dst *[3]*raster.Plane, valid []uint8, r image.Rectangle) (whole bool) {
	if r.Empty() {
		return true
	}
	for c := range dst {
		if !r.In(dst[c].Rect) {
			panic(fmt.Sprintf("warp: Fill: %v is not inside the plane's %v", r, dst[c].Rect))
		}
	}
	if valid != nil && len(valid) != r.Dx()*r.Dy() {
		panic(fmt.Sprintf("warp: Fill: valid has length %d for %v", len(valid), r))
	}
	f := fillPool.Get().(*fill)
	defer fillPool.Put(f)
	f.s, f.src, f.dst, f.valid, f.r, f.whole = s, s.src, dst, valid, r, true
	for y := floorTo(r.Min.Y, blockPx); y < r.Max.Y; y += blockPx {
		f.blocks(y)
	}
	f.s, f.src, f.dst, f.valid = nil, nil, nil, nil
	for i := range f.maps {
		f.maps[i].proj = nil
	}
	return f.whole
}

// blocks fills the part of r inside the row of blocks that begins at line y. Of
// a stored frame it reads what the row needs.
func (f *fill) blocks(y int) {
	n := 0
	for x := floorTo(f.r.Min.X, blockPx); x < f.r.Max.X; x += blockPx {
		if n == len(f.maps) {
			f.maps = append(f.maps, blockMap{})
		}
		f.maps[n].prepare(&f.s.proj, image.Pt(x, y))
		f.maps[n].scales()
		n++
	}
	if stored := f.s.src.stored; stored != nil {
		var need image.Rectangle
		for i := range f.maps[:n] {
			m := &f.maps[i]
			taps := max(weightsFor(f.s.kernel, levelFor(m.scaleX)).taps, weightsFor(f.s.kernel, levelFor(m.scaleY)).taps)
			need = need.Union(m.sourceRect(taps/2 + 2))
		}
		defer f.windowed.window(stored, need)()
		f.src = &f.windowed
	}
	for i := range f.maps[:n] {
		f.blockMap = &f.maps[i]
		f.block(f.origin)
	}
}

// floorTo returns the multiple of n at or below x.
func floorTo(x, n int) int { return x - ((x%n)+n)%n }

// fill is one call of Fill: its arguments and scratch memory.
type fill struct {
	*blockMap            // the present one of maps
	maps      []blockMap // of a row of blocks
	s         *Sampler
	src       *source // of s, or windowed
	windowed  source
	dst       *[3]*raster.Plane
	valid     []uint8
	r         image.Rectangle
	whole     bool

	// The weights along the source's axes in the present block, and those of
	// its coarser planes.
	wx, wy, coarseX, coarseY *weights
	// Positions of a line of the block in phases of a source pixel, counted
	// from the centre of the frame's pixel (0, 0).
	px, py [blockPx]int32
	xs, ys [blockPx]float64
	seen   [blockPx]bool
	shade  shadeMap
	factor [blockPx]float32
}

var fillPool = sync.Pool{New: func() any { return new(fill) }}

// block fills the part of r inside the block at origin.
func (f *fill) block(origin image.Point) {
	levelX, levelY := levelFor(f.scaleX), levelFor(f.scaleY)
	f.wx, f.wy = weightsFor(f.s.kernel, levelX), weightsFor(f.s.kernel, levelY)
	if f.src.ycbcr {
		chroma := &f.src.bytes[1]
		f.coarseX = weightsFor(linear, levelX-levelsPerOctave*int(chroma.shiftX))
		f.coarseY = weightsFor(linear, levelY-levelsPerOctave*int(chroma.shiftY))
	}
	if f.s.light != nil && f.s.light.Shade != nil {
		f.shade.prepare(f.s.light.Shade, f.blockMap)
	}
	part := image.Rectangle{Min: origin, Max: origin.Add(image.Pt(blockPx, blockPx))}.Intersect(f.r)
	i0, n := part.Min.X-origin.X, part.Dx()
	// inside: all taps of all pixels lie in the frame, and all pixels count.
	inside := f.inside(max(f.wx.taps/2, f.wy.taps/2, int(math.Ceil(f.s.margin))) + 4)
	var out [3][]float32
	for y := part.Min.Y; y < part.Max.Y; y++ {
		for c, p := range f.dst {
			out[c] = p.Row(y)[part.Min.X-p.Rect.Min.X:][:n]
		}
		if inside {
			f.insideLine(i0, n, y-origin.Y)
		} else {
			f.edgeLine(i0, n, y-origin.Y)
		}
		if f.valid != nil {
			f.validLine(f.valid[(y-f.r.Min.Y)*f.r.Dx()+part.Min.X-f.r.Min.X:][:n], inside)
		}
		f.interpolate(&out, f.px[:n], f.py[:n], inside)
		if f.src.ycbcr {
			toRGB(&out)
		}
		if light := f.s.light; light != nil {
			if light.Shade != nil {
				f.shade.line(f.factor[:n], i0, y-origin.Y)
			}
			for c := range out {
				light.line(c, out[c], f.factor[:n])
			}
		}
	}
}

// edgeLine sets px, py and seen for n pixels from i0 on of line j of the block.
func (f *fill) edgeLine(i0, n, j int) {
	cam := &f.proj.cam
	w, h := float64(cam.Width), float64(cam.Height)
	// Farther out than this every sample is the same edge pixel.
	padX, padY := float64(8*f.wx.taps), float64(8*f.wy.taps)
	minX, maxX, minY, maxY := fixed(-padX), fixed(w+padX), fixed(-padY), fixed(h+padY)
	xs, ys, seen := f.xs[:n], f.ys[:n], f.seen[:n]
	f.line(xs, ys, seen, i0, i0+n, j)
	for i, x := range xs {
		f.px[i] = int32(max(minX, min(maxX, fixed(x))))
		f.py[i] = int32(max(minY, min(maxY, fixed(ys[i]))))
	}
}

// validLine sets valid for the pixels of the present line.
func (f *fill) validLine(valid []uint8, inside bool) {
	if inside {
		for i := range valid {
			valid[i] = 255
		}
		return
	}
	cam := &f.proj.cam
	inX, inY := fixed(f.s.margin), fixed(f.s.margin)
	spanX, spanY := fixed(float64(cam.Width)-f.s.margin)-inX, fixed(float64(cam.Height)-f.s.margin)-inY
	for i := range valid {
		valid[i] = 0
		dx, dy := int(f.px[i])-inX, int(f.py[i])-inY
		if f.seen[i] && dx >= 0 && dx <= spanX && dy >= 0 && dy <= spanY {
			valid[i] = 255
		} else {
			f.whole = false
		}
	}
}

// fixed rounds a position to phases and counts it from the first pixel's
// centre. The bias makes truncation round down; it is far more than padX.
func fixed(x float64) int { return int((x+(fixedBias-0.5))*phases+0.5) - fixedBias*phases }

const fixedBias = 1 << 20

// interpolate fills a line.
func (f *fill) interpolate(out *[3][]float32, px, py []int32, inside bool) {
	s := f.src
	cubic := inside && f.wx.fixed != nil && f.wy.fixed != nil
	const unit8, unit16, tapUnit = 1. / 255, 1. / 65535, 1. / fixedOne
	switch {
	case !s.ycbcr && cubic:
		cubicWords(out, px, py, s, f.wx, f.wy, tapUnit*unit16)
	case !s.ycbcr:
		for c := range out {
			s.wide[c].anywhere(out[c], px, py, f.wx, f.wy, unit16)
		}
	case cubic && s.bytes[1].coarse():
		cubicBytes(out[0], px, py, &s.bytes[0], f.wx, f.wy, tapUnit*unit8)
		linearBytes(out[1], out[2], px, py, &s.bytes[1], &s.bytes[2], unit8)
	case cubic:
		for c := range out {
			cubicBytes(out[c], px, py, &s.bytes[c], f.wx, f.wy, tapUnit*unit8)
		}
	default:
		wx, wy := f.wx, f.wy
		for c := range out {
			if s.bytes[c].coarse() {
				wx, wy = f.coarseX, f.coarseY
			}
			s.bytes[c].anywhere(out[c], px, py, wx, wy, unit8)
		}
	}
}
