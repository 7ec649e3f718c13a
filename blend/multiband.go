package blend

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
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
	// Fill gives dst and valid the bounds r (output pixels, see
	// raster.Plane.Reset) and fills them: dst with red, green and blue in the
	// encoded scale, also outside the frame, where the frame's border
	// continues; valid with 1 inside the frame and 0 outside. The value of a
	// pixel must not depend on r. On a full turn r may reach past either end
	// and x means the same place as x plus a turn.
	Fill(dst *[3]*raster.Plane, valid *raster.Plane, r image.Rectangle)
}

// MaxBands is the largest number of bands of [Multiband]: the coarsest
// samples are then 128 pixels apart.
const MaxBands = 7

// MultibandOptions are the settings of [Multiband]. The zero value is usable.
type MultibandOptions struct {
	// Bands is the number of Laplacian bands above the coarsest Gaussian, up
	// to MaxBands. The coarsest transition is about 4·2^Bands pixels wide.
	// More bands hide larger differences of exposure and reach farther. Zero
	// means [Bands] of the narrowest overlap of two layers that meet at a
	// seam, going by their Bounds; negative none: a hard edge.
	Bands int
	// Tile is the side of the squares that are computed one by one, in
	// pixels, rounded up to a multiple of 128. Zero means 512 up to 4 bands,
	// else 1024. It changes time and memory, not the picture.
	Tile int
	// Workers bounds the goroutines; below 1 it is the number of processors.
	// Each needs about 60·(Tile + 8·2^Bands)² bytes where two layers meet.
	Workers int
	// Progress, if set, is told the share done, from 0 to 1, in ascending
	// order and never by two goroutines at once.
	Progress func(done float64)
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

// Multiband writes to each pixel of dst the blend of the layers by labels:
// the layers' Laplacian pyramids are summed, each weighted by the Gaussian
// pyramid of the 0/1 mask of the pixels elected for it (see [Labels.Pixel]),
// and the sum is collapsed. Cells without a label take part as their nearest
// labelled cell does.
//
//	(1) The value of a pixel depends on its place, the layers, the labels and
//	    Bands, not on dst's bounds, tiles or workers: a picture may be written
//	    in strips. The bytes are the same.
//	(2) Where all layers that reach a pixel are the same 16-bit picture, dst is
//	    that picture.
//	(3) Where one label reaches, dst is that layer, rounded. This is decided
//	    for squares of 128 pixels at their multiples.
//	(4) On a full turn the picture closes: moving all by k·2^Bands pixels
//	    moves the result, to one step of 16 bits (all of it if k·2^Bands is a
//	    multiple of 128, the grain of (3)).
//
// A pixel at which its own layer is not valid is taken from the first layer
// that is, without a transition; good labels leave none. dst.Alpha, if not
// nil, is 0xffff where a layer is valid and 0 elsewhere; colour is 0 there.
// Samples are clamped to [0, 1] and rounded to 16 bits; NaN gives 0.
//
// On a full turn the turn must be a multiple of 2^Bands pixels, or the two
// ends would lie on different grids. An error wraps [ErrMultiband] or is that
// of ctx; dst is then not finished.
//
// Burt & Adelson, ACM Trans. Graphics 2(4), 1983, 217-236, sec. 3.
func Multiband(ctx context.Context, dst *raster.Picture, layers []Layer, labels *Labels, o MultibandOptions) error {
	if err := o.Validate(); err != nil {
		return err
	}
	if err := checkLabels(labels, len(layers)); err != nil {
		return err
	}
	if o.Bands == 0 {
		o.Bands = bandsAtSeams(layers, labels)
	}
	o.Bands = max(o.Bands, 0)
	if labels.WrapPx()%(1<<o.Bands) != 0 {
		return fmt.Errorf("%w: a turn of %d pixels is no multiple of 2^%d", ErrMultiband, labels.WrapPx(), o.Bands)
	}
	if o.Tile == 0 {
		o.Tile = 512
		if o.Bands > 4 {
			o.Tile = 1024
		}
	}
	o.Tile += floorMod(-o.Tile, blockSize)
	b := &blender{dst: dst, layers: layers, labels: labels.spread(), o: o}
	tiles := tilesOf(dst.Rect, o.Tile)
	var mu sync.Mutex
	done := 0
	return par.DoScratch(ctx, o.Workers, len(tiles), func() *tileScratch { return newTileScratch(o.Bands) },
		func(i int, s *tileScratch) error {
			b.tile(tiles[i], s)
			if o.Progress != nil {
				mu.Lock()
				done++
				o.Progress(float64(done) / float64(len(tiles)))
				mu.Unlock()
			}
			return nil
		})
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

type blender struct {
	dst    *raster.Picture
	layers []Layer
	labels *Labels
	o      MultibandOptions
}

// filled is a layer's pixels over some rectangle.
type filled struct {
	rgb   [3]*raster.Plane
	valid *raster.Plane
}

func newFilled() *filled {
	f := &filled{valid: new(raster.Plane)}
	for c := range f.rgb {
		f.rgb[c] = new(raster.Plane)
	}
	return f
}

// tileScratch is the memory of one worker.
type tileScratch struct {
	among    []int
	blocks   []int16 // of the tile: its only label, or one of the constants below
	bad      []bool  // pixels of the tile at which the elected label is not valid
	fills    []*filled
	elected  []int16            // label of each pixel of the support
	mask     []*raster.Plane    // Gaussian pyramid of a mask
	gauss    []*raster.Plane    // Gaussian pyramid of a channel
	sum      [3][]*raster.Plane // blended Laplacian pyramid
	blended  [3]*raster.Plane   // its finest level, where it is collapsed
	need     []image.Rectangle  // bounds of sum, level by level
	expanded raster.Plane
}

const (
	blockEmpty int16 = -1 // no label reaches the block
	blockMixed int16 = -2 // more than one does
)

// blockSize is the side of the squares, aligned to its multiples, that are
// copied if one label reaches them and blended if more do. That a pixel is
// copied must not depend on the tile it is computed in: a blend far from any
// seam is the copy but for float32's rounding, and that can tip a 16-bit value.
const blockSize = 128

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

// tile writes the pixels of dst in r.
func (b *blender) tile(r image.Rectangle, s *tileScratch) {
	s.bad = slices.Grow(s.bad[:0], r.Dx()*r.Dy())[:r.Dx()*r.Dy()]
	clear(s.bad)
	whole := outwardTo(r, blockSize)
	s.blocks = s.blocks[:0]
	eachBlock(whole, func(block image.Rectangle) {
		s.among = b.labels.appendAmong(s.among[:0], b.support(block, s))
		switch len(s.among) {
		case 0:
			s.blocks = append(s.blocks, blockEmpty)
		case 1:
			s.blocks = append(s.blocks, int16(s.among[0]))
		default:
			s.blocks = append(s.blocks, blockMixed)
		}
	})
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
		switch kind {
		case blockEmpty:
		case blockMixed:
			rgb = b.blend(r, part, s)
		default:
			f := s.fill(0)
			b.layers[kind].Fill(&f.rgb, f.valid, part)
			rgb = &f.rgb
		}
		k = 0
		eachBlock(whole, func(block image.Rectangle) {
			if s.blocks[k] == kind {
				block = block.Intersect(r)
				b.write(block, rgb)
				if kind >= 0 {
					s.markInvalid(r, block)
				}
			}
			k++
		})
	}
	b.patch(r, s)
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

// markInvalid sets s.bad, which covers r, in part after s.fills[0].
func (s *tileScratch) markInvalid(r, part image.Rectangle) {
	valid := s.fills[0].valid
	for y := part.Min.Y; y < part.Max.Y; y++ {
		bad := s.bad[(y-r.Min.Y)*r.Dx()+part.Min.X-r.Min.X:][:part.Dx()]
		for i, v := range valid.Row(y)[part.Min.X-valid.Rect.Min.X:][:len(bad)] {
			bad[i] = !(v > 0.5)
		}
	}
}

// support fills s.need with the samples of each level from which the pixels of
// r are collapsed and returns the pixels from which those are computed.
func (b *blender) support(r image.Rectangle, s *tileScratch) image.Rectangle {
	s.need[0] = r
	for l := 1; l <= b.o.Bands; l++ {
		// Expand reads the samples k−1 … k+1 for pixel 2k and k … k+1 for 2k+1.
		f := s.need[l-1]
		s.need[l] = image.Rect(f.Min.X>>1-1, f.Min.Y>>1-1, (f.Max.X-1)>>1+2, (f.Max.Y-1)>>1+2)
	}
	// Reduce reads 2k−2 … 2k+2.
	g := s.need[b.o.Bands]
	for range b.o.Bands {
		g = image.Rect(2*g.Min.X-2, 2*g.Min.Y-2, 2*g.Max.X+1, 2*g.Max.Y+1)
	}
	return g
}

// blend returns planes with the blend of the pixels of part, and sets s.bad,
// which covers r, there.
func (b *blender) blend(r, part image.Rectangle, s *tileScratch) *[3]*raster.Plane {
	support := b.support(part, s)
	s.among = b.labels.appendAmong(s.among[:0], support)
	for i, label := range s.among {
		f := s.fill(i)
		b.layers[label].Fill(&f.rgb, f.valid, support)
	}
	b.elect(support, s)
	for y := part.Min.Y; y < part.Max.Y; y++ {
		bad := s.bad[(y-r.Min.Y)*r.Dx()+part.Min.X-r.Min.X:][:part.Dx()]
		at := (y-support.Min.Y)*support.Dx() + part.Min.X - support.Min.X
		for x := range bad {
			bad[x] = !(s.fillOf(s.elected[at+x]).valid.Pix[at+x] > 0.5)
		}
	}
	b.sumBands(support, s)
	return &s.blended
}

// fillOf returns the pixels of the layer with a label of s.among.
func (s *tileScratch) fillOf(label int16) *filled {
	i, _ := slices.BinarySearch(s.among, int(label))
	return s.fills[i]
}

// elect fills s.elected over support. Where no label of the four cells is
// valid the vote is among all of them.
func (b *blender) elect(support image.Rectangle, s *tileScratch) {
	l := b.labels
	s.elected = slices.Grow(s.elected[:0], support.Dx()*support.Dy())[:0]
	at := 0
	valid := func(label int) bool { return s.fillOf(int16(label)).valid.Pix[at] > 0.5 }
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
func (b *blender) sumBands(support image.Rectangle, s *tileScratch) {
	for _, levels := range s.sum {
		for l, p := range levels {
			p.Reset(s.need[l])
			clear(p.Pix)
		}
	}
	top := b.o.Bands
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
func (b *blender) maskPyramid(support image.Rectangle, label int16, s *tileScratch) bool {
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
	for l := range b.o.Bands {
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

// write stores rgb, whose planes contain r, in dst; nil stands for no content.
func (b *blender) write(r image.Rectangle, rgb *[3]*raster.Plane) {
	for y := r.Min.Y; y < r.Max.Y; y++ {
		out := b.dst.Row(y)[3*(r.Min.X-b.dst.Rect.Min.X):][:3*r.Dx()]
		alpha := b.dst.AlphaRow(y)
		if alpha != nil {
			alpha = alpha[r.Min.X-b.dst.Rect.Min.X:][:r.Dx()]
		}
		if rgb == nil {
			clear(out)
			clear(alpha)
			continue
		}
		for x := range alpha {
			alpha[x] = 0xffff
		}
		for c, p := range rgb {
			row := p.Row(y)[r.Min.X-p.Rect.Min.X:][:r.Dx()]
			o := out[c:]
			for x, v := range row {
				o[3*x] = sample16(v)
			}
		}
	}
}

// sample16 rounds v to 16 bits; NaN gives 0.
func sample16(v float32) uint16 {
	switch {
	case !(v > 0):
		return 0
	case v >= 1:
		return 65535
	}
	return uint16(int32(v*65535 + 0.5))
}

// patch writes the pixels of r marked in s.bad.
func (b *blender) patch(r image.Rectangle, s *tileScratch) {
	var hole image.Rectangle
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := s.bad[(y-r.Min.Y)*r.Dx():][:r.Dx()]
		first := slices.Index(row, true)
		if first < 0 {
			continue
		}
		last := len(row) - 1
		for !row[last] {
			last--
		}
		hole = hole.Union(image.Rect(r.Min.X+first, y, r.Min.X+last+1, y+1))
	}
	if hole.Empty() {
		return
	}
	for _, layer := range b.layers {
		if !b.overlaps(layer.Bounds(), hole) {
			continue
		}
		f := s.fill(0)
		layer.Fill(&f.rgb, f.valid, hole)
		for y := hole.Min.Y; y < hole.Max.Y; y++ {
			bad := s.bad[(y-r.Min.Y)*r.Dx()+hole.Min.X-r.Min.X:][:hole.Dx()]
			out := b.dst.Row(y)[3*(hole.Min.X-b.dst.Rect.Min.X):]
			for x, v := range f.valid.Row(y) {
				if bad[x] && v > 0.5 {
					bad[x] = false
					for c, p := range f.rgb {
						out[3*x+c] = sample16(p.Row(y)[x])
					}
				}
			}
		}
	}
	for y := hole.Min.Y; y < hole.Max.Y; y++ {
		bad := s.bad[(y-r.Min.Y)*r.Dx()+hole.Min.X-r.Min.X:][:hole.Dx()]
		out := b.dst.Row(y)[3*(hole.Min.X-b.dst.Rect.Min.X):]
		alpha := b.dst.AlphaRow(y)
		for x := range bad {
			if bad[x] {
				clear(out[3*x : 3*x+3])
				if alpha != nil {
					alpha[hole.Min.X-b.dst.Rect.Min.X+x] = 0
				}
			}
		}
	}
}

// overlaps reports whether p and q share a pixel, on a full turn in any of
// its repetitions.
func (b *blender) overlaps(p, q image.Rectangle) bool {
	turn := b.labels.WrapPx()
	if turn == 0 {
		return p.Overlaps(q)
	}
	// Move p to the first repetition that ends right of q's left border.
	end := q.Min.X + 1 + floorMod(p.Max.X-q.Min.X-1, turn)
	return p.Add(image.Pt(end-p.Max.X, 0)).Overlaps(q)
}
