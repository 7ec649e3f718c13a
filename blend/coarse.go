package blend

import (
	"image"
	"slices"

	"flatfell.example/raster"
)

// The bands that are coarser than a cell are blended on the labels' grid, once
// for the whole picture. What a layer is at full size less its own coarse part
// is blended where the seams are, and the blended coarse part put back:
//
//	picture = blend(layer − up(coarse of layer)) + up(blend of all coarse)
//
// Away from the seams the first term is the layer's own, and the picture is the
// layer plus up(blend of all coarse − its own): a pixel then costs next to
// nothing more than resampling it. That the coarse part may come from any low
// pass, as long as the same one is taken off and put back, is what lets it come
// from the reduced frames that the seams were found on. Burt & Adelson 1983 for
// the bands; the split is ours.

// coarseReach is how far in units of 2^bands samples a mask of one level of a
// pyramid is felt, with its Laplacian.
const coarseReach = 6

// coarsePart is the blend of the bands coarser than a cell.
type coarsePart struct {
	cell   int
	bands  int
	layers []SeamLayer // once made, continued where the labels reach
	wrap   int         // cells, 0 without
	sum    [3]*raster.Plane
	up     [][4]float32 // see splineWeights
}

// newCoarsePart blends the cells' colours over labels, which have been spread.
func newCoarsePart(layers []SeamLayer, labels *Labels, bands int) *coarsePart {
	c := &coarsePart{cell: labels.Cell, bands: bands, layers: slices.Clone(layers), up: splineWeights(labels.Cell)}
	whole := labels.Rect
	if labels.Wrap {
		c.wrap = whole.Dx()
		whole = whole.Inset(-coarseReach << bands)
		whole.Min.Y, whole.Max.Y = labels.Rect.Min.Y, labels.Rect.Max.Y
	}
	var sum [3][]*raster.Plane
	for k := range sum {
		r := whole
		for range bands + 1 {
			sum[k] = append(sum[k], raster.NewPlane(r))
			r = raster.HalfRect(r)
		}
	}
	mask, gauss := make([]*raster.Plane, bands+1), make([]*raster.Plane, bands+1)
	for l := range mask {
		mask[l], gauss[l] = new(raster.Plane), new(raster.Plane)
	}
	var expanded raster.Plane
	reach := coarseReach << bands
	continued := make([]SeamLayer, len(layers))
	parts := labelled(labels, whole, len(layers))
	last := c.lastUse(parts, reach)
	for i, r := range parts {
		if r.Empty() {
			continued[i] = layers[i] // it may still fill a hole
		}
	}
	layers = nil
	for i, r := range parts {
		if r.Empty() {
			continue
		}
		r = r.Inset(-reach).Intersect(whole)
		continued[i] = c.continued(i, labels, c.around(r, c.layers[i].Rect))
		mask[0].Reset(r)
		for y := r.Min.Y; y < r.Max.Y; y++ {
			row := mask[0].Row(y)
			for x := range row {
				row[x] = 0
				if labels.At(r.Min.X+x, y) == i {
					row[x] = 1
				}
			}
		}
		for l := range bands {
			raster.Reduce(mask[l+1], mask[l])
		}
		for k := range sum {
			c.cellsOf(gauss[0], &continued[i], k, r)
			for l := range bands {
				raster.Reduce(gauss[l+1], gauss[l])
				raster.Expand(&expanded, mask[l].Rect, gauss[l+1])
				accumulate(sum[k][l], mask[l], gauss[l], &expanded)
			}
			accumulate(sum[k][bands], mask[bands], gauss[bands], nil)
		}
		for j, l := range last {
			if l == i {
				c.layers[j] = SeamLayer{}
			}
		}
	}
	for k := range sum {
		for l := bands - 1; l >= 0; l-- {
			raster.Expand(&expanded, sum[k][l].Rect, sum[k][l+1])
			for i, v := range expanded.Pix {
				sum[k][l].Pix[i] += v
			}
		}
		c.sum[k] = sum[k][0]
	}
	c.layers = continued
	return c
}

