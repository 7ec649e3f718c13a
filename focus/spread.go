package focus

import (
	"context"
	"image"
	"math"
	"slices"

	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

const (
	// Samples that tell of a pair of slices how far one spreads in the other: at
	// most, and at least for the pair to count.
	mostSpreadSamples, leastSpreadSamples = 500, 60
	// spreadFloor is how many times the floor of noise a cell must have of the
	// second band to be a sample.
	spreadFloor = 20
	// Radii that are tried go up from spreadFirst samples of the small luma by a
	// factor of spreadStep each, spreadSteps times.
	spreadFirst, spreadStep, spreadSteps = 0.3, 1.12, 36
	// spreadApart is the distance in samples over which differences are compared.
	spreadApart = 3
)

// spreadSample is a place that is sharp in one slice, as pixels of its small
// luma, and the offset from it to the same place in another's.
type spreadSample struct {
	at     image.Point
	dx, dy float64
}

// measureSpread finds for each pair of neighbours the radius of the disc to which
// what is sharp in one spreads in the next, in pixels. Slices lie at places φ along
// the range of focus, and a point sharp in j spreads in k to a disc of φₖ − φⱼ, as
// the radii of a thin lens add up. For each j and some k > j the radius is the one
// with which the luma of j, spread so in textured places within its own part,
// comes nearest to that of k; the φ are the least squares of these. A gap
// of which nothing tells gets the median of the others.
func (p *Plan) measureSpread(ctx context.Context, looks []*look, labels []int16, sharp []uint8, floor, shrink float64, workers int) ([]float64, error) {
	n := len(looks)
	type pair struct{ j, k int }
	var pairs []pair
	for j := range n - 1 {
		for d := 1; j+d < n; d *= 2 {
			pairs = append(pairs, pair{j, j + d})
		}
		pairs = append(pairs, pair{j, n - 1})
	}
	found := make([]float64, len(pairs))
	err := par.Do(ctx, workers, len(pairs), func(i int) error {
		q := pairs[i]
		samples := p.spreadSamples(labels, sharp, floor, shrink, q.j, q.k)
		if len(samples) < leastSpreadSamples {
			found[i] = -1
			return nil
		}
		// Contrast follows the gain, about as the encoding does.
		gain := math.Pow(p.Frames[q.j].Gain[1]/p.Frames[q.k].Gain[1], 1/2.2)
		found[i] = discBetween(looks[q.j].small, looks[q.k].small, samples, gain)
		return nil
	})
	if err != nil {
		return nil, err
	}
	var steps []float64
	for i, q := range pairs {
		if found[i] >= 0 {
			steps = append(steps, found[i]/float64(q.k-q.j))
		}
	}
	usual := 1.0
	if len(steps) > 0 {
		slices.Sort(steps)
		usual = steps[len(steps)/2]
	}
	phi := make([]float64, n)
	for k := range phi {
		phi[k] = float64(k) * usual
	}
	// A faint pull to even steps holds slices of which nothing tells.
	const faint, sweeps = 0.05, 400
	for range sweeps {
		for k := range phi {
			var sum, weight float64
			pull := func(to, w float64) {
				sum += w * to
				weight += w
			}
			if k > 0 {
				pull(phi[k-1]+usual, faint)
			}
			if k < n-1 {
				pull(phi[k+1]-usual, faint)
			}
			for i, q := range pairs {
				switch {
				case found[i] < 0:
				case q.k == k:
					pull(phi[q.j]+found[i], 1)
				case q.j == k:
					pull(phi[q.k]-found[i], 1)
				}
			}
			phi[k] = sum / weight
		}
	}
	gaps := make([]float64, n-1)
	for g := range gaps {
		gaps[g] = shrink * max(0, phi[g+1]-phi[g])
	}
	return gaps, nil
}

// spreadSamples returns places of slice j's own part, well inside it, where it has
// texture.
func (p *Plan) spreadSamples(labels []int16, sharp []uint8, floor, shrink float64, j, k int) []spreadSample {
	const inside = 3 // cells around that must be of the part, or next to it in focus
	cell, side := float64(p.Cell), float64(max(p.Width, p.Height))
	grid := gridOf(p.Crop, p.Cell)
	w, h := grid.Dx(), grid.Dy()
	var out []spreadSample
	for y := inside; y < h-inside; y++ {
		for x := inside; x < w-inside; x++ {
			i := y*w + x
			if int(labels[i]) != j || unpackEnergy(sharp[i]) < spreadFloor*floor {
				continue
			}
			whole := true
			for v := y - inside; v <= y+inside && whole; v++ {
				for _, l := range labels[v*w+x-inside : v*w+x+inside+1] {
					whole = whole && l >= int16(j)-1 && l <= int16(j)+1
				}
			}
			if !whole {
				continue
			}
			u := (float64(p.Crop.Min.X) + (float64(x)+0.5)*cell - float64(p.Width)/2) / side
			v := (float64(p.Crop.Min.Y) + (float64(y)+0.5)*cell - float64(p.Height)/2) / side
			jx, jy := p.Frames[j].Pose.at(u, v, side)
			kx, ky := p.Frames[k].Pose.at(u, v, side)
			at := image.Pt(int(math.Floor((jx*side+float64(p.Width)/2)/shrink)), int(math.Floor((jy*side+float64(p.Height)/2)/shrink)))
			out = append(out, spreadSample{at, (kx - jx) * side / shrink, (ky - jy) * side / shrink})
		}
	}
	if few := len(out) / mostSpreadSamples; few > 1 {
		for i := range len(out) / few {
			out[i] = out[i*few]
		}
		out = out[:len(out)/few]
	}
	return out
}

// discBetween returns the radius of the disc that makes from a what b is, in the
// differences between places spreadApart apart.
func discBetween(a, b *raster.Plane, samples []spreadSample, gain float64) float64 {
	bounds := a.Rect
	var want []float64
	var used []spreadSample
	for _, s := range samples {
		x, y := float64(s.at.X)+0.5+s.dx, float64(s.at.Y)+0.5+s.dy
		v, _, _, ok := peek(b, x, y)
		u, _, _, ok2 := peek(b, x+spreadApart, y)
		if ok && ok2 {
			want = append(want, v-u)
			used = append(used, s)
		}
	}
	var errs [spreadSteps]float64
	best := 0
	for i := range errs {
		taps := discTaps(spreadFirst * math.Pow(spreadStep, float64(i)))
		through := func(c image.Point) (v float64) {
			for _, t := range taps {
				x, y := min(max(c.X+t.x, 0), bounds.Dx()-1), min(max(c.Y+t.y, 0), bounds.Dy()-1)
				v += t.weight * float64(a.Pix[y*a.Stride+x])
			}
			return v
		}
		for j, s := range used {
			d := gain*(through(s.at)-through(s.at.Add(image.Pt(spreadApart, 0)))) - want[j]
			errs[i] += d * d
		}
		if errs[i] < errs[best] {
			best = i
		}
	}
	at := float64(best)
	if best > 0 && best < spreadSteps-1 { // the vertex of the parabola through three
		l, m, r := errs[best-1], errs[best], errs[best+1]
		at += (l - r) / (2 * (l - 2*m + r))
	}
	return spreadFirst * math.Pow(spreadStep, at)
}

type discTap struct {
	x, y   int
	weight float64
}

// discTaps are the pixels of a disc of a radius in pixels, those on its rim in part;
// the weights sum to 1.
func discTaps(radius float64) (taps []discTap) {
	const fine = 8 // parts of a pixel's side
	r := int(math.Ceil(radius))
	var sum float64
	for y := -r; y <= r; y++ {
		for x := -r; x <= r; x++ {
			n := 0
			for i := range fine * fine {
				dx, dy := float64(x)+(float64(i%fine)+0.5)/fine-0.5, float64(y)+(float64(i/fine)+0.5)/fine-0.5
				if dx*dx+dy*dy <= radius*radius {
					n++
				}
			}
			if n > 0 {
				taps = append(taps, discTap{x, y, float64(n)})
				sum += float64(n)
			}
		}
	}
	for i := range taps {
		taps[i].weight /= sum
	}
	return taps
}

// reach returns the radius in pixels to which what is sharp in slice j spreads in
// slice k > j.
func (p *Plan) reach(j, k int) (r float64) {
	for _, g := range p.BlurPx[j:k] {
		r += g
	}
	return r
}

// known reports whether the radius to which slice j's part spreads in slice k is
// known well enough to take it off again. What is taken from a slice lies within half
// a step of its focus to either side, so the radius is off by as much: a bracket of two
// slices tells nothing, one of many small steps all that matters.
func (p *Plan) known(j, k int) bool {
	step := p.BlurPx[j]
	if j > 0 {
		step = max(step, p.BlurPx[j-1])
	}
	return p.reach(j, k) >= surelyKnown*step
}

const (
	// mostCover is how much of a cell what is nearer may cover by its spread: so
	// much Merge can take off again. Of what it can't, leastCover.
	mostCover, leastCover = 0.6, 0.1
	// leastReach in pixels is the least radius that counts: beneath, interpolation
	// spreads as much.
	leastReach = 1.
	// surelyKnown is how many steps a radius must have.
	surelyKnown = 1.8
)

// keepClear lowers labels so that no cell is taken from a slice in which nearer
// things beside it cover more than mostCover of it by their spread: the farthest
// in which they don't is taken. Cells that are held as they are spread over nothing:
// what they show may be elsewhere in the slices around them.
func (p *Plan) keepClear(labels []int16, held []bool, w, h int) {
	n := len(p.Frames)
	cell := float64(p.Cell)
	near := slices.Clone(labels)
	done := slices.Clone(held)
	for i, h := range held {
		if h {
			near[i] = int16(n - 1)
		}
	}
	for y := range h {
		for x := range w {
			l := int(near[y*w+x])
			far := l
			for _, d := range [...]image.Point{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}} {
				if q := image.Pt(x, y).Add(d); q.X >= 0 && q.X < w && q.Y >= 0 && q.Y < h {
					far = max(far, int(near[q.Y*w+q.X]))
				}
			}
			if far <= l+1 {
				continue // no edge in depth
			}
			r := int(math.Ceil(p.reach(l, n-1) / cell))
			for v := max(0, y-r); v <= min(h-1, y+r); v++ {
				for u := max(0, x-r); u <= min(w-1, x+r); u++ {
					i := v*w + u
					if done[i] || int(near[i]) <= l {
						continue
					}
					done[i] = true
					for labels[i] > 0 && p.cover(near, w, h, u, v, int(labels[i])) > mostCover {
						labels[i]--
					}
				}
			}
		}
	}
}

// cover returns the share of cell (x, y) that what is nearer covers in slice k, or
// more if Merge can't take it off.
func (p *Plan) cover(near []int16, w, h, x, y, k int) (share float64) {
	cell := float64(p.Cell)
	reach, counts := make([]float64, k), make([]float64, k)
	for j := range reach {
		reach[j] = p.reach(j, k)
		counts[j] = cell * cell / (math.Pi * reach[j] * reach[j])
		if !p.known(j, k) {
			counts[j] *= mostCover / leastCover
		}
	}
	r := int(math.Ceil(reach[0] / cell))
	for v := max(0, y-r); v <= min(h-1, y+r); v++ {
		for u := max(0, x-r); u <= min(w-1, x+r); u++ {
			j := int(near[v*w+u])
			if j >= k || reach[j] < leastReach {
				continue
			}
			dx, dy := float64(u-x)*cell, float64(v-y)*cell
			if dx*dx+dy*dy <= reach[j]*reach[j] {
				share += counts[j]
			}
		}
	}
	return share
}
