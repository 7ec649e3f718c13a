package features

import (
	"cmp"
	"context"
	"errors"
	"image"
	"math"
	"slices"

	"flatfell.example/raster"
)

// Options are the settings of [Detect]. The zero value is the default.
type Options struct {
	// MaxPoints is the largest number of corners kept in a frame; zero means
	// 2500. More find thinner overlaps and cost time in matching.
	MaxPoints int
	// Levels is the number of half-octave pyramid levels; zero means 6, a
	// range of scale of 5.7. More levels tolerate larger changes of scale.
	Levels int
	// NoiseFactor is the corner strength below which a maximum is taken for
	// noise, in multiples of what the frame's own noise produces; zero means
	// 2. Smaller keeps fainter corners.
	NoiseFactor float64
}

// Validate reports the first setting that is out of range.
func (o Options) Validate() error {
	switch {
	case o.MaxPoints < 0:
		return errors.New("features: MaxPoints is negative")
	case o.Levels < 0 || o.Levels > 16:
		return errors.New("features: Levels must be between 0 and 16")
	case o.NoiseFactor < 0:
		return errors.New("features: NoiseFactor is negative")
	}
	return nil
}

func (o Options) withDefaults() Options {
	if o.MaxPoints == 0 {
		o.MaxPoints = 2500
	}
	if o.Levels == 0 {
		o.Levels = 6
	}
	if o.NoiseFactor == 0 {
		o.NoiseFactor = 2
	}
	return o
}

// Point is one corner.
type Point struct {
	// X, Y is the position in pixels of the plane given to [Detect], to a
	// fraction of a pixel; a pixel's centre is at .5.
	X, Y float64
	// Scale is the size of a pixel of the pyramid level, in pixels of the
	// plane: 1, √2, 2 …
	Scale float64
	// Angle of the dominant gradient in radians, clockwise from x.
	Angle float64
	// Strength is the harmonic mean of the eigenvalues of the gradient matrix.
	Strength float32

	level int
}

const (
	derivativeSigma  = 1.0 // blur before the gradient, pixels of the level
	integrationSigma = 1.5 // window of the gradient matrix
	robustRatio      = 0.9 // c_robust of Brown, Szeliski & Winder 2005
	minLevelSide     = 48  // smaller levels hold no whole descriptor window

	// border is the distance from a level's edge at which descriptors would
	// run out of the frame by more than a third of their window.
	border = 8
)

// noiseStrength is, level by level, the 99.9th percentile of the corner
// strength at the maxima of white noise that noiseSigma finds to have unit
// variance on level 0; TestNoiseStrength measures it. The noise of the first
// levels is not yet smooth, and loses more than half its power in a step;
// beyond the last level here it loses half.
var noiseStrength = [...]float64{0.0535, 0.0160, 0.0066, 0.0031, 0.00148, 0.00070}

// noiseFloor returns the corner strength on a level that noise of a standard
// deviation sigma reaches once in a thousand maxima.
func noiseFloor(sigma float64, level int) float64 {
	last := min(level, len(noiseStrength)-1)
	return noiseStrength[last] * math.Exp2(float64(last-level)) * sigma * sigma
}

// Set is the corners of a frame with their descriptors; see [Detect].
type Set struct {
	// Width and Height of the plane in pixels.
	Width, Height int
	// Points in descending order of their suppression radius within a level,
	// level by level.
	Points []Point
	desc   []descriptor
}

// Corners returns the set without its descriptors, which are most of its memory:
// enough once it has been matched.
func (s *Set) Corners() *Set { return &Set{Width: s.Width, Height: s.Height, Points: s.Points} }

// Detect returns the corners of a plane of luma (0 to 1, encoded scale) and
// their descriptors. An empty set is no error. The plane must start at (0, 0).
func Detect(ctx context.Context, luma *raster.Plane, o Options) (*Set, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	o = o.withDefaults()
	s := &Set{Width: luma.Rect.Dx(), Height: luma.Rect.Dy()}
	noise := noiseSigma(luma)
	scale := 1.0
	// A level's share of the points falls with its area, by half a step.
	var weights float64
	for l := range o.Levels {
		weights += math.Exp2(-float64(l))
	}
	for l := range o.Levels {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if l > 0 {
			luma = shrinkHalfOctave(luma, s, l)
			scale = math.Exp2(float64(l) / 2)
		}
		if min(luma.Rect.Dx(), luma.Rect.Dy()) < minLevelSide {
			break
		}
		g := newGradients(luma)
		floor := o.NoiseFactor * noiseFloor(noise, l)
		keep := int(math.Ceil(float64(o.MaxPoints) * math.Exp2(-float64(l)) / weights))
		for _, c := range suppress(corners(g, float32(floor)), keep) {
			c.level, c.Scale = l, scale
			s.describe(g, c)
		}
	}
	return s, nil
}

