package stitch

import (
	"context"
	"image"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/features"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// Refinement of tie points. Once the cameras are roughly known, each corner
// in the overlap of two frames is found again in the other frame by matching
// a window around it, warped as the model says, at reduced size first and at
// the file's full size last: Lucas & Kanade, IJCAI 1981, in the inverse
// compositional form of Baker & Matthews, IJCV 56(3), 2004, with gain and
// offset of the window as further unknowns, so that exposure doesn't matter, and
// the slopes of the gain across it and down, so that vignetting doesn't: the two
// frames of an overlap fall off in opposite directions, and where a lens loses
// 1.5 stops in the corners that moved smooth sand by a tenth of a pixel, always
// to the same side.
const (
	windowRadius = 17 // 35×35 pixels
	// minReach is the least distance in pixels of a tie from a frame's edge.
	// The window is cut at the edges: ties there say most about the focal
	// length, and repeated edge pixels would pull them astray.
	minReach = 4
	// maxTiesPerSide bounds the windows tried from one frame into another. On
	// rendered large rows more change nothing that shows.
	maxTiesPerSide = 500
	// minCorrelation is the normalised cross-correlation below which the two
	// windows don't show the same thing; unrelated textures reach 0.6.
	minCorrelation = 0.8
	// maxWindowShift bounds the way from the predicted place, in pixels of
	// the level at which it is measured.
	maxWindowShift = 4.0
	// maxTieSigma is the largest predicted error of a tie, in pixels of the
	// level at which it is measured; windows along an edge exceed it.
	maxTieSigma = 0.25
	// tieFloor is the error, in pixels of the level, that remains in the best
	// window (interpolation, demosaicing, JPEG): it keeps a few very sharp
	// corners from outweighing all others.
	tieFloor = 0.03
)

// sideTies are the corners of one frame found again in another.
type sideTies struct {
	tried int // corners in the overlap that were looked for
	ties  []tie
}

// sight is what the windows are cut from: a frame's luma at full size and
// reduced.
type sight struct {
	full   image.Image
	kept   *cache // that full comes from, if any
	small  *raster.Plane
	shrink int
}

// near brings the part into memory that another camera sees too.
func (s *sight) near(cam, other *geom.Camera, workers int) (put func(), err error) {
	if s.kept == nil {
		return func() {}, nil
	}
	s.full, put, err = s.kept.nearOverlap(s.full, cam, other, workers)
	return put, err
}

// refineTies measures ties for all the pairs at the model r: two entries a
// pair, one in each direction. Corners come from the frames' sets, at most
// maxTiesPerSide each. look gives a placed frame's sight until done is called.
func refineTies(ctx context.Context, look func(i int) (s sight, done func(), err error), sets []*features.Set, shrink int, r *rig, pairs []*pair,
	workers int, progress func(float64),
) ([]sideTies, error) {
	type side struct{ from, to int }
	var sides []side
	for _, p := range pairs {
		sides = append(sides, side{p.a, p.b}, side{p.b, p.a})
	}
	out := make([]sideTies, len(sides))
	done := newCounter(len(sides), progress)
	err := par.DoScratch(ctx, workers, len(sides), func() *window { return new(window) }, func(i int, w *window) error {
		s := sides[i]
		a, doneA, err := look(s.from)
		if err != nil {
			return err
		}
		defer doneA()
		b, doneB, err := look(s.to)
		if err != nil {
			return err
		}
		defer doneB()
		p := r.passage(s.from, s.to)
		putA, err := a.near(&p.from, &p.to, workers)
		if err != nil {
			return err
		}
		defer putA()
		putB, err := b.near(&p.to, &p.from, workers)
		if err != nil {
			return err
		}
		defer putB()
		n := 0
		for k := range sets[s.from].Points {
			if n%64 == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			pt := &sets[s.from].Points[k]
			at := geom.Pt{X: pt.X * float64(shrink), Y: pt.Y * float64(shrink)}
			if !p.sees(at, float64(minReach*shrink)) {
				continue
			}
			if n++; n > maxTiesPerSide {
				break
			}
			out[i].tried++
			if t, ok := w.measure(&a, &b, &p, at, shrink); ok {
				t.a, t.b = s.from, s.to
				out[i].ties = append(out[i].ties, t)
			}
		}
		done()
		return nil
	})
	return out, err
}

// passage is the way from one frame to another.
type passage struct {
	from, to geom.Camera
	toFrom   geom.Rotation
	pupil    pupil
}

func (r *rig) passage(from, to int) passage {
	return passage{from: r.camera(from), to: r.camera(to), toFrom: r.rot[to].Mul(r.rot[from].Inv()), pupil: r.pupil}
}

// at returns where what a pixel of one frame shows lies in the other.
func (p *passage) at(inFrom geom.Pt) (inTo geom.Pt, ok bool) {
	ray, ok := p.from.RayFromPixel(inFrom)
	if !ok {
		return inTo, false
	}
	return p.along(ray, p.pupil.nearness(p.from.CamFromWorld, ray))
}

// along returns where what lies along a ray of one frame, so near, lies in the
// other.
func (p *passage) along(rayInFrom geom.Vec, near float64) (inTo geom.Pt, ok bool) {
	ray, shift := rayInFrom, r3.Scale(near, p.pupil.offset())
	return p.to.PixelFromRay(r3.Sub(p.toFrom.Apply(r3.Add(ray, shift)), shift))
}

// sees reports whether a point lies inside both frames with a margin.
func (p *passage) sees(inFrom geom.Pt, margin float64) bool {
	if !p.from.Contains(inFrom, margin) {
		return false
	}
	q, ok := p.at(inFrom)
	return ok && p.to.Contains(q, margin)
}

// sees reports whether a point that is far away lies inside both frames with a
// margin.
func sees(from, to *geom.Camera, at geom.Pt, margin float64) bool {
	p := passage{from: *from, to: *to, toFrom: to.CamFromWorld.Mul(from.CamFromWorld.Inv())}
	return p.sees(at, margin)
}

// window is the scratch memory of one measurement.
type window struct {
	template, search, tmp raster.Plane
	// left … down say how far the window reaches from its centre.
	left, right, up, down int
	gx, gy                [windowSide * windowSide]float64
}

// cut sets how far the window reaches: windowRadius, but not beyond the
// edges of either frame; pixels of the level.
func (w *window) cut(cx, cy int, p *passage, inB geom.Pt, s float64) {
	// A pixel more is kept clear for the gradient and the blur, two in the
	// searched frame, where the window moves.
	reach := func(a, b float64) int { return max(0, min(windowRadius, int(min(a-1, b-2)))) }
	fw, fh, tw, th := float64(p.from.Width)/s, float64(p.from.Height)/s, float64(p.to.Width)/s, float64(p.to.Height)/s
	x, y := float64(cx)+0.5, float64(cy)+0.5
	w.left, w.right = reach(x, inB.X/s), reach(fw-x, tw-inB.X/s)
	w.up, w.down = reach(y, inB.Y/s), reach(fh-y, th-inB.Y/s)
}

const windowSide = 2*windowRadius + 1

// unknowns is the number of unknowns of a window: its displacement, gain,
// offset and the gain's slopes.
const unknowns = 6

// measure finds the point at of one frame in another: at reduced size, then
// at full size from there.
func (w *window) measure(from, to *sight, p *passage, at geom.Pt, shrink int) (t tie, ok bool) {
	var offset geom.Pt // found minus predicted, full-size pixels
	for _, s := range levels(shrink) {
		t, offset, ok = w.measureAt(from, to, p, at, offset, s)
		if !ok {
			return tie{}, false
		}
	}
	return t, true
}

// levels returns the reductions at which windows are matched, coarse to fine.
// A step of up to 4 is safe: a tenth of a pixel at one is half a pixel at the
// next.
func levels(shrink int) []int {
	switch {
	case shrink == 1:
		return []int{1}
	case shrink <= 4:
		return []int{shrink, 1}
	}
	return []int{shrink, 3, 1}
}

// measureAt matches one window at one reduction.
func (w *window) measureAt(from, to *sight, way *passage, at, offset geom.Pt, shrink int) (t tie, found geom.Pt, ok bool) {
	s := float64(shrink)
	// The template is centred on the middle of a pixel of the level: it is
	// never interpolated.
	cx, cy := int(math.Floor(at.X/s)), int(math.Floor(at.Y/s))
	inA := geom.Pt{X: (float64(cx) + 0.5) * s, Y: (float64(cy) + 0.5) * s}
	predicted, m, ok := way.mapping(inA, s)
	jac := m.jac
	if !ok {
		return t, found, false
	}
	w.read(&w.template, from, image.Rect(cx-windowRadius-1, cy-windowRadius-1, cx+windowRadius+2, cy+windowRadius+2), shrink)
	// Where the window falls in the other frame, with room to move.
	const room = windowRadius*1.6 + maxWindowShift + 3
	start := geom.Pt{X: predicted.X + offset.X, Y: predicted.Y + offset.Y}
	bx, by := int(math.Floor(start.X/s)), int(math.Floor(start.Y/s))
	reach := int(math.Ceil(room))
	w.read(&w.search, to, image.Rect(bx-reach, by-reach, bx+reach+1, by+reach+1), shrink)

	// Gradient of the template in the other frame's coordinates: J⁻ᵀ ∇T.
	det := jac[0]*jac[3] - jac[1]*jac[2]
	if !(math.Abs(det) > 0.2 && math.Abs(det) < 5) {
		return t, found, false
	}
	var h [unknowns * unknowns]float64 // normal matrix
	var meanT, varT float64
	i := 0
	w.cut(cx, cy, way, start, s)
	for y := cy - w.up; y <= cy+w.down; y++ {
		for x := cx - w.left; x <= cx+w.right; x++ {
			tx := float64(w.template.At(x+1, y)-w.template.At(x-1, y)) / 2
			ty := float64(w.template.At(x, y+1)-w.template.At(x, y-1)) / 2
			w.gx[i] = (jac[3]*tx - jac[2]*ty) / det
			w.gy[i] = (jac[0]*ty - jac[1]*tx) / det
			v := float64(w.template.At(x, y))
			meanT += v
			varT += v * v
			row := [unknowns]float64{w.gx[i], w.gy[i], v, 1, v * float64(x-cx) / windowRadius, v * float64(y-cy) / windowRadius}
			for a := range row {
				for b := range row[:a+1] {
					h[unknowns*b+a] += row[a] * row[b] // the upper triangle
				}
			}
			i++
		}
	}
	n := float64(i)
	meanT /= n
	varT = varT/n - meanT*meanT
	var chol mat.Cholesky
	if i < windowSide*windowSide/4 || !(varT > 0) || !chol.Factorize(mat.NewSymDense(unknowns, h[:])) {
		return t, found, false
	}
	p := geom.Pt{X: start.X / s, Y: start.Y / s} // in the level's pixels
	l := windowLight{gain: 1}
	var sse, meanB, varB float64
	converged := false
	for range 20 {
		g, sum, inside := w.compare(cx, cy, p, &m, &l)
		if !inside {
			return t, found, false
		}
		sse, meanB, varB = sum.sse, sum.b, sum.bb
		var d mat.VecDense
		if chol.SolveVecTo(&d, mat.NewVecDense(unknowns, g[:])) != nil {
			return t, found, false
		}
		// The rows were built for a gain of 1: a displacement shows itself
		// gain times as strongly.
		if !(l.gain > 0.1) {
			return t, found, false
		}
		sx, sy := d.AtVec(0)/l.gain, d.AtVec(1)/l.gain
		p.X -= sx
		p.Y -= sy
		l.gain += d.AtVec(2)
		l.offset += d.AtVec(3)
		l.across += d.AtVec(4) / windowRadius
		l.down += d.AtVec(5) / windowRadius
		if math.Hypot(p.X-start.X/s, p.Y-start.Y/s) > maxWindowShift {
			return t, found, false
		}
		if sx*sx+sy*sy < 1e-6 {
			converged = true
			break
		}
	}
	meanB /= n
	varB = varB/n - meanB*meanB
	if !converged || !(varB > 0) || !(l.gain > 0) {
		return t, found, false
	}
	// The correlation after the fit: 1 − residual variance over variance.
	noise := sse / (n - unknowns)
	if !(1-noise/varB > minCorrelation*minCorrelation) {
		return t, found, false
	}
	// Covariance of the place: the block of the inverse normal matrix.
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return t, found, false
	}
	k := noise / (l.gain * l.gain) * correlationLength
	cxx, cxy, cyy := k*inv.At(0, 0)+tieFloor*tieFloor, k*inv.At(0, 1), k*inv.At(1, 1)+tieFloor*tieFloor
	if !(largestEigen(cxx, cxy, cyy) <= maxTieSigma*maxTieSigma) {
		return t, found, false
	}
	inB := geom.Pt{X: p.X * s, Y: p.Y * s}
	dc := (cxx*cyy - cxy*cxy) * s * s
	t = tie{inA: inA, inB: inB, info: [3]float64{cyy / dc, -cxy / dc, cxx / dc}}
	return t, inB.Sub(predicted), true
}

