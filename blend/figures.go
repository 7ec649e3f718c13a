package blend

import (
	"image"
	"math"
	"slices"
)

// A figure is what one layer shows and another does not: something that moved
// between the frames. In an overlap each must be taken whole or left out, and
// one that both layers show in different places must not appear twice.

const (
	// figureStep is the least difference of a figure, summed over the
	// channels, of the median of 3 × 3 cells, and figureNoise its least
	// multiple of the overlap's median difference.
	figureStep  = 0.06
	figureNoise = 4
	// faint is the share of that from which cells belong to a figure that they
	// hang together with, up to faintReach cells away.
	faint, faintReach = 0.55, 4
	// leastFigure is the number of cells that a figure has at least.
	leastFigure = 16
	// figureMargin is by how many cells a figure is grown: its soft edge, and
	// the reach of the finer bands.
	figureMargin = 2
	// someLost is the share of a cell's light from which its loss explains that
	// it is darker.
	someLost = 0.02
	// ownContour is by how much the contour of a figure must be stronger in
	// the layer that shows it than in the one that shows what is behind.
	ownContour = 1.3
	// nearFigures is the distance, in sizes of the larger, up to which two
	// figures may be one thing that moved.
	nearFigures = 0.8
	// ownMost is the ratio of cells, of joined figures that one side shows to
	// those that the other does, from which all count as the one's.
	ownMost = 3
	// nearEnd is the number of cells from the end of a layer, at most a tenth
	// of the overlap, within which a figure counts as reaching it: a post may
	// stand between, and a seam there would have no room.
	nearEnd = 12
	// endShare is the part of a figure's lines from which it reaches an end for
	// sure. With less, a strip of surf may hang together with a walker, see
	// wishFor.
	endShare = 0.3
	// alikeSize is the least ratio of their cells, alikeColour the largest
	// difference of their colours, summed over the channels.
	alikeSize, alikeColour = 0.2, 0.6
	// lowestPiece is the least height of a piece of a thing, across the way it
	// lies, as a part of another's: a speck of surf is no piece of a walker.
	lowestPiece = 1. / 3
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
	// parts are the figures that it was joined of.
	parts []int
	// votes has the cells of its pieces by the side that shows them.
	votes [3]int
	// colour is its mean in the owner's layer.
	colour [3]float32
	wish   wish
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
		f.votes[f.owner] = len(f.cells)
		f.colour = w.meanColour(&f)
		found = append(found, f)
	}
	for k := range found {
		w.growFigure(&found[k])
	}
	pieces := joinFigures(found, w.touching(found), nil)
	pieces = slices.DeleteFunc(pieces, func(f figure) bool { return len(f.cells) == 0 })
	things := joinFigures(pieces, nil, (*figure).goesOnIn)
	var out []figure
	for _, f := range joinFigures(things, nil, (*figure).mayBe) {
		out = w.settle(out, f, things, pieces)
	}
	return out
}

// settle appends f to figs, with what is wished for it. What is wanted of several,
// and a chain of things that are alike, such as breakers from end to end, are taken
// each by itself, down to pieces. among are the figures that f was joined of, and
// what those were.
func (w *overlap) settle(figs []figure, f figure, among ...[]figure) []figure {
	f.wish = w.wishFor(&f)
	if len(among) > 0 && w.areApart(f.parts, among[0]) {
		f.wish = split
	}
	if len(among) == 0 || f.wish != split && (len(f.parts) == 1 || !w.isWanted(&f)) {
		return append(figs, f)
	}
	for _, k := range f.parts {
		figs = w.settle(figs, among[0][k], among[1:]...)
	}
	return figs
}

// areApart reports whether one of the parts goes on beyond one end of the overlap
// and one beyond another: no side has both.
func (w *overlap) areApart(parts []int, of []figure) bool {
	var at [4]bool
	for _, k := range parts {
		at[w.endOf(&of[k]).sure] = true
	}
	return len(parts) > 1 && at[oldSide] && at[newSide]
}

// isWanted reports whether either side wants a cell of f.
func (w *overlap) isWanted(f *figure) bool {
	return slices.ContainsFunc(f.cells, func(i int32) bool {
		x, y := w.place(i)
		return w.c.cost[w.at[i]] <= Wanted || w.price.At(x, y) <= Wanted
	})
}

