package stitch

import (
	"context"
	"image"
	"math"
	"slices"

	"flatfell.example/raster"
)

// detailMap tells how sharp a frame is, block by block, at its full size.
type detailMap struct {
	block int // side of a block in pixels
	w, h  int // blocks
	// fine holds the structure tensor (xx, yy, xy) of the gradient at the scale
	// of a pixel, coarse the energy of the detail of four to twelve pixels, which
	// a blur of some pixels leaves alone. Their ratio does not depend on the
	// exposure.
	fine   [][3]float32
	coarse []float32
	// noise is the fine energy, in each direction, that is there without detail.
	noise float64
}

// sharpBlock is the side of a block: large enough for a mean, small enough
// that near and far things have blocks of their own.
const sharpBlock = 16

// newDetailMap measures img line of blocks by line of blocks, without a copy of
// the whole.
func newDetailMap(ctx context.Context, img image.Image) (*detailMap, error) {
	quarter, err := raster.Luma(ctx, 1, img, 4)
	if err != nil {
		return nil, err
	}
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	d := &detailMap{block: sharpBlock}
	for d.block > 8 && min(w, h) < 40*d.block {
		d.block /= 2 // a small frame still has some hundreds of blocks
	}
	d.w, d.h = w/d.block, h/d.block
	d.fine, d.coarse = make([][3]float32, d.w*d.h), make([]float32, d.w*d.h)
	var lines raster.Plane
	for by := range d.h {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		y0, y1 := by*d.block, (by+1)*d.block
		lines.Reset(image.Rect(0, y0-1, w, y1+1)) // beyond the frame its edge is repeated
		raster.LumaPatch(&lines, img, 1)
		for bx := range d.w {
			i := by*d.w + bx
			x0, x1 := bx*d.block, (bx+1)*d.block
			d.fine[i] = fineTensor(&lines, image.Rect(x0, y0, x1, y1))
			d.coarse[i] = coarseEnergy(quarter, image.Rect(x0/4, y0/4, x1/4, y1/4))
		}
	}
	energies := make([]float64, 0, len(d.fine))
	for _, f := range d.fine {
		if e := float64(f[0]+f[1]) / 2; e > 0 { // clipped blocks have none
			energies = append(energies, e)
		}
	}
	slices.Sort(energies)
	if len(energies) > 0 {
		d.noise = energies[len(energies)/20]
	}
	return d, nil
}

// fineTensor sums the gradient of [1 2 1]/4 × [1 0 −1]/2 over r.
func fineTensor(p *raster.Plane, r image.Rectangle) (t [3]float32) {
	r = r.Intersect(p.Rect.Inset(1))
	for y := r.Min.Y; y < r.Max.Y; y++ {
		up, row, down := p.Row(y-1), p.Row(y), p.Row(y+1)
		for x := r.Min.X; x < r.Max.X; x++ {
			l, m, n := up[x-1:x+2:x+2], row[x-1:x+2:x+2], down[x-1:x+2:x+2]
			gx := ((l[2] - l[0]) + 2*(m[2]-m[0]) + (n[2] - n[0])) / 8
			gy := ((n[0] - l[0]) + 2*(n[1]-l[1]) + (n[2] - l[2])) / 8
			t[0] += gx * gx
			t[1] += gy * gy
			t[2] += gx * gy
		}
	}
	k := 1 / float32(max(1, r.Dx()*r.Dy()))
	return [3]float32{t[0] * k, t[1] * k, t[2] * k}
}

// coarseEnergy is the mean square of the differences between neighbours of a
// plane at a quarter of the size, over r and a pixel around it.
func coarseEnergy(p *raster.Plane, r image.Rectangle) float32 {
	r = r.Inset(-1).Intersect(p.Rect.Inset(1))
	var sum float32
	for y := r.Min.Y; y < r.Max.Y; y++ {
		up, row, down := p.Row(y-1), p.Row(y), p.Row(y+1)
		for x := r.Min.X; x < r.Max.X; x++ {
			gx, gy := row[x+1]-row[x-1], down[x]-up[x]
			sum += gx*gx + gy*gy
		}
	}
	return sum / float32(max(1, r.Dx()*r.Dy()))
}

// directions is the number of directions in which sharpness is measured.
const directions = 4

// level returns log2 of the fine detail over the coarse in a block, across each
// of the directions 0°, 45°, 90° and 135° from x. fine says that it has more of
// the fine than noise, ok that it has coarse detail at all.
func (d *detailMap) level(i int) (level [directions]float64, fine, ok bool) {
	const leastCoarse = 6e-5 // 1 = full scale: contrasts of 1 %
	c, f := float64(d.coarse[i]), d.fine[i]
	if c < leastCoarse {
		return level, false, false
	}
	mean := float64(f[0]+f[1]) / 2
	for k, e := range [directions]float64{float64(f[0]), mean + float64(f[2]), float64(f[1]), mean - float64(f[2])} {
		level[k] = math.Log2((max(e-d.noise, 0) + 0.1*d.noise + 1e-9) / c)
	}
	return level, mean > 2*d.noise, true
}

// at returns the block that a pixel lies in.
func (d *detailMap) at(x, y float64) (i int, ok bool) {
	bx, by := int(x)/d.block, int(y)/d.block
	return by*d.w + bx, x >= 0 && y >= 0 && bx < d.w && by < d.h
}