// correlationLength is by how much the blur of the windows makes neighbouring
// residuals repeat each other: the number of samples that count as one.
const correlationLength = 2

// bend is a map of a small window into another frame, to second order:
//
//	offset = J·d + ½ (dᵀ Hx d, dᵀ Hy d)
//
// with J in row order and Hx, Hy as (xx, xy, yy). The second order matters:
// a turn of 25° at 1200 pixels of focal length moves the mean of a window of
// 31 pixels by 0.03 pixel, always to the same side.
type bend struct {
	jac    [4]float64
	hx, hy [3]float64
}

// mapping returns where a pixel falls and how its surroundings are bent, for
// offsets in units of s pixels.
func (p *passage) mapping(inFrom geom.Pt, s float64) (q geom.Pt, m bend, ok bool) {
	const h = 8.0 // differences over the window's scale
	ok = true
	at := func(dx, dy float64) geom.Pt {
		r, seen := p.at(geom.Pt{X: inFrom.X + h*s*dx, Y: inFrom.Y + h*s*dy})
		ok = ok && seen
		return geom.Pt{X: r.X / s, Y: r.Y / s}
	}
	c := at(0, 0)
	l, r, u, d := at(-1, 0), at(1, 0), at(0, -1), at(0, 1)
	lu, rd, ld, ru := at(-1, -1), at(1, 1), at(-1, 1), at(1, -1)
	m.jac = [4]float64{(r.X - l.X) / (2 * h), (d.X - u.X) / (2 * h), (r.Y - l.Y) / (2 * h), (d.Y - u.Y) / (2 * h)}
	m.hx = [3]float64{(r.X + l.X - 2*c.X) / (h * h), (rd.X + lu.X - ld.X - ru.X) / (4 * h * h), (d.X + u.X - 2*c.X) / (h * h)}
	m.hy = [3]float64{(r.Y + l.Y - 2*c.Y) / (h * h), (rd.Y + lu.Y - ld.Y - ru.Y) / (4 * h * h), (d.Y + u.Y - 2*c.Y) / (h * h)}
	return geom.Pt{X: c.X * s, Y: c.Y * s}, m, ok
}

