package blend

import (
	"image"
	"slices"
)

// A figure is what one layer shows and another does not: something that moved
// between the frames. In an overlap each must be taken whole or left out, and
// one that both layers show in different places must not appear twice.

const (
	// figureStep is the least difference of a figure, summed over the
	// channels, of the mean of 3 × 3 cells, and figureNoise its least
	// multiple of the overlap's median difference.
	figureStep  = 0.06
	figureNoise = 4
	// leastFigure is the number of cells that a figure has at least.
	leastFigure = 9
	// figureMargin is by how many cells a figure is grown: its soft edge, and
	// the reach of the finer bands.
	figureMargin = 2
	// ownContour is by how much the contour of a figure must be stronger in
	// the layer that shows it than in the one that shows what is behind.
	ownContour = 1.3
	// nearFigures is the distance, in sizes of the larger, up to which two
	// figures may be one thing that moved.
	nearFigures = 0.6
)

// wish says which side of a cut a figure is to lie on.
type wish int8

const (
	anySide wish = iota // but all of it on one
	oldSide
	newSide
	split // a figure that no side has whole: the cut does what it can
)

// figure is a group of cells of an overlap.
type figure struct {
	cells []int32 // indices in the overlap's frame
	box   image.Rectangle
	owner wish // the side that shows it; anySide if unknown
	wish  wish
}

// figures finds the figures of the overlap.
func (w *overlap) figures() []figure {
	differs := w.figureMask()
	label := make([]int32, len(differs))
	for i := range label {
		label[i] = -1
	}
	var found []figure
	stride := w.frame.Dx()
	around := [8]int{1, -1, stride, -stride, stride + 1, stride - 1, -stride + 1, -stride - 1}
	for start, in := range differs {
		if !in || label[start] >= 0 {
			continue
		}
		f := figure{cells: []int32{int32(start)}}
		label[start] = int32(len(found))
		for k := 0; k < len(f.cells); k++ {
			i := int(f.cells[k])
			x, y := i%stride, i/stride
			f.box = f.box.Union(image.Rect(x, y, x+1, y+1))
			for _, s := range around {
				if j := i + s; differs[j] && label[j] < 0 {
					label[j] = label[start]
					f.cells = append(f.cells, int32(j))
				}
			}
		}
		if len(f.cells) < leastFigure {
			continue // its label keeps it from being found again
		}
		f.owner = w.owner(&f, differs)
		found = append(found, f)
	}
	found = joinFigures(found)
	for k := range found {
		w.growFigure(&found[k])
		found[k].wish = w.wishFor(&found[k])
	}
	return found
}

// figureMask returns the cells that differ by more than noise and a shift of
// texture make, lines one or two cells thick left out.
func (w *overlap) figureMask() []bool {
	n := len(w.kind)
	var mean [3][]float32
	for c := range mean {
		mean[c] = make([]float32, n)
	}
	stride := w.frame.Dx()
	w.each(func(x, y, i int, at int32) {
		for c := range mean {
			mean[c][i] = w.layer.RGB[c].At(x, y) - w.c.rgb[c][at]
		}
	})
	size := make([]float32, n)
	var all []float32
	w.each(func(_, _, i int, _ int32) {
		sum := float32(0)
		for c := range mean {
			m, k := float32(0), float32(0)
			for _, row := range [3]int{i - stride, i, i + stride} {
				for j := row - 1; j <= row+1; j++ {
					if w.kind[j] == both {
						m += mean[c][j]
						k++
					}
				}
			}
			sum += abs(m / k)
		}
		size[i] = sum
		all = append(all, sum)
	})
	slices.Sort(all)
	step := max(figureStep, figureNoise*all[len(all)/2])
	mask := make([]bool, n)
	for i, v := range size {
		mask[i] = v > step
	}
	// Opened by 3 × 3 cells.
	inner := make([]bool, n)
	w.each(func(_, _, i int, _ int32) {
		inner[i] = true
		for _, row := range [3]int{i - stride, i, i + stride} {
			inner[i] = inner[i] && mask[row-1] && mask[row] && mask[row+1]
		}
	})
	clear(mask)
	w.each(func(_, _, i int, _ int32) {
		if inner[i] {
			for _, row := range [3]int{i - stride, i, i + stride} {
				for j := row - 1; j <= row+1; j++ {
					mask[j] = w.kind[j] == both
				}
			}
		}
	})
	return mask
}

// owner returns the side whose picture has the figure's contour.
func (w *overlap) owner(f *figure, in []bool) wish {
	var fresh, old float32
	stride := w.frame.Dx()
	for _, c := range f.cells {
		i := int(c)
		if in[i-1] && in[i+1] && in[i-stride] && in[i+stride] {
			continue
		}
		x, y := w.frame.Min.X+i%stride, w.frame.Min.Y+i/stride
		for _, d := range [2]struct {
			step int
			p    image.Point
		}{{1, image.Pt(1, 0)}, {stride, image.Pt(0, 1)}} {
			a, b := i-d.step, i+d.step
			if w.kind[a] != both || w.kind[b] != both {
				continue
			}
			for k := range w.c.rgb {
				p := w.layer.RGB[k]
				fresh += abs(p.At(x+d.p.X, y+d.p.Y) - p.At(x-d.p.X, y-d.p.Y))
				old += abs(w.c.rgb[k][w.at[b]] - w.c.rgb[k][w.at[a]])
			}
		}
	}
	switch {
	case fresh > ownContour*old:
		return newSide
	case old > ownContour*fresh:
		return oldSide
	}
	return anySide
}

