package blend

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"math/bits"
	"slices"
	"sync"

	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// Layer is one frame as seen through the output grid. Its methods may be
// called from several goroutines at once.
type Layer interface {
	// Bounds returns a rectangle of output pixels outside which the layer is
	// nowhere valid. On a full turn it may reach past either end.
	Bounds() image.Rectangle
	// Fill gives the planes of dst the bounds r (output pixels, see
	// raster.Plane.Reset) and fills them with red, green and blue in the
	// encoded scale, also outside the frame, where the frame's border
	// continues. valid, which has an entry for each pixel of r in row order,
	// is set to 255 inside the frame and 0 outside; Fill reports whether all
	// are inside. The value of a pixel must not depend on r. On a full turn r
	// may reach past either end and x means the same place as x plus a turn.
	Fill(dst *[3]*raster.Plane, valid []uint8, r image.Rectangle) (whole bool)
}

// Canvas takes the finished picture, piece by piece and from several
// goroutines at once. A [raster.Picture] is one.
type Canvas interface {
	// Put stores the pixels of r, which the planes hold: red, green and blue,
	// to be limited to 0 to 1. valid is nil if all have content; else it has
	// an entry for each in row order, 0 where there is none.
	Put(r image.Rectangle, rgb *[3]*raster.Plane, valid []uint8)
}

// MaxBands is the largest number of bands of [Multiband]: the coarsest
// samples are then 128 pixels apart.
const MaxBands = 7

// MultibandOptions are the settings of a [Blender]. The zero value is usable.
type MultibandOptions struct {
	// Bands is the number of Laplacian bands above the coarsest Gaussian, up
	// to MaxBands. The coarsest transition is about 4·2^Bands pixels wide.
	// More bands hide larger differences of exposure and reach farther. Zero
	// means [Bands] of the narrowest overlap of two layers that meet at a
	// seam, going by their Bounds; negative none: a hard edge.
	Bands int
	// Coarse has the colours of the layers on the cells of the labels, as
	// [Seams] was given them. With it, the bands coarser than a cell are
	// blended on the cells, which takes a fraction of the time, and a layer is
	// continued by the others where it is not Valid (nil: it is everywhere in
	// its Rect) or its light is Lost; without it at full size, and layers are
	// continued as they fill themselves.
	Coarse []SeamLayer
	// Tile is the side of the squares that are computed one by one, in
	// pixels, rounded up to a multiple of 64. Zero means 256, or 1024 if more
	// than 4 bands are blended at full size. It changes time and memory, not
	// the picture.
	Tile int
}

// ErrMultiband is wrapped by the errors of [Multiband] about its input.
var ErrMultiband = errors.New("blend: bad multiband input")

// Validate reports the first field out of range.
func (o MultibandOptions) Validate() error {
	switch {
	case o.Bands > MaxBands:
		return fmt.Errorf("%w: Bands %d is above %d", ErrMultiband, o.Bands, MaxBands)
	case o.Tile < 0:
		return fmt.Errorf("%w: Tile %d is negative", ErrMultiband, o.Tile)
	}
	return nil
}

// Bands returns the number of bands for frames of which the narrowest overlap
// is overlapPx output pixels wide:
//
//	⌊log2(overlapPx / 4)⌋, at least 1, at most [MaxBands].
//
// The weights of the coarsest level fall from 1 to 0 over 4·2^bands pixels,
// the footprint of its 5-tap kernel: this is the largest number for which a
// seam in the middle of the overlap leaves both layers real pixels under the
// whole transition, instead of the continued border of one. Burt & Adelson
// 1983 (Spline), sec. 2: the transition of each band must be as wide as its
// longest wave, and no wider than the overlap.
func Bands(overlapPx float64) int {
	if !(overlapPx >= 8) {
		return 1
	}
	return int(min(math.Floor(math.Log2(overlapPx/4)), MaxBands))
}