// read fills dst with the luma of r, blurred with the binomial [1 2 1]/4
// (σ 0.7), which takes out what the cubic would interpolate wrongly. On
// rendered rows with 1 % noise, [1 4 6 4 1]/16 made the ties 10 % worse.
func (w *window) read(dst *raster.Plane, s *sight, r image.Rectangle, shrink int) {
	w.tmp.Reset(r.Inset(-1))
	if shrink == s.shrink {
		w.tmp.CopyClamped(s.small)
	} else {
		raster.LumaPatch(&w.tmp, s.full, shrink)
	}
	dst.Reset(r)
	// Horizontal in place: each result lands one to the left of its middle.
	for y := w.tmp.Rect.Min.Y; y < w.tmp.Rect.Max.Y; y++ {
		row := w.tmp.Row(y)
		for x := 0; x+2 < len(row); x++ {
			row[x] = (row[x] + 2*row[x+1] + row[x+2]) / 4
		}
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		a, b, c := w.tmp.Row(y-1), w.tmp.Row(y), w.tmp.Row(y+1)
		out := dst.Row(y)
		for x := range out {
			out[x] = (a[x] + 2*b[x] + c[x]) / 4
		}
	}
}

// sums of a comparison: squared differences, and the warped window's samples
// and their squares.
type sums struct{ sse, b, bb float64 }

