package warp

import (
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
	// Shade varies the light over the frame. Nil means no change.
	Shade *Shade
}

// Shade is a factor of the light that varies slowly over a frame: what makes
// up for a lens that dims the corners. A sample v of channel c then counts as
// Encode(tone[c][v] · factor), where tone gives linear light.
type Shade struct {
	// Factor has Rows × Cols nodes in row order, evenly spaced from the
	// frame's first edge to its last, at least two either way. Between them
	// it is interpolated linearly.
	Factor     []float32
	Rows, Cols int
	// Encode has the sample, 1 = full scale, of linear light i/65535, the
	// last one twice. Light outside [0, 1] is clipped.
	Encode *[65537]float32
}

func (s *Shade) validate() error {
	if s.Rows < 2 || s.Cols < 2 || len(s.Factor) != s.Rows*s.Cols || s.Encode == nil {
		return fmt.Errorf("warp: a Shade of %d × %d nodes has %d factors", s.Rows, s.Cols, len(s.Factor))
	}
	return nil
}

// line sets dst to the factors at the pixels x0, x0 + 1, … of line y of a
// frame of w × h pixels, as many as dst has; outside the frame it is continued
// by the edge's.
func (s *Shade) line(dst []float32, x0, y, w, h int) {
	at := func(i, pixels, nodes int) (node int, t float32) {
		v := (float64(min(max(i, 0), pixels-1)) + 0.5) / float64(pixels) * float64(nodes-1)
		node = min(int(v), nodes-2)
		return node, float32(v - float64(node))
	}
	j, ty := at(y, h, s.Rows)
	upper, lower := s.Factor[j*s.Cols:][:s.Cols], s.Factor[(j+1)*s.Cols:][:s.Cols]
	last := -1
	var left, step float32
	for i := range dst {
		k, tx := at(x0+i, w, s.Cols)
		if k != last {
			last = k
			left = upper[k] + ty*(lower[k]-upper[k])
			step = upper[k+1] + ty*(lower[k+1]-upper[k+1]) - left
		}
		dst[i] = left + tx*step
	}
}

// Validate returns an error if a setting is out of range.
func (o Options) Validate() error {
	if o.Kernel != Cubic && o.Kernel != Lanczos3 {
		return fmt.Errorf("warp: no kernel %d", o.Kernel)
	}
	if !(o.MarginPx >= 0) || math.IsInf(o.MarginPx, 0) {
		return fmt.Errorf("warp: MarginPx is %g, want a number of at least 0", o.MarginPx)
	}
	if o.Shade != nil {
		return o.Shade.validate()
	}
	return nil
}

// Sampler resamples one frame over rectangles of a view. It is safe for
// concurrent use.
type Sampler struct {
	src    *raster.Picture
	proj   projector
	kernel Kernel
	margin float64
	shade  *Shade
}

// NewSampler returns the sampler of the frame src, seen by cam, on view. Frame
// pixel (0, 0) is src's top left pixel wherever src.Rect starts; for a reduced
// src pass the camera's Scaled twin. src's alpha is not looked at.
//
// NewSampler panics if src doesn't have cam's size or o is not valid.
func NewSampler(src *raster.Picture, cam geom.Camera, view View, o Options) *Sampler {
	if src.Rect.Dx() != cam.Width || src.Rect.Dy() != cam.Height || src.Rect.Empty() {
		panic(fmt.Sprintf("warp: NewSampler: picture %v for a camera of %d × %d", src.Rect, cam.Width, cam.Height))
	}
	if err := o.Validate(); err != nil {
		panic(err)
	}
	return &Sampler{src: src, proj: newProjector(cam, view), kernel: o.Kernel, margin: o.MarginPx, shade: o.Shade}
}

// PixelAt returns the exact point of the frame that the output point (x, y)
// shows; it may lie outside the frame. ok is false where the surface or the
// camera's view ends.
func (s *Sampler) PixelAt(x, y float64) (inFrame geom.Pt, ok bool) { return s.proj.at(x, y) }

