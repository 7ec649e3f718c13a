package blend

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"flatfell.example/raster"
)

// SeamLayer is one frame on the coarse grid on which seams are found.
type SeamLayer struct {
	// Rect is the part of the grid that the layer may cover, in cells. On a
	// grid that wraps it may reach past either end; it is then at most one
	// turn wide.
	Rect image.Rectangle
	// RGB has the mean colour of each cell in the encoded scale, gains
	// applied. The planes cover Rect.
	RGB [3]*raster.Plane
	// Valid is above 127 where the layer may be used: the caller shrinks it
	// by what the blend reaches over. It covers Rect.
	Valid *image.Gray
	// Cost, if not nil, is what taking a cell from the layer costs beside the
	// seam, in units of full scale: above zero where it is noisy or blurred,
	// [Wanted] where it must be taken if that can be. It covers Rect.
	Cost *raster.Plane
	// Lost, if not nil, is the share of a cell's light that is lost to
	// clipping, 255 for all: RGB is then the least that it can have been. Seams
	// avoid such cells and what lies near them, and what is brighter in
	// another layer is no figure for that. It covers Rect.
	Lost *image.Gray
}

// IsValid reports whether the layer may be used in a cell of Rect; without Valid it
// may everywhere.
func (l *SeamLayer) IsValid(x, y int) bool {
	return l.Valid == nil || l.Valid.Pix[l.Valid.PixOffset(x, y)] > 127
}

// LostAt returns the share of the light of a cell of Rect that is lost, 0 to 1.
func (l *SeamLayer) LostAt(x, y int) float32 {
	if l.Lost == nil {
		return 0
	}
	return float32(l.Lost.Pix[l.Lost.PixOffset(x, y)]) / 255
}

// Wanted is the Cost of a cell that must be taken from a layer, unless another
// wants it too or its own border is there.
const Wanted = -1e6

// SeamOptions are the settings of [Seams]. The zero value is usable.
type SeamOptions struct {
	// Order lists all layers in the order in which they are laid. Nil means
	// from the middle of the grid outward, so that a row grows at its ends.
	Order []int
	// Wrap says that the grid is a full turn: column 0 follows the last.
	Wrap bool
	// Border is the depth of the strip along a layer's own border, where
	// lenses are weakest and the blend has least room, that seams avoid: a
	// share of the largest distance to the border. Zero means 0.5, negative
	// none.
	Border float64
	// Length is the cost of one cell of seam where the layers agree, in units
	// of full scale. Larger gives shorter, straighter seams. Zero means 0.02,
	// about the noise of a cell.
	Length float64
}

// ErrSeams is wrapped by the errors of [Seams] about its input.
var ErrSeams = errors.New("blend: bad seam input")

// Validate reports the first field out of range for n layers.
func (o SeamOptions) Validate(n int) error {
	switch {
	case math.IsNaN(o.Border) || o.Border > 1:
		return fmt.Errorf("%w: Border %v is above 1", ErrSeams, o.Border)
	case !(o.Length >= 0):
		return fmt.Errorf("%w: Length %v is negative", ErrSeams, o.Length)
	}
	if o.Order == nil {
		return nil
	}
	seen := make([]bool, n)
	for _, i := range o.Order {
		if i < 0 || i >= n || seen[i] {
			return fmt.Errorf("%w: Order %v does not list %d layers once each", ErrSeams, o.Order, n)
		}
		seen[i] = true
	}
	if len(o.Order) != n {
		return fmt.Errorf("%w: Order %v does not list %d layers once each", ErrSeams, o.Order, n)
	}
	return nil
}