// windowLight is how the searched frame's samples follow from the template's: at
// (x, y) pixels from its middle (gain + across x + down y) · sample + offset.
type windowLight struct{ gain, offset, across, down float64 }

// compare samples the searched frame on the template's grid at p (in the
// level's pixels, pixel centres at .5) bent by m, and returns the
// differences to the template in the light l, summed against the rows of the
// normal matrix; inside is false if the grid leaves the window that was read.
//
// Interpolation is the cubic of Keys (IEEE ASSP 29(6), 1981) with a = −1/2.
func (w *window) compare(cx, cy int, p geom.Pt, m *bend, l *windowLight) (g [unknowns]float64, s sums, inside bool) {
	// Positions in samples of the search window, from the first one's centre.
	ox, oy := p.X-0.5-float64(w.search.Rect.Min.X), p.Y-0.5-float64(w.search.Rect.Min.Y)
	wide, high := float64(max(w.left, w.right)), float64(max(w.up, w.down))
	reachX := bound(m.jac[0], m.jac[1], m.hx, wide, high)
	reachY := bound(m.jac[2], m.jac[3], m.hy, wide, high)
	if !(ox-reachX >= 1 && oy-reachY >= 1 &&
		ox+reachX < float64(w.search.Rect.Dx()-2) && oy+reachY < float64(w.search.Rect.Dy()-2)) {
		return g, s, false
	}
	pix, stride := w.search.Pix, w.search.Stride
	i, n := 0, w.left+w.right+1
	for dy := -w.up; dy <= w.down; dy++ {
		tpl := w.template.Row(cy + dy)[cx-w.left-w.template.Rect.Min.X:][:n]
		gx, gy := w.gx[i:i+n], w.gy[i:i+n]
		// Along the line position and step are carried on by differences.
		x, y := -float64(w.left), float64(dy)
		fx := ox + m.jac[0]*x + m.jac[1]*y + 0.5*(m.hx[0]*x*x+m.hx[2]*y*y) + m.hx[1]*x*y
		fy := oy + m.jac[2]*x + m.jac[3]*y + 0.5*(m.hy[0]*x*x+m.hy[2]*y*y) + m.hy[1]*x*y
		stepX := m.jac[0] + m.hx[0]*(x+0.5) + m.hx[1]*y
		stepY := m.jac[2] + m.hy[0]*(x+0.5) + m.hy[1]*y
		gain := l.gain + l.down*y + l.across*x
		var line, across float64 // of sample times difference
		for k, v32 := range tpl {
			x0, y0 := int(fx), int(fy)
			wx := &keysTable[int((fx-float64(x0))*keysPhases+0.5)]
			wy := &keysTable[int((fy-float64(y0))*keysPhases+0.5)]
			at := (y0-1)*stride + x0 - 1
			r0, r1 := (*[4]float32)(pix[at:]), (*[4]float32)(pix[at+stride:])
			r2, r3 := (*[4]float32)(pix[at+2*stride:]), (*[4]float32)(pix[at+3*stride:])
			b := float64(wy[0]*(wx[0]*r0[0]+wx[1]*r0[1]+wx[2]*r0[2]+wx[3]*r0[3]) +
				wy[1]*(wx[0]*r1[0]+wx[1]*r1[1]+wx[2]*r1[2]+wx[3]*r1[3]) +
				wy[2]*(wx[0]*r2[0]+wx[1]*r2[1]+wx[2]*r2[2]+wx[3]*r2[3]) +
				wy[3]*(wx[0]*r3[0]+wx[1]*r3[1]+wx[2]*r3[2]+wx[3]*r3[3]))
			v := float64(v32)
			e := b - (gain*v + l.offset)
			s.sse += e * e
			s.b += b
			s.bb += b * b
			g[0] += gx[k] * e
			g[1] += gy[k] * e
			line += v * e
			across += x * v * e
			g[3] += e
			gain += l.across
			x++
			fx += stepX
			fy += stepY
			stepX += m.hx[0]
			stepY += m.hy[0]
		}
		g[2] += line
		g[4] += across / windowRadius
		g[5] += y * line / windowRadius
		i += n
	}
	return g, s, true
}

// bound returns the largest offset of a bend over a window.
func bound(jx, jy float64, h [3]float64, wide, high float64) float64 {
	return wide*math.Abs(jx) + high*math.Abs(jy) +
		0.5*(wide*wide*math.Abs(h[0])+high*high*math.Abs(h[2])) + wide*high*math.Abs(h[1])
}

// keysTable has the cubic's weights at keysPhases places between two samples:
// a place is off by at most 1/2048 pixel, without bias.
const keysPhases = 1024

var keysTable = func() (t [keysPhases + 1][4]float32) {
	for i := range t {
		f := float64(i) / keysPhases
		t[i] = [4]float32{
			float32(f * (-0.5 + f*(1-0.5*f))),
			float32(1 + f*f*(-2.5+1.5*f)),
			float32(f * (0.5 + f*(2-1.5*f))),
			float32(f * f * (-0.5 + 0.5*f)),
		}
	}
	return t
}()

// largestEigen returns the larger eigenvalue of [a b; b c].
func largestEigen(a, b, c float64) float64 {
	m, d := (a+c)/2, (a-c)/2
	return m + math.Sqrt(d*d+b*b)
}