// joinFigures joins figures that may be one thing in two places: near one
// another and not of the same owner.
func joinFigures(found []figure) []figure {
	root := make([]int, len(found))
	for i := range root {
		root[i] = i
	}
	find := func(i int) int {
		for root[i] != i {
			i = root[i]
		}
		return i
	}
	for i := range found {
		for j := range i {
			a, b := &found[i], &found[j]
			if a.owner == b.owner && a.owner != anySide {
				continue
			}
			reach := int(nearFigures * float32(max(a.box.Dx(), a.box.Dy(), b.box.Dx(), b.box.Dy())))
			if a.box.Inset(-reach).Overlaps(b.box) {
				p, q := find(i), find(j)
				root[max(p, q)] = min(p, q)
			}
		}
	}
	var out []figure
	at := map[int]int{}
	for i := range found {
		r := find(i)
		k, ok := at[r]
		if !ok {
			at[r] = len(out)
			out = append(out, found[i])
			continue
		}
		f := &out[k]
		f.cells = append(f.cells, found[i].cells...)
		f.box = f.box.Union(found[i].box)
		if f.owner != found[i].owner {
			f.owner = anySide
		}
	}
	return out
}

// growFigure adds the cells around it.
func (w *overlap) growFigure(f *figure) {
	stride := w.frame.Dx()
	seen := make(map[int32]bool, 2*len(f.cells))
	for _, i := range f.cells {
		seen[i] = true
	}
	from := 0
	for range figureMargin {
		end := len(f.cells)
		for ; from < end; from++ {
			i := f.cells[from]
			for _, s := range [4]int{1, -1, stride, -stride} {
				if j := i + int32(s); !seen[j] && w.kind[j] == both {
					seen[j] = true
					f.cells = append(f.cells, j)
				}
			}
		}
	}
}

// wishFor decides on which side a figure is to lie. One that reaches where a
// frame ends goes to the other frame, whole if that has it and left out if not;
// one inside the overlap is left out if it is known which side shows it.
func (w *overlap) wishFor(f *figure) wish {
	stride := w.frame.Dx()
	atOld, atNew := false, false
	for _, i := range f.cells {
		for _, s := range [4]int{1, -1, stride, -stride} {
			switch w.kind[int(i)+s] {
			case oldOnly:
				atOld = true
			case newOnly:
				atNew = true
			}
		}
	}
	switch {
	case atOld && atNew:
		return split
	case atOld:
		return oldSide
	case atNew:
		return newSide
	case f.owner == newSide:
		return oldSide
	case f.owner == oldSide:
		return newSide
	}
	return anySide
}

// pin ties the cells of a figure to a side.
func (w *overlap) pin(g *gridCut, f *figure, side wish) {
	stride := w.frame.Dx()
	for _, i := range f.cells {
		x, y := w.frame.Min.X+int(i)%stride, w.frame.Min.Y+int(i)/stride
		p := g.index(x-w.bounds.Min.X, y-w.bounds.Min.Y)
		if side == newSide {
			g.terminal(p, 0, hardLink)
		} else {
			g.terminal(p, hardLink, 0)
		}
	}
}

// shareNew returns the part of a figure that a cut gives to the new layer.
func (w *overlap) shareNew(g *gridCut, f *figure) float64 {
	stride := w.frame.Dx()
	n := 0
	for _, i := range f.cells {
		x, y := w.frame.Min.X+int(i)%stride, w.frame.Min.Y+int(i)/stride
		if g.onSink(g.index(x-w.bounds.Min.X, y-w.bounds.Min.Y)) {
			n++
		}
	}
	return float64(n) / float64(len(f.cells))
}

// cut returns the cut of the overlap that keeps its figures whole; ok is false
// if the layer gets nothing.
func (w *overlap) cut() (g *gridCut, ok bool) {
	figs := w.figures()
	for {
		if g, ok = w.graph(); !ok {
			return g, false
		}
		for k := range figs {
			if f := &figs[k]; f.wish == oldSide || f.wish == newSide {
				w.pin(g, f, f.wish)
			}
		}
		g.solveMultilevel()
		// A figure that the cut divides goes to the side that has more of it.
		divided := false
		for k := range figs {
			f := &figs[k]
			if f.wish != anySide {
				continue
			}
			switch s := w.shareNew(g, f); {
			case s == 0 || s == 1:
			case s >= 0.5:
				f.wish, divided = newSide, true
			default:
				f.wish, divided = oldSide, true
			}
		}
		if !divided {
			return g, true
		}
	}
}