// Blender blends layers by labels: the layers' Laplacian pyramids are summed,
// each weighted by the Gaussian pyramid of the 0/1 mask of the pixels elected
// for it (see [Labels.Pixel]), and the sum is collapsed. Cells without a label
// take part as their nearest labelled cell does.
//
//	(1) The value of a pixel depends on its place, the layers, the labels,
//	    Bands and Coarse, not on the rectangle asked for, tiles or workers: a
//	    picture may be made in strips. The bytes are the same.
//	(2) Where all layers that reach a pixel are the same 16-bit picture, the
//	    blend is that picture.
//	(3) Where one label reaches, it is that layer. This is decided for squares
//	    of 64 pixels at their multiples.
//	(4) On a full turn the picture closes: moving all by k·2^Bands pixels
//	    moves the result, to one step of 16 bits (all of it if k·2^Bands is a
//	    multiple of 64, the grain of (3)).
//
// A pixel at which its own layer is not valid is taken from the first layer
// that is, with no transition but in brightness; good labels leave none.
// Where no layer is valid, or if there are no labels at all, there is no
// content, and the colour is 0.
//
// On a full turn the turn must be a multiple of 2^Bands pixels, or the two
// ends would lie on different grids.
//
// Burt & Adelson, ACM Trans. Graphics 2(4), 1983, 217-236, sec. 3.
//
// A Blender is safe for concurrent use.
type Blender struct {
	layers []Layer
	labels *Labels
	o      MultibandOptions
	fine   int // bands that are blended at full size
	coarse *coarsePart
	alone  *Labels // of squares of cells: the label that all of them have, or −1
}

// NewBlender returns the blend of layers by labels. An error wraps
// [ErrMultiband].
func NewBlender(layers []Layer, labels *Labels, o MultibandOptions) (*Blender, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := checkLabels(labels, len(layers)); err != nil {
		return nil, err
	}
	if o.Bands == 0 {
		o.Bands = bandsAtSeams(layers, labels)
	}
	o.Bands = max(o.Bands, 0)
	if labels.WrapPx()%(1<<o.Bands) != 0 {
		return nil, fmt.Errorf("%w: a turn of %d pixels is no multiple of 2^%d", ErrMultiband, labels.WrapPx(), o.Bands)
	}
	b := &Blender{layers: layers, labels: labels.spread(), o: o, fine: o.Bands}
	if !slices.ContainsFunc(labels.L, func(l int16) bool { return l >= 0 }) {
		b.layers = nil // nothing is to be seen
	}
	if o.Coarse != nil {
		if len(o.Coarse) != len(layers) {
			return nil, fmt.Errorf("%w: coarse colours of %d layers for %d", ErrMultiband, len(o.Coarse), len(layers))
		}
		b.o.Coarse = nil // a row's are a tenth of its memory: they go one by one
		// A cell that is no power of two is blended on the pixels' side.
		below := bits.Len(uint(labels.Cell - 1))
		if below < o.Bands {
			b.fine = below
			b.coarse = newCoarsePart(o.Coarse, b.labels, o.Bands-below)
		}
	}
	b.alone = b.labels.alone(aloneCells)
	if b.o.Tile == 0 {
		b.o.Tile = 256
		if b.fine > 4 {
			b.o.Tile = 1024
		}
	}
	b.o.Tile += floorMod(-b.o.Tile, blockSize)
	return b, nil
}

// Draw puts the pixels of r on dst. workers bounds the goroutines; below 1 it
// is the number of processors. progress, if not nil, is told the share done,
// from 0 to 1, in ascending order and never by two goroutines at once. The
// error is that of ctx; dst is then not finished.
func (b *Blender) Draw(ctx context.Context, dst Canvas, r image.Rectangle, workers int, progress func(done float64)) error {
	tiles := tilesOf(r, b.o.Tile)
	var mu sync.Mutex
	done := 0
	return par.DoScratch(ctx, workers, len(tiles), func() *tileScratch { return newTileScratch(b.fine) },
		func(i int, s *tileScratch) error {
			b.tile(dst, tiles[i], s)
			if progress != nil {
				mu.Lock()
				done++
				progress(float64(done) / float64(len(tiles)))
				mu.Unlock()
			}
			return nil
		})
}

