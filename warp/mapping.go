package warp

import (
	"image"
	"math"

	"flatfell.example/geom"
)

// The mapping from output to source is worked out block by block. Blocks lie
// on a fixed grid of the view and everything about a block is decided from the
// whole of it, so that a pixel comes out the same whatever rectangle is asked
// for.
const blockPx = 64

// The mapping is exact at nodes every 16 pixels each way and a cubic through
// four nodes between them. A block where that misses by more than maxMapErrPx
// at the middle of a cell, where a cubic misses most, or where a node sees
// nothing, takes nodes every 4 pixels, and then the exact mapping for each
// pixel. TestMappingError holds the result to 0.01 px.
const (
	coarseStepPx = 16
	fineStepPx   = 4
	maxMapErrPx  = 0.004
)

// lagrange[i] are the weights of the nodes −1, 0, 1, 2 at t = i/16.
var lagrange = func() (w [coarseStepPx][4]float64) {
	for i := range w {
		t := float64(i) / coarseStepPx
		w[i] = [4]float64{
			-t * (t - 1) * (t - 2) / 6,
			(t + 1) * (t - 1) * (t - 2) / 2,
			-(t + 1) * t * (t - 2) / 2,
			(t + 1) * t * (t - 1) / 6,
		}
	}
	return w
}()

// projector maps output points to points of one frame.
type projector struct {
	cam  geom.Camera
	view View
	// A ray whose camera z is below minZ is out of sight: more than
	// geom.MaxViewAngle from the axis, or past the first radius where the
	// distortion folds back. It is drawn at limitPx from the centre.
	minZ, limitPx float64
	local         *Local // nil for none
}

func newProjector(cam geom.Camera, view View) projector {
	p := projector{cam: cam, view: view}
	seen := func(a float64) (geom.Pt, bool) {
		return cam.PixelFromRay(geom.Vec{X: math.Sin(a), Z: math.Cos(a)})
	}
	const steps = 256
	last := geom.MaxViewAngle.Radians() - 1e-9
	low, high := 0.0, last
	for i := range steps {
		a := last * float64(i+1) / steps
		if _, ok := seen(a); !ok {
			high = a
			break
		}
		low = a
	}
	for range 40 {
		mid := (low + high) / 2
		if _, ok := seen(mid); ok {
			low = mid
		} else {
			high = mid
		}
	}
	p.minZ = math.Cos(low)
	edge, _ := seen(low)
	p.limitPx = edge.X - cam.CentrePx.X
	return p
}

// at returns the frame point of the output point (x, y). Where the surface or
// the camera ends, ok is false and the point continues the mapping: it is
// finite everywhere and lies beyond the frame's edge on the proper side.
func (p *projector) at(x, y float64) (inFrame geom.Pt, ok bool) {
	onSurface := p.view.surfacePoint(x, y)
	ray, ok := p.view.Surface.Ray(onSurface)
	if !ok {
		ray, _ = p.view.Surface.Ray(p.view.Surface.clamp(onSurface))
	}
	ray = p.cam.CamFromWorld.Apply(ray)
	if ray.Z >= p.minZ {
		if q, seen := p.cam.PixelFromRay(ray); seen {
			if p.local != nil {
				d := p.local.At(q, p.cam.Width, p.cam.Height)
				q.X, q.Y = q.X+d.X, q.Y+d.Y
			}
			return q, ok
		}
	}
	off := math.Hypot(ray.X, ray.Y)
	if !(off > 0) { // straight behind
		ray.X, off = 1, 1
	}
	return geom.Pt{
		X: p.cam.CentrePx.X + p.limitPx*ray.X/off,
		Y: p.cam.CentrePx.Y + p.limitPx*ray.Y/off,
	}, false
}

// SourceRect returns about what a [Sampler] of a frame, seen by cam on view and
// bent by local, needs of it for the output rectangle r: a little more than less,
// nothing if r does not show the frame. It may reach beyond the frame.
func SourceRect(cam geom.Camera, view View, local *Local, r image.Rectangle) image.Rectangle {
	const margin = 24 // taps, and what bends between places
	p := newProjector(cam, view)
	p.local = local
	w, h := float64(cam.Width), float64(cam.Height)
	var out image.Rectangle
	for y := r.Min.Y; y < r.Max.Y; y += blockPx {
		for x := r.Min.X; x < r.Max.X; x += blockPx {
			x1, y1 := min(x+blockPx, r.Max.X), min(y+blockPx, r.Max.Y)
			minX, minY, maxX, maxY := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
			for _, corner := range [4]image.Point{{X: x, Y: y}, {X: x1, Y: y}, {X: x, Y: y1}, {X: x1, Y: y1}} {
				q, _ := p.at(float64(corner.X), float64(corner.Y))
				minX, maxX, minY, maxY = min(minX, q.X), max(maxX, q.X), min(minY, q.Y), max(maxY, q.Y)
			}
			if maxX < -margin || minX > w+margin || maxY < -margin || minY > h+margin {
				continue
			}
			out = out.Union(image.Rect(
				int(max(minX, 0))-margin, int(max(minY, 0))-margin, int(min(maxX, w))+margin, int(min(maxY, h))+margin))
		}
	}
	return out
}

