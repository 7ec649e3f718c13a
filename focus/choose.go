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
	// costs between two cells, in units of costStep to the nat; of few slices, each
	// step is more of the range.
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
// away; the sum is lowered along eight directions (Hirschmüller 2008). What moved
// is taken as it was at one moment. Then no
// cell may be taken from a slice in which something nearer spreads over it.
func (p *Plan) choose(ctx context.Context, looks []*look, shrink float64, workers int, progress func(float64)) error {
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
	if p.BlurPx, err = p.measureSpread(ctx, looks, labels, sharpest[1], floors[1], shrink, workers); err != nil {
		return err
	}
	held, err := p.keepWhole(ctx, looks, labels, cost, gw, gh, workers)
	if err != nil {
		return err
	}
	p.keepClear(labels, held, gw, gh)
	p.setLabels(&blend.Labels{Rect: grid, Cell: cell, L: labels}, held)
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
	step := uint16(max(smooth1, smoothMore/max(1, n-1)))
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
							best = min(best, last[k-1]+step)
						}
						if k < n-1 {
							best = min(best, last[k+1]+step)
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