// Grain is the multiple at which the edges of rectangles given to
// [Blender.Draw] cost nothing extra.
func (b *Blender) Grain() int { return b.o.Tile }

// Reach appends to labels the layers from which the pixels of r are made.
func (b *Blender) Reach(labels []int, r image.Rectangle) []int {
	s := newTileScratch(b.fine)
	for _, tile := range tilesOf(r, b.o.Tile) {
		for _, i := range b.labels.Among(b.support(outwardTo(tile, blockSize), s)) {
			if !slices.Contains(labels, i) {
				labels = append(labels, i)
			}
		}
	}
	return labels
}

func checkLabels(l *Labels, layers int) error {
	switch {
	case l == nil || l.Rect.Empty() || l.Cell < 1:
		return fmt.Errorf("%w: no labels", ErrMultiband)
	case len(l.L) != l.Rect.Dx()*l.Rect.Dy():
		return fmt.Errorf("%w: %d labels for %v", ErrMultiband, len(l.L), l.Rect)
	}
	for _, label := range l.L {
		if int(label) >= layers {
			return fmt.Errorf("%w: label %d of %d layers", ErrMultiband, label, layers)
		}
	}
	return nil
}

// bandsAtSeams returns Bands of the narrowest overlap of two layers whose
// labels are neighbours.
func bandsAtSeams(layers []Layer, l *Labels) int {
	type pair struct{ a, b int }
	seen := map[pair]bool{}
	narrowest := math.Inf(1)
	meet := func(a, b int) {
		if a == b || a < 0 || b < 0 || seen[pair{a, b}] {
			return
		}
		seen[pair{a, b}] = true
		p, q := layers[a].Bounds(), layers[b].Bounds()
		if turn := l.WrapPx(); turn > 0 {
			// Of the repetitions of p, the one whose middle is nearest to q's.
			off := p.Min.X + p.Max.X - q.Min.X - q.Max.X // twice the distance
			p = p.Add(image.Pt((floorMod(off+turn, 2*turn)-turn-off)/2, 0))
		}
		both := p.Intersect(q)
		narrowest = min(narrowest, float64(both.Dx()), float64(both.Dy()))
	}
	for y := l.Rect.Min.Y; y < l.Rect.Max.Y; y++ {
		for x := l.Rect.Min.X; x < l.Rect.Max.X; x++ {
			meet(l.At(x, y), l.At(x+1, y))
			meet(l.At(x, y), l.At(x, y+1))
		}
	}
	if math.IsInf(narrowest, 1) {
		return 1 // no seam
	}
	return Bands(narrowest)
}

// tilesOf cuts r at the multiples of size.
func tilesOf(r image.Rectangle, size int) []image.Rectangle {
	var tiles []image.Rectangle
	for y := r.Min.Y - floorMod(r.Min.Y, size); y < r.Max.Y; y += size {
		for x := r.Min.X - floorMod(r.Min.X, size); x < r.Max.X; x += size {
			tiles = append(tiles, image.Rect(x, y, x+size, y+size).Intersect(r))
		}
	}
	return tiles
}

// filled is a layer's pixels over some rectangle.
type filled struct {
	rgb   [3]*raster.Plane
	valid []uint8
	whole bool
}

func newFilled() *filled {
	f := &filled{}
	for c := range f.rgb {
		f.rgb[c] = new(raster.Plane)
	}
	return f
}

// of fills f with the pixels of r of a layer.
func (f *filled) of(l Layer, r image.Rectangle) {
	n := r.Dx() * r.Dy()
	f.valid = slices.Grow(f.valid[:0], n)[:n]
	f.whole = l.Fill(&f.rgb, f.valid, r)
}

