package card

import (
	"image"
	"math"
	"slices"

	"flatfell.example/raster"
)

// view is a photograph so small that only where things lie counts, to find
// out whether two show the same view.
type view struct {
	luma *raster.Plane // encoded, 0 to 1
	// norm is luma less its surroundings' mean, over their deviation: what
	// exposure and filters do is gone, and so is most of what a blur does.
	norm *raster.Plane
	// contrast is the standard deviation of luma.
	contrast float64
}

const (
	// viewSide is the longer side of a view in pixels.
	viewSide = 96
	// viewReach is how far apart, in pixels, two takes of the same view may lie:
	// 5 %, for what a touch of the tripod and the breathing of a lens do.
	viewReach = 5
	// viewRadius is that of a pixel's surroundings.
	viewRadius = 5
)

func newView(luma *raster.Plane) view {
	long := float64(max(luma.Rect.Dx(), luma.Rect.Dy()))
	w := max(int(math.Round(float64(luma.Rect.Dx())*viewSide/long)), 8)
	h := max(int(math.Round(float64(luma.Rect.Dy())*viewSide/long)), 8)
	v := view{luma: resample(luma, w, h)}
	var sum, square float64
	for _, p := range v.luma.Pix {
		sum += float64(p)
		square += float64(p) * float64(p)
	}
	n := float64(len(v.luma.Pix))
	v.contrast = math.Sqrt(max(0, square/n-sum*sum/n/n))
	mean := boxMean(v.luma, viewRadius)
	sq := raster.NewPlane(v.luma.Rect)
	for i, p := range v.luma.Pix {
		d := p - mean.Pix[i]
		sq.Pix[i] = d * d
	}
	dev := boxMean(sq, viewRadius)
	v.norm = raster.NewPlane(v.luma.Rect)
	// What varies by less than this is noise and the steps of 8 bits.
	const floor = 0.008
	for i, p := range v.luma.Pix {
		v.norm.Pix[i] = (p - mean.Pix[i]) / float32(math.Sqrt(float64(dev.Pix[i])+floor*floor))
	}
	return v
}

// resample returns p at w × h pixels, each the mean of what it covers.
func resample(p *raster.Plane, w, h int) *raster.Plane {
	out := raster.NewPlane(image.Rect(0, 0, w, h))
	fx, fy := float64(p.Rect.Dx())/float64(w), float64(p.Rect.Dy())/float64(h)
	for y := range h {
		y0, y1 := int(float64(y)*fy), max(int(float64(y+1)*fy), int(float64(y)*fy)+1)
		for x := range w {
			x0, x1 := int(float64(x)*fx), max(int(float64(x+1)*fx), int(float64(x)*fx)+1)
			var sum float32
			for v := y0; v < y1; v++ {
				for _, s := range p.Row(min(v, p.Rect.Dy()-1))[x0:min(x1, p.Rect.Dx())] {
					sum += s
				}
			}
			out.Set(x, y, sum/float32((y1-y0)*(min(x1, p.Rect.Dx())-x0)))
		}
	}
	return out
}

// boxMean returns the means over squares of 2·radius + 1, cut at the edges.
func boxMean(p *raster.Plane, radius int) *raster.Plane {
	w, h := p.Rect.Dx(), p.Rect.Dy()
	sum := make([]float64, (w+1)*(h+1))
	for y := range h {
		var row float64
		for x, v := range p.Row(y) {
			row += float64(v)
			sum[(y+1)*(w+1)+x+1] = sum[y*(w+1)+x+1] + row
		}
	}
	out := raster.NewPlane(p.Rect)
	for y := range h {
		y0, y1 := max(y-radius, 0), min(y+radius+1, h)
		for x := range w {
			x0, x1 := max(x-radius, 0), min(x+radius+1, w)
			s := sum[y1*(w+1)+x1] - sum[y0*(w+1)+x1] - sum[y1*(w+1)+x0] + sum[y0*(w+1)+x0]
			out.Set(x, y, float32(s/float64((x1-x0)*(y1-y0))))
		}
	}
	return out
}

// sameness returns the largest correlation of two views at any shift within
// viewReach, −1 to 1, and that shift: b's pixel (x + dx, y + dy) shows what a's
// (x, y) does. Views of different sizes have none: 0.
func sameness(a, b *view) (corr float64, dx, dy int) {
	if a.norm.Rect != b.norm.Rect {
		return 0, 0, 0
	}
	corr = -1
	for v := -viewReach; v <= viewReach; v++ {
		for u := -viewReach; u <= viewReach; u++ {
			if c := correlation(a.norm, b.norm, u, v); c > corr {
				corr, dx, dy = c, u, v
			}
		}
	}
	return corr, dx, dy
}