// Costs of a seam, before they become whole numbers. They were chosen on
// synthetic rows: see TestSeamMover and TestSeamAvoidsBlob.
const (
	// gradientWeight weighs a difference of gradients against one of colours:
	// an edge that one layer has and the other has not is worth avoiding even
	// where the colours cross.
	gradientWeight = 1
	// gradientScale is the slope, summed over colours and layers, at which
	// texture halves a seam's cost: it hides a step there (Kwatra et al. 2003,
	// sec. 4, divide by the slope itself, which has no bound where it is flat).
	gradientScale = 1
	// borderCost is the cost of a cell of seam at a layer's very border.
	borderCost = 0.1
	// lostCost is the cost of taking a cell whose light is lost: a few of them
	// outweigh a detour of the seam.
	lostCost = 0.5
	// lostReach is how far around lost light its cost is spread, as a share of
	// the largest distance to the layer's border: a seam that passes close by
	// lets the coarse bands carry the missing light across.
	lostReach = 1. / 12
	// seedShare is the share of the largest lead at which a cell becomes a
	// seed. A cut that encloses a seed shrinks to it where the layers agree,
	// so that the seed must be a useful part of the frame by itself.
	seedShare = 0.5
	// seamUnits is the number of capacity units of 1.0.
	seamUnits = 4096
	// hardLink holds a cell to a terminal: no seam is worth it.
	hardLink = 1 << 29
)

// Seams decides for each cell of the grid which layer it is taken from. The
// layers are laid one after another; where a layer overlaps what lies there,
// the boundary is the minimum cut of the overlap whose cost between
// neighbours s and t is
//
//	(D(s) + D(t)) / (1 + slope/gradientScale) + Length + border
//
// with D the difference of colours and of gradients of the two, summed over
// the channels; the layers' own Cost is added for the cells that are taken. Diagonal neighbours count 1/√2, which makes the length of a
// seam nearly independent of its direction (Boykov & Kolmogorov, ICCV 2003).
// Overlaps of more than about 8,000 cells are cut from coarse to fine, within
// a few percent of the minimum.
//
// What one layer shows and the other does not, more than noise and texture make
// of it, is a figure: something that moved. It is not cut. One that lies inside
// the overlap is left out if it stands out from its surroundings in one of the
// two only; one that reaches the end of a layer is taken from the other; and
// two that are alike and near each other, one thing in two places, lie on one
// side of the seam, so that it shows once.
//
// A layer that adds no cell of its own (it lies inside what is there) is held
// to the cells where it is deepest inside its own border, if it is deeper
// there than the layer it replaces; else it is not used. Likewise a layer
// that covers all that it meets leaves to the others the cells where they are
// deepest, if they are deeper there than it.
//
// (1) Each cell where any layer is valid gets a layer valid there, the others
// −1. (2) Equal input gives equal labels.
//
// Memory is about 100 bytes a cell of the largest overlap. An error wraps
// [ErrSeams] or is that of ctx.
//
// Kwatra, Schödl, Essa, Turk & Bobick, SIGGRAPH 2003, sec. 3.
func Seams(ctx context.Context, grid image.Rectangle, cell int, layers []SeamLayer, o SeamOptions) (*Labels, error) {
	if err := o.Validate(len(layers)); err != nil {
		return nil, err
	}
	if err := checkSeamLayers(grid, cell, layers, o.Wrap); err != nil {
		return nil, err
	}
	if o.Border == 0 {
		o.Border = 0.5
	}
	if o.Length == 0 {
		o.Length = 0.02
	}
	order := o.Order
	if order == nil {
		order = middleOut(grid, layers)
	}
	c := newComposite(&Labels{Rect: grid, Cell: cell, Wrap: o.Wrap, L: make([]int16, grid.Dx()*grid.Dy())}, len(layers), o)
	for _, i := range order {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		c.lay(i, &layers[i])
	}
	return c.labels, nil
}

func checkSeamLayers(grid image.Rectangle, cell int, layers []SeamLayer, wrap bool) error {
	if grid.Empty() || cell < 1 {
		return fmt.Errorf("%w: grid %v of cells of %d pixels", ErrSeams, grid, cell)
	}
	if len(layers) > math.MaxInt16 {
		return fmt.Errorf("%w: %d layers", ErrSeams, len(layers))
	}
	for i, l := range layers {
		if wrap && l.Rect.Dx() > grid.Dx() {
			return fmt.Errorf("%w: layer %d is %d cells wide, a turn has %d", ErrSeams, i, l.Rect.Dx(), grid.Dx())
		}
		covered := l.Valid != nil && l.Rect.In(l.Valid.Rect) &&
			(l.Cost == nil || l.Rect.In(l.Cost.Rect)) && (l.Lost == nil || l.Rect.In(l.Lost.Rect))
		for _, p := range l.RGB {
			covered = covered && p != nil && l.Rect.In(p.Rect)
		}
		if !covered {
			return fmt.Errorf("%w: layer %d has a plane that does not cover %v", ErrSeams, i, l.Rect)
		}
	}
	return nil
}