// tileScratch is the memory of one worker.
type tileScratch struct {
	among    []int
	blocks   []blockKind        // of the tile
	out      [3]*raster.Plane   // the tile, where it is put together
	outValid []uint8            // which of its pixels have content
	fills    []*filled          // layers' pixels
	elected  []int16            // label of each pixel of the support
	mask     []*raster.Plane    // Gaussian pyramid of a mask
	gauss    []*raster.Plane    // Gaussian pyramid of a channel
	sum      [3][]*raster.Plane // blended Laplacian pyramid
	blended  [3]*raster.Plane   // its finest level, where it is collapsed
	need     []image.Rectangle  // bounds of sum, level by level
	expanded raster.Plane
	shift    shift
}

// blockKind says how a block is made: from one label as it is, from one label
// with the coarse part corrected, or as one of the constants.
type blockKind struct {
	label   int16
	correct bool
}

const (
	blockEmpty int16 = -1 // no label reaches the block
	blockMixed int16 = -2 // more than one does
)

// blockSize is the side of the squares, aligned to its multiples, that are
// copied if one label reaches them and blended if more do. That a pixel is
// copied must not depend on the tile it is computed in: a blend far from any
// seam is the copy but for float32's rounding, and that can tip a 16-bit value.
const blockSize = 64

func newTileScratch(bands int) *tileScratch {
	planes := func() []*raster.Plane {
		p := make([]*raster.Plane, bands+1)
		for i := range p {
			p[i] = new(raster.Plane)
		}
		return p
	}
	s := &tileScratch{mask: planes(), gauss: planes(), need: make([]image.Rectangle, bands+1)}
	for c := range s.sum {
		s.sum[c] = planes()
		s.blended[c] = s.sum[c][0]
		s.out[c] = new(raster.Plane)
	}
	return s
}

// fill returns the i-th place for a layer's pixels.
func (s *tileScratch) fill(i int) *filled {
	for len(s.fills) <= i {
		s.fills = append(s.fills, newFilled())
	}
	return s.fills[i]
}

// tile puts the pixels of r on dst.
func (b *Blender) tile(dst Canvas, r image.Rectangle, s *tileScratch) {
	whole := outwardTo(r, blockSize)
	s.blocks = s.blocks[:0]
	uniform := true
	eachBlock(whole, func(block image.Rectangle) {
		s.blocks = append(s.blocks, b.kindOf(block, s))
		uniform = uniform && s.blocks[0] == s.blocks[len(s.blocks)-1]
	})
	if kind := s.blocks[0]; uniform && kind.label >= 0 {
		if f := b.single(kind, r, s); f.whole {
			dst.Put(r, &f.rgb, nil)
			return
		}
	}
	for c := range s.out {
		s.out[c].Reset(r)
	}
	s.outValid = slices.Grow(s.outValid[:0], r.Dx()*r.Dy())[:r.Dx()*r.Dy()]
	holes := false
	for i, kind := range s.blocks {
		if slices.Contains(s.blocks[:i], kind) {
			continue // done with the first
		}
		part := image.Rectangle{} // of r: around the blocks of the kind
		k := 0
		eachBlock(whole, func(block image.Rectangle) {
			if s.blocks[k] == kind {
				part = part.Union(block.Intersect(r))
			}
			k++
		})
		var rgb *[3]*raster.Plane
		var valid func(x, y int) bool
		switch kind.label {
		case blockEmpty:
			valid = func(int, int) bool { return false }
		case blockMixed:
			support := b.blend(part, s)
			rgb = &s.blended
			valid = func(x, y int) bool {
				at := (y-support.Min.Y)*support.Dx() + x - support.Min.X
				return s.fillOf(s.elected[at]).valid[at] != 0
			}
		default:
			f := b.single(kind, part, s)
			rgb = &f.rgb
			if !f.whole {
				valid = func(x, y int) bool { return f.valid[(y-part.Min.Y)*part.Dx()+x-part.Min.X] != 0 }
			}
		}
		k = 0
		eachBlock(whole, func(block image.Rectangle) {
			if s.blocks[k] == kind {
				holes = s.lay(r, block.Intersect(r), rgb, valid) || holes
			}
			k++
		})
	}
	if !holes || b.patch(r, s) {
		dst.Put(r, &s.out, nil)
		return
	}
	dst.Put(r, &s.out, s.outValid)
}

