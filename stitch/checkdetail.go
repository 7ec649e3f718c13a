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
	// of a pixel, coarse that of the detail of eight pixels, which a blur of some
	// pixels leaves nearly alone. Their ratio does not depend on the exposure.
	fine, coarse [][3]float32
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
	d.fine, d.coarse = make([][3]float32, d.w*d.h), make([][3]float32, d.w*d.h)
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
			d.coarse[i] = coarseTensor(quarter, image.Rect(x0/4, y0/4, x1/4, y1/4))
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

// coarseTensor sums the differences of neighbours two apart of a plane at a
// quarter of the size over r and a pixel around it.
func coarseTensor(p *raster.Plane, r image.Rectangle) (t [3]float32) {
	r = r.Inset(-1).Intersect(p.Rect.Inset(1))
	for y := r.Min.Y; y < r.Max.Y; y++ {
		up, row, down := p.Row(y-1), p.Row(y), p.Row(y+1)
		for x := r.Min.X; x < r.Max.X; x++ {
			gx, gy := row[x+1]-row[x-1], down[x]-up[x]
			t[0] += gx * gx
			t[1] += gy * gy
			t[2] += gx * gy
		}
	}
	k := 1 / float32(max(1, r.Dx()*r.Dy()))
	return [3]float32{t[0] * k, t[1] * k, t[2] * k}
}

// along returns the energy of a tensor along the direction whose double angle
// has this cosine and sine.
func along(t [3]float32, cos2, sin2 float64) float64 {
	return float64(t[0]+t[1])/2 + float64(t[0]-t[1])/2*cos2 + float64(t[2])*sin2
}

// compare returns how much sharper a block of another frame is than block i: log2
// of its fine over its coarse detail less that of block i, along the direction in
// which the two have most of the coarse: noise fills the others. way is the nearest
// to that of the directions, counted by 45° from x. ok is false where there is too
// little detail to tell.
func (d *detailMap) compare(i int, e *detailMap, j int) (stops float64, way int, ok bool) {
	const leastCoarse = 6e-5 // 1 = full scale: contrasts of 1 %
	p, q := d.coarse[i], e.coarse[j]
	cp, cq := float64(p[0]+p[1]), float64(q[0]+q[1])
	if cp < leastCoarse || cq < leastCoarse {
		return 0, 0, false
	}
	x := float64(p[0]-p[1])/cp + float64(q[0]-q[1])/cq
	y := 2*float64(p[2])/cp + 2*float64(q[2])/cq
	cos2, sin2 := 1.0, 0.0
	if c := math.Hypot(x, y); c > 0 {
		cos2, sin2 = x/c, y/c
	}
	fp, fq := along(d.fine[i], cos2, sin2), along(e.fine[j], cos2, sin2)
	// One of the two must have fine detail: a blurred block may have lost it.
	if fp < 3*d.noise && fq < 3*e.noise {
		return 0, 0, false
	}
	level := func(fine, noise, coarse float64) float64 {
		return math.Log2((max(fine-noise, 0) + 0.1*noise + 1e-9) / coarse)
	}
	stops = level(fq, e.noise, along(q, cos2, sin2)) - level(fp, d.noise, along(p, cos2, sin2))
	way = int(math.Round(math.Atan2(sin2, cos2)/(2*math.Pi)*ways)+ways) % ways
	return stops, way, !math.IsNaN(stops) && !math.IsInf(stops, 0)
}

// ways is the number of directions that detail is told apart by.
const ways = 4

// at returns the block that a pixel lies in.
func (d *detailMap) at(x, y float64) (i int, ok bool) {
	bx, by := int(x)/d.block, int(y)/d.block
	return by*d.w + bx, x >= 0 && y >= 0 && bx < d.w && by < d.h
}