// touching returns the pairs of figures that have a cell in common. What neither
// side clearly shows, surf that differs in both, is no part of a mover beside it:
// it leaves the cells to him.
func (w *overlap) touching(found []figure) (pairs [][2]int) {
	of := make(map[int32]int)
	for k := range found {
		last := -1
		for _, i := range found[k].cells {
			o, taken := of[i]
			switch {
			case !taken, found[o].owner == anySide && found[k].owner != anySide:
				of[i] = k
			case found[o].owner != anySide && found[k].owner == anySide:
			case o != k && o != last:
				pairs = append(pairs, [2]int{o, k})
				last = o
			}
		}
	}
	for k := range found {
		if f := &found[k]; f.owner == anySide {
			f.cells = slices.DeleteFunc(f.cells, func(i int32) bool { return found[of[i]].owner != anySide })
		}
	}
	return pairs
}

// figureMask returns the cells that differ by more than noise and a shift of
// texture make, lines one or two cells thick left out: a mean, not a median,
// would thicken the glints of the sea, which differ from frame to frame.
func (w *overlap) figureMask() []bool {
	n := len(w.kind)
	var diff [3][]float32
	for c := range diff {
		diff[c] = make([]float32, n)
	}
	stride := w.frame.Dx()
	w.each(func(x, y, i int, _ int32) {
		// What is lost can have been as bright as the other.
		darkest, brightest := float32(math.Inf(-1)), float32(math.Inf(1))
		if w.layer.LostAt(x, y) > someLost {
			darkest = 0
		}
		if w.wasted[i] > someLost {
			brightest = 0
		}
		for c := range diff {
			diff[c][i] = min(max(w.layer.RGB[c].At(x, y)-w.old[c][i], darkest), brightest)
		}
	})
	size := make([]float32, n)
	var all []float32
	w.each(func(_, _, i int, _ int32) {
		sum := float32(0)
		for c := range diff {
			var around [9]float32
			k := 0
			for _, row := range [3]int{i - stride, i, i + stride} {
				for j := row - 1; j <= row+1; j++ {
					if w.kind[j] == both {
						around[k] = diff[c][j]
						k++
					}
				}
			}
			sum += abs(median(around[:k]))
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
	var front []int
	w.each(func(_, _, i int, _ int32) {
		if inner[i] {
			for _, row := range [3]int{i - stride, i, i + stride} {
				for j := row - 1; j <= row+1; j++ {
					if !mask[j] && w.kind[j] == both {
						mask[j] = true
						front = append(front, j)
					}
				}
			}
		}
	})
	// The fainter parts that hang together with these.
	for range faintReach {
		var next []int
		for _, i := range front {
			for _, j := range [4]int{i - 1, i + 1, i - stride, i + stride} {
				if !mask[j] && size[j] > faint*step {
					mask[j] = true
					next = append(next, j)
				}
			}
		}
		front = next
	}
	return mask
}

// median returns the median of a few values, which it sorts: of an even number,
// the upper of the two in the middle.
func median(v []float32) float32 {
	for i := 1; i < len(v); i++ {
		for k := i; k > 0 && v[k] < v[k-1]; k-- {
			v[k], v[k-1] = v[k-1], v[k]
		}
	}
	return v[len(v)/2]
}

// owner returns the side that shows the figure: the one in which it stands out
// from what is around it. Along the contour the mean colours within
// contourReach cells, inside and outside, are compared, so that the texture of
// what is behind the figure counts little.
func (w *overlap) owner(f *figure, in []bool) wish {
	const contourReach = 3
	var fresh, old float32
	stride := w.frame.Dx()
	for _, c := range f.cells {
		i := int(c)
		if in[i-1] && in[i+1] && in[i-stride] && in[i+stride] {
			continue
		}
		var mean [2][2][3]float32 // layer, outside or inside, channel
		var n [2]float32
		x0, y0 := i%stride, i/stride
		for y := max(y0-contourReach, 0); y <= min(y0+contourReach, w.frame.Dy()-1); y++ {
			for x := max(x0-contourReach, 0); x <= min(x0+contourReach, stride-1); x++ {
				j := y*stride + x
				if w.kind[j] != both {
					continue
				}
				side := 0
				if in[j] {
					side = 1
				}
				n[side]++
				for k := range w.old {
					mean[0][side][k] += w.layer.RGB[k].At(w.frame.Min.X+x, w.frame.Min.Y+y)
					mean[1][side][k] += w.old[k][j]
				}
			}
		}
		if n[0] == 0 || n[1] == 0 {
			continue
		}
		for k := range w.old {
			fresh += abs(mean[0][0][k]/n[0] - mean[0][1][k]/n[1])
			old += abs(mean[1][0][k]/n[0] - mean[1][1][k]/n[1])
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

// joinFigures joins the given pairs of figures, and those for which alike, if
// not nil, holds.
func joinFigures(found []figure, pairs [][2]int, alike func(f, g *figure) bool) []figure {
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
	join := func(i, j int) {
		p, q := find(i), find(j)
		root[max(p, q)] = min(p, q)
	}
	for _, p := range pairs {
		join(p[0], p[1])
	}
	for i := range found {
		for j := range i {
			if alike != nil && alike(&found[i], &found[j]) {
				join(i, j)
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
			f := found[i]
			f.cells, f.parts = slices.Clone(f.cells), []int{i}
			out = append(out, f)
			continue
		}
		f, g := &out[k], &found[i]
		f.cells = append(f.cells, g.cells...)
		f.parts = append(f.parts, i)
		f.box = f.box.Union(g.box)
		for side := range f.votes {
			f.votes[side] += g.votes[side]
		}
	}
	for k := range out {
		f := &out[k]
		slices.Sort(f.cells)
		f.cells = slices.Compact(f.cells)
		switch {
		case f.votes[newSide] >= ownMost*f.votes[oldSide] && f.votes[newSide] > 0:
			f.owner = newSide
		case f.votes[oldSide] >= ownMost*f.votes[newSide] && f.votes[oldSide] > 0:
			f.owner = oldSide
		default:
			f.owner = anySide
		}
	}
	return out
}

// goesOnIn reports whether f and g may be pieces of one thing that a post, or what
// looks alike in both, comes between: one side shows them, and one lies in line
// with the other. What is left of it may be short, and lower.
func (f *figure) goesOnIn(g *figure) bool {
	if f.owner == anySide || f.owner != g.owner || f.colourFrom(g) > alikeColour {
		return false
	}
	// The lines of one are among the other's.
	inLine := func(min1, max1, min2, max2 int) bool {
		if max1-min1 > max2-min2 {
			min1, max1, min2, max2 = min2, max2, min1, max1
		}
		return min2 <= min1 && max1 <= max2 && float32(max1-min1) >= lowestPiece*float32(max2-min2)
	}
	a, b := f.box, g.box
	return inLine(a.Min.Y, a.Max.Y, b.Min.Y, b.Max.Y) && f.isAlong(g, max(a.Dx(), b.Dx()), 0) ||
		inLine(a.Min.X, a.Max.X, b.Min.X, b.Max.X) && f.isAlong(g, 0, max(a.Dy(), b.Dy()))
}

// colourFrom returns the difference of colours, summed over the channels.
func (f *figure) colourFrom(g *figure) float32 {
	d := float32(0)
	for c := range f.colour {
		d += abs(f.colour[c] - g.colour[c])
	}
	return d
}

// isAlong reports whether g lies within nearFigures times (wide, high) of f.
func (f *figure) isAlong(g *figure, wide, high int) bool {
	dx, dy := int(nearFigures*float32(wide)), int(nearFigures*float32(high))
	b := f.box
	return image.Rect(b.Min.X-dx, b.Min.Y-dy, b.Max.X+dx, b.Max.Y+dy).Overlaps(g.box)
}

// mayBe reports whether f and g may show one thing: near one another along the
// way it moved, of similar size and colour.
func (f *figure) mayBe(g *figure) bool {
	small, large := min(len(f.cells), len(g.cells)), max(len(f.cells), len(g.cells))
	if float32(small) < alikeSize*float32(large) {
		return false
	}
	if f.owner != anySide && g.owner != anySide && f.colourFrom(g) > alikeColour {
		return false
	}
	// What moved, or is seen in pieces, has the same size across the way.
	same := func(a, b int) bool { return max(a, b) <= 2*min(a, b) }
	return same(f.box.Dy(), g.box.Dy()) && f.isAlong(g, max(f.box.Dx(), g.box.Dx()), 0) ||
		same(f.box.Dx(), g.box.Dx()) && f.isAlong(g, 0, max(f.box.Dy(), g.box.Dy()))
}

// meanColour returns the figure's mean colour in the layer that shows it.
func (w *overlap) meanColour(f *figure) (mean [3]float32) {
	for _, i := range f.cells {
		x, y := w.place(i)
		for k := range mean {
			if f.owner == newSide {
				mean[k] += w.layer.RGB[k].At(x, y) / float32(len(f.cells))
			} else {
				mean[k] += w.old[k][i] / float32(len(f.cells))
			}
		}
	}
	return mean
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
// one inside the overlap is left out if it is known which side shows it. What is
// Wanted goes before all that.
//
// To leave a figure out, the other side must have all of its cells: where it
// barely reaches the end of that side, the cheaper cut decides. An end of the side
// that shows it is no hindrance.
func (w *overlap) wishFor(f *figure) wish {
	end := w.endOf(f)
	var wanted float32
	for _, i := range f.cells {
		x, y := w.place(i)
		wanted += w.c.cost[w.at[i]] - w.price.At(x, y)
	}
	switch {
	case wanted >= -Wanted/2:
		return newSide
	case wanted <= Wanted/2:
		return oldSide
	case end.sure != anySide:
		return end.sure
	case f.owner == newSide && !end.touches[newSide]:
		return oldSide
	case f.owner == oldSide && !end.touches[oldSide]:
		return newSide
	}
	return anySide
}

// end says where a figure reaches the end of a layer.
type end struct {
	sure    wish    // the side that goes on there, split if both do, anySide if none for sure
	touches [3]bool // the sides that go on where it barely reaches an end, or surely
}

// endOf returns where f reaches the end of a layer.
func (w *overlap) endOf(f *figure) (e end) {
	stride := w.frame.Dx()
	near := min(nearEnd, max(1, min(w.bounds.Dx(), w.bounds.Dy())/10))
	// The lines of the figure that reach an end, across and down, by side.
	across, down := [3]map[int]bool{oldSide: {}, newSide: {}}, [3]map[int]bool{oldSide: {}, newSide: {}}
	lines := image.Rectangle{}
	for _, i := range f.cells {
		x, y := w.place(i)
		lines = lines.Union(image.Rect(x, y, x+1, y+1))
		if side := w.endFrom(int(i), 1, near); side != anySide {
			across[side][y] = true
			e.touches[side] = true
		}
		if side := w.endFrom(int(i), stride, near); side != anySide {
			down[side][x] = true
			e.touches[side] = true
		}
	}
	reaches := func(side wish) bool {
		return float32(len(across[side])) >= endShare*float32(lines.Dy()) || float32(len(down[side])) >= endShare*float32(lines.Dx())
	}
	switch atOld, atNew := reaches(oldSide), reaches(newSide); {
	case atOld && atNew:
		e.sure = split
	case atOld:
		e.sure = oldSide
	case atNew:
		e.sure = newSide
	}
	return e
}

// place returns the cell with index i.
func (w *overlap) place(i int32) (x, y int) {
	stride := w.frame.Dx()
	return w.frame.Min.X + int(i)%stride, w.frame.Min.Y + int(i)/stride
}

// endFrom returns which side alone has the first cell that not both have, up to
// near cells from i forward or back by step, or anySide.
func (w *overlap) endFrom(i, step, near int) wish {
	for _, s := range [2]int{step, -step} {
		for k, j := 0, i+s; k < near && w.kind[j] != nothing; k, j = k+1, j+s {
			switch w.kind[j] {
			case oldOnly:
				return oldSide
			case newOnly:
				return newSide
			}
		}
	}
	return anySide
}

// pin ties the cells of a figure to a side.
func (w *overlap) pin(g *gridCut, f *figure, side wish) {
	for _, i := range f.cells {
		x, y := w.place(i)
		if w.c.cost[w.at[i]] <= Wanted || w.price.At(x, y) <= Wanted {
			continue // it is held already
		}
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
	n := 0
	for _, i := range f.cells {
		x, y := w.place(i)
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