// lay copies part of the tile r into place; nil planes stand for no content
// and a nil valid for content everywhere. It reports whether some is missing.
func (s *tileScratch) lay(r, part image.Rectangle, rgb *[3]*raster.Plane, valid func(x, y int) bool) (holes bool) {
	for y := part.Min.Y; y < part.Max.Y; y++ {
		for c, p := range s.out {
			out := p.Row(y)[part.Min.X-r.Min.X:][:part.Dx()]
			if rgb == nil {
				clear(out)
			} else {
				copy(out, rgb[c].Row(y)[part.Min.X-rgb[c].Rect.Min.X:])
			}
		}
		mark := s.outValid[(y-r.Min.Y)*r.Dx()+part.Min.X-r.Min.X:][:part.Dx()]
		for i := range mark {
			mark[i] = 255
			if valid != nil && !valid(part.Min.X+i, y) {
				mark[i] = 0
				holes = true
			}
		}
	}
	return holes
}

// single returns the pixels of r for a kind with one label.
func (b *Blender) single(kind blockKind, r image.Rectangle, s *tileScratch) *filled {
	f := s.fill(0)
	f.of(b.layers[kind.label], r)
	if kind.correct {
		for c, p := range f.rgb {
			b.coarse.correct(p, r, c, int(kind.label), &s.shift)
		}
	}
	return f
}

// aloneCells is the side in cells of the squares that tell quickly that a
// block is far from any seam.
const aloneCells = 8

// kindOf says how a block is made.
func (b *Blender) kindOf(block image.Rectangle, s *tileScratch) blockKind {
	support := b.support(block, s)
	reach := support
	if b.coarse != nil {
		reach = support.Union(b.coarse.support(block))
	}
	if label, ok := b.alone.only(reach.Inset(-b.labels.Cell)); ok {
		return blockKind{label: int16(label)}
	}
	s.among = b.labels.appendAmong(s.among[:0], support)
	fine := len(s.among)
	first := 0
	if fine > 0 {
		first = s.among[0]
	}
	switch {
	case fine > 1:
		return blockKind{label: blockMixed}
	case b.coarse == nil && fine == 0:
		return blockKind{label: blockEmpty}
	case b.coarse == nil:
		return blockKind{label: int16(first)}
	}
	s.among = b.labels.appendAmong(s.among[:0], b.coarse.support(block))
	switch {
	case fine == 0:
		return blockKind{label: blockEmpty}
	case len(s.among) > 1:
		return blockKind{label: int16(first), correct: true}
	}
	return blockKind{label: int16(first)}
}

// outwardTo returns the smallest rectangle around r with bounds that are
// multiples of size.
func outwardTo(r image.Rectangle, size int) image.Rectangle {
	return image.Rect(r.Min.X-floorMod(r.Min.X, size), r.Min.Y-floorMod(r.Min.Y, size),
		r.Max.X+floorMod(-r.Max.X, size), r.Max.Y+floorMod(-r.Max.Y, size))
}

// eachBlock calls f for the blocks of whole in row order.
func eachBlock(whole image.Rectangle, f func(block image.Rectangle)) {
	for y := whole.Min.Y; y < whole.Max.Y; y += blockSize {
		for x := whole.Min.X; x < whole.Max.X; x += blockSize {
			f(image.Rect(x, y, x+blockSize, y+blockSize))
		}
	}
}

// support fills s.need with the samples of each full-size level from which the
// pixels of r are collapsed and returns the pixels from which those are
// computed.
func (b *Blender) support(r image.Rectangle, s *tileScratch) image.Rectangle {
	s.need[0] = r
	for l := 1; l <= b.fine; l++ {
		s.need[l] = expandsFrom(s.need[l-1])
	}
	return reducesFrom(s.need[b.fine], b.fine)
}

