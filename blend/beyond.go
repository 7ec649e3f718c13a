package blend

import (
	"image"

	"flatfell.example/raster"
)

// A seam may run along the border of a layer, where nothing else lets it pass:
// around what moved, around light that is lost. Half of a coarse band's
// transition then lies where the layer shows nothing, and if its border were
// repeated there, the band would carry the border's colours across the picture.
// So a layer is continued by what the picture has beyond its border, plus how
// much the two differ where both are seen, as slow as the coarsest band. The
// bands then see one scene, and only the difference that they are there to hide.
// The same is done where the layer's light is lost to clipping.

const (
	// enoughSeen is the share of a block that must be seen in both layers for
	// its difference to stand by itself.
	enoughSeen = 0.25
	// oddDifference is the difference of a cell, summed over the channels, at
	// which it counts a half: what moved is no difference of light.
	oddDifference = 0.1
	// differenceStep is the distance of the cells that are compared.
	differenceStep = 2
)

// continued returns the cells of layer n over r: its own where it has some, and
// beyond them as told above. labels have been spread.
func (c *coarsePart) continued(n int, labels *Labels, r image.Rectangle) SeamLayer {
	own := &c.layers[n]
	out := SeamLayer{Rect: r}
	for k := range out.RGB {
		out.RGB[k] = raster.NewPlane(r)
		c.cells(out.RGB[k], n, k, r)
	}
	d := newDifference(r, c.bands)
	for y := r.Min.Y; y < r.Max.Y; y += differenceStep {
		for x := r.Min.X; x < r.Max.X; x += differenceStep {
			share := c.seen(own, x, y)
			if share == 0 {
				continue
			}
			other := c.otherAt(n, labels.At(x, y), x, y)
			if other == nil {
				continue
			}
			if share *= c.seen(other, x, y); share > 0 {
				d.note(x, y, share, c.colour(own, x, y), c.colour(other, x, y))
			}
		}
	}
	d.spread()
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			label := labels.At(x, y)
			if label == n {
				continue
			}
			lost := 1 - c.seen(own, x, y)
			if lost == 0 {
				continue
			}
			beyond, off := c.colour(&c.layers[label], x, y), d.at(x, y)
			for k, p := range out.RGB {
				v := &p.Row(y)[x-r.Min.X]
				*v += lost * (beyond[k] + off[k] - *v)
			}
		}
	}
	return out
}

// otherAt returns a layer other than n that shows cell (x, y): the one that the
// picture is taken from, or the next best; nil if none does.
func (c *coarsePart) otherAt(n, label, x, y int) (best *SeamLayer) {
	if label != n {
		return &c.layers[label]
	}
	most := float32(0)
	for i := range c.layers {
		if i == n {
			continue
		}
		if share := c.seen(&c.layers[i], x, y); share > most {
			best, most = &c.layers[i], share
		}
	}
	return best
}

// seen returns the share of a cell's light that a layer shows: 0 beyond its
// border.
func (c *coarsePart) seen(l *SeamLayer, x, y int) float32 {
	if y < l.Rect.Min.Y || y >= l.Rect.Max.Y {
		return 0
	}
	if x = c.repeat(l.Rect, x); x < l.Rect.Min.X || x >= l.Rect.Max.X {
		return 0
	}
	if !l.IsValid(x, y) {
		return 0
	}
	return 1 - l.LostAt(x, y)
}

// colour returns the colour of a cell in a layer; beyond its border that is
// repeated.
func (c *coarsePart) colour(l *SeamLayer, x, y int) (rgb [3]float32) {
	x, y = l.Rect.Min.X+c.column(l.Rect, x), clampTo(y, l.Rect.Min.Y, l.Rect.Max.Y)
	for k, p := range l.RGB {
		rgb[k] = p.At(x, y)
	}
	return rgb
}

// difference is how much two layers differ, smooth, on blocks of cells.
type difference struct {
	block  int
	rect   image.Rectangle // in blocks
	sum    [][4]float32    // red, green and blue times the weight, and the weight
	smooth [][4]float32    // the difference of each block
}