// lastUse returns for each layer which one is the last that may be continued by it,
// given the parts of the picture that are theirs; −1 if none is: a long row, if it is no
// full turn, then needs the cells of a few neighbours at a time.
func (c *coarsePart) lastUse(parts []image.Rectangle, reach int) []int {
	last := make([]int, len(parts))
	for j := range last {
		last[j] = -1
		for i, part := range parts {
			r := part.Inset(-reach)
			if part.Empty() {
				continue
			}
			if r = r.Union(c.layers[i].Rect); i == j || c.wrap > 0 || r.Overlaps(c.layers[j].Rect) || r.Overlaps(parts[j]) {
				last[j] = i
			}
		}
	}
	return last
}

// around returns the cells over which a layer is continued: at least its own, and
// r, the cells that are asked for; on a full turn at most a turn.
func (c *coarsePart) around(r, layer image.Rectangle) image.Rectangle {
	if c.wrap == 0 {
		return r.Union(layer)
	}
	room := max(c.wrap-layer.Dx(), 0)
	more := min(coarseReach<<c.bands, room/2)
	return image.Rect(layer.Min.X-more, min(r.Min.Y, layer.Min.Y), layer.Max.X+more, max(r.Max.Y, layer.Max.Y))
}

// labelled returns the smallest rectangle around the cells of whole with each
// label.
func labelled(labels *Labels, whole image.Rectangle, n int) []image.Rectangle {
	of := make([]image.Rectangle, n)
	for y := whole.Min.Y; y < whole.Max.Y; y++ {
		for x := whole.Min.X; x < whole.Max.X; {
			label, first := labels.At(x, y), x
			for x++; x < whole.Max.X && labels.At(x, y) == label; {
				x++
			}
			if label >= 0 {
				of[label] = of[label].Union(image.Rect(first, y, x, y+1))
			}
		}
	}
	return of
}

// accumulate adds weight · (fine − coarse) to sum where weight reaches; coarse
// is nil at the top.
func accumulate(sum, weight, fine, coarse *raster.Plane) {
	r := weight.Rect
	for y := r.Min.Y; y < r.Max.Y; y++ {
		out := sum.Row(y)[r.Min.X-sum.Rect.Min.X:][:r.Dx()]
		w, f := weight.Row(y), fine.Row(y)
		if coarse == nil {
			for i, v := range f {
				out[i] += w[i] * v
			}
			continue
		}
		e := coarse.Row(y)
		for i, v := range f {
			out[i] += w[i] * (v - e[i])
		}
	}
}

// cells fills dst, with bounds r, with channel k of a layer; beyond its cells
// their border is repeated.
func (c *coarsePart) cells(dst *raster.Plane, layer, k int, r image.Rectangle) {
	c.cellsOf(dst, &c.layers[layer], k, r)
}

// cellsOf is cells of a layer that need not be one of c's.
func (c *coarsePart) cellsOf(dst *raster.Plane, l *SeamLayer, k int, r image.Rectangle) {
	dst.Reset(r)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := l.RGB[k].Row(clampTo(y, l.Rect.Min.Y, l.Rect.Max.Y))
		out := dst.Row(y)
		for x := range out {
			out[x] = row[c.column(l.Rect, r.Min.X+x)]
		}
	}
}

// column returns the column of r, counted from its first, that stands for x:
// on a full turn that of the repetition nearest to r's middle.
func (c *coarsePart) column(r image.Rectangle, x int) int {
	return clampTo(c.repeat(r, x), r.Min.X, r.Max.X) - r.Min.X
}

// repeat returns x or, on a full turn, the repetition of x nearest to r's middle.
func (c *coarsePart) repeat(r image.Rectangle, x int) int {
	if c.wrap > 0 {
		first := (r.Min.X+r.Max.X)/2 - c.wrap/2
		x = first + floorMod(x-first, c.wrap)
	}
	return x
}

// splineWeights returns the uniform cubic B-spline through samples at the
// middles of cells: smooth to the second derivative, so that no cell's edge
// shows. Entry p is for the pixel p after the middle of sample 0.
func splineWeights(cell int) [][4]float32 {
	w := make([][4]float32, cell)
	for p := range w {
		t := (float64(p) + float64(cell/2) - float64(cell-1)/2) / float64(cell)
		w[p] = [4]float32{
			float32((1 - t) * (1 - t) * (1 - t) / 6),
			float32((3*t*t*t - 6*t*t + 4) / 6),
			float32((-3*t*t*t + 3*t*t + 3*t + 1) / 6),
			float32(t * t * t / 6),
		}
	}
	return w
}

