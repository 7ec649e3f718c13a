package blend

import (
	"image"
	"slices"
)

// Labels tells for each cell of a coarse grid which layer it is taken from.
type Labels struct {
	// Rect is the grid in cells: cell (x, y) covers the output pixels
	// [x·Cell, (x+1)·Cell) × [y·Cell, (y+1)·Cell).
	Rect image.Rectangle
	// Cell is the side of a cell in output pixels, at least 1.
	Cell int
	// Wrap says that the grid is a full turn: left of its first column comes
	// its last. The turn is then exactly Rect.Dx()·Cell pixels.
	Wrap bool
	// L has the number of a layer for each cell in row order, −1 where no
	// layer is valid.
	L []int16
}

// At returns the label of cell (x, y); outside the grid that of the nearest
// cell, or in x of the same place a turn away if the grid wraps.
func (l *Labels) At(x, y int) int { return int(l.L[l.row(y)+l.column(x)]) }

func (l *Labels) column(x int) int {
	x -= l.Rect.Min.X
	w := l.Rect.Dx()
	if l.Wrap {
		return floorMod(x, w)
	}
	return min(max(x, 0), w-1)
}

func (l *Labels) row(y int) int {
	return min(max(y-l.Rect.Min.Y, 0), l.Rect.Dy()-1) * l.Rect.Dx()
}

// WrapPx returns the turn in output pixels, or 0 if the grid does not wrap.
func (l *Labels) WrapPx() int {
	if !l.Wrap {
		return 0
	}
	return l.Rect.Dx() * l.Cell
}

// Pixel returns the label of output pixel (x, y): the four cells whose
// centres are nearest vote with bilinear weights, so that a boundary runs
// across cells as a slope, not as stairs. Only labels for which valid holds
// are elected; of equal votes the lowest label wins. It returns −1 if no
// label of the four is valid.
func (l *Labels) Pixel(x, y int, valid func(label int) bool) int {
	b := l.ballot(x, y)
	return b.elect(valid)
}

// ballot is the vote of the four cells around a pixel.
type ballot struct {
	label  [4]int16
	weight [4]int // sums to (2·Cell)²
}

// ballot weighs the cells around pixel (x, y), in half pixels so that all is
// in whole numbers.
func (l *Labels) ballot(x, y int) ballot {
	side := 2 * l.Cell
	cx, fx := floorDivMod(2*x+1-l.Cell, side)
	cy, fy := floorDivMod(2*y+1-l.Cell, side)
	x0, x1, y0, y1 := l.column(cx), l.column(cx+1), l.row(cy), l.row(cy+1)
	return ballot{
		label:  [4]int16{l.L[y0+x0], l.L[y0+x1], l.L[y1+x0], l.L[y1+x1]},
		weight: [4]int{(side - fx) * (side - fy), fx * (side - fy), (side - fx) * fy, fx * fy},
	}
}

// unanimous reports whether only one label can be elected.
func (b *ballot) unanimous() bool {
	return b.label[0] == b.label[1] && b.label[0] == b.label[2] && b.label[0] == b.label[3]
}

// elect returns the label with the most votes among those for which valid
// holds, the lowest of equals, or −1.
func (b *ballot) elect(valid func(label int) bool) int {
	best, bestWeight := -1, 0
	for _, label := range b.label {
		if label < 0 || int(label) == best || !valid(int(label)) {
			continue
		}
		w := 0
		for k, other := range b.label {
			if other == label {
				w += b.weight[k]
			}
		}
		if best < 0 || w > bestWeight || w == bestWeight && int(label) < best {
			best, bestWeight = int(label), w
		}
	}
	return best
}

// Among returns, in ascending order, the labels that can be elected for a
// pixel of r (output pixels): those of the cells under r and of one cell
// around them.
func (l *Labels) Among(r image.Rectangle) []int {
	return l.appendAmong(nil, r)
}