func correlation(a, b *raster.Plane, dx, dy int) float64 {
	w, h := a.Rect.Dx(), a.Rect.Dy()
	x0, x1 := max(0, -dx), min(w, w-dx)
	var ab, aa, bb float64
	for y := max(0, -dy); y < min(h, h-dy); y++ {
		p, q := a.Row(y)[x0:x1], b.Row(y + dy)[x0+dx:x1+dx]
		var sab, saa, sbb float32
		for i, v := range p {
			u := q[i]
			sab += v * u
			saa += v * v
			sbb += u * u
		}
		ab += float64(sab)
		aa += float64(saa)
		bb += float64(sbb)
	}
	if !(aa > 0 && bb > 0) {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}

// exposureStops returns how many stops brighter b is than a where both show the
// same and neither is clipped or dark, by sRGB's curve; ok is false if too
// little can be compared.
func exposureStops(a, b *view, dx, dy int) (stops float64, ok bool) {
	const dark, clipped = 0.06, 0.93
	w, h := a.luma.Rect.Dx(), a.luma.Rect.Dy()
	var d []float64
	for y := max(0, -dy); y < min(h, h-dy); y++ {
		for x := max(0, -dx); x < min(w, w-dx); x++ {
			p, q := float64(a.luma.At(x, y)), float64(b.luma.At(x+dx, y+dy))
			if p > dark && q > dark && p < clipped && q < clipped {
				d = append(d, math.Log2(decodeSRGB(q)/decodeSRGB(p)))
			}
		}
	}
	if len(d) < w*h/25 {
		return 0, false
	}
	return median(d), true
}

// decodeSRGB is the curve of IEC 61966-2-1.
func decodeSRGB(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// sharpness tells how sharp the parts of a photograph are.
type sharpness struct {
	// level is log2 of fine over coarse detail in each of sharpCells² cells; NaN
	// where there is too little detail to tell.
	level [sharpCells * sharpCells]float64
}

const sharpCells = 8

// newSharpness measures cells of the luma, or of the energies of a JPEG's blocks
// if there are any, which tell more: they are those of the full size.
func newSharpness(luma, fine, coarse *raster.Plane) (s sharpness) {
	// The least coarse energy, 1 = full scale: a deviation of 0.4 %.
	least := 1.6e-5
	if fine == nil {
		fine, coarse = energies(luma)
	}
	w, h := fine.Rect.Dx(), fine.Rect.Dy()
	for c := range s.level {
		x0, x1 := c%sharpCells*w/sharpCells, (c%sharpCells+1)*w/sharpCells
		y0, y1 := c/sharpCells*h/sharpCells, (c/sharpCells+1)*h/sharpCells
		var f, k, n float64
		for y := y0; y < y1; y++ {
			for x := x0; x < x1; x++ {
				f += float64(fine.At(x, y))
				k += float64(coarse.At(x, y))
				n++
			}
		}
		s.level[c] = math.NaN()
		if k > least*n {
			s.level[c] = math.Log2((f + 0.02*least*n) / k)
		}
	}
	return s
}

// energies returns the squares of what is finer than about three pixels and of
// what lies between three and twelve.
func energies(luma *raster.Plane) (fine, coarse *raster.Plane) {
	near, far := boxMean(boxMean(luma, 1), 1), boxMean(boxMean(luma, 3), 3)
	fine, coarse = raster.NewPlane(luma.Rect), raster.NewPlane(luma.Rect)
	for i, v := range luma.Pix {
		d, e := v-near.Pix[i], near.Pix[i]-far.Pix[i]
		fine.Pix[i], coarse.Pix[i] = d*d, e*e
	}
	return fine, coarse
}

// focusChange returns how differently the cells of two photographs of one view
// changed their sharpness, in powers of two: what the sharpest gain lies above
// the largest loss, the extreme tenth on either side left out.
func focusChange(a, b *sharpness) float64 {
	var d []float64
	for i, v := range a.level {
		if e := b.level[i] - v; !math.IsNaN(e) {
			d = append(d, e)
		}
	}
	if len(d) < 8 {
		return 0
	}
	slices.Sort(d)
	n := len(d) / 10
	// A loss everywhere counts, too: nothing on which the bracket was focused
	// may be in reach of the cells.
	return max(d[len(d)-1-n], 0) - min(d[n], 0)
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	v = slices.Clone(v)
	slices.Sort(v)
	return v[len(v)/2]
}
