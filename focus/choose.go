package focus

import (
	"context"
	"image"
	"math"
	"slices"

	"flatfell.example/blend"
	"flatfell.example/internal/par"
)

const (
	// costStep turns a cost in nats into a byte.
	costStep = 24
	// smooth1 and smoothMore are what a step to the next slice, or farther,
	// costs between two cells, in units of costStep to the nat.
	smooth1, smoothMore = 5, 26
	// A cell in which no slice has more than trustFrom times the energy of noise
	// tells nothing; from trustFrom + trustOver on it tells all.
	trustFrom, trustOver = 2.5, 3
	// floorShare: this share of the cells, the quietest, hold only noise.
	floorShare = 0.05
)

// bandWeight is what a nat of each band counts: the finest tells most of focus,
// and its noise is highest.
var bandWeight = [bandsSeen]float64{1, 0.8, 0.3}

// choose labels the cells of the picture with slices.
//
// A cell costs, for each slice, the logarithm of how much less detail the slice
// has than the sharpest, over a floor of noise: nothing where all are flat, so
// that a sky follows its surroundings and comes from one slice. Slices are in
// the order of focus, and a step to a neighbour is cheap, as on ground that runs
// away; the sum is lowered along eight directions (Hirschmüller 2008). Then no
// cell may be taken from a slice in which something nearer spreads over it.
func (p *Plan) choose(ctx context.Context, looks []*look, workers int, progress func(float64)) error {
	cell := p.Cell
	grid := gridOf(p.Crop, cell)
	gw, gh, n := grid.Dx(), grid.Dy(), len(looks)
	floors := noiseFloors(looks)
	energy := make([]uint8, gw*gh*n*bandsSeen)
	cost := make([]uint8, gw*gh*n)
	var sharpest, spread [bandsSeen][]uint8 // packed
	for b := range sharpest {
		sharpest[b] = make([]uint8, gw*gh)
	}
	cw, ch := p.Width/cell, p.Height/cell
	side := float64(max(p.Width, p.Height))
	err := par.Do(ctx, workers, gh, func(y int) error {
		for x := range gw {
			u := (float64(p.Crop.Min.X+x*cell) + float64(cell)/2 - float64(p.Width)/2) / side
			v := (float64(p.Crop.Min.Y+y*cell) + float64(cell)/2 - float64(p.Height)/2) / side
			at := (y*gw + x) * n
			var most [bandsSeen]uint8
			for k := range n {
				px, py := p.Frames[k].Pose.at(u, v, side)
				cx := min(cw-1, max(0, int((px*side+float64(p.Width)/2)/float64(cell))))
				cy := min(ch-1, max(0, int((py*side+float64(p.Height)/2)/float64(cell))))
				for b := range bandsSeen {
					e := looks[k].detail[b][cy*cw+cx]
					energy[(at+k)*bandsSeen+b] = e
					most[b] = max(most[b], e)
				}
			}
			for b, e := range most {
				sharpest[b][y*gw+x] = e
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for b := range spread {
		spread[b] = spreadOf(sharpest[b], gw, gh, float64(cell), b)
	}
	err = par.Do(ctx, workers, gh, func(y int) error {
		for x := range gw {
			i := y*gw + x
			var most, trust [bandsSeen]float64
			for b := range bandsSeen {
				most[b] = unpackEnergy(sharpest[b][i])
				trust[b] = clamp01((most[b]/floors[b]-trustFrom)/trustOver) * clamp01(most[b]/unpackEnergy(spread[b][i])-1)
			}
			for k := range n {
				var sum float64
				for b := range bandsSeen {
					e := unpackEnergy(energy[(i*n+k)*bandsSeen+b])
					sum += bandWeight[b] * trust[b] * math.Log((most[b]+floors[b])/(e+floors[b]))
				}
				cost[i*n+k] = uint8(min(255, sum*costStep))
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	progress(0.3)
	labels, err := cheapest(ctx, cost, gw, gh, n, workers)
	if err != nil {
		return err
	}
	fillFlat(labels, cost, gw, gh, n)
	progress(0.8)
	p.BlurPx = spreads(energy, labels, floors, n)
	keepClear(labels, gw, gh, p.BlurPx, float64(cell))
	p.setLabels(&blend.Labels{Rect: grid, Cell: cell, L: labels})
	progress(1)
	return nil
}

// spreadRadii are the distances in cells at which the energy that spreads from
// sharp edges is looked at.
var spreadRadii = [...]int{1, 2, 3, 4, 6, 8, 12, 16}

// spreadOf returns how much energy of a band there may be in each cell of a soft
// slice, packed, by the spread of what is sharp in cells around it. An edge at
// distance d that a disc of that radius spreads has the ends of its ramp there;
// the spectrum of the disc's chord falls as f^-1.5, and so the energy of a band as
// d^-3. Beside a sharp edge before a sky, a soft slice has the most detail: it
// must not be taken for the sharpest.
func spreadOf(sharpest []uint8, w, h int, cell float64, band int) []uint8 {
	out := make([]uint8, w*h)
	across, wide := make([]uint8, w*h), make([]uint8, w*h)
	last := 0
	for _, r := range spreadRadii {
		d := (float64(last) + 1) * cell
		last = r
		less := 3 * math.Log(d/(spreadUnit*math.Ldexp(1, band))) / logStep
		if less < leastFall {
			continue // so near, a cell would be judged by itself
		}
		fall := uint8(min(255, less))
		maxAround(across, sharpest, w, h, 1, w, r)
		maxAround(wide, across, h, w, w, 1, r)
		for i, v := range wide {
			if v > fall {
				out[i] = max(out[i], v-fall)
			}
		}
	}
	return out
}

// spreadUnit is the distance in pixels of the finest band at which an edge has
// still all of its energy.
const spreadUnit = 1.

// leastFall, packed, is by how much energy has to have fallen before it counts
// as spread: a factor of 4.
const leastFall = 1.386 / logStep

// maxAround writes the largest of 2r + 1 samples around each of n lines of len
// samples; step is from one sample of a line to the next, pitch from one line to
// the next.
func maxAround(dst, src []uint8, length, lines, step, pitch, r int) {
	for l := range lines {
		for i := range length {
			m := uint8(0)
			for j := max(0, i-r); j <= min(length-1, i+r); j++ {
				m = max(m, src[l*pitch+j*step])
			}
			dst[l*pitch+i*step] = m
		}
	}
}

func clamp01(v float64) float64 { return max(0, min(1, v)) }

// noiseFloors returns for each band the energy below which there is only noise.
func noiseFloors(looks []*look) (floors [bandsSeen]float64) {
	for b := range floors {
		var count [256]int
		total := 0
		for _, l := range looks {
			for _, e := range l.detail[b] {
				count[e]++
			}
			total += len(l.detail[b])
		}
		sum, e := 0, 0
		for e < 255 && sum+count[e] < int(floorShare*float64(total)) {
			sum += count[e]
			e++
		}
		floors[b] = 2.5*unpackEnergy(uint8(e)) + 1e-8 // the mean of noise lies above its lower tail
	}
	return floors
}

// cheapest returns the label of each cell by semi-global aggregation of the
// costs, which lie cell by cell, n to each.
func cheapest(ctx context.Context, cost []uint8, w, h, n, workers int) ([]int16, error) {
	sum := make([]uint16, len(cost))
	for _, dir := range [...]image.Point{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}, {X: 1, Y: 1}, {X: -1, Y: -1}, {X: 1, Y: -1}, {X: -1, Y: 1}} {
		starts := pathStarts(dir, w, h)
		err := par.DoScratch(ctx, workers, len(starts), func() [2][]uint16 { return [2][]uint16{make([]uint16, n), make([]uint16, n)} },
			func(i int, s [2][]uint16) error {
				// No two paths of a direction meet.
				last, line := s[0], s[1]
				clear(last)
				for q := starts[i]; q.X >= 0 && q.X < w && q.Y >= 0 && q.Y < h; q = q.Add(dir) {
					at := (q.Y*w + q.X) * n
					least := slices.Min(last)
					for k := range n {
						best := min(last[k], least+smoothMore)
						if k > 0 {
							best = min(best, last[k-1]+smooth1)
						}
						if k < n-1 {
							best = min(best, last[k+1]+smooth1)
						}
						line[k] = uint16(cost[at+k]) + best - least
						sum[at+k] += line[k]
					}
					last, line = line, last
				}
				return nil
			})
		if err != nil {
			return nil, err
		}
	}
	labels := make([]int16, w*h)
	for i := range labels {
		best := 0
		for k := 1; k < n; k++ {
			// Of equals the farther: a sky lies beyond.
			if sum[i*n+k] <= sum[i*n+best] {
				best = k
			}
		}
		labels[i] = int16(best)
	}
	return labels, nil
}

// fillFlat gives each connected patch of cells that tell nothing the label that
// most cells along its border have, of equals the farthest: a sky comes from one
// slice. The paths alone leave streaks there, each with what it last met.
func fillFlat(labels []int16, cost []uint8, w, h, n int) {
	const textured, flat, filled = 0, 1, 2
	state := make([]uint8, w*h)
	for i := range state {
		if slices.Max(cost[i*n:(i+1)*n]) <= flatCost {
			state[i] = flat
		}
	}
	border := make([]int, n)
	var patch []int
	for start := range state {
		if state[start] != flat {
			continue
		}
		clear(border)
		patch = append(patch[:0], start)
		state[start] = filled
		for at := 0; at < len(patch); at++ {
			x, y := patch[at]%w, patch[at]/w
			for _, d := range [...]image.Point{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}} {
				if x+d.X < 0 || x+d.X >= w || y+d.Y < 0 || y+d.Y >= h {
					continue
				}
				switch i := patch[at] + d.Y*w + d.X; state[i] {
				case flat:
					state[i] = filled
					patch = append(patch, i)
				case textured:
					border[labels[i]]++
				}
			}
		}
		most := n - 1
		for k := n - 2; k >= 0; k-- {
			if border[k] > border[most] {
				most = k
			}
		}
		for _, i := range patch {
			labels[i] = int16(most)
		}
	}
}

// flatCost is the most that a cell may cost in any slice and still tell nothing.
const flatCost = costStep / 3

// pathStarts are the cells on which paths of a direction begin.
func pathStarts(dir image.Point, w, h int) (starts []image.Point) {
	for y := range h {
		for x := range w {
			before := image.Pt(x, y).Sub(dir)
			if before.X < 0 || before.X >= w || before.Y < 0 || before.Y >= h {
				starts = append(starts, image.Pt(x, y))
			}
		}
	}
	return starts
}

// spreads measures for each pair of neighbours how far what is sharp in one
// spreads in the next, in pixels: from the median of how much of its detail is
// left there, which tells the radius of the disc. Over the focus the radii of a
// thin lens add up.
func spreads(energy []uint8, labels []int16, floors [bandsSeen]float64, n int) []float64 {
	gaps := make([]float64, n-1)
	for g := range gaps {
		var votes []float64
		for b := range bandsSeen {
			var count [512]int
			total := 0
			for i, l := range labels {
				from, to := g, g+1
				if int(l) == g+1 {
					from, to = to, from
				} else if int(l) != g {
					continue
				}
				e, f := energy[(i*n+from)*bandsSeen+b], energy[(i*n+to)*bandsSeen+b]
				if unpackEnergy(e) < 30*floors[b] {
					continue
				}
				count[256+int(e)-int(f)]++
				total++
			}
			if total < 50 {
				continue
			}
			m, sum := 0, 0
			for sum < total/2 {
				sum += count[m]
				m++
			}
			left := math.Exp(-float64(m-256) * logStep)
			if left > 0.08 && left < 0.9 {
				votes = append(votes, discRadius(left, b))
			}
		}
		if len(votes) > 0 {
			gaps[g] = slices.Max(votes)
		}
	}
	// A pair that tells nothing has what the others have.
	var known []float64
	for _, g := range gaps {
		if g > 0 {
			known = append(known, g)
		}
	}
	usual := 1.0
	if len(known) > 0 {
		slices.Sort(known)
		usual = known[len(known)/2]
	}
	for i, g := range gaps {
		if g == 0 {
			gaps[i] = usual
		}
	}
	return gaps
}

// discRadius returns the radius in pixels of the disc that leaves the given
// share of the energy of a band of a picture whose spectrum falls as 1/f.
func discRadius(left float64, band int) float64 {
	share := func(r float64) float64 {
		var all, kept float64
		for i := 1; i <= 64; i++ {
			f := 0.5 * float64(i) / 64 // cycles a sample of the band's level
			c := math.Cos(math.Pi * f)
			low := c * c * c * c // of the pyramid's kernel
			e := (1 - low*low) * (1 - low*low) / f
			x := 2 * math.Pi * f * math.Ldexp(r, -band)
			t := 1.0
			if x > 1e-3 {
				t = 2 * math.J1(x) / x
			}
			all += e
			kept += e * t * t
		}
		return kept / all
	}
	lo, hi := 0.0, math.Ldexp(4, band)
	for range 30 {
		if mid := (lo + hi) / 2; share(mid) > left {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// keepClear lowers labels so that no cell is taken from a slice in which a
// nearer thing beside it spreads over it: the farthest that is clear is taken.
// What lies close beside a near edge is then as soft as in that slice, but has
// no halo.
func keepClear(labels []int16, w, h int, gaps []float64, cell float64) {
	n := len(gaps) + 1
	allowed := slices.Clone(labels)
	reach := make([]float64, n) // of what is sharp in a slice, in slice k
	for y := range h {
		for x := range w {
			l := int(labels[y*w+x])
			far := l
			for _, d := range [...]image.Point{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}} {
				if q := image.Pt(x, y).Add(d); q.X >= 0 && q.X < w && q.Y >= 0 && q.Y < h {
					far = max(far, int(labels[q.Y*w+q.X]))
				}
			}
			if far <= l+1 {
				continue // no edge in depth
			}
			reach[l] = 0
			for k := l + 1; k < n; k++ {
				reach[k] = reach[k-1] + gaps[k-1]
			}
			r := int(math.Ceil(reach[n-1] / cell))
			for dy := -r; dy <= r; dy++ {
				for dx := -r; dx <= r; dx++ {
					qx, qy := x+dx, y+dy
					if qx < 0 || qx >= w || qy < 0 || qy >= h || int(labels[qy*w+qx]) <= l {
						continue
					}
					dist := cell * (math.Hypot(float64(dx), float64(dy)) - 0.5)
					i := qy*w + qx
					for int(allowed[i]) > l && reach[allowed[i]] > dist {
						allowed[i]--
					}
				}
			}
		}
	}
	copy(labels, allowed)
}
