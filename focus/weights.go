package focus

import (
	"image"
	"slices"

	"flatfell.example/blend"
)

// weights are the shares that a slice has in the pixels of a rectangle: the uniform
// cubic B-spline through its cells, 1 in those with its label and 0 in the others.
// They sum to one over the slices. A wider step than from cell to cell hides where a
// border lies on the wrong side of an edge, and is still narrower than what focus
// does: of the brackets of the bench it leaves 0.1 dB less error than the linear.
type weights struct {
	at   []float32 // in row order
	mine []float32 // of the cells, 1 or 0
	line []float32 // of cells, at one line of pixels
	// The parts of the four cells in the first pixels of a line.
	parts [][4]float32
}

// of finds the weights of slice k at each pixel of r; it reports whether there is one
// above zero, and sets all to zero else.
func (w *weights) of(labels *blend.Labels, k int, r image.Rectangle) (used bool) {
	n := r.Dx() * r.Dy()
	w.at = slices.Grow(w.at[:0], n)[:n]
	cells := cellsUnder(r, labels.Cell)
	across := cells.Dx()
	w.mine = slices.Grow(w.mine[:0], across*cells.Dy())[:across*cells.Dy()]
	for y := range cells.Dy() {
		for x := range across {
			w.mine[y*across+x] = 0
			if labels.At(cells.Min.X+x, cells.Min.Y+y) == k {
				w.mine[y*across+x] = 1
				used = true
			}
		}
	}
	if !used {
		clear(w.at)
		return false
	}
	w.line = slices.Grow(w.line[:0], across)[:across]
	w.parts = w.parts[:0]
	for x := range labels.Cell { // they repeat from cell to cell
		_, s := spline(r.Min.X+x, labels.Cell)
		w.parts = append(w.parts, s)
	}
	first, _ := spline(r.Min.X, labels.Cell)
	ahead := 0 // how many pixels of r have the same first cell
	for c := first; c == first; ahead++ {
		c, _ = spline(r.Min.X+ahead+1, labels.Cell)
	}
	for y := range r.Dy() {
		c, s := spline(r.Min.Y+y, labels.Cell)
		rows := w.mine[(c-cells.Min.Y)*across:]
		for x := range w.line {
			w.line[x] = s[0]*rows[x] + s[1]*rows[across+x] + s[2]*rows[2*across+x] + s[3]*rows[3*across+x]
		}
		out := w.at[y*r.Dx():][:r.Dx()]
		for x := range out {
			s := &w.parts[x%labels.Cell]
			l := w.line[(x+labels.Cell-ahead)/labels.Cell:][:4]
			out[x] = s[0]*l[0] + s[1]*l[1] + s[2]*l[2] + s[3]*l[3]
		}
	}
	return true
}

// spline returns the first of the four cells that have a part in pixel v, along one
// axis, and their parts.
func spline(v, cell int) (first int, part [4]float32) {
	q := 2*v + 1 - cell // twice the way from the middle of cell 0
	at := q / (2 * cell)
	if q < 2*cell*at {
		at--
	}
	t := float32(q-2*cell*at) / float32(2*cell)
	return at - 1, [4]float32{
		(1 - t) * (1 - t) * (1 - t) / 6,
		(3*t*t*t - 6*t*t + 4) / 6,
		(-3*t*t*t + 3*t*t + 3*t + 1) / 6,
		t * t * t / 6,
	}
}

// cellsUnder returns the cells that have a part in the pixels of r.
func cellsUnder(r image.Rectangle, cell int) image.Rectangle {
	x0, _ := spline(r.Min.X, cell)
	y0, _ := spline(r.Min.Y, cell)
	x1, _ := spline(r.Max.X-1, cell)
	y1, _ := spline(r.Max.Y-1, cell)
	return image.Rect(x0, y0, x1+4, y1+4)
}