// expandsFrom returns the samples that raster.Expand reads for r: k−1 … k+1
// for sample 2k and k … k+1 for 2k+1.
func expandsFrom(r image.Rectangle) image.Rectangle {
	return image.Rect(r.Min.X>>1-1, r.Min.Y>>1-1, (r.Max.X-1)>>1+2, (r.Max.Y-1)>>1+2)
}

// reducesFrom returns the samples that raster.Reduce reads, levels below r, for
// r: 2k−2 … 2k+2 on each level.
func reducesFrom(r image.Rectangle, levels int) image.Rectangle {
	for range levels {
		r = image.Rect(2*r.Min.X-2, 2*r.Min.Y-2, 2*r.Max.X+1, 2*r.Max.Y+1)
	}
	return r
}

// blend fills s.blended with the blend of the pixels of part, and s.elected
// over the rectangle that it returns.
func (b *Blender) blend(part image.Rectangle, s *tileScratch) (support image.Rectangle) {
	support = b.support(part, s)
	s.among = b.labels.appendAmong(s.among[:0], support)
	for i, label := range s.among {
		f := s.fill(i)
		f.of(b.layers[label], support)
		if b.coarse != nil {
			for c, p := range f.rgb {
				b.coarse.add(p, support, c, label, -1, &s.shift)
			}
		}
	}
	b.elect(support, s)
	if b.coarse != nil {
		s.fillIn()
	}
	b.sumBands(support, s)
	if b.coarse != nil {
		for c, p := range s.blended {
			b.coarse.add(p, part, c, -1, 1, &s.shift)
		}
	}
	return support
}

// fillIn takes the pixels that a layer has not from the one elected for them:
// what is left of them without their coarse part differs by detail alone.
func (s *tileScratch) fillIn() {
	for i := range s.among {
		f := s.fills[i]
		if f.whole {
			continue
		}
		for at, v := range f.valid {
			if v != 0 {
				continue
			}
			if from := s.fillOf(s.elected[at]); from.valid[at] != 0 {
				for c, p := range f.rgb {
					p.Pix[at] = from.rgb[c].Pix[at]
				}
			}
		}
	}
}

// fillOf returns the pixels of the layer with a label of s.among.
func (s *tileScratch) fillOf(label int16) *filled {
	i, _ := slices.BinarySearch(s.among, int(label))
	return s.fills[i]
}

// elect fills s.elected over support. Where no label of the four cells is
// valid the vote is among all of them.
func (b *Blender) elect(support image.Rectangle, s *tileScratch) {
	l := b.labels
	s.elected = slices.Grow(s.elected[:0], support.Dx()*support.Dy())[:0]
	at := 0
	valid := func(label int) bool { return s.fillOf(int16(label)).valid[at] != 0 }
	always := func(int) bool { return true }
	for y := support.Min.Y; y < support.Max.Y; y++ {
		for x := support.Min.X; x < support.Max.X; {
			// The same four cells are the nearest for a run of Cell pixels.
			vote := l.ballot(x, y)
			run := min(l.Cell-floorMod(x-l.Cell/2, l.Cell), support.Max.X-x)
			if vote.unanimous() {
				for range run {
					s.elected = append(s.elected, vote.label[0])
				}
				x += run
				continue
			}
			for end := x + run; x < end; x++ {
				at = len(s.elected)
				vote = l.ballot(x, y)
				label := vote.elect(valid)
				if label < 0 {
					label = vote.elect(always)
				}
				s.elected = append(s.elected, int16(label))
			}
		}
	}
}