// appendAmong appends to dst, which must be empty, what Among returns.
func (l *Labels) appendAmong(dst []int, r image.Rectangle) []int {
	if r.Empty() {
		return dst
	}
	x0, _ := floorDivMod(r.Min.X, l.Cell)
	x1, _ := floorDivMod(r.Max.X-1, l.Cell)
	y0, _ := floorDivMod(r.Min.Y, l.Cell)
	y1, _ := floorDivMod(r.Max.Y-1, l.Cell)
	x0, y0, x1, y1 = x0-1, y0-1, x1+1, y1+1
	if l.Wrap {
		x1 = min(x1, x0+l.Rect.Dx()-1)
	} else {
		x0, x1 = clampTo(x0, l.Rect.Min.X, l.Rect.Max.X), clampTo(x1, l.Rect.Min.X, l.Rect.Max.X)
	}
	y0, y1 = clampTo(y0, l.Rect.Min.Y, l.Rect.Max.Y), clampTo(y1, l.Rect.Min.Y, l.Rect.Max.Y)
	for y := y0; y <= y1; y++ {
		row := l.row(y)
		last := int16(-1)
		for x := x0; x <= x1; x++ {
			label := l.L[row+l.column(x)]
			if label == last || label < 0 {
				continue
			}
			last = label
			if i, found := slices.BinarySearch(dst, int(label)); !found {
				dst = slices.Insert(dst, i, int(label))
			}
		}
	}
	return dst
}

// spread returns a copy in which the cells without a layer have the label of
// the cell nearest to them in steps (of equals, the first in a fixed order).
// If no cell has a layer the copy is the same.
func (l *Labels) spread() *Labels {
	out := *l
	out.L = slices.Clone(l.L)
	w, h := l.Rect.Dx(), l.Rect.Dy()
	var front []int
	for i, label := range out.L {
		if label >= 0 {
			front = append(front, i)
		}
	}
	for k := 0; k < len(front); k++ {
		i := front[k]
		x, y := i%w, i/w
		for _, step := range [4]image.Point{{X: -1}, {X: 1}, {Y: -1}, {Y: 1}} {
			nx, ny := x+step.X, y+step.Y
			if l.Wrap {
				nx = floorMod(nx, w)
			}
			if nx < 0 || ny < 0 || nx >= w || ny >= h {
				continue
			}
			if j := ny*w + nx; out.L[j] < 0 {
				out.L[j] = out.L[i]
				front = append(front, j)
			}
		}
	}
	return &out
}

// alone returns the label that all cells of each square of n × n have, or −1;
// the last squares may hold fewer. It is nil for a turn that is no multiple of
// n cells.
func (l *Labels) alone(n int) *Labels {
	down := func(v int) int { q, _ := floorDivMod(v, n); return q }
	if l.Wrap && (l.Rect.Min.X%n != 0 || l.Rect.Dx()%n != 0) {
		return nil
	}
	out := &Labels{
		Rect: image.Rect(down(l.Rect.Min.X), down(l.Rect.Min.Y), down(l.Rect.Max.X-1)+1, down(l.Rect.Max.Y-1)+1),
		Cell: l.Cell * n, Wrap: l.Wrap,
	}
	out.L = make([]int16, out.Rect.Dx()*out.Rect.Dy())
	for y := out.Rect.Min.Y; y < out.Rect.Max.Y; y++ {
		for x := out.Rect.Min.X; x < out.Rect.Max.X; x++ {
			part := image.Rect(x*n, y*n, x*n+n, y*n+n).Intersect(l.Rect)
			label := int16(l.At(part.Min.X, part.Min.Y))
			for v := part.Min.Y; v < part.Max.Y; v++ {
				row := l.L[(v-l.Rect.Min.Y)*l.Rect.Dx()+part.Min.X-l.Rect.Min.X:][:part.Dx()]
				for _, other := range row {
					if other != label {
						label = -1
					}
				}
			}
			out.L[(y-out.Rect.Min.Y)*out.Rect.Dx()+x-out.Rect.Min.X] = label
		}
	}
	return out
}

// only returns the label of all cells under r (output pixels), if they have one
// and the same. l may be nil.
func (l *Labels) only(r image.Rectangle) (label int, ok bool) {
	if l == nil {
		return -1, false
	}
	x0, _ := floorDivMod(r.Min.X, l.Cell)
	x1, _ := floorDivMod(r.Max.X-1, l.Cell)
	y0, _ := floorDivMod(r.Min.Y, l.Cell)
	y1, _ := floorDivMod(r.Max.Y-1, l.Cell)
	label = l.At(x0, y0)
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			if l.At(x, y) != label {
				return -1, false
			}
		}
	}
	return label, label >= 0
}

// clampTo returns v moved into [lo, hi).
func clampTo(v, lo, hi int) int { return min(max(v, lo), hi-1) }

// floorMod returns a modulo b in [0, b).
func floorMod(a, b int) int {
	_, m := floorDivMod(a, b)
	return m
}

// floorDivMod returns the quotient rounded down and its remainder in [0, b).
func floorDivMod(a, b int) (q, m int) {
	q, m = a/b, a%b
	if m < 0 {
		q, m = q-1, m+b
	}
	return q, m
}