// under returns the cells that the spline reads for the pixels of r.
func (c *coarsePart) under(r image.Rectangle) image.Rectangle {
	low := func(v int) int { q, _ := floorDivMod(v-c.cell/2, c.cell); return q - 1 }
	return image.Rect(low(r.Min.X), low(r.Min.Y), low(r.Max.X-1)+4, low(r.Max.Y-1)+4)
}

// support returns the pixels whose labels have a part in the coarse blend at
// the pixels of r.
func (c *coarsePart) support(r image.Rectangle) image.Rectangle {
	cells := c.under(r)
	for range c.bands {
		cells = expandsFrom(cells)
	}
	cells = reducesFrom(cells, c.bands)
	return image.Rect(cells.Min.X*c.cell, cells.Min.Y*c.cell, cells.Max.X*c.cell, cells.Max.Y*c.cell)
}

// shift is the memory in which coarse cells are brought to full size.
type shift struct {
	own, cells raster.Plane
	line       []float32 // of cells, at one line of pixels
}

// add adds to plane, over r, sign times the blend of channel k, if layer is
// negative, sign times the layer's own cells else.
func (c *coarsePart) add(plane *raster.Plane, r image.Rectangle, k, layer int, sign float32, s *shift) {
	under := c.under(r)
	if layer < 0 {
		c.blended(&s.cells, k, under)
	} else {
		c.cells(&s.cells, layer, k, under)
	}
	c.expand(plane, r, &s.cells, sign, s)
}

// correct adds to plane, over r, what the blend of channel k has that the
// layer's own cells have not.
func (c *coarsePart) correct(plane *raster.Plane, r image.Rectangle, k, layer int, s *shift) {
	under := c.under(r)
	c.blended(&s.cells, k, under)
	c.cells(&s.own, layer, k, under)
	for i, v := range s.own.Pix {
		s.cells.Pix[i] -= v
	}
	c.expand(plane, r, &s.cells, 1, s)
}

// blended fills dst, with bounds r, with the blend of channel k.
func (c *coarsePart) blended(dst *raster.Plane, k int, r image.Rectangle) {
	dst.Reset(r)
	sum := c.sum[k]
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := sum.Row(clampTo(y, sum.Rect.Min.Y, sum.Rect.Max.Y))
		out := dst.Row(y)
		for x := range out {
			out[x] = row[clampTo(r.Min.X+x, sum.Rect.Min.X, sum.Rect.Max.X)-sum.Rect.Min.X]
		}
	}
}

// expand adds sign times cells, brought to full size, to plane over r.
func (c *coarsePart) expand(plane *raster.Plane, r image.Rectangle, cells *raster.Plane, sign float32, s *shift) {
	w := cells.Rect.Dx()
	if cap(s.line) < w {
		s.line = make([]float32, w)
	}
	line := s.line[:w]
	for y := r.Min.Y; y < r.Max.Y; y++ {
		qy, phase := floorDivMod(y-c.cell/2, c.cell)
		wy := &c.up[phase]
		v0, v1, v2, v3 := wy[0]*sign, wy[1]*sign, wy[2]*sign, wy[3]*sign
		r0, r1, r2, r3 := cells.Row(qy - 1)[:w], cells.Row(qy)[:w], cells.Row(qy + 1)[:w], cells.Row(qy + 2)[:w]
		for i := range line {
			line[i] = v0*r0[i] + v1*r1[i] + v2*r2[i] + v3*r3[i]
		}
		out := plane.Row(y)[r.Min.X-plane.Rect.Min.X:][:r.Dx()]
		q, phase := floorDivMod(r.Min.X-c.cell/2, c.cell)
		at := q - 1 - cells.Rect.Min.X
		for i := 0; i < len(out); {
			p := (*[4]float32)(line[at:])
			p0, p1, p2, p3 := p[0], p[1], p[2], p[3]
			n := min(c.cell-phase, len(out)-i)
			up, part := c.up[phase:phase+n], out[i:i+n]
			for j := range part {
				u := &up[j]
				part[j] += u[0]*p0 + u[1]*p1 + u[2]*p2 + u[3]*p3
			}
			i += n
			phase = 0
			at++
		}
	}
}