// price returns what taking each cell of the layer costs: Cost, and what is
// lost there and within reach.
func (l *SeamLayer) price(reach int) *raster.Plane {
	out := raster.NewPlane(l.Rect)
	if l.Lost != nil {
		l.spreadLost(out, reach)
	}
	for y := l.Rect.Min.Y; y < l.Rect.Max.Y; y++ {
		row := out.Row(y)
		for i := range row {
			x := l.Rect.Min.X + i
			if l.Lost != nil {
				row[i] = lostCost * max(row[i], l.LostAt(x, y))
			}
			if l.Cost != nil {
				row[i] = max(row[i], 0) + l.Cost.At(x, y)
				if l.Cost.At(x, y) <= Wanted {
					row[i] = Wanted
				}
			}
		}
	}
	return out
}

// spreadLost sets dst to the mean of Lost around each cell, under a window whose
// weights fall to nothing at reach in x and in y: two boxes, one after the other.
func (l *SeamLayer) spreadLost(dst *raster.Plane, reach int) {
	for y := l.Rect.Min.Y; y < l.Rect.Max.Y; y++ {
		for i := range dst.Row(y) {
			dst.Row(y)[i] = l.LostAt(l.Rect.Min.X+i, y)
		}
	}
	box := func(n, stride, from int, sum []float32) {
		sum[0] = 0
		for i := range n {
			sum[i+1] = sum[i] + dst.Pix[from+i*stride]
		}
		r := reach / 2
		for i := range n {
			dst.Pix[from+i*stride] = (sum[min(n, i+r+1)] - sum[max(0, i-r)]) / float32(2*r+1)
		}
	}
	w, h := l.Rect.Dx(), l.Rect.Dy()
	sum := make([]float32, max(w, h)+1)
	for range 2 {
		for y := range h {
			box(w, 1, y*dst.Stride, sum)
		}
		for x := range w {
			box(h, dst.Stride, x, sum)
		}
	}
}

// middleOut orders layers by the distance of their centres from the grid's.
func middleOut(grid image.Rectangle, layers []SeamLayer) []int {
	order := make([]int, len(layers))
	far := make([]int, len(layers))
	for i, l := range layers {
		order[i] = i
		dx := l.Rect.Min.X + l.Rect.Max.X - grid.Min.X - grid.Max.X
		dy := l.Rect.Min.Y + l.Rect.Max.Y - grid.Min.Y - grid.Max.Y
		far[i] = dx*dx + dy*dy
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(far[a], far[b]) })
	return order
}

// composite is what has been laid so far. What the picture shows lies in the layers.
type composite struct {
	o      SeamOptions
	labels *Labels
	laid   []*SeamLayer
	depth  []float32 // distance to the border of the cell's own layer
	reach  []float32 // of each layer: 1 / depth of the strip that seams avoid in it
	cost   []float32 // of the cell in its own layer
}

func newComposite(l *Labels, layers int, o SeamOptions) *composite {
	c := &composite{o: o, labels: l, laid: make([]*SeamLayer, layers), reach: make([]float32, layers)}
	for _, v := range []*[]float32{&c.depth, &c.cost} {
		*v = make([]float32, len(l.L))
	}
	for i := range l.L {
		l.L[i] = -1
	}
	return c
}

// What a cell of the working rectangle shows.
const (
	nothing = iota
	oldOnly
	newOnly
	both
)