// Fill writes into dst the frame resampled at the centre of every pixel of r.
//
// Samples go through tone before they are interpolated: a sample v of channel
// c counts as tone[c][v], 65536 entries each, so that gain or linear light cost
// nothing extra. A nil tone means v/65535. With a [Shade] the tone gives linear
// light.
//
// Outside the frame it is continued by repeating its edge pixels, so that
// pyramids have something smooth to stand on; past the end of the surface or
// of the camera's view too. valid, if not nil, has one entry for each pixel of
// r in row order: 255 where the pixel's ray lies inside the frame by at least
// MarginPx, else 0.
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
// r.Dx()·r.Dy(), or a tone curve is not of length 65536.
func (s *Sampler) Fill(dst *[3]*raster.Plane, valid []uint8, r image.Rectangle, tone *[3][]float32) {
	if r.Empty() {
		return
	}
	for c := range dst {
		if !r.In(dst[c].Rect) {
			panic(fmt.Sprintf("warp: Fill: %v is not inside the plane's %v", r, dst[c].Rect))
		}
		if tone != nil && len(tone[c]) != 1<<16 {
			panic(fmt.Sprintf("warp: Fill: tone curve of length %d", len(tone[c])))
		}
	}
	if valid != nil && len(valid) != r.Dx()*r.Dy() {
		panic(fmt.Sprintf("warp: Fill: valid has length %d for %v", len(valid), r))
	}
	if tone == nil {
		tone = plainTone()
	}
	f := fillPool.Get().(*fill)
	defer fillPool.Put(f)
	f.s, f.dst, f.valid, f.r, f.tone = s, dst, valid, r, tone
	for y := floorTo(r.Min.Y, blockPx); y < r.Max.Y; y += blockPx {
		for x := floorTo(r.Min.X, blockPx); x < r.Max.X; x += blockPx {
			f.block(image.Pt(x, y))
		}
	}
	f.s, f.proj, f.dst, f.valid, f.tone = nil, nil, nil, nil, nil
}

// plainTone returns the curves v/65535.
var plainTone = sync.OnceValue(func() *[3][]float32 {
	curve := make([]float32, 1<<16)
	for v := range curve {
		curve[v] = float32(float64(v) / 65535)
	}
	return &[3][]float32{curve, curve, curve}
})

// floorTo returns the multiple of n at or below x.
func floorTo(x, n int) int { return x - ((x%n)+n)%n }

// fill is one call of Fill: its arguments and scratch memory.
type fill struct {
	blockMap
	s     *Sampler
	dst   *[3]*raster.Plane
	valid []uint8
	r     image.Rectangle
	tone  *[3][]float32

	// The weights along the source's axes in the present block.
	wx, wy *weights
	// Positions of the block's pixels in 1/phases of a source pixel, counted
	// from the centre of the frame's pixel (0, 0).
	px, py [blockPx * blockPx]int32
	xs, ys [blockPx]float64
	seen   [blockPx]bool
	// The window of the source that a piece of the block needs, toned and
	// continued past the frame's edges: RGB interleaved.
	window []float32
	shade  []float32 // factors of a line of the window
}

var fillPool = sync.Pool{New: func() any { return new(fill) }}

// maxWindow bounds the source pixels held at once, to some 800 kB.
const maxWindow = 1 << 16

// block fills the part of r inside the block at origin.
func (f *fill) block(origin image.Point) {
	f.prepare(&f.s.proj, origin)
	f.scales()
	f.wx = weightsFor(f.s.kernel, levelFor(f.scaleX))
	f.wy = weightsFor(f.s.kernel, levelFor(f.scaleY))
	part := image.Rectangle{Min: origin, Max: origin.Add(image.Pt(blockPx, blockPx))}.Intersect(f.r)
	f.positions(part)
	f.piece(part)
}

// positions sets px, py and valid over part of the block.
func (f *fill) positions(part image.Rectangle) {
	cam := &f.proj.cam
	w, h := float64(cam.Width), float64(cam.Height)
	// Farther out than this every sample is the same edge pixel.
	padX, padY := float64(f.wx.taps), float64(f.wy.taps)
	minX, maxX, minY, maxY := fixed(-padX), fixed(w+padX), fixed(-padY), fixed(h+padY)
	inX, inY := fixed(f.s.margin), fixed(f.s.margin)
	spanX, spanY := fixed(w-f.s.margin)-inX, fixed(h-f.s.margin)-inY
	i0, n := part.Min.X-f.origin.X, part.Dx()
	xs, ys, seen := f.xs[:n], f.ys[:n], f.seen[:n]
	for y := part.Min.Y; y < part.Max.Y; y++ {
		f.line(xs, ys, seen, i0, i0+n, y-f.origin.Y)
		at := (y-f.origin.Y)*blockPx + i0
		px, py := f.px[at:][:n], f.py[at:][:n]
		for i, x := range xs {
			px[i] = int32(max(minX, min(maxX, fixed(x))))
			py[i] = int32(max(minY, min(maxY, fixed(ys[i]))))
		}
		if f.valid == nil {
			continue
		}
		valid := f.valid[(y-f.r.Min.Y)*f.r.Dx()+part.Min.X-f.r.Min.X:][:n]
		for i, x := range px {
			valid[i] = 0
			dx, dy := int(x)-inX, int(py[i])-inY
			if seen[i] && dx >= 0 && dx <= spanX && dy >= 0 && dy <= spanY {
				valid[i] = 255
			}
		}
	}
}

