package focus

import (
	"context"
	"math"

	"flatfell.example/blend"
	"flatfell.example/raster"
)

// bandsSeen is the number of octaves in which detail is measured.
const bandsSeen = 3

// look is what Align keeps of a slice.
type look struct {
	small *raster.Plane // luma, reduced by Plan.shrink
	// detail is the energy of each band in each cell, as the logarithm, see
	// packEnergy. Cells are those of the slice itself.
	detail [bandsSeen][]uint8
	// light is the mean linear light of the blocks of a grid, red, green, blue;
	// negative where some is clipped.
	light [][3]float64
	// colour is the picture, reduced times smaller a side.
	colour   *raster.Picture
	reduced  int
	transfer *blend.Transfer
}

// Blocks across and down, on which order and light are compared.
const blocksX, blocksY = 16, 16

// logStep is the step of a packed energy, in nats; logLeast is that of 0.
const logStep, logLeast = 1. / 14, -19

func packEnergy(e float32) uint8 {
	return uint8(max(0, min(255, (math.Log(float64(e)+1e-12)-logLeast)/logStep+0.5)))
}

func unpackEnergy(v uint8) float64 { return math.Exp(logLeast + float64(v)*logStep) }

// looker has the memory to look at one slice after the other.
type looker struct {
	cell, shrink, workers int
	energy, up            raster.Plane
	levels                [bandsSeen + 1]raster.Plane
}

func (l *looker) look(ctx context.Context, s *Slice) (*look, error) {
	img, err := s.image(ctx, l.workers)
	if err != nil {
		return nil, err
	}
	out := &look{}
	if out.small, err = raster.Luma(ctx, l.workers, img, l.shrink); err != nil {
		return nil, err
	}
	luma := out.small
	if l.shrink > 1 {
		if luma, err = raster.Luma(ctx, l.workers, img, 1); err != nil {
			return nil, err
		}
	}
	fine := luma
	for b := range bandsSeen {
		raster.Reduce(&l.levels[b+1], fine)
		raster.Expand(&l.up, fine.Rect, &l.levels[b+1])
		out.detail[b] = l.cells(fine, &l.up, max(1, l.cell>>b), s.Width/l.cell, s.Height/l.cell, l.cell>>b == 0, b)
		fine = &l.levels[b+1]
		if err := ctx.Err(); err != nil {
			return nil, err
		}
	}
	n := max(1, min(s.Width, s.Height)/reducedSide)
	pic, err := raster.Shrink(ctx, l.workers, img, n)
	if err != nil {
		return nil, err
	}
	out.light = blockLight(pic, s.transfer)
	out.colour, out.reduced, out.transfer = pic, n, s.transfer
	return out, nil
}

// cells returns the packed mean square of fine − up in each of w × h cells of
// side pixels; if below, a sample of the band is larger than a cell.
func (l *looker) cells(fine, up *raster.Plane, side, w, h int, below bool, band int) []uint8 {
	l.energy.Reset(fine.Rect)
	for i, v := range fine.Pix {
		d := v - up.Pix[i]
		l.energy.Pix[i] = d * d
	}
	out := make([]uint8, w*h)
	fw, fh := fine.Rect.Dx(), fine.Rect.Dy()
	// Over a window of three cells, but of four samples at least, so that an
	// edge's energy does not vanish on its zero crossings.
	reach := max(side, 2)
	for y := range h {
		for x := range w {
			cx, cy := x*side+side/2, y*side+side/2
			if below {
				k := (l.cell * (2*x + 1)) >> (band + 1)
				cx, cy = k, (l.cell*(2*y+1))>>(band+1)
			}
			var sum float32
			n := 0
			for v := max(0, cy-reach); v < min(fh, cy+reach+side&1); v++ {
				row := l.energy.Row(v)
				for _, e := range row[min(fw, max(0, cx-reach)):min(fw, cx+reach+side&1)] {
					sum += e
					n++
				}
			}
			out[y*w+x] = packEnergy(sum / float32(max(1, n)))
		}
	}
	return out
}

// reducedSide is about the shorter side of the reduced pictures, in pixels.
const reducedSide = 512

// blockLight returns the mean light of each block.
func blockLight(pic *raster.Picture, t *blend.Transfer) [][3]float64 {
	out := make([][3]float64, blocksX*blocksY)
	w, h := pic.Rect.Dx(), pic.Rect.Dy()
	for i := range out {
		x0, x1 := i%blocksX*w/blocksX, (i%blocksX+1)*w/blocksX
		y0, y1 := i/blocksX*h/blocksY, (i/blocksX+1)*h/blocksY
		n := 0.0
		clipped := false
		for y := y0; y < y1; y++ {
			row := pic.Row(y)
			for x := x0; x < x1; x++ {
				for c := range 3 {
					v := row[3*x+c]
					clipped = clipped || v > 0xf800
					out[i][c] += t.Decode(float64(v) / 0xffff)
				}
				n++
			}
		}
		for c := range 3 {
			out[i][c] /= math.Max(1, n)
			if clipped {
				out[i][c] = -1
			}
		}
	}
	return out
}