// shrinkHalfOctave returns level l from level l−1: blurred, then sampled √2
// apart. Its size is that of the frame over 2^(l/2), rounded down, and its
// middle is the frame's: the corners of a frame on its side are the frame's
// corners turned.
func shrinkHalfOctave(src *raster.Plane, s *Set, l int) *raster.Plane {
	// σ 0.8 leaves 2 % of the contrast at the new level's Nyquist frequency
	// and above it, enough for corners.
	b := blur(src, 0.8)
	f := math.Exp2(float64(l) / 2)
	dst := raster.NewPlane(image.Rect(0, 0, int(float64(s.Width)/f), int(float64(s.Height)/f)))
	w, h := b.Rect.Dx(), b.Rect.Dy()
	// at returns the place in src, of size from, of pixel i of dst, of size to.
	at := func(i, from, to int) float64 {
		v := (float64(i)+0.5-float64(to)/2)*math.Sqrt2 + float64(from)/2 - 0.5
		return min(max(v, 0), float64(from-1))
	}
	for y := range dst.Rect.Dy() {
		sy := at(y, h, dst.Rect.Dy())
		y0 := min(int(sy), h-2)
		fy := float32(sy - float64(y0))
		r0, r1 := b.Row(y0), b.Row(y0+1)
		d := dst.Row(y)
		for x := range d {
			sx := at(x, w, dst.Rect.Dx())
			x0 := min(int(sx), w-2)
			fx := float32(sx - float64(x0))
			top := r0[x0] + fx*(r0[x0+1]-r0[x0])
			bot := r1[x0] + fx*(r1[x0+1]-r1[x0])
			d[x] = top + fy*(bot-top)
		}
	}
	return dst
}

// blur returns src convolved with a Gaussian, its edges replicated.
func blur(src *raster.Plane, sigma float64) *raster.Plane {
	radius := int(math.Ceil(3 * sigma))
	kernel := make([]float32, radius+1)
	var sum float64
	for i := range kernel {
		v := math.Exp(-float64(i*i) / (2 * sigma * sigma))
		kernel[i] = float32(v)
		if i > 0 {
			v *= 2
		}
		sum += v
	}
	for i := range kernel {
		kernel[i] /= float32(sum)
	}
	w, h := src.Rect.Dx(), src.Rect.Dy()
	dst := raster.NewPlane(src.Rect)
	// Vertical first into a padded line, then horizontal: one line of scratch.
	line := make([]float32, w+2*radius)
	rows := make([][]float32, 2*radius+1)
	for y := range h {
		for i := range rows {
			rows[i] = src.Row(min(max(y+i-radius, 0), h-1))
		}
		mid := line[radius : radius+w]
		weigh(mid, rows, kernel)
		for i := range radius {
			line[i], line[radius+w+i] = mid[0], mid[w-1]
		}
		for i := range rows {
			rows[i] = line[i : i+w]
		}
		weigh(dst.Row(y), rows, kernel)
	}
	return dst
}

// weigh sets dst to the sum of the rows, an odd number of them, weighted by the
// kernel, of which one half is given, the middle first.
func weigh(dst []float32, rows [][]float32, kernel []float32) {
	done := wideWeigh(dst, rows, kernel)
	dst = dst[done:]
	m := len(rows) / 2
	at := func(i int) []float32 { return rows[i][done:][:len(dst)] }
	for x, v := range at(m) {
		dst[x] = kernel[0] * v
	}
	for i := 1; i <= m; i++ {
		a, b := at(m-i), at(m+i)
		for x := range dst {
			dst[x] += float32(kernel[i] * (a[x] + b[x]))
		}
	}
}

// gradients are the derivatives of a level, per pixel of the level.
type gradients struct{ x, y *raster.Plane }

func newGradients(luma *raster.Plane) gradients {
	b := blur(luma, derivativeSigma)
	g := gradients{raster.NewPlane(b.Rect), raster.NewPlane(b.Rect)}
	w, h := b.Rect.Dx(), b.Rect.Dy()
	for y := 1; y < h-1; y++ {
		up, row, down := b.Row(y-1), b.Row(y), b.Row(y+1)
		gx, gy := g.x.Row(y), g.y.Row(y)
		for x := 1; x < w-1; x++ {
			gx[x] = 0.5 * (row[x+1] - row[x-1])
			gy[x] = 0.5 * (down[x] - up[x])
		}
	}
	return g
}

// corners returns the local maxima of the corner strength above floor, with
// sub-pixel positions in the level's pixels.
func corners(g gradients, floor float32) []Point {
	r := g.x.Rect
	xx, yy, xy := raster.NewPlane(r), raster.NewPlane(r), raster.NewPlane(r)
	for i, gx := range g.x.Pix {
		gy := g.y.Pix[i]
		xx.Pix[i], yy.Pix[i], xy.Pix[i] = gx*gx, gy*gy, gx*gy
	}
	xx, yy, xy = blur(xx, integrationSigma), blur(yy, integrationSigma), blur(xy, integrationSigma)
	s := xx // overwritten in place
	for i, a := range xx.Pix {
		b, c := yy.Pix[i], xy.Pix[i]
		s.Pix[i] = (a*b - c*c) / (a + b + 1e-12)
	}
	var pts []Point
	w, h := r.Dx(), r.Dy()
	for y := border; y < h-border; y++ {
		up, row, down := s.Row(y-1), s.Row(y), s.Row(y+1)
		for x := border; x < w-border; x++ {
			v := row[x]
			if v <= floor || v <= row[x-1] || v < row[x+1] ||
				v <= up[x-1] || v <= up[x] || v <= up[x+1] ||
				v < down[x-1] || v < down[x] || v < down[x+1] {
				continue
			}
			dx, dy, ok := peak(up[x-1:x+2], row[x-1:x+2], down[x-1:x+2])
			if !ok {
				continue
			}
			pts = append(pts, Point{X: float64(x) + 0.5 + dx, Y: float64(y) + 0.5 + dy, Strength: v})
		}
	}
	return pts
}