// maxNodes is the number of nodes of a block with the fine step.
const maxNodes = (blockPx/fineStepPx + 3) * (blockPx/fineStepPx + 3)

// blockMap is the mapping over one block.
type blockMap struct {
	proj   *projector
	origin image.Point
	// step between nodes; 1 if each pixel is mapped exactly.
	step int
	// perSide² nodes, the first one step before the block.
	perSide int
	nodes   [maxNodes]geom.Pt
	// scaleX and scaleY are source pixels an output pixel along the source's
	// axes, the most over the block.
	scaleX, scaleY float64
}

// prepare works out the mapping over the block at origin.
func (m *blockMap) prepare(proj *projector, origin image.Point) {
	m.proj, m.origin = proj, origin
	if !m.tryStep(coarseStepPx) && !m.tryStep(fineStepPx) {
		m.step = 1
	}
}

// tryStep fills the nodes for a step and reports whether it is good enough.
func (m *blockMap) tryStep(step int) bool {
	cells := blockPx / step
	m.step, m.perSide = step, cells+3
	for j := range m.perSide {
		for i := range m.perSide {
			p, ok := m.proj.at(m.outputX((i-1)*step), m.outputY((j-1)*step))
			if !ok {
				return false
			}
			m.nodes[j*m.perSide+i] = p
		}
	}
	var column [blockPx/fineStepPx + 3]geom.Pt
	for j := range cells {
		m.column(column[:], j*step+step/2)
		for i := range cells {
			want, ok := m.proj.at(m.outputX(i*step+step/2), m.outputY(j*step+step/2))
			if !ok {
				return false
			}
			w := &lagrange[coarseStepPx/2]
			gotX := w[0]*column[i].X + w[1]*column[i+1].X + w[2]*column[i+2].X + w[3]*column[i+3].X
			gotY := w[0]*column[i].Y + w[1]*column[i+1].Y + w[2]*column[i+2].Y + w[3]*column[i+3].Y
			if !(math.Abs(gotX-want.X) <= maxMapErrPx && math.Abs(gotY-want.Y) <= maxMapErrPx) {
				return false
			}
		}
	}
	return true
}

// outputX and outputY return the centre of a pixel counted from the block's
// corner.
func (m *blockMap) outputX(i int) float64 { return float64(m.origin.X+i) + 0.5 }
func (m *blockMap) outputY(j int) float64 { return float64(m.origin.Y+j) + 0.5 }

// column interpolates the nodes down to line j of the block.
func (m *blockMap) column(dst []geom.Pt, j int) {
	w := &lagrange[j%m.step*(coarseStepPx/m.step)]
	n := m.perSide
	nodes := m.nodes[j/m.step*n:][:4*n]
	for i := range n {
		a, b, c, d := nodes[i], nodes[n+i], nodes[2*n+i], nodes[3*n+i]
		dst[i] = geom.Pt{
			X: w[0]*a.X + w[1]*b.X + w[2]*c.X + w[3]*d.X,
			Y: w[0]*a.Y + w[1]*b.Y + w[2]*c.Y + w[3]*d.Y,
		}
	}
}

// line sets xs and ys to the frame points of the pixels [i0, i1) of line j,
// counted from the block's corner, and seen to whether there is anything to
// see there.
func (m *blockMap) line(xs, ys []float64, seen []bool, i0, i1, j int) {
	if m.step == 1 {
		for i := i0; i < i1; i++ {
			p, ok := m.proj.at(m.outputX(i), m.outputY(j))
			xs[i-i0], ys[i-i0], seen[i-i0] = p.X, p.Y, ok
		}
		return
	}
	var column [blockPx/fineStepPx + 3]geom.Pt
	m.column(column[:], j)
	xs, ys = xs[:i1-i0], ys[:i1-i0]
	for i := i0; i < i1; {
		cell := i / m.step
		c := column[cell:][:4]
		x, y := cubicThrough(c[0].X, c[1].X, c[2].X, c[3].X), cubicThrough(c[0].Y, c[1].Y, c[2].Y, c[3].Y)
		for end := min(i1, (cell+1)*m.step); i < end; i++ {
			t := float64(i-cell*m.step) / float64(m.step)
			xs[i-i0] = x[0] + t*(x[1]+t*(x[2]+t*x[3]))
			ys[i-i0] = y[0] + t*(y[1]+t*(y[2]+t*y[3]))
			seen[i-i0] = true
		}
	}
}

