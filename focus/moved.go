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
	// movedStep is the least difference of a channel, and movedNoise its least
	// multiple of the median difference of two slices, by which a thing that moved
	// stands out.
	movedStep, movedNoise = 0.04, 6
	// movedReach and movedMore: what focus does to a pixel between two slices comes
	// from within movedReach times the radius of its spread, and movedMore pixels of
	// the reduced pictures for what registration leaves.
	movedReach, movedMore = 1.5, 1.5
	// leastMoved is the number of cells from which a patch counts.
	leastMoved = 24
	// movedMargin is by how many cells a patch is grown: the soft edge of what moved.
	movedMargin = 3
	// movedShare of a patch's cells must differ between two slices for it to have
	// moved between them.
	movedShare = 0.1
	// movedApart is how many times its size a thing may have moved.
	movedApart = 2
	// mostLost is what a cell of a patch may lose on the average, in the units of
	// its cost, for the patch to be of one moment: surf that reaches from near to
	// far had better be sharp.
	mostLost = 2.5 * costStep
)

// keepWhole makes patches in which something moved from slice to slice of one
// moment: of slices between which nothing moved there, those that are cheapest.
// Else a leaf in the wind would be there twice, or in pieces.
//
// Focus makes from a neighbourhood of a slice a pixel of the next: a mean, so that
// it lies between the least and the greatest around it. Where neither slice can be
// made from the other so, something moved. What is smaller than that neighbourhood
// is not found.
func (p *Plan) keepWhole(ctx context.Context, looks []*look, labels []int16, cost []uint8, gw, gh, workers int) error {
	n := len(looks)
	jumps := make([][]bool, n-1) // cells in which something moved from a slice to the next
	shrink := float64(looks[0].reduced)
	here := p.reducedView(looks[0].colour, 0, shrink)
	for j := range jumps {
		next := p.reducedView(looks[j+1].colour, j+1, shrink)
		reach := int(math.Ceil(movedReach*p.BlurPx[j]/shrink + movedMore))
		jumps[j] = make([]bool, gw*gh)
		for c := range 3 {
			// Contrast follows the gain, about as the encoding does.
			gain := float32(math.Pow(p.Frames[j].Gain[c]/p.Frames[j+1].Gain[c], 1/2.2))
			a := here[c]
			for i := range a.Pix {
				a.Pix[i] *= gain
			}
			moved, err := movedBetween(ctx, a, next[c], reach, workers)
			if err != nil {
				return err
			}
			w, h := a.Rect.Dx(), a.Rect.Dy()
			for y := range gh {
				sy := min(h-1, int((float64(y)+0.5)*float64(p.Cell)/shrink))
				for x := range gw {
					sx := min(w-1, int((float64(x)+0.5)*float64(p.Cell)/shrink))
					jumps[j][y*gw+x] = jumps[j][y*gw+x] || moved[sy*w+sx]
				}
			}
		}
		here = next
	}
	for _, patch := range joinPatches(movedPatches(jumps, gw, gh), jumps, gw) {
		holdStill(patch, jumps, labels, cost, n)
	}
	return nil
}

// joinPatches joins patches of one thing: where it was and where it went lie within
// movedApart times its size, and change between the same slices.
func joinPatches(patches [][]int32, jumps [][]bool, w int) [][]int32 {
	type about struct {
		box   image.Rectangle
		jumps []int
	}
	of := make([]about, len(patches))
	for k, patch := range patches {
		a := &of[k]
		for _, i := range patch {
			x, y := int(i)%w, int(i)/w
			a.box = a.box.Union(image.Rect(x, y, x+1, y+1))
		}
		for j, jump := range jumps {
			if moved := countIn(patch, jump); float64(moved) >= movedShare*float64(len(patch)) {
				a.jumps = append(a.jumps, j)
			}
		}
	}
	root := make([]int, len(patches))
	find := func(k int) int {
		for root[k] != k {
			k = root[k]
		}
		return k
	}
	for k := range of {
		root[k] = k
		for l := range k {
			a, b := &of[k], &of[l]
			size := max(a.box.Dx(), a.box.Dy(), b.box.Dx(), b.box.Dy())
			if a.box.Inset(-movedApart*size).Overlaps(b.box) && slices.ContainsFunc(a.jumps, func(j int) bool { return slices.Contains(b.jumps, j) }) {
				p, q := find(k), find(l)
				root[max(p, q)] = min(p, q)
			}
		}
	}
	var out [][]int32
	at := map[int]int{}
	for k, patch := range patches {
		r := find(k)
		if i, ok := at[r]; ok {
			out[i] = append(out[i], patch...)
			continue
		}
		at[r] = len(out)
		out = append(out, patch)
	}
	return out
}

func countIn(patch []int32, in []bool) (n int) {
	for _, i := range patch {
		if in[i] {
			n++
		}
	}
	return n
}