// peak returns the offset of the maximum of the quadratic that fits a 3×3
// neighbourhood; ok is false if it has none within the middle pixel's reach.
func peak(up, row, down []float32) (dx, dy float64, ok bool) {
	gx := float64(row[2]-row[0]) / 2
	gy := float64(down[1]-up[1]) / 2
	hxx := float64(row[2] - 2*row[1] + row[0])
	hyy := float64(down[1] - 2*row[1] + up[1])
	hxy := float64(down[2]-down[0]-up[2]+up[0]) / 4
	det := hxx*hyy - hxy*hxy
	if !(det > 0) || hxx >= 0 {
		return 0, 0, false
	}
	dx, dy = (hxy*gy-hyy*gx)/det, (hxy*gx-hxx*gy)/det
	return dx, dy, math.Abs(dx) <= 1 && math.Abs(dy) <= 1
}

// suppress keeps the n points with the largest radius within which no other
// is clearly stronger (adaptive non-maximal suppression).
func suppress(pts []Point, n int) []Point {
	slices.SortFunc(pts, func(a, b Point) int {
		return cmp.Or(cmp.Compare(b.Strength, a.Strength), cmp.Compare(a.Y, b.Y), cmp.Compare(a.X, b.X))
	})
	// A grid of the points strong enough to suppress; they enter in order.
	const cell = 8
	var maxX, maxY float64
	for _, p := range pts {
		maxX, maxY = max(maxX, p.X), max(maxY, p.Y)
	}
	gw, gh := int(maxX)/cell+1, int(maxY)/cell+1
	grid := make([][]int32, gw*gh)
	type ranked struct {
		i        int
		radiusSq float64
	}
	rank := make([]ranked, len(pts))
	entered := 0
	for i, p := range pts {
		for entered < i && p.Strength < robustRatio*pts[entered].Strength {
			q := pts[entered]
			c := int(q.Y)/cell*gw + int(q.X)/cell
			grid[c] = append(grid[c], int32(entered))
			entered++
		}
		best := math.Inf(1)
		cx, cy := int(p.X)/cell, int(p.Y)/cell
		// Rings of cells outward until the next ring cannot be nearer.
		for ring := 0; ring <= max(gw, gh); ring++ {
			if d := float64((ring - 1) * cell); ring > 0 && d > 0 && d*d > best || entered == 0 {
				break
			}
			for y := max(cy-ring, 0); y <= min(cy+ring, gh-1); y++ {
				step := 2 * ring
				if y == cy-ring || y == cy+ring || ring == 0 {
					step = 1
				}
				for x := cx - ring; x <= cx+ring; x += step {
					if x < 0 || x >= gw {
						continue
					}
					for _, k := range grid[y*gw+x] {
						dx, dy := pts[k].X-p.X, pts[k].Y-p.Y
						best = min(best, dx*dx+dy*dy)
					}
				}
			}
		}
		rank[i] = ranked{i, best}
	}
	slices.SortStableFunc(rank, func(a, b ranked) int { return cmp.Compare(b.radiusSq, a.radiusSq) })
	out := make([]Point, min(n, len(rank)))
	for i := range out {
		out[i] = pts[rank[i].i]
	}
	return out
}

// noiseSigma estimates the standard deviation of white noise as the 10th
// percentile, over blocks of 16×16 pixels, of the scaled mean of the absolute
// second difference in both directions (Immerkær, CVIU 64(2), 1996). Blocks
// without any variation (clipped) don't count.
func noiseSigma(p *raster.Plane) float64 {
	const block = 16
	var est []float64
	w, h := p.Rect.Dx(), p.Rect.Dy()
	for by := 1; by+block < h; by += block {
		for bx := 1; bx+block < w; bx += block {
			var sum float64
			for y := by; y < by+block; y++ {
				up, row, down := p.Row(y-1), p.Row(y), p.Row(y+1)
				for x := bx; x < bx+block; x++ {
					v := up[x-1] - 2*up[x] + up[x+1] - 2*row[x-1] + 4*row[x] - 2*row[x+1] + down[x-1] - 2*down[x] + down[x+1]
					sum += math.Abs(float64(v))
				}
			}
			if sum > 0 {
				est = append(est, sum/(block*block)*math.Sqrt(math.Pi/2)/6)
			}
		}
	}
	if len(est) == 0 {
		return 0
	}
	slices.Sort(est)
	return est[len(est)/10]
}
