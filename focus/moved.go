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
	// leastMoved is the number of pixels of the reduced pictures that must change
	// from a slice to the next for a patch to have moved between them.
	leastMoved = 12
	// movedMargin is by how many of these a patch is grown beyond the neighbourhood
	// within which nothing is found: the soft edge of what moved.
	movedMargin = 1
	// movedApart is how many times its size a thing may have moved, and movedAlike
	// the least ratio of the sizes of the two patches that it leaves.
	movedApart, movedAlike = 2, 0.4
	// mostLost is what a textured cell of a patch may lose on the average, in the
	// units of its cost, for the patch to be of one moment: surf that reaches from
	// near to far had better be sharp.
	mostLost = 2.5 * costStep
	// clipped is from where a channel tells nothing.
	clipped = 0.97
)

// motion is what changed from slice to slice, on the grid of the reduced pictures.
type motion struct {
	w, h int
	// jumps marks for each slice but the last where something moved from it to the
	// next.
	jumps [][]bool
	// reach is the neighbourhood of each of these.
	reach []int
}

// patch is where something moved.
type patch struct {
	pixels []int32 // of the reduced pictures
	box    image.Rectangle
	jumps  uint64 // bit j: between slices j and j + 1
	cells  []int32
}

// keepWhole makes patches in which something moved from slice to slice of one
// moment: of slices between which nothing moved there, those that are cheapest.
// Else a leaf in the wind would be there twice, or in pieces. It returns which
// cells it holds.
//
// Focus makes from a neighbourhood of a slice a pixel of the next: a mean, so that
// it lies between the least and the greatest around it. Where neither slice can be
// made from the other so, something moved. What is smaller than that neighbourhood
// is not found.
func (p *Plan) keepWhole(ctx context.Context, looks []*look, labels []int16, cost []uint8, gw, gh, workers int) (held []bool, err error) {
	n := len(looks)
	held = make([]bool, len(labels))
	shrink := float64(looks[0].reduced)
	m, err := p.motion(ctx, looks, shrink, workers)
	if err != nil {
		return nil, err
	}
	patches := m.patches()
	if len(patches) == 0 {
		return held, nil
	}
	of := make([]int32, m.w*m.h)
	for k := range patches {
		for _, i := range patches[k].pixels {
			of[i] = int32(k) + 1
		}
	}
	for y := range gh {
		ry := min(m.h-1, int((float64(y)+0.5)*float64(p.Cell)/shrink))
		for x := range gw {
			rx := min(m.w-1, int((float64(x)+0.5)*float64(p.Cell)/shrink))
			if k := of[ry*m.w+rx]; k > 0 {
				patches[k-1].cells = append(patches[k-1].cells, int32(y*gw+x))
			}
		}
	}
	for _, thing := range things(patches) {
		if holdStill(thing, labels, cost, n, held) {
			continue
		}
		for k := range thing { // at least each piece by itself
			holdStill(thing[k:k+1], labels, cost, n, held)
		}
	}
	return held, nil
}

// motion compares each slice with the next.
func (p *Plan) motion(ctx context.Context, looks []*look, shrink float64, workers int) (*motion, error) {
	here := p.reducedView(looks[0], 0, shrink)
	m := &motion{w: here[0].Rect.Dx(), h: here[0].Rect.Dy(), jumps: make([][]bool, len(looks)-1), reach: make([]int, len(looks)-1)}
	for j := range m.jumps {
		next := p.reducedView(looks[j+1], j+1, shrink)
		reach := int(math.Ceil(movedReach*p.BlurPx[j]/shrink + movedMore))
		m.jumps[j], m.reach[j] = make([]bool, m.w*m.h), reach
		for c := range here {
			gain := math.Pow(p.Frames[j].Gain[c]/p.Frames[j+1].Gain[c], 1/evenly)
			if err := movedBetween(ctx, m.jumps[j], here[c], next[c], float32(gain), reach, workers); err != nil {
				return nil, err
			}
		}
		here = next
	}
	return m, nil
}

// evenly is the power by which light is encoded about as evenly as it is seen.
const evenly = 2.2

// reducedView is a reduced slice as the picture has it, channel by channel, encoded
// evenly.
func (p *Plan) reducedView(l *look, k int, shrink float64) (out [3]*raster.Plane) {
	small := l.colour
	w, h := max(1, int(float64(p.Crop.Dx())/shrink)), max(1, int(float64(p.Crop.Dy())/shrink))
	for c := range out {
		out[c] = raster.NewPlane(image.Rect(0, 0, w, h))
	}
	var encoded [1 << 10]float32
	for i := range encoded {
		encoded[i] = float32(math.Pow(l.transfer.Decode(float64(i)/float64(len(encoded)-1)), 1/evenly))
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
				at := (top*(1-fy) + bottom*fy) / 0xffff * float32(len(encoded)-1)
				i := min(len(encoded)-2, int(at))
				out[c].Pix[y*out[c].Stride+x] = encoded[i] + (at-float32(i))*(encoded[i+1]-encoded[i])
			}
		}
	}
	return out
}