// fixed rounds a position to phases and counts it from the first pixel's
// centre. The bias makes truncation round down; it is far more than padX.
func fixed(x float64) int {
	const bias = 1 << 20
	return int((x+(bias-0.5))*phases+0.5) - bias*phases
}

// piece fills part of a block, in halves if its window is too large.
func (f *fill) piece(part image.Rectangle) {
	left, right, top, bottom := int32(math.MaxInt32), int32(math.MinInt32), int32(math.MaxInt32), int32(math.MinInt32)
	i0, n := part.Min.X-f.origin.X, part.Dx()
	for y := part.Min.Y; y < part.Max.Y; y++ {
		at := (y-f.origin.Y)*blockPx + i0
		py := f.py[at : at+n]
		for i, x := range f.px[at : at+n] {
			left, right = min(left, x), max(right, x)
			top, bottom = min(top, py[i]), max(bottom, py[i])
		}
	}
	var win image.Rectangle // in pixels of the frame
	win.Min.X = int(left>>phaseBits) - f.wx.taps/2 + 1
	win.Max.X = int(right>>phaseBits) + f.wx.taps/2 + 1
	win.Min.Y = int(top>>phaseBits) - f.wy.taps/2 + 1
	win.Max.Y = int(bottom>>phaseBits) + f.wy.taps/2 + 1
	if win.Dx()*win.Dy() > maxWindow && part.Dx()*part.Dy() > 1 {
		a, b := part, part
		if part.Dx() >= part.Dy() {
			a.Max.X = (part.Min.X + part.Max.X) / 2
			b.Min.X = a.Max.X
		} else {
			a.Max.Y = (part.Min.Y + part.Max.Y) / 2
			b.Min.Y = a.Max.Y
		}
		f.piece(a)
		f.piece(b)
		return
	}
	f.load(win)
	for y := part.Min.Y; y < part.Max.Y; y++ {
		at := (y-f.origin.Y)*blockPx + i0
		var out [3][]float32
		for c, p := range f.dst {
			out[c] = p.Row(y)[part.Min.X-p.Rect.Min.X:][:n]
		}
		if f.wx.taps == 4 && f.wy.taps == 4 {
			f.cubicLine(&out, f.px[at:at+n], f.py[at:at+n], win)
		} else {
			f.wideLine(&out, f.px[at:at+n], f.py[at:at+n], win)
		}
	}
}

// load fills the window with the frame's toned samples.
func (f *fill) load(win image.Rectangle) {
	w, h := win.Dx(), win.Dy()
	if cap(f.window) < 3*w*h {
		f.window = make([]float32, 3*w*h)
	}
	f.window = f.window[:3*w*h]
	red, green, blue := (*[1 << 16]float32)(f.tone[0]), (*[1 << 16]float32)(f.tone[1]), (*[1 << 16]float32)(f.tone[2])
	srcW, srcH := f.s.src.Rect.Dx(), f.s.src.Rect.Dy()
	// Columns [in0, in1) of the window are inside the frame.
	in0, in1 := min(w, max(0, -win.Min.X)), max(0, min(w, srcW-win.Min.X))
	for j := range h {
		y := win.Min.Y + j
		if j > 0 && (y <= 0 || y >= srcH) {
			// Above or below the frame: the line before again.
			copy(f.window[3*w*j:3*w*(j+1)], f.window[3*w*(j-1):3*w*j])
			continue
		}
		src := f.s.src.Row(f.s.src.Rect.Min.Y + max(0, min(srcH-1, y)))
		dst := f.window[3*w*j : 3*w*(j+1)]
		edge := func(i, x int) {
			dst[3*i], dst[3*i+1], dst[3*i+2] = red[src[3*x]], green[src[3*x+1]], blue[src[3*x+2]]
		}
		for i := range in0 {
			edge(i, 0)
		}
		for i := in1; i < w; i++ {
			edge(i, srcW-1)
		}
		if in0 < in1 {
			inner := dst[3*in0 : 3*in1]
			src = src[3*(win.Min.X+in0):][:len(inner)]
			for i := 0; i+2 < len(inner); i += 3 {
				inner[i] = red[src[i]]
				inner[i+1] = green[src[i+1]]
				inner[i+2] = blue[src[i+2]]
			}
		}
		if f.s.shade != nil {
			f.shadeLine(dst, win.Min.X, y)
		}
	}
}