// lay puts layer number n on top of the composite.
func (c *composite) lay(n int, l *SeamLayer) {
	grid := c.labels.Rect
	area := l.Rect
	if c.labels.Wrap {
		area.Min.Y, area.Max.Y = max(area.Min.Y, grid.Min.Y), min(area.Max.Y, grid.Max.Y)
	} else {
		area = area.Intersect(grid)
	}
	if area.Empty() {
		return
	}
	w := newOverlap(c, l, area)
	if w.bounds.Empty() {
		w.give(n, func(int, int) bool { return true })
		return
	}
	g, ok := w.cut()
	if !ok {
		w.give(n, func(int, int) bool { return false })
		return
	}
	w.give(n, func(x, y int) bool {
		return g.onSink(g.index(x-w.bounds.Min.X, y-w.bounds.Min.Y))
	})
}

// overlap is the work of laying one layer, in the layer's own x, which is not
// wrapped. Everything is stored for area grown by a cell, so that the layer's
// outermost cells see what lies beside them.
type overlap struct {
	c      *composite
	layer  *SeamLayer
	area   image.Rectangle // the layer within the grid
	frame  image.Rectangle // area grown by a cell
	bounds image.Rectangle // of the cells that show both; in area
	kind   []uint8         // in frame
	at     []int32         // index of the composite's cell, in frame; −1 outside the grid
	depth  []float32       // of the layer, in frame
	old    [3][]float32    // the composite's colours, in frame
	wasted []float32       // of the composite's light, the share that is lost, in frame
	reach  float32
	price  *raster.Plane // of the layer's cells
}

func newOverlap(c *composite, l *SeamLayer, area image.Rectangle) *overlap {
	w := &overlap{c: c, layer: l, area: area, frame: area.Inset(-1)}
	n := w.frame.Dx() * w.frame.Dy()
	w.kind, w.at, w.wasted = make([]uint8, n), make([]int32, n), make([]float32, n)
	for k := range w.old {
		w.old[k] = make([]float32, n)
	}
	grid := c.labels.Rect
	for y := w.frame.Min.Y; y < w.frame.Max.Y; y++ {
		for x := w.frame.Min.X; x < w.frame.Max.X; x++ {
			i := w.index(x, y)
			w.at[i] = -1
			p := image.Pt(x, y)
			if c.labels.Wrap || p.X >= grid.Min.X && p.X < grid.Max.X {
				if y >= grid.Min.Y && y < grid.Max.Y {
					w.at[i] = int32(c.labels.row(y) + c.labels.column(x))
				}
			}
			old := w.at[i] >= 0 && c.labels.L[w.at[i]] >= 0
			if old {
				w.lookUnder(i)
			}
			if turn := image.Pt(grid.Dx(), 0); c.labels.Wrap && (p.Add(turn).In(area) || p.Sub(turn).In(area)) {
				old = false // a layer as wide as the turn: the cell is its own other end
			}
			fresh := p.In(area) && l.IsValid(x, y)
			switch {
			case old && fresh:
				w.kind[i] = both
				w.bounds = w.bounds.Union(image.Rectangle{Min: p, Max: p.Add(image.Pt(1, 1))})
			case old:
				w.kind[i] = oldOnly
			case fresh:
				w.kind[i] = newOnly
			}
		}
	}
	w.depth = borderDistance(w.frame.Dx(), w.frame.Dy(), func(i int) bool { return w.kind[i] == newOnly || w.kind[i] == both })
	deepest := slices.Max(w.depth)
	if deepest > 0 && c.o.Border > 0 {
		w.reach = 1 / (deepest * float32(c.o.Border))
	}
	w.price = l.price(int(deepest * lostReach))
	return w
}

func (w *overlap) index(x, y int) int {
	return (y-w.frame.Min.Y)*w.frame.Dx() + x - w.frame.Min.X
}

// lookUnder notes what the composite shows in its cell under i.
func (w *overlap) lookUnder(i int) {
	labels := w.c.labels
	at, across := int(w.at[i]), labels.Rect.Dx()
	l := w.c.laid[labels.L[at]]
	x, y := labels.Rect.Min.X+at%across, labels.Rect.Min.Y+at/across
	if labels.Wrap {
		x = l.Rect.Min.X + floorMod(x-l.Rect.Min.X, across)
	}
	for k, p := range l.RGB {
		w.old[k][i] = p.At(x, y)
	}
	w.wasted[i] = l.LostAt(x, y)
}