// movedBetween marks the pixels that neither slice can have by another focus of
// the other; gain makes of a's light that of b.
func movedBetween(ctx context.Context, moved []bool, a, b *raster.Plane, gain float32, reach, workers int) error {
	w, h := a.Rect.Dx(), a.Rect.Dy()
	as := make([]float32, w*h)
	var diff []float32 // of some pixels: enough for a median
	for i, v := range a.Pix {
		as[i] = v * gain
		if i%17 == 0 {
			diff = append(diff, max(as[i]-b.Pix[i], b.Pix[i]-as[i]))
		}
	}
	slices.Sort(diff)
	step := max(movedStep, movedNoise*diff[len(diff)/2])
	var low, high [2][]float32
	for k, q := range [2][]float32{as, b.Pix} {
		low[k], high[k] = rangeAround(q, w, h, reach)
	}
	return par.Do(ctx, workers, h, func(y int) error {
		for i := y * w; i < (y+1)*w; i++ {
			u, v := as[i], b.Pix[i]
			if (v < low[0][i]-step || v > high[0][i]+step) && (u < low[1][i]-step || u > high[1][i]+step) &&
				a.Pix[i] < clipped && v < clipped {
				moved[i] = true
			}
		}
		return nil
	})
}

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

// patches returns the connected patches in which something moved between any
// slices, grown by what is not found at their rims.
func (m *motion) patches() (out []patch) {
	in := make([]bool, m.w*m.h)
	for j, jump := range m.jumps {
		grown := slices.Clone(jump)
		var front []int
		for i, moved := range jump {
			if moved {
				front = append(front, i)
			}
		}
		for range m.reach[j] + movedMargin {
			var next []int
			for _, i := range front {
				m.around(i, func(k int) {
					if !grown[k] {
						grown[k] = true
						next = append(next, k)
					}
				})
			}
			front = next
		}
		for i, moved := range grown {
			in[i] = in[i] || moved
		}
	}
	for start, moved := range in {
		if !moved {
			continue
		}
		q := patch{pixels: []int32{int32(start)}}
		in[start] = false
		for k := 0; k < len(q.pixels); k++ {
			i := int(q.pixels[k])
			q.box = q.box.Union(image.Rect(i%m.w, i/m.w, i%m.w+1, i/m.w+1))
			m.around(i, func(k int) {
				if in[k] {
					in[k] = false
					q.pixels = append(q.pixels, int32(k))
				}
			})
		}
		for j, jump := range m.jumps {
			count := 0
			for _, i := range q.pixels {
				if jump[i] {
					count++
				}
			}
			if count >= leastMoved {
				q.jumps |= 1 << j
			}
		}
		if q.jumps != 0 {
			out = append(out, q)
		}
	}
	return out
}

// around calls f for a pixel and the eight around it.
func (m *motion) around(i int, f func(k int)) {
	x, y := i%m.w, i/m.w
	for v := max(0, y-1); v <= min(m.h-1, y+1); v++ {
		for u := max(0, x-1); u <= min(m.w-1, x+1); u++ {
			f(v*m.w + u)
		}
	}
}

// things groups the patches by the things that moved: where one was and where it
// went are alike in size, lie within movedApart times that, and change between the
// same slices.
func things(patches []patch) (out [][]patch) {
	root := make([]int, len(patches))
	find := func(k int) int {
		for root[k] != k {
			k = root[k]
		}
		return k
	}
	for k := range patches {
		root[k] = k
		for l := range k {
			a, b := &patches[k], &patches[l]
			size := [2]int{max(a.box.Dx(), a.box.Dy()), max(b.box.Dx(), b.box.Dy())}
			small, large := min(size[0], size[1]), max(size[0], size[1])
			if a.jumps&b.jumps != 0 && float64(small) >= movedAlike*float64(large) && a.box.Inset(-movedApart*small).Overlaps(b.box) {
				p, q := find(k), find(l)
				root[max(p, q)] = min(p, q)
			}
		}
	}
	at := map[int]int{}
	for k := range patches {
		r := find(k)
		i, ok := at[r]
		if !ok {
			i = len(out)
			at[r] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], patches[k])
	}
	return out
}

// holdStill labels a thing's patches with slices of one moment, the cheapest, if that
// does not cost too much.
func holdStill(thing []patch, labels []int16, cost []uint8, n int, held []bool) bool {
	// Moments are runs of slices, from first to last.
	type moment struct{ first, last int }
	moments := []moment{{}}
	var jumps uint64
	for k := range thing {
		jumps |= thing[k].jumps
	}
	for j := range n - 1 {
		if jumps&(1<<j) != 0 {
			moments = append(moments, moment{j + 1, j + 1})
		} else {
			moments[len(moments)-1].last = j + 1
		}
	}
	nearest := func(i int32, m moment) int { // the label of a cell in a moment
		return min(m.last, max(m.first, int(labels[i])))
	}
	best, least := moment{}, math.Inf(1)
	for _, m := range moments {
		sum, textured := 0.0, 0
		for k := range thing {
			for _, i := range thing[k].cells {
				all := cost[int(i)*n:][:n]
				sum += float64(all[nearest(i, m)]) - float64(all[labels[i]])
				if slices.Max(all) > flatCost {
					textured++
				}
			}
		}
		if mean := sum / float64(max(1, textured)); mean < least {
			best, least = m, mean
		}
	}
	if least > mostLost {
		return false
	}
	for k := range thing {
		for _, i := range thing[k].cells {
			labels[i] = int16(nearest(i, best))
			held[i] = true
		}
	}
	return true
}
