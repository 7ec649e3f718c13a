package stitch

import (
	"image"
	"math"
	"slices"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

// Which of two frames shows a place sharper: lenses are softer toward their
// corners, and a frame may be out of focus or shaken. Where all else is equal
// the seam moves toward the sharper one.
const (
	// sharperBlock is the side in pixels of the squares over which a frame's
	// gradients are summed, at full size: a cell of the seams has lost what
	// tells a blur of two pixels.
	sharperBlock = 16
	// quietShare of a frame's squares are taken to show nothing but noise; a
	// place counts if it has detailOver times their energy beyond it.
	quietShare, detailOver = 0.1, 2
	// sharperLeast is the ratio of energies, as a power of two, from which a
	// frame counts as sharper.
	sharperLeast = 1.25
	// sharperCost is the cost of taking a line of cells as wide as a frame from
	// the frame that is less sharp by one more power of two, and the most it
	// gets: where nothing shows on the seam it may move to the end of the overlap
	// for that, where the difference shows it stays where that shows least.
	sharperCost = 2.
	// sharperStep is the distance in cells of the places at which sharpness is
	// compared.
	sharperStep = 4
)

// detail is the energy of a frame's finest gradients relative to its light, in
// squares of sharperBlock pixels smoothed over their neighbours, less what noise
// makes of it; floor is the energy that a place must have to count.
type detail struct{ energy, floor *raster.Plane }

// detailOf measures a frame, nil if it is too small. Relative to the luma the
// gradients don't depend on the exposure, as far as the encoding is a power of
// the light.
func detailOf(img image.Image) *detail {
	w, h := (img.Bounds().Dx()-1)/sharperBlock, (img.Bounds().Dy()-1)/sharperBlock
	if w < 2 || h < 2 {
		return nil
	}
	d := &detail{raster.NewPlane(image.Rect(0, 0, w, h)), raster.NewPlane(image.Rect(0, 0, w, h))}
	light := make([]float32, w*h)
	var strip raster.Plane
	for j := range h {
		strip.Reset(image.Rect(0, 0, w*sharperBlock+1, sharperBlock+1).Add(image.Pt(0, j*sharperBlock)))
		raster.LumaPatch(&strip, img, 1)
		for y := strip.Rect.Min.Y; y+1 < strip.Rect.Max.Y; y++ {
			row, below := strip.Row(y), strip.Row(y+1)
			for i := range w {
				var square, sum float32
				for k := i * sharperBlock; k < (i+1)*sharperBlock; k++ {
					v := row[k]
					gx, gy := row[k+1]-v, below[k]-v
					square += gx*gx + gy*gy
					sum += v
				}
				const n = sharperBlock * sharperBlock
				d.energy.Pix[j*w+i] += square / n
				light[j*w+i] += sum / n
			}
		}
	}
	quiet := slices.Sorted(slices.Values(d.energy.Pix))[int(quietShare*float64(w*h))]
	for i, v := range light {
		relative := 1 / max(v*v, 1e-4)
		d.energy.Pix[i] = max(d.energy.Pix[i]-quiet, 0) * relative
		d.floor.Pix[i] = detailOver * quiet * relative
	}
	for _, p := range [2]*raster.Plane{d.energy, d.floor} {
		smooth(p)
		smooth(p)
	}
	return d
}

// smooth replaces each sample of p by the mean of its neighbours, weighted 1 2 1
// in x and in y; p's border continues.
func smooth(p *raster.Plane) {
	w, h := p.Rect.Dx(), p.Rect.Dy()
	line := func(n, stride, from int) {
		before := p.Pix[from]
		for i := range n {
			at := from + i*stride
			v, after := p.Pix[at], p.Pix[from+min(i+1, n-1)*stride]
			p.Pix[at] = (before + 2*v + after) / 4
			before = v
		}
	}
	for y := range h {
		line(w, 1, y*p.Stride)
	}
	for x := range w {
		line(h, p.Stride, x)
	}
}

// at returns the energy and its floor at a pixel of the frame.
func (d *detail) at(x, y float64) (energy, floor float64) {
	w, h := d.energy.Rect.Dx(), d.energy.Rect.Dy()
	fx := min(max(x/sharperBlock-0.5, 0), float64(w)-1.001)
	fy := min(max(y/sharperBlock-0.5, 0), float64(h)-1.001)
	i, j := int(fx), int(fy)
	tx, ty := fx-float64(i), fy-float64(j)
	of := func(p *raster.Plane) float64 {
		a, b := p.Row(j)[i:i+2], p.Row(j + 1)[i:i+2]
		return (1-ty)*((1-tx)*float64(a[0])+tx*float64(a[1])) + ty*((1-tx)*float64(b[0])+tx*float64(b[1]))
	}
	return of(d.energy), of(d.floor)
}

// sharpnessMap is the detail of a layer at every sharperStep-th cell of the seams'
// grid, in both directions: energy of gradients by angle, which the frame's
// perspective does not change. No energy is where the layer has none.
type sharpnessMap struct {
	rect          image.Rectangle // in steps
	energy, floor []float32
}

// on measures the detail of a frame that cam took on part r of the seams' grid,
// the view coarse of cells of cell pixels; nil for no detail.
func (d *detail) on(cam geom.Camera, coarse warp.View, cell int, r image.Rectangle) *sharpnessMap {
	if d == nil {
		return nil
	}
	m := &sharpnessMap{rect: image.Rect(floorDiv(r.Min.X, sharperStep), floorDiv(r.Min.Y, sharperStep), ceilDiv(r.Max.X, sharperStep), ceilDiv(r.Max.Y, sharperStep))}
	for y := m.rect.Min.Y; y < m.rect.Max.Y; y++ {
		for x := m.rect.Min.X; x < m.rect.Max.X; x++ {
			at := func(dx, dy float64) (x1, y1 float64, ok bool) {
				ray, ok := coarse.RayAt((float64(x)+0.5+dx)*sharperStep, (float64(y)+0.5+dy)*sharperStep)
				if !ok {
					return 0, 0, false
				}
				p, ok := cam.PixelFromWorld(ray)
				return p.X / float64(cell), p.Y / float64(cell), ok
			}
			x0, y0, ok0 := at(0, 0)
			xr, yr, ok1 := at(0.5, 0)
			xd, yd, ok2 := at(0, 0.5)
			var energy, floor float64
			if ok0 && ok1 && ok2 {
				area := math.Abs((xr-x0)*(yd-y0) - (xd-x0)*(yr-y0))
				energy, floor = d.at(x0*float64(cell), y0*float64(cell))
				energy, floor = energy*area, floor*area
			}
			m.energy, m.floor = append(m.energy, float32(energy)), append(m.floor, float32(floor))
		}
	}
	return m
}

// preferSharper adds to the layers' costs where another layer is sharper. turn is
// the width of a grid that wraps, in cells, else 0.
func preferSharper(layers []blend.SeamLayer, maps []*sharpnessMap, turn int) {
	for i := range layers {
		for j := range layers {
			if i == j || maps[i] == nil || maps[j] == nil {
				continue
			}
			for _, shift := range [3]int{0, turn, -turn} {
				preferOther(&layers[i], maps[i], &layers[j], maps[j], shift)
				if turn == 0 {
					break
				}
			}
		}
	}
}

// preferOther adds to the cost of l where o, whose cells lie shift further left,
// is sharper.
func preferOther(l *blend.SeamLayer, m *sharpnessMap, o *blend.SeamLayer, om *sharpnessMap, shift int) {
	cost := sharperCost / float64(l.Rect.Dx())
	r := l.Rect.Intersect(o.Rect.Add(image.Pt(shift, 0)))
	for y := r.Min.Y; y < r.Max.Y; y++ {
		v := floorDiv(y, sharperStep)
		for x := r.Min.X; x < r.Max.X; x++ {
			if !l.IsValid(x, y) || !o.IsValid(x-shift, y) || l.Cost.At(x, y) <= blend.Wanted {
				continue
			}
			a := (v-m.rect.Min.Y)*m.rect.Dx() + floorDiv(x, sharperStep) - m.rect.Min.X
			b := (v-om.rect.Min.Y)*om.rect.Dx() + floorDiv(x-shift, sharperStep) - om.rect.Min.X
			mine, other, floor := m.energy[a], om.energy[b], max(m.floor[a], om.floor[b])
			if !(other > floor) {
				continue
			}
			more := math.Log2(float64((other+floor)/(mine+floor))) - sharperLeast
			if more > 0 {
				l.Cost.Set(x, y, l.Cost.At(x, y)+float32(cost*min(more, 1)))
			}
		}
	}
}
