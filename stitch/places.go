package stitch

import (
	"cmp"
	"context"
	"fmt"
	"image"
	"math"
	"path/filepath"
	"slices"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// PlaceKind is what may be amiss at a place of the picture.
type PlaceKind string

// The kinds of places.
const (
	PlaceSeam    PlaceKind = "seam"    // the frames are off against each other
	PlaceLight   PlaceKind = "light"   // the frames' light differs
	PlaceMoved   PlaceKind = "moved"   // one frame shows something that the other doesn't
	PlaceSoft    PlaceKind = "soft"    // a frame is less sharp than its neighbours
	PlaceClipped PlaceKind = "clipped" // no frame has any light that isn't lost
)

// Place is a part of the picture to look at at full size.
type Place struct {
	Kind PlaceKind
	// Rect is the part, At the point to look at first, in pixels of the picture.
	Rect image.Rectangle
	At   image.Point
	// Severity orders the places: 1 is what just calls for a look.
	Severity float64
	// Text says what is there, in a sentence.
	Text string
	// Detail is the picture around At at its full size, a JPEG of the part
	// DetailRect.
	Detail     []byte
	DetailRect image.Rectangle
}

// detailWidth and detailHeight are the size of a place's Detail in pixels.
const detailWidth, detailHeight = 640, 480

const (
	// mostOfKind is how many places of one kind are told, the most severe.
	mostOfKind = 8

	// Windows along the seams: seamWindow pixels a side, one each seamStep pixels.
	seamWindow, seamStep = 48, 48
	// mostShift is the largest misfit in pixels that is looked for, leastShift the
	// least that is told; explained is the share of the difference that must be
	// left when the shift is undone, and leastDiffers the least difference, the
	// root mean square of the encoded luma.
	mostShift, leastShift = 6, 2
	explained             = 0.35
	leastDiffers          = 0.02
	// leastStep is the difference of light across a seam, as a share of the light,
	// from which it is told, and stepRun the number of windows of a run that must
	// have it: texture that moved differs here and there.
	leastStep = 0.06
	stepRun   = 3

	// What moved differs by movedStep, summed over the channels, and by movedNoise
	// times the overlap's median difference; movedCells cells at least hang
	// together.
	movedStep, movedNoise = 0.1, 5
	movedCells            = 24
	// movedGap is the distance in cells up to which pieces are one place.
	movedGap = 10
	// cutShare is the part of it that must lie on each side of a seam for the seam
	// to cut it.
	cutShare = 0.08

	// softFrom is the loss of fine detail of a frame, in powers of two of its
	// energy, from which it is told; see softStops of flatfell check. softBlocks is
	// the number of blocks that must tell.
	softFrom   = 0.7
	softBlocks = 24

	// whiteFrom is the share of a block's pixels that are white, and whiteShare
	// the least part of the picture that such blocks cover together, whiteBlocks
	// their least number.
	whiteFrom   = 0.6
	whiteShare  = 0.0005
	whiteBlocks = 6
)

// places finds the places of all kinds, the most severe first.
func (x *examiner) places(ctx context.Context) error {
	var all []Place
	for _, find := range []func(context.Context) ([]Place, error){x.alongSeams, x.moved, x.soft, x.clippedParts} {
		found, err := find(ctx)
		if err != nil {
			return err
		}
		all = append(all, found...)
	}
	slices.SortStableFunc(all, func(a, b Place) int { return cmp.Compare(b.Severity, a.Severity) })
	of := map[PlaceKind]int{}
	for _, p := range all {
		if p.Rect = p.Rect.Intersect(x.view.Rect); p.Rect.Empty() {
			continue
		}
		p.At.X = min(max(p.At.X, p.Rect.Min.X), p.Rect.Max.X-1)
		p.At.Y = min(max(p.At.Y, p.Rect.Min.Y), p.Rect.Max.Y-1)
		if of[p.Kind]++; of[p.Kind] > mostOfKind {
			continue
		}
		w, h := min(detailWidth, x.view.Rect.Dx()), min(detailHeight, x.view.Rect.Dy())
		x0, y0 := min(max(p.At.X-w/2, 0), x.view.Rect.Dx()-w), min(max(p.At.Y-h/2, 0), x.view.Rect.Dy()-h)
		p.DetailRect = image.Rect(x0, y0, x0+w, y0+h)
		var err error
		if p.Detail, err = x.pic.JPEG(ctx, p.DetailRect, 88); err != nil {
			return err
		}
		x.ev.Places = append(x.ev.Places, p)
	}
	return nil
}

func (x *examiner) name(layer int) string { return filepath.Base(x.layers[layer].frame.File) }

// seamSpot is a window on the seam between two layers.
type seamSpot struct {
	at     image.Point
	shift  float64 // pixels
	step   float64 // share of the light
	column int     // of the grid of windows
	row    int
}

// alongSeams compares the frames on both sides of each seam, at full size.
func (x *examiner) alongSeams(ctx context.Context) (out []Place, err error) {
	spots := x.seamSpots()
	var pairs [][2]int
	for p := range spots {
		pairs = append(pairs, p)
	}
	slices.SortFunc(pairs, func(a, b [2]int) int { return cmp.Or(a[0]-b[0], a[1]-b[1]) })
	for _, p := range pairs {
		a, b := x.layers[p[0]], x.layers[p[1]]
		s := spots[p]
		var near image.Rectangle
		for _, spot := range s {
			near = near.Union(seamWindowAt(spot.at))
		}
		if err := par.Do(ctx, 2, 2, func(i int) error { return [2]*layer{a, b}[i].ready(ctx, near) }); err != nil {
			return nil, err
		}
		a.turn()
		b.turn()
		err := par.Do(ctx, x.o.Workers, len(s), func(i int) error {
			x.compareAt(&s[i], a, b)
			return nil
		})
		a.rest()
		b.rest()
		if err != nil {
			return nil, err
		}
		out = append(out, x.seamPlaces(p, s)...)
	}
	return out, nil
}

// seamSpots puts windows on the seams, for each pair of layers.
func (x *examiner) seamSpots() map[[2]int][]seamSpot {
	l := x.labels
	type key struct{ pair, cell [2]int }
	seen := map[key]bool{}
	out := map[[2]int][]seamSpot{}
	w, h := l.Rect.Dx(), l.Rect.Dy()
	for y := range h {
		for x := range w {
			i := y*w + x
			for _, j := range [2]int{i + 1, i + w} {
				if j == i+1 && x+1 == w || j >= len(l.L) || l.L[i] == l.L[j] || l.L[i] < 0 || l.L[j] < 0 {
					continue
				}
				p := [2]int{int(min(l.L[i], l.L[j])), int(max(l.L[i], l.L[j]))}
				at := image.Pt(x*l.Cell+l.Cell, y*l.Cell+l.Cell/2)
				k := key{p, [2]int{at.X / seamStep, at.Y / seamStep}}
				if !seen[k] {
					seen[k] = true
					out[p] = append(out[p], seamSpot{at: at, column: k.cell[0], row: k.cell[1]})
				}
			}
		}
	}
	return out
}

// seamWindowAt is the window about a point of a seam.
func seamWindowAt(p image.Point) image.Rectangle {
	const half = seamWindow / 2
	return image.Rect(p.X-half, p.Y-half, p.X+half, p.Y+half)
}

// compareAt compares two layers in the window of a spot.
func (x *examiner) compareAt(s *seamSpot, a, b *layer) {
	const n = seamWindow
	r := seamWindowAt(s.at)
	var luma [2]raster.Plane
	for k, l := range [2]*layer{a, b} {
		planes := [3]*raster.Plane{{}, {}, {}}
		valid := make([]uint8, n*n)
		if !l.Fill(&planes, valid, r) {
			return
		}
		luma[k].Reset(r)
		for i := range luma[k].Pix {
			luma[k].Pix[i] = 0.299*planes[0].Pix[i] + 0.587*planes[1].Pix[i] + 0.114*planes[2].Pix[i]
		}
	}
	diffs := make([]float64, 0, n*n)
	var light float64
	for i, v := range luma[0].Pix {
		u := luma[1].Pix[i]
		if max(u, v) >= clipped {
			return
		}
		diffs = append(diffs, float64(v-u))
		light += float64(v+u) / 2
	}
	light /= n * n
	// The encoded scale is nearly a power of the light, with an exponent of 2.2.
	s.step = 2.2 * math.Abs(median(slices.Clone(diffs))) / max(light, 0.15)

	// The shift that explains the difference best, both windows less their means.
	const m = mostShift
	inner := r.Inset(m)
	area := float64(inner.Dx() * inner.Dy())
	cost := func(dx, dy int) float64 {
		var sum, square float64
		for y := inner.Min.Y; y < inner.Max.Y; y++ {
			p := luma[0].Row(y)[m : n-m]
			q := luma[1].Row(y + dy)[m+dx : n-m+dx]
			for i, v := range p {
				d := float64(v - q[i])
				sum += d
				square += d * d
			}
		}
		return square/area - (sum/area)*(sum/area)
	}
	still := cost(0, 0)
	if !(math.Sqrt(still) >= leastDiffers) {
		return
	}
	type try struct{ shift, cost float64 }
	var tries []try
	least := math.Inf(1)
	for dy := -m; dy <= m; dy++ {
		for dx := -m; dx <= m; dx++ {
			c := cost(dx, dy)
			tries = append(tries, try{math.Hypot(float64(dx), float64(dy)), c})
			least = min(least, c)
		}
	}
	if least > explained*still {
		return
	}
	// Along an edge any shift is as good: the shortest of the good ones.
	s.shift = math.Inf(1)
	for _, t := range tries {
		if t.cost <= 1.15*least+1e-7 {
			s.shift = min(s.shift, t.shift)
		}
	}
}

// seamPlaces makes places of the windows of one pair's seam.
func (x *examiner) seamPlaces(pair [2]int, spots []seamSpot) (out []Place) {
	names := x.name(pair[0]) + " and " + x.name(pair[1])
	for _, run := range runsOf(spots, func(s *seamSpot) bool { return s.shift >= leastShift }) {
		worst := slices.MaxFunc(run, func(a, b seamSpot) int { return cmp.Compare(a.shift, b.shift) })
		out = append(out, Place{
			Kind: PlaceSeam, Rect: boxOf(run), At: worst.at, Severity: worst.shift / leastShift * math.Sqrt(float64(len(run))),
			Text: fmt.Sprintf("On the seam of %s details are off by %.0f pixels.", names, worst.shift),
		})
	}
	for _, run := range runsOf(spots, func(s *seamSpot) bool { return s.step >= leastStep }) {
		if len(run) < stepRun {
			continue
		}
		worst := slices.MaxFunc(run, func(a, b seamSpot) int { return cmp.Compare(a.step, b.step) })
		middle := run[len(run)/2]
		out = append(out, Place{
			Kind: PlaceLight, Rect: boxOf(run), At: middle.at, Severity: middle.step / leastStep * math.Sqrt(float64(len(run))/stepRun),
			Text: fmt.Sprintf("Along the seam of %s the light differs by up to %.0f %%.", names, 100*worst.step),
		})
	}
	return out
}

// runsOf groups the spots that are bad and lie in touching windows.
func runsOf(spots []seamSpot, bad func(*seamSpot) bool) (runs [][]seamSpot) {
	used := make([]bool, len(spots))
	for i := range spots {
		if used[i] || !bad(&spots[i]) {
			continue
		}
		used[i] = true
		run := []seamSpot{spots[i]}
		for k := 0; k < len(run); k++ {
			for j := range spots {
				dx, dy := spots[j].column-run[k].column, spots[j].row-run[k].row
				if !used[j] && max(dx, -dx, dy, -dy) <= 1 && bad(&spots[j]) {
					used[j] = true
					run = append(run, spots[j])
				}
			}
		}
		runs = append(runs, run)
	}
	return runs
}

func boxOf(run []seamSpot) (r image.Rectangle) {
	for i := range run {
		r = r.Union(image.Rect(0, 0, seamWindow, seamWindow).Add(run[i].at).Sub(image.Pt(seamWindow/2, seamWindow/2)))
	}
	return r
}

// moved finds what one layer shows in an overlap and the other does not.
func (x *examiner) moved(ctx context.Context) (out []Place, err error) {
	type job struct{ a, b, shift int }
	var jobs []job
	turn := x.labels.WrapPx() / x.cell
	for a := range x.seen {
		for b := a + 1; b < len(x.seen); b++ {
			for _, shift := range [3]int{0, turn, -turn} {
				if !x.seen[a].Rect.Intersect(x.seen[b].Rect.Add(image.Pt(shift, 0))).Empty() {
					jobs = append(jobs, job{a, b, shift})
				}
				if turn == 0 {
					break
				}
			}
		}
	}
	found := make([][]Place, len(jobs))
	err = par.Do(ctx, x.o.Workers, len(jobs), func(i int) error {
		found[i] = x.movedBetween(jobs[i].a, jobs[i].b, jobs[i].shift)
		return nil
	})
	return slices.Concat(found...), err
}

// movedBetween compares layers a and b, whose cells lie shift further left.
func (x *examiner) movedBetween(ia, ib, shift int) (out []Place) {
	a, b := &x.seen[ia], &x.seen[ib]
	r := a.Rect.Intersect(b.Rect.Add(image.Pt(shift, 0)))
	w, h := r.Dx(), r.Dy()
	if w < 5 || h < 5 {
		return nil
	}
	ok := make([]bool, w*h)
	for y := range h {
		for i := range w {
			px, py := r.Min.X+i, r.Min.Y+y
			lost := max(a.LostAt(px, py), b.LostAt(px-shift, py)) > 0.02
			ok[y*w+i] = !lost && a.IsValid(px, py) && b.IsValid(px-shift, py)
		}
	}
	// apart is how far cell (i, y) of one layer is from the nearest of the other's
	// around: an edge that is a cell off is no figure.
	at := func(l *blend.SeamLayer, dx, i, y int) (c [3]float32) {
		k := (r.Min.Y+y-l.Rect.Min.Y)*l.RGB[0].Stride + r.Min.X + i - dx - l.Rect.Min.X
		return [3]float32{l.RGB[0].Pix[k], l.RGB[1].Pix[k], l.RGB[2].Pix[k]}
	}
	apart := func(p [3]float32, l *blend.SeamLayer, dx, i, y int) float32 {
		least := float32(math.Inf(1))
		for v := max(0, y-1); v <= min(h-1, y+1); v++ {
			for u := max(0, i-1); u <= min(w-1, i+1); u++ {
				q := at(l, dx, u, v)
				d := float32(0)
				for c := range 3 {
					d += max(p[c]-q[c], q[c]-p[c])
				}
				least = min(least, d)
			}
		}
		return least
	}
	diff := make([]float32, w*h)
	var plain []float64
	for y := range h {
		for i := range w {
			if !ok[y*w+i] {
				continue
			}
			p, q := at(a, 0, i, y), at(b, shift, i, y)
			d := float64(0)
			for c := range 3 {
				d += math.Abs(float64(p[c] - q[c]))
			}
			plain = append(plain, d)
			diff[y*w+i] = min(apart(p, b, shift, i, y), apart(q, a, 0, i, y))
		}
	}
	if len(plain) < movedCells {
		return nil
	}
	limit := float32(max(movedStep, movedNoise*median(plain)))
	mask := make([]bool, w*h)
	for y := 1; y+1 < h; y++ {
		for i := 1; i+1 < w; i++ {
			if !ok[y*w+i] || diff[y*w+i] < limit {
				continue
			}
			n := 0 // of its neighbours that differ as well: a lone cell is noise
			for v := y - 1; v <= y+1; v++ {
				for u := i - 1; u <= i+1; u++ {
					if diff[v*w+u] >= limit {
						n++
					}
				}
			}
			mask[y*w+i] = n >= 5
		}
	}
	figs := hangTogether(w, h, mask, movedGap)
	for _, f := range figs {
		if len(f.cells) < movedCells {
			continue
		}
		inA, inB, sum := 0, 0, 0.0
		for _, c := range f.cells {
			switch x.labels.At(r.Min.X+c%w, r.Min.Y+c/w) {
			case ia:
				inA++
			case ib:
				inB++
			}
			sum += float64(diff[c])
		}
		n := len(f.cells)
		strength := sum / float64(n) / float64(limit)
		cell := x.cell
		box := image.Rect((r.Min.X+f.box.Min.X)*cell, (r.Min.Y+f.box.Min.Y)*cell, (r.Min.X+f.box.Max.X)*cell, (r.Min.Y+f.box.Max.Y)*cell)
		if turn := x.labels.WrapPx(); turn > 0 {
			box = box.Add(image.Pt(-floorDiv(box.Min.X, turn)*turn, 0))
		}
		p := Place{Kind: PlaceMoved, Rect: box.Inset(-2 * cell), At: box.Min.Add(box.Size().Div(2))}
		severity := strength * math.Min(4, math.Sqrt(float64(n)/movedCells)) / 2
		if least := cutShare * float64(n); float64(inA) >= least && float64(inB) >= least {
			p.Severity = 2 * severity
			p.Text = fmt.Sprintf("%s and %s show something different here, and a seam goes through it.", x.name(ia), x.name(ib))
		} else {
			p.Severity = severity / 2
			p.Text = fmt.Sprintf("%s and %s show something different here.", x.name(ia), x.name(ib))
			switch {
			case inA == n:
				p.Text = fmt.Sprintf("%s and %s show something different here; the picture has it as %s does.", x.name(ia), x.name(ib), x.name(ia))
			case inB == n:
				p.Text = fmt.Sprintf("%s and %s show something different here; the picture has it as %s does.", x.name(ia), x.name(ib), x.name(ib))
			case inA+inB == 0:
				continue // a third frame has the place
			}
		}
		out = append(out, p)
	}
	return out
}

// component is a group of cells of a mask, w wide.
type component struct {
	cells []int
	box   image.Rectangle
}

// hangTogether returns the groups of true cells that hang together over gaps of less
// than gap cells, in the order of their first cells.
func hangTogether(w, h int, mask []bool, gap int) (out []component) {
	// Cells of a coarser grid stand for what is near.
	cw, ch := ceilDiv(w, gap), ceilDiv(h, gap)
	in := make([][]int, cw*ch)
	for i, m := range mask {
		if m {
			k := (i/w/gap)*cw + i%w/gap
			in[k] = append(in[k], i)
		}
	}
	used := make([]bool, cw*ch)
	for k := range in {
		if used[k] || len(in[k]) == 0 {
			continue
		}
		used[k] = true
		queue := []int{k}
		var c component
		for q := 0; q < len(queue); q++ {
			at := queue[q]
			for _, i := range in[at] {
				c.cells = append(c.cells, i)
				c.box = c.box.Union(image.Rect(i%w, i/w, i%w+1, i/w+1))
			}
			for v := max(0, at/cw-1); v <= min(ch-1, at/cw+1); v++ {
				for u := max(0, at%cw-1); u <= min(cw-1, at%cw+1); u++ {
					if o := v*cw + u; !used[o] && len(in[o]) > 0 {
						used[o] = true
						queue = append(queue, o)
					}
				}
			}
		}
		out = append(out, c)
	}
	return out
}

// soft finds frames that are less sharp than all their neighbours.
func (x *examiner) soft(context.Context) (out []Place, err error) {
	n := len(x.layers)
	for k := range n {
		loss, pairs := math.Inf(1), 0
		for j := range n {
			if j == k {
				continue
			}
			if stops, ok := x.softer(k, j); ok {
				loss = min(loss, stops)
				pairs++
			}
		}
		if pairs == 0 || !(loss >= softFrom) {
			continue
		}
		box, at, ok := x.partOf(k)
		if !ok {
			continue
		}
		out = append(out, Place{
			Kind: PlaceSoft, Rect: box, At: at, Severity: loss / softFrom,
			Text: fmt.Sprintf("%s is softer than the frames beside it: %.1f stops of fine detail are missing.", x.name(k), loss),
		})
	}
	return out, nil
}

// softer is the median of how much sharper layer j is where both show the same.
func (x *examiner) softer(k, j int) (stops float64, ok bool) {
	d, e := x.details[k], x.details[j]
	a, b := &x.layers[k].cam, &x.layers[j].cam
	var all []float64
	for i := range d.fine {
		p := geom.Pt{X: (float64(i%d.w) + 0.5) * float64(d.block), Y: (float64(i/d.w) + 0.5) * float64(d.block)}
		if !sees(a, b, p, float64(d.block)) {
			continue
		}
		ray, _ := a.WorldFromPixel(p)
		q, _ := b.PixelFromWorld(ray)
		if o, inside := e.at(q.X, q.Y); inside {
			if s, _, ok := d.compare(i, e, o); ok {
				all = append(all, s)
			}
		}
	}
	if len(all) < softBlocks {
		return 0, false
	}
	return median(all), true
}

// partOf returns what the picture takes from a layer and the place there with the
// most detail.
func (x *examiner) partOf(k int) (box image.Rectangle, at image.Point, ok bool) {
	l := x.labels
	for i, v := range l.L {
		if int(v) == k {
			box = box.Union(image.Rect(i%l.Rect.Dx(), i/l.Rect.Dx(), i%l.Rect.Dx()+1, i/l.Rect.Dx()+1))
		}
	}
	box = image.Rect(box.Min.X*l.Cell, box.Min.Y*l.Cell, box.Max.X*l.Cell, box.Max.Y*l.Cell)
	d, most := x.details[k], float32(0)
	for i, c := range d.coarse {
		if c[0]+c[1] <= most {
			continue
		}
		p := geom.Pt{X: (float64(i%d.w) + 0.5) * float64(d.block), Y: (float64(i/d.w) + 0.5) * float64(d.block)}
		q, seen := x.pixelOf(&x.layers[k].cam, p)
		if seen && image.Pt(int(q.X), int(q.Y)).In(x.view.Rect) && l.At(int(q.X)/l.Cell, int(q.Y)/l.Cell) == k {
			most, at, ok = c[0]+c[1], image.Pt(int(q.X), int(q.Y)), true
		}
	}
	return box, at, ok
}

// clippedParts finds the parts of the picture that are white.
func (x *examiner) clippedParts(context.Context) (out []Place, err error) {
	b := &x.blocks
	mask := make([]bool, len(b.white))
	for i, v := range b.white {
		mask[i] = v >= whiteFrom
	}
	for _, c := range hangTogether(b.w, b.h, mask, 2) {
		share := float64(len(c.cells)) / float64(len(mask))
		if len(c.cells) < whiteBlocks || share < whiteShare {
			continue
		}
		middle := c.cells[len(c.cells)/2]
		out = append(out, Place{
			Kind:     PlaceClipped,
			Rect:     image.Rect(c.box.Min.X*lostBlock, c.box.Min.Y*lostBlock, c.box.Max.X*lostBlock, c.box.Max.Y*lostBlock),
			At:       image.Pt((middle%b.w)*lostBlock+lostBlock/2, (middle/b.w)*lostBlock+lostBlock/2),
			Severity: math.Sqrt(share / whiteShare),
			Text:     fmt.Sprintf("White without any detail, %.2g %% of the picture: the light is lost in all frames that show it.", 100*share),
		})
	}
	return out, nil
}