// sumBands sums the weighted Laplacian pyramids of the layers in s.fills into
// s.sum and collapses it; s.sum[·][0] then has the pixels of s.need[0].
func (b *Blender) sumBands(support image.Rectangle, s *tileScratch) {
	for _, levels := range s.sum {
		for l, p := range levels {
			p.Reset(s.need[l])
			clear(p.Pix)
		}
	}
	top := b.fine
	for i, label := range s.among {
		if !b.maskPyramid(support, int16(label), s) {
			continue
		}
		for c, levels := range s.sum {
			pixels := s.fills[i].rgb[c]
			fine := pixels
			for l := range top {
				raster.Reduce(s.gauss[l+1], fine)
				raster.Expand(&s.expanded, s.need[l], s.gauss[l+1])
				addBand(levels[l], s.mask[l], fine, &s.expanded)
				fine = s.gauss[l+1]
			}
			addBand(levels[top], s.mask[top], fine, nil)
		}
	}
	for _, levels := range s.sum {
		for l := top - 1; l >= 0; l-- {
			raster.Expand(&s.expanded, s.need[l], levels[l+1])
			for i, v := range s.expanded.Pix {
				levels[l].Pix[i] += v
			}
		}
	}
}

// maskPyramid fills s.mask for the pixels elected for label; it reports
// whether there are any.
func (b *Blender) maskPyramid(support image.Rectangle, label int16, s *tileScratch) bool {
	m := s.mask[0]
	m.Reset(support)
	found := false
	for i, l := range s.elected {
		m.Pix[i] = 0
		if l == label {
			m.Pix[i] = 1
			found = true
		}
	}
	if !found {
		return false
	}
	for l := range b.fine {
		raster.Reduce(s.mask[l+1], s.mask[l])
	}
	return true
}

// addBand adds weight · (fine − coarse) to sum over sum's bounds; coarse, if
// not nil, has the same bounds, the others contain them.
func addBand(sum, weight, fine, coarse *raster.Plane) {
	r := sum.Rect
	for y := r.Min.Y; y < r.Max.Y; y++ {
		out := sum.Row(y)
		w := weight.Row(y)[r.Min.X-weight.Rect.Min.X:][:len(out)]
		f := fine.Row(y)[r.Min.X-fine.Rect.Min.X:][:len(out)]
		if coarse == nil {
			for i, v := range f {
				out[i] += w[i] * v
			}
			continue
		}
		e := coarse.Row(y)[:len(out)]
		for i, v := range f {
			out[i] += w[i] * (v - e[i])
		}
	}
}

// patch fills the pixels of the tile r that have no content; it reports
// whether all have some then.
func (b *Blender) patch(r image.Rectangle, s *tileScratch) (whole bool) {
	var hole image.Rectangle
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := s.outValid[(y-r.Min.Y)*r.Dx():][:r.Dx()]
		first := slices.Index(row, 0)
		if first < 0 {
			continue
		}
		last := len(row) - 1
		for row[last] != 0 {
			last--
		}
		hole = hole.Union(image.Rect(r.Min.X+first, y, r.Min.X+last+1, y+1))
	}
	for i, layer := range b.layers {
		if !b.overlaps(layer.Bounds(), hole) {
			continue
		}
		f := b.single(blockKind{label: int16(i), correct: b.coarse != nil}, hole, s)
		for y := hole.Min.Y; y < hole.Max.Y; y++ {
			mark := s.outValid[(y-r.Min.Y)*r.Dx()+hole.Min.X-r.Min.X:][:hole.Dx()]
			for x, v := range f.valid[(y-hole.Min.Y)*hole.Dx():][:hole.Dx()] {
				if mark[x] == 0 && v != 0 {
					mark[x] = v
					for c, p := range f.rgb {
						s.out[c].Set(hole.Min.X+x, y, p.Row(y)[x])
					}
				}
			}
		}
	}
	whole = true
	for i, v := range s.outValid {
		if v == 0 {
			whole = false
			for _, p := range s.out {
				p.Pix[i] = 0
			}
		}
	}
	return whole
}

// overlaps reports whether p and q share a pixel, on a full turn in any of
// its repetitions.
func (b *Blender) overlaps(p, q image.Rectangle) bool {
	turn := b.labels.WrapPx()
	if turn == 0 {
		return p.Overlaps(q)
	}
	// Move p to the first repetition that ends right of q's left border.
	end := q.Min.X + 1 + floorMod(p.Max.X-q.Min.X-1, turn)
	return p.Add(image.Pt(end-p.Max.X, 0)).Overlaps(q)
}