// give labels with n the layer's cells: those that only it has, and of those
// that both have the ones for which takes holds.
func (w *overlap) give(n int, takes func(x, y int) bool) {
	w.c.laid[n], w.c.reach[n] = w.layer, w.reach
	for y := w.area.Min.Y; y < w.area.Max.Y; y++ {
		for x := w.area.Min.X; x < w.area.Max.X; x++ {
			i := w.index(x, y)
			if w.kind[i] != newOnly && (w.kind[i] != both || !takes(x, y)) {
				continue
			}
			at := w.at[i]
			w.c.labels.L[at] = int16(n)
			w.c.depth[at], w.c.cost[at] = w.depth[i], w.price.At(x, y)
		}
	}
}

// graph returns the cut problem of the overlap on bounds; the source is the
// composite, the sink the layer. ok is false if the layer gets nothing.
func (w *overlap) graph() (g *gridCut, ok bool) {
	g = newGridCut(w.bounds.Dx(), w.bounds.Dy())
	diff, slopes := w.differences()
	oldSeed, newSeed := false, false
	stride := w.frame.Dx()
	for y := w.bounds.Min.Y; y < w.bounds.Max.Y; y++ {
		for x := w.bounds.Min.X; x < w.bounds.Max.X; x++ {
			i := w.index(x, y)
			if w.kind[i] != both {
				continue
			}
			p := g.index(x-w.bounds.Min.X, y-w.bounds.Min.Y)
			if more := w.price.At(x, y) - w.c.cost[w.at[i]]; more > 0 {
				g.terminal(p, int32(min(more*seamUnits, hardLink)), 0)
			} else if more < 0 {
				g.terminal(p, 0, int32(min(-more*seamUnits, hardLink)))
			}
			for d, s := range [8]int{right: 1, left: -1, down: stride, up: -stride, downRight: stride + 1, upLeft: -stride - 1, downLeft: stride - 1, upRight: -stride + 1} {
				j := i + s
				switch w.kind[j] {
				case both:
					if d&1 == 0 { // each pair once
						cost := w.cost(i, j, d, diff[i]+diff[j], (slopes[d>>1][i]+slopes[d>>1][j])/2)
						g.join(p, d, cost, cost)
					}
				case oldOnly:
					oldSeed = true
					g.terminal(p, w.cost(i, i, d, 2*diff[i], slopes[d>>1][i]), 0)
				case newOnly:
					newSeed = true
					g.terminal(p, 0, w.cost(i, i, d, 2*diff[i], slopes[d>>1][i]))
				}
			}
		}
	}
	if newSeed && oldSeed {
		return g, true
	}
	return g, w.seed(g, !oldSeed, !newSeed)
}

// seed holds to each side that has no cell of its own the cells where it is
// deepest: where it leads the other side by seedShare of the largest lead. ok
// is false if the layer needed a seed and leads nowhere.
func (w *overlap) seed(g *gridCut, seedOld, seedNew bool) (ok bool) {
	bestNew, bestOld := float32(0), float32(0)
	w.each(func(_, _, i int, at int32) {
		lead := w.depth[i] - w.c.depth[at]
		bestNew, bestOld = max(bestNew, lead), max(bestOld, -lead)
	})
	if seedNew && bestNew <= 0 {
		return false
	}
	w.each(func(x, y, i int, at int32) {
		p := g.index(x-w.bounds.Min.X, y-w.bounds.Min.Y)
		lead := w.depth[i] - w.c.depth[at]
		switch {
		case seedNew && lead >= seedShare*bestNew:
			g.terminal(p, 0, hardLink)
		case seedOld && bestOld > 0 && -lead >= seedShare*bestOld:
			g.terminal(p, hardLink, 0)
		}
	})
	return true
}