// reducedView is a reduced slice as the picture has it, channel by channel.
func (p *Plan) reducedView(small *raster.Picture, k int, shrink float64) (out [3]*raster.Plane) {
	w, h := max(1, int(float64(p.Crop.Dx())/shrink)), max(1, int(float64(p.Crop.Dy())/shrink))
	for c := range out {
		out[c] = raster.NewPlane(image.Rect(0, 0, w, h))
	}
	side := float64(max(p.Width, p.Height))
	sw, sh := small.Rect.Dx(), small.Rect.Dy()
	for y := range h {
		for x := range w {
			u := (float64(p.Crop.Min.X) + (float64(x)+0.5)*shrink - float64(p.Width)/2) / side
			v := (float64(p.Crop.Min.Y) + (float64(y)+0.5)*shrink - float64(p.Height)/2) / side
			px, py := p.Frames[k].Pose.at(u, v, side)
			px, py = (px*side+float64(p.Width)/2)/shrink-0.5, (py*side+float64(p.Height)/2)/shrink-0.5
			x0, y0 := int(math.Floor(px)), int(math.Floor(py))
			fx, fy := float32(px-float64(x0)), float32(py-float64(y0))
			left, right := min(sw-1, max(0, x0)), min(sw-1, max(0, x0+1))
			above, below := small.Row(min(sh-1, max(0, y0))), small.Row(min(sh-1, max(0, y0+1)))
			for c := range out {
				top := float32(above[3*left+c])*(1-fx) + float32(above[3*right+c])*fx
				bottom := float32(below[3*left+c])*(1-fx) + float32(below[3*right+c])*fx
				out[c].Pix[y*out[c].Stride+x] = (top*(1-fy) + bottom*fy) / 0xffff
			}
		}
	}
	return out
}

// movedBetween marks the pixels that neither slice can have by another focus of
// the other.
func movedBetween(ctx context.Context, a, b *raster.Plane, reach, workers int) ([]bool, error) {
	w, h := a.Rect.Dx(), a.Rect.Dy()
	diff := make([]float32, w*h)
	for i := range diff {
		diff[i] = abs32(a.Pix[i] - b.Pix[i])
	}
	slices.Sort(diff)
	step := max(movedStep, movedNoise*diff[len(diff)/2])
	out := make([]bool, w*h)
	var low, high [2][]float32
	for k, q := range [2]*raster.Plane{a, b} {
		low[k], high[k] = rangeAround(q.Pix, w, h, reach)
	}
	err := par.Do(ctx, workers, h, func(y int) error {
		for i := y * w; i < (y+1)*w; i++ {
			u, v := a.Pix[i], b.Pix[i]
			out[i] = (v < low[0][i]-step || v > high[0][i]+step) && (u < low[1][i]-step || u > high[1][i]+step)
		}
		return nil
	})
	return out, err
}

func abs32(v float32) float32 { return max(v, -v) }

// rangeAround returns the least and the greatest of 2r + 1 × 2r + 1 samples around
// each.
func rangeAround(src []float32, w, h, r int) (low, high []float32) {
	across := [2][]float32{make([]float32, w*h), make([]float32, w*h)}
	low, high = make([]float32, w*h), make([]float32, w*h)
	for y := range h {
		row := src[y*w:][:w]
		for x := range row {
			part := row[max(0, x-r):min(w, x+r+1)]
			across[0][y*w+x], across[1][y*w+x] = slices.Min(part), slices.Max(part)
		}
	}
	for y := range h {
		l, g := low[y*w:][:w], high[y*w:][:w]
		copy(l, across[0][y*w:])
		copy(g, across[1][y*w:])
		for v := max(0, y-r); v <= min(h-1, y+r); v++ {
			for x := range w {
				l[x], g[x] = min(l[x], across[0][v*w+x]), max(g[x], across[1][v*w+x])
			}
		}
	}
	return low, high
}

// movedPatches returns the connected patches of cells in which something moved
// between any slices, grown by movedMargin.
func movedPatches(jumps [][]bool, w, h int) (patches [][]int32) {
	in := make([]bool, w*h)
	for _, j := range jumps {
		for i, m := range j {
			in[i] = in[i] || m
		}
	}
	for range movedMargin {
		was := slices.Clone(in)
		for i, m := range was {
			if !m {
				continue
			}
			x, y := i%w, i/w
			for v := max(0, y-1); v <= min(h-1, y+1); v++ {
				for u := max(0, x-1); u <= min(w-1, x+1); u++ {
					in[v*w+u] = true
				}
			}
		}
	}
	for start, m := range in {
		if !m {
			continue
		}
		patch := []int32{int32(start)}
		in[start] = false
		for k := 0; k < len(patch); k++ {
			x, y := int(patch[k])%w, int(patch[k])/w
			for v := max(0, y-1); v <= min(h-1, y+1); v++ {
				for u := max(0, x-1); u <= min(w-1, x+1); u++ {
					if i := v*w + u; in[i] {
						in[i] = false
						patch = append(patch, int32(i))
					}
				}
			}
		}
		patches = append(patches, patch)
	}
	return patches
}

// holdStill labels a patch with slices of one moment, the cheapest, if that does not
// cost too much.
func holdStill(patch []int32, jumps [][]bool, labels []int16, cost []uint8, n int) {
	// Moments are runs of slices, from first to last.
	type moment struct{ first, last int }
	moments := []moment{{}}
	any := 0
	for j, jump := range jumps {
		count := countIn(patch, jump)
		any += count
		if float64(count) >= movedShare*float64(len(patch)) {
			moments = append(moments, moment{j + 1, j + 1})
		} else {
			moments[len(moments)-1].last = j + 1
		}
	}
	if any < leastMoved || len(moments) == 1 {
		return
	}
	nearest := func(i int32, m moment) int { // the label of a cell in a moment
		return min(m.last, max(m.first, int(labels[i])))
	}
	best, least := moment{}, math.Inf(1)
	for _, m := range moments {
		sum := 0.0
		for _, i := range patch {
			at := int(i) * n
			sum += float64(cost[at+nearest(i, m)]) - float64(cost[at+int(labels[i])])
		}
		if sum < least {
			best, least = m, sum
		}
	}
	if least > mostLost*float64(len(patch)) {
		return
	}
	for _, i := range patch {
		labels[i] = int16(nearest(i, best))
	}
}
