package focus

import (
	"image"
	"math"

	"flatfell.example/blend"
	"flatfell.example/raster"
)

// In a slice that is focused on what is far, the near things beside it lie over it
// as a veil: with a matte m and colours F where they are sharp, and D the disc to
// which the lens spreads them there,
//
//	slice = (1 − D∗m)·far + D∗(m·F)
//
// in linear light. Matte and colours are those of the nearer parts of the picture,
// merged before; so far = (slice − D∗(mF))/(1 − D∗m). A matte that is too wide by a
// rim of the far thing's own colours takes these off where they are, and harms
// little; one too narrow leaves a part of the veil.

const (
	// leastVeil is the cover beneath which the slice is left alone; mostVeil bounds
	// how much the noise grows: to 1/(1 − mostVeil).
	leastVeil, mostVeil = 0.01, 0.7
)

// veil has the memory to lift it from one tile after the other.
type veil struct {
	matte weights
	all   []float32
	// Running sums along lines of the matte times red, green and blue, and of the
	// matte.
	sums [][4]float64
	// The same spread, for each pixel of the tile.
	spread [][4]float32
}

// lift takes off from the tile r of slice k what nearer things spread over it.
// nearer is the picture as merged from the slices before k.
func (v *veil) lift(p *Plan, nearer *raster.Picture, k int, r image.Rectangle, rgb *[3]*raster.Plane, t *curve) {
	if k == 0 {
		return
	}
	wide := int(math.Ceil(p.reach(0, k)))
	around := r.Inset(-wide).Intersect(nearer.Rect)
	cell := p.Labels.Cell
	var present [maxSlices]bool
	cells := cellsUnder(around, cell)
	for y := cells.Min.Y; y < cells.Max.Y; y++ {
		for x := cells.Min.X; x < cells.Max.X; x++ {
			present[p.Labels.At(x, y)] = true
		}
	}
	veiled := false
	for j := range k {
		reach := p.reach(j, k)
		if !present[j] || reach < leastReach || !p.known(j, k) {
			continue
		}
		if !veiled {
			veiled = true
			if n := r.Dx() * r.Dy(); cap(v.spread) < n {
				v.spread = make([][4]float32, n)
			}
			v.spread = v.spread[:r.Dx()*r.Dy()]
			clear(v.spread)
			v.total(p, around, present[:k])
		}
		v.add(p, nearer, j, reach, around, r, t)
	}
	if !veiled {
		return
	}
	for i, s := range v.spread {
		if s[3] < leastVeil {
			continue
		}
		less := min(1, mostVeil/s[3])
		for c := range 3 {
			pix := &rgb[c].Pix[i]
			*pix = t.encode((t.decode(*pix) - less*s[c]) / (1 - less*s[3]))
		}
	}
}

// casts are the labels of what may spread over the slices behind.
func (p *Plan) casts() *blend.Labels {
	if p.casting == nil {
		return p.Labels // a plan made by hand
	}
	return p.casting
}

// total writes the sum of the weights of the slices that are present.
func (v *veil) total(p *Plan, around image.Rectangle, present []bool) {
	n := around.Dx() * around.Dy()
	if cap(v.all) < n {
		v.all = make([]float32, n)
	}
	v.all = v.all[:n]
	clear(v.all)
	for j, there := range present {
		if !there {
			continue
		}
		v.matte.of(p.Labels, j, around)
		for i, w := range v.matte.at {
			v.all[i] += w
		}
	}
}

// add adds to the spread what slice j's part gives.
func (v *veil) add(p *Plan, nearer *raster.Picture, j int, reach float64, around, r image.Rectangle, t *curve) {
	v.matte.of(p.casts(), j, around)
	w := around.Dx()
	if n := (w + 1) * around.Dy(); cap(v.sums) < n {
		v.sums = make([][4]float64, n)
	}
	for y := range around.Dy() {
		row := nearer.Row(around.Min.Y + y)[3*around.Min.X:]
		sums := v.sums[y*(w+1):][:w+1]
		sums[0] = [4]float64{}
		for x := range w {
			s := sums[x]
			if m := v.matte.at[y*w+x]; m > 0 {
				part := 1 / (0xffff * v.all[y*w+x]) // the picture holds all nearer slices' shares
				for c := range 3 {
					s[c] += float64(m * t.decode(min(1, float32(row[3*x+c])*part)))
				}
				s[3] += float64(m)
			}
			sums[x+1] = s
		}
	}
	// The disc, line by line.
	n := int(reach)
	half := make([]int, n+1)
	area := 0
	for d := range half {
		half[d] = int(math.Sqrt(reach*reach - float64(d*d)))
		lines := 2
		if d == 0 {
			lines = 1
		}
		area += lines * (2*half[d] + 1)
	}
	share := float32(1 / float64(area))
	for y := range r.Dy() {
		for dy := -n; dy <= n; dy++ {
			line := r.Min.Y + y + dy - around.Min.Y
			if line < 0 || line >= around.Dy() {
				continue
			}
			sums := v.sums[line*(w+1):][:w+1]
			if sums[w][3] == 0 {
				continue
			}
			reach := half[max(dy, -dy)]
			for x := range r.Dx() {
				at := r.Min.X + x - around.Min.X
				lo, hi := &sums[max(0, at-reach)], &sums[min(w, at+reach+1)]
				if hi[3] == lo[3] {
					continue
				}
				out := &v.spread[y*r.Dx()+x]
				for c := range out {
					out[c] += share * float32(hi[c]-lo[c])
				}
			}
		}
	}
}

// curve is a transfer curve as tables.
type curve struct{ dec, enc [curveSteps + 2]float32 }

const curveSteps = 1 << 13

func newCurve(t *blend.Transfer) *curve {
	c := &curve{}
	for i := range c.dec {
		c.dec[i] = float32(t.Decode(float64(i) / curveSteps))
		// The square root's steps are even where the curve is steep.
		l := float64(i) / curveSteps
		c.enc[i] = float32(t.Encode(l * l))
	}
	return c
}

func (c *curve) decode(v float32) float32 { return between(&c.dec, v) }

func (c *curve) encode(l float32) float32 {
	return between(&c.enc, float32(math.Sqrt(float64(max(0, l)))))
}

func between(table *[curveSteps + 2]float32, v float32) float32 {
	v = max(0, min(1, v)) * curveSteps
	i := int(v)
	f := v - float32(i)
	return table[i] + f*(table[i+1]-table[i])
}