// shadeLine shades and encodes a line of the window, of the frame's line y from
// its column x0 on.
func (f *fill) shadeLine(dst []float32, x0, y int) {
	n := len(dst) / 3
	if cap(f.shade) < n {
		f.shade = make([]float32, n)
	}
	s := f.s.shade
	factor := f.shade[:n]
	s.line(factor, x0, y, f.s.src.Rect.Dx(), f.s.src.Rect.Dy())
	enc := s.Encode
	for i, k := range factor {
		px := (*[3]float32)(dst[3*i:])
		for c, v := range px {
			v *= k * 65535
			switch {
			case !(v > 0):
				px[c] = enc[0]
			case v >= 65535:
				px[c] = enc[65535]
			default:
				i := int(v)
				px[c] = enc[i] + (enc[i+1]-enc[i])*(v-float32(i))
			}
		}
	}
}

// cubicLine is wideLine for 4×4 taps, unrolled.
func (f *fill) cubicLine(out *[3][]float32, px, py []int32, win image.Rectangle) {
	stride := 3 * win.Dx()
	first := 3*(win.Min.X+1) + (win.Min.Y+1)*stride
	window := f.window
	tx, ty := (*[4 * phases]float32)(f.wx.table), (*[4 * phases]float32)(f.wy.table)
	py = py[:len(px)]
	r, g, b := out[0][:len(px)], out[1][:len(px)], out[2][:len(px)]
	for i, x := range px {
		y := py[i]
		wx := (*[4]float32)(tx[4*(x&(phases-1)):])
		wy := (*[4]float32)(ty[4*(y&(phases-1)):])
		at := 3*int(x>>phaseBits) + stride*int(y>>phaseBits) - first
		a0, a1, a2, a3 := wx[0], wx[1], wx[2], wx[3]

		s := (*[12]float32)(window[at:])
		v := wy[0]
		sr := v * (a0*s[0] + a1*s[3] + a2*s[6] + a3*s[9])
		sg := v * (a0*s[1] + a1*s[4] + a2*s[7] + a3*s[10])
		sb := v * (a0*s[2] + a1*s[5] + a2*s[8] + a3*s[11])

		s = (*[12]float32)(window[at+stride:])
		v = wy[1]
		sr += v * (a0*s[0] + a1*s[3] + a2*s[6] + a3*s[9])
		sg += v * (a0*s[1] + a1*s[4] + a2*s[7] + a3*s[10])
		sb += v * (a0*s[2] + a1*s[5] + a2*s[8] + a3*s[11])

		s = (*[12]float32)(window[at+2*stride:])
		v = wy[2]
		sr += v * (a0*s[0] + a1*s[3] + a2*s[6] + a3*s[9])
		sg += v * (a0*s[1] + a1*s[4] + a2*s[7] + a3*s[10])
		sb += v * (a0*s[2] + a1*s[5] + a2*s[8] + a3*s[11])

		s = (*[12]float32)(window[at+3*stride:])
		v = wy[3]
		sr += v * (a0*s[0] + a1*s[3] + a2*s[6] + a3*s[9])
		sg += v * (a0*s[1] + a1*s[4] + a2*s[7] + a3*s[10])
		sb += v * (a0*s[2] + a1*s[5] + a2*s[8] + a3*s[11])

		r[i], g[i], b[i] = sr, sg, sb
	}
}

// wideLine interpolates the pixels of a line from the window.
func (f *fill) wideLine(out *[3][]float32, px, py []int32, win image.Rectangle) {
	nx, ny := f.wx.taps, f.wy.taps
	stride := 3 * win.Dx()
	first := 3*(win.Min.X+nx/2-1) + (win.Min.Y+ny/2-1)*stride
	for i, x := range px {
		y := py[i]
		wx := f.wx.table[nx*int(x&(phases-1)):][:nx]
		wy := f.wy.table[ny*int(y&(phases-1)):][:ny]
		at := 3*int(x>>phaseBits) + stride*int(y>>phaseBits) - first
		var sr, sg, sb float32
		for _, v := range wy {
			s := f.window[at:][:3*nx]
			var lr, lg, lb float32
			for k := 0; k+1 < len(wx); k += 2 { // taps are even
				u, v := wx[k], wx[k+1]
				p := (*[6]float32)(s[3*k:])
				lr += u*p[0] + v*p[3]
				lg += u*p[1] + v*p[4]
				lb += u*p[2] + v*p[5]
			}
			sr += v * lr
			sg += v * lg
			sb += v * lb
			at += stride
		}
		out[0][i], out[1][i], out[2][i] = sr, sg, sb
	}
}