// each calls f for the cells that show both.
func (w *overlap) each(f func(x, y, i int, at int32)) {
	for y := w.bounds.Min.Y; y < w.bounds.Max.Y; y++ {
		for x := w.bounds.Min.X; x < w.bounds.Max.X; x++ {
			if i := w.index(x, y); w.kind[i] == both {
				f(x, y, i, w.at[i])
			}
		}
	}
}

// cost returns the capacity between cells i and j in direction d.
func (w *overlap) cost(i, j, d int, diff, slope float32) int32 {
	v := diff/(1+slope*(1/gradientScale)) + float32(w.c.o.Length)
	strip := float32(0)
	for _, k := range [2]int{i, j} {
		at := w.at[k]
		a, b := max(0, 1-w.depth[k]*w.reach), max(0, 1-w.c.depth[at]*w.c.reach[w.c.labels.L[at]])
		// Squares: where the two strips overlap the middle is the cheapest.
		strip += a*a + b*b
	}
	if w.reach > 0 {
		v += borderCost / 2 * strip
	}
	if d >= downRight {
		v *= math.Sqrt2 / 2
	}
	if !(v < 1<<10) {
		v = 1 << 10 // and NaN is no place for a seam
	}
	return max(int32(v*seamUnits), 1)
}

// differences returns for each cell of frame that shows both how far the
// layer and the composite are apart, and the sum of their slopes in the four
// directions right, down, down right, down left.
func (w *overlap) differences() (diff []float32, slopes [4][]float32) {
	n := len(w.kind)
	diff = make([]float32, n)
	for d := range slopes {
		slopes[d] = make([]float32, n)
	}
	stride := w.frame.Dx()
	steps := [4]int{1, stride, stride + 1, stride - 1}
	points := [4]image.Point{{X: 1}, {Y: 1}, {X: 1, Y: 1}, {X: -1, Y: 1}}
	w.each(func(x, y, i int, _ int32) {
		sum := float32(0)
		for k, old := range w.old {
			fresh := w.layer.RGB[k]
			sum += abs(fresh.At(x, y) - old[i])
			for d, s := range steps {
				// Central differences, one-sided where only one side has both.
				a, b := i-s, i+s
				pa, pb := image.Pt(x, y).Sub(points[d]), image.Pt(x, y).Add(points[d])
				span := float32(0.5)
				if w.kind[a] != both {
					a, pa, span = i, image.Pt(x, y), 1
				}
				if w.kind[b] != both {
					b, pb, span = i, image.Pt(x, y), 1
				}
				slopeNew := (fresh.At(pb.X, pb.Y) - fresh.At(pa.X, pa.Y)) * span
				slopeOld := (old[b] - old[a]) * span
				slopes[d][i] += abs(slopeNew) + abs(slopeOld)
				if d < 2 {
					sum += gradientWeight * abs(slopeNew-slopeOld)
				}
			}
		}
		diff[i] = sum
	})
	return diff, slopes
}

func abs(v float32) float32 { return max(v, -v) }

// borderDistance returns for each cell of a w × h grid the distance in cells
// to the nearest one for which inside does not hold; outside the grid it
// holds nowhere. Distances are chamfers of 3 and 4, within 8 % of Euclid's:
// Borgefors, Computer Vision, Graphics, and Image Processing 34, 1986.
func borderDistance(w, h int, inside func(i int) bool) []float32 {
	d := make([]float32, w*h)
	pass := func(x, y, dir int) {
		i := y*w + x
		if !inside(i) {
			d[i] = 0
			return
		}
		at := func(dx, dy int) float32 {
			nx, ny := x+dx, y+dy
			if nx < 0 || ny < 0 || nx >= w || ny >= h {
				return 0
			}
			return d[ny*w+nx]
		}
		best := min(at(-dir, 0)+1, at(-dir, -dir)+4./3, at(0, -dir)+1, at(dir, -dir)+4./3)
		if dir < 0 {
			best = min(best, d[i])
		}
		d[i] = best
	}
	for y := range h {
		for x := range w {
			pass(x, y, 1)
		}
	}
	for y := h - 1; y >= 0; y-- {
		for x := w - 1; x >= 0; x-- {
			pass(x, y, -1)
		}
	}
	return d
}