func newDifference(r image.Rectangle, bands int) *difference {
	d := &difference{block: 1 << max(bands-1, 0)}
	down := func(v int) int { q, _ := floorDivMod(v, d.block); return q }
	d.rect = image.Rect(down(r.Min.X), down(r.Min.Y), down(r.Max.X-1)+1, down(r.Max.Y-1)+1)
	d.sum = make([][4]float32, d.rect.Dx()*d.rect.Dy())
	return d
}

// note adds a cell at which the layer has colour own and the other has other.
func (d *difference) note(x, y int, share float32, own, other [3]float32) {
	bx, _ := floorDivMod(x, d.block)
	by, _ := floorDivMod(y, d.block)
	s := &d.sum[(by-d.rect.Min.Y)*d.rect.Dx()+bx-d.rect.Min.X]
	odd := float32(0)
	for k := range own {
		own[k] -= other[k]
		odd += abs(own[k])
	}
	share /= 1 + (odd/oddDifference)*(odd/oddDifference)
	for k, v := range own {
		s[k] += share * v
	}
	s[3] += share
}

// spread gives every block a difference: those that have been seen their own,
// the others that of blocks around, from a pyramid: its levels are averaged
// up and filled down (the pull and push of Gortler, Grzeszczuk, Szeliski & Cohen,
// "The Lumigraph", SIGGRAPH 1996).
func (d *difference) spread() {
	side := max(d.block/differenceStep, 1)
	scale := 1 / (enoughSeen * float32(side*side))
	level := make([][4]float32, len(d.sum))
	for i, s := range d.sum {
		level[i] = weighted(s, scale)
	}
	d.smooth = filledDown(level, d.rect.Dx(), d.rect.Dy())
}

// weighted returns the mean of a sum and its weight times scale, at most 1.
func weighted(s [4]float32, scale float32) (m [4]float32) {
	if s[3] > 0 {
		for k := range 3 {
			m[k] = s[k] / s[3]
		}
		m[3] = min(1, s[3]*scale)
	}
	return m
}

// filledDown returns level, w × h, with what its weights leave open taken from
// the next coarser level.
func filledDown(level [][4]float32, w, h int) [][4]float32 {
	if w == 1 && h == 1 {
		return level
	}
	cw, ch := (w+1)/2, (h+1)/2
	coarse := make([][4]float32, cw*ch)
	for y := range h {
		for x := range w {
			v, s := level[y*w+x], &coarse[y/2*cw+x/2]
			for k := range 3 {
				s[k] += v[3] * v[k]
			}
			s[3] += v[3]
		}
	}
	for i, s := range coarse {
		coarse[i] = weighted(s, 1)
	}
	coarse = filledDown(coarse, cw, ch)
	for y := range h {
		for x := range w {
			v := &level[y*w+x]
			around := between(coarse, cw, ch, float32(x)/2-0.25, float32(y)/2-0.25)
			for k := range 3 {
				v[k] = v[3]*v[k] + (1-v[3])*around[k]
			}
		}
	}
	return level
}

// between interpolates linearly between the middles of the blocks of a level,
// the first of which is at (0, 0).
func between(level [][4]float32, w, h int, x, y float32) (v [3]float32) {
	x, y = min(max(x, 0), float32(w-1)), min(max(y, 0), float32(h-1))
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, w-1), min(y0+1, h-1)
	fx, fy := x-float32(x0), y-float32(y0)
	a, b, c, d := &level[y0*w+x0], &level[y0*w+x1], &level[y1*w+x0], &level[y1*w+x1]
	for k := range v {
		top, low := a[k]+float32(fx*(b[k]-a[k])), c[k]+float32(fx*(d[k]-c[k]))
		v[k] = top + float32(fy*(low-top))
	}
	return v
}

// at returns the difference in cell (x, y).
func (d *difference) at(x, y int) [3]float32 {
	block := func(v, first int) float32 {
		return (float32(v-first*d.block)+0.5)/float32(d.block) - 0.5
	}
	return between(d.smooth, d.rect.Dx(), d.rect.Dy(), block(x, d.rect.Min.X), block(y, d.rect.Min.Y))
}