// inside reports whether every pixel of the block lies in the frame by at
// least margin pixels.
func (m *blockMap) inside(margin int) bool {
	if m.step == 1 {
		return false
	}
	// Between its nodes a cubic leaves their range by an eighth of its last
	// differences at most; nodes a step beyond the block make up for that.
	for _, p := range m.nodes[:m.perSide*m.perSide] {
		if !m.proj.cam.Contains(p, float64(margin)) {
			return false
		}
	}
	return true
}

// sourceRect returns a rectangle of frame pixels that the block's pixels lie in,
// wider by margin, where they lie in the frame; outside of it, what is nearest.
func (m *blockMap) sourceRect(margin int) image.Rectangle {
	w, h := float64(m.proj.cam.Width), float64(m.proj.cam.Height)
	minX, minY, maxX, maxY := w, h, 0., 0.
	add := func(p geom.Pt) {
		x, y := max(0, min(w, p.X)), max(0, min(h, p.Y))
		minX, maxX, minY, maxY = min(minX, x), max(maxX, x), min(minY, y), max(maxY, y)
	}
	if m.step == 1 {
		for j := range blockPx {
			for i := range blockPx {
				p, _ := m.proj.at(m.outputX(i), m.outputY(j))
				add(p)
			}
		}
	} else { // the nodes reach far enough, see inside
		for _, p := range m.nodes[:m.perSide*m.perSide] {
			add(p)
		}
	}
	return image.Rect(int(minX)-margin, int(minY)-margin, int(maxX)+margin+1, int(maxY)+margin+1)
}

// insideLine sets px and py for n pixels from i0 on of line j of a block that
// lies inside the frame.
func (f *fill) insideLine(i0, n, j int) {
	var column [blockPx/fineStepPx + 3]geom.Pt
	f.column(column[:], j)
	const off = (fixedBias-0.5)*phases + 0.5
	for i := i0; i < i0+n; {
		cell := i / f.step
		c := column[cell:][:4]
		x, y := cubicThrough(c[0].X*phases, c[1].X*phases, c[2].X*phases, c[3].X*phases),
			cubicThrough(c[0].Y*phases, c[1].Y*phases, c[2].Y*phases, c[3].Y*phases)
		x[0] += off
		y[0] += off
		end := min(i0+n, (cell+1)*f.step)
		per := 1 / float64(f.step)
		px, py := f.px[i-i0:end-i0], f.py[i-i0:end-i0]
		t := float64(i-cell*f.step) * per
		for k := range px {
			px[k] = int32(int64(x[0]+t*(x[1]+t*(x[2]+t*x[3]))) - fixedBias*phases)
			py[k] = int32(int64(y[0]+t*(y[1]+t*(y[2]+t*y[3]))) - fixedBias*phases)
			t += per // exact: a step is a power of two
		}
		i = end
	}
}

// cubicThrough returns the coefficients, lowest first, of the cubic with the
// values a, b, c, d at −1, 0, 1, 2.
func cubicThrough(a, b, c, d float64) [4]float64 {
	return [4]float64{
		b,
		c - b/2 - a/3 - d/6,
		(a+c)/2 - b,
		(d-a)/6 + (b-c)/2,
	}
}

// scales sets scaleX and scaleY from differences over a pixel at the block's
// corners and middle, where the frame is in sight.
func (m *blockMap) scales() {
	m.scaleX, m.scaleY = 0, 0
	for _, at := range [5][2]int{{0, 0}, {blockPx - 1, 0}, {0, blockPx - 1}, {blockPx - 1, blockPx - 1}, {blockPx / 2, blockPx / 2}} {
		x, y := m.outputX(at[0]), m.outputY(at[1])
		p, ok0 := m.proj.at(x, y)
		q, ok1 := m.proj.at(x+1, y)
		r, ok2 := m.proj.at(x, y+1)
		// Far outside the frame all samples are edge pixels, but the scale may
		// grow without bound: it must not widen the kernel there.
		near := m.proj.cam.Contains(p, -2*blockPx)
		if ok0 && ok1 && ok2 && near {
			m.scaleX = max(m.scaleX, math.Hypot(q.X-p.X, r.X-p.X))
			m.scaleY = max(m.scaleY, math.Hypot(q.Y-p.Y, r.Y-p.Y))
		}
	}
}
