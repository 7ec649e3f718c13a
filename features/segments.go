package features

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// SegmentOptions are the settings of [Segments]. The zero value is the
// default.
type SegmentOptions struct {
	// OffHorizontal is the largest angle between a segment and the lines of
	// the plane, up to 40°; zero means 12°, negative looks for none.
	OffHorizontal geom.Angle
	// OffVertical is the same for the columns of the plane.
	OffVertical geom.Angle
	// MinLengthPx is the shortest segment in pixels of the plane; zero means
	// 16. The test against chance sets a floor of its own, about 28 pixels
	// in a plane of 1.6 million.
	MinLengthPx float64
}

const (
	maxOffAxis     = 40 * geom.Degree
	defaultOffAxis = 12 * geom.Degree
	defaultLength  = 16
)

// Validate reports the first setting that is out of range.
func (o SegmentOptions) Validate() error {
	switch {
	case !(o.OffHorizontal <= maxOffAxis), !(o.OffVertical <= maxOffAxis):
		return errors.New("features: OffHorizontal and OffVertical must be at most 40°")
	case !(o.MinLengthPx >= 0):
		return errors.New("features: MinLengthPx is negative")
	}
	return nil
}

func (o SegmentOptions) withDefaults() SegmentOptions {
	if o.OffHorizontal == 0 {
		o.OffHorizontal = defaultOffAxis
	}
	if o.OffVertical == 0 {
		o.OffVertical = defaultOffAxis
	}
	if o.MinLengthPx == 0 {
		o.MinLengthPx = defaultLength
	}
	return o
}

// Segment is a straight piece of an edge.
type Segment struct {
	// A and B are its ends in pixels of the plane, a pixel's centre at .5.
	// Seen by who walks from A to B the brighter side is on the left: an
	// edge below a bright sky runs toward +x.
	A, B geom.Pt
	// Contrast is the mean gradient along the edge, luma per pixel after a
	// blur of 1 pixel: about 0.35 of the step for a sharp edge.
	Contrast float64
	// RMSPx is the scatter of the edge's points about the line.
	RMSPx float64
	// Points is the number of edge points, at most one a line or column.
	Points int
}

// Length returns the distance from A to B in pixels.
func (s *Segment) Length() float64 { return s.B.Sub(s.A).Norm() }

const (
	// gradientNoise is the standard deviation of the gradient of white noise
	// with unit variance after the blur: (8π)^-½ for a Gaussian derivative of
	// σ 1, a little less with the central difference.
	gradientNoise = 0.18
	// minGradient: weaker edges than a step of one level in 8 bits are no
	// edges.
	minGradient = 0.0012
	// minBend is how far a maximum of the gradient bends, as a share of
	// it: 1/s² for an edge that is s pixels soft, so up to 18. A clean slope
	// has maxima too, by rounding and at the border of the plane.
	minBend    = 0.003
	linkPx     = 1.0 // largest jump of an edge from one column to the next
	linkGap    = 2   // columns that an edge may miss
	seedPoints = 10  // points of the first line of a segment
	seedRMSPx  = 0.5 // and their largest scatter
	strayPx    = 0.9 // an edge point farther from the line is not on it
	strayRun   = 4   // so many in a row end the segment
	maxRMSPx   = 0.5
	// alignTolerance: a gradient within this of the line's normal counts as
	// aligned, which chance brings about with probability alignChance.
	alignTolerance = math.Pi / 8
	alignChance    = 1.0 / 8
)

// Segments returns the straight edge segments of a plane of luma (0 to 1)
// that are nearly horizontal or nearly vertical, longest first.
//
// Edge points are the maxima of the gradient's component across the line,
// interpolated by a parabola; points of neighbouring columns are linked, and
// a link chain is cut into straight pieces by least squares, in which a point
// weighs as its gradient. A piece is kept if chance would not bring so many
// aligned gradients together once in the whole plane (Desolneux, Moisan &
// Morel, IJCV 40(1), 2000). The scheme is that of Akinlar & Topal, "EDLines",
// Pattern Recognition Letters 32(13), 2011, for two directions only; the test
// counts every second point, since neighbours share the blur.
//
// The error of a line is about 0.3 σ/(step √length) pixels at noise σ. The
// plane must start at (0, 0). Cost O(pixels). The error is that of o or ctx.
func Segments(ctx context.Context, luma *raster.Plane, o SegmentOptions) ([]Segment, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	o = o.withDefaults()
	if min(luma.Rect.Dx(), luma.Rect.Dy()) < minLevelSide {
		return nil, ctx.Err()
	}
	g := newGradients(luma)
	// Three sigmas: NFA removes what is left of the noise, but long links
	// through noise cost time.
	floor := float32(max(3*gradientNoise*noiseSigma(luma), minGradient))
	var segs []Segment
	for _, upright := range []bool{false, true} {
		off := o.OffHorizontal
		if upright {
			off = o.OffVertical
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if off < 0 {
			continue
		}
		c := cutter{
			off: off, minLength: o.MinLengthPx, upright: upright,
			// Tests: any two of N pixels are a segment, in two directions.
			logTests: 2*math.Log(float64(len(luma.Pix))) + math.Log(2),
		}
		link(edgePoints(g, upright, floor, off), c.cut)
		segs = append(segs, c.out...)
	}
	slices.SortStableFunc(segs, func(a, b Segment) int { return cmp.Compare(b.Length(), a.Length()) })
	return segs, nil
}

// edgePoint is a maximum of the gradient across the edge. along is its column
// (of an upright edge, its line), across its position in that, pixel centres
// at whole numbers.
type edgePoint struct {
	across float64
	along  int32
	g      float32 // gradient across, with its sign
	side   float32 // gradient along
}

// edgePoints returns the edge points of each column (line if upright), in
// ascending order, whose edge is at most off from the axis.
func edgePoints(g gradients, upright bool, floor float32, off geom.Angle) [][]edgePoint {
	w, h := g.x.Rect.Dx(), g.x.Rect.Dy()
	across, along, step := g.y.Pix, g.x.Pix, g.y.Stride
	lists := make([][]edgePoint, w)
	if upright {
		across, along, step = g.x.Pix, g.y.Pix, 1
		lists = make([][]edgePoint, h)
	}
	// The gradient of one point is noisy: twice the angle passes.
	slope := float32(math.Tan(min(2*off.Radians(), 1.2)))
	// The outermost pixels have no gradient, those beside them no neighbour.
	for y := 2; y < h-2; y++ {
		for x := 2; x < w-2; x++ {
			i := y*g.x.Stride + x
			v := across[i]
			m := max(v, -v)
			if m < floor {
				continue
			}
			a, b, s := across[i-step], across[i+step], along[i]
			if v < 0 {
				a, b = -a, -b
			}
			if m <= a || m < b || 2*m-a-b < minBend*m || max(s, -s) > slope*m {
				continue
			}
			d := float64(a-b) / float64(2*(a-2*m+b))
			at, pos := x, y
			if upright {
				at, pos = y, x
			}
			lists[at] = append(lists[at], edgePoint{float64(pos) + d, int32(at), v, s})
		}
	}
	return lists
}

// link joins edge points of neighbouring columns into chains and hands them
// to done, which must not keep them.
func link(lists [][]edgePoint, done func([]edgePoint)) {
	var open, next [][]edgePoint // in ascending order of their last point
	var free [][]edgePoint
	last := func(c []edgePoint) *edgePoint { return &c[len(c)-1] }
	finish := func(c []edgePoint) {
		done(c)
		free = append(free, c[:0])
	}
	for at, points := range lists {
		next = next[:0]
		i := 0
		for _, p := range points {
			// Chains that end above p, too far for it or for any later point.
			for i < len(open) && last(open[i]).across < p.across-linkPx {
				next = append(next, open[i])
				i++
			}
			best := -1
			for k := i; k < len(open) && last(open[k]).across <= p.across+linkPx; k++ {
				if (last(open[k]).g > 0) != (p.g > 0) {
					continue
				}
				if best < 0 || math.Abs(last(open[k]).across-p.across) < math.Abs(last(open[best]).across-p.across) {
					best = k
				}
			}
			if best >= 0 {
				next = append(next, open[i:best]...)
				next = append(next, append(open[best], p))
				i = best + 1
				continue
			}
			c := []edgePoint(nil)
			if n := len(free); n > 0 {
				c, free = free[n-1], free[:n-1]
			}
			next = append(next, append(c, p))
		}
		next = append(next, open[i:]...)
		open = open[:0]
		for _, c := range next {
			if at-int(last(c).along) > linkGap {
				finish(c)
			} else {
				open = append(open, c)
			}
		}
		// A gap can put chains out of order.
		slices.SortStableFunc(open, func(a, b []edgePoint) int { return cmp.Compare(last(a).across, last(b).across) })
	}
	for _, c := range open {
		done(c)
	}
}

// line is a weighted least-squares line across = mean + slope·(along − middle).
type line struct{ w, x, y, xx, xy, yy float64 }

func (l *line) add(p *edgePoint) {
	w := math.Abs(float64(p.g))
	x, y := float64(p.along), p.across
	l.w += w
	l.x += w * x
	l.y += w * y
	l.xx += w * x * x
	l.xy += w * x * y
	l.yy += w * y * y
}

// fit returns the line and the weighted scatter across it.
func (l *line) fit() (middle, mean, slope, rms float64) {
	middle, mean = l.x/l.w, l.y/l.w
	xx, xy, yy := l.xx/l.w-middle*middle, l.xy/l.w-middle*mean, l.yy/l.w-mean*mean
	if xx > 0 {
		slope = xy / xx
	}
	return middle, mean, slope, math.Sqrt(max(0, yy-slope*xy))
}

// cutter cuts chains into straight segments.
type cutter struct {
	off       geom.Angle
	minLength float64
	upright   bool
	logTests  float64
	out       []Segment
	on        []edgePoint // points of the segment in work
}

func (c *cutter) cut(chain []edgePoint) {
	for len(chain) >= seedPoints {
		var l line
		for k := range chain[:seedPoints] {
			l.add(&chain[k])
		}
		middle, mean, slope, rms := l.fit()
		if rms > seedRMSPx {
			chain = chain[1:]
			continue
		}
		c.on = append(c.on[:0], chain[:seedPoints]...)
		end, strays := seedPoints, 0
		for k := seedPoints; k < len(chain) && strays < strayRun; k++ {
			p := &chain[k]
			if math.Abs(p.across-mean-slope*(float64(p.along)-middle)) > strayPx {
				strays++
				continue
			}
			strays, end = 0, k+1
			c.on = append(c.on, *p)
			l.add(p)
			middle, mean, slope, rms = l.fit()
		}
		c.keep(middle, mean, slope, rms)
		chain = chain[end:]
	}
}

// keep adds the segment of the points c.on if it is long, straight and no
// work of chance.
func (c *cutter) keep(middle, mean, slope, rms float64) {
	first, last := float64(c.on[0].along), float64(c.on[len(c.on)-1].along)
	toLine := 1 / math.Hypot(1, slope)
	rms *= toLine
	if rms > maxRMSPx || math.Abs(math.Atan(slope)) > c.off.Radians() || (last-first)/toLine < c.minLength {
		return
	}
	aligned := 0
	var contrast float64
	for _, p := range c.on {
		// The edge's own slope is minus side / g.
		if math.Abs(math.Atan(float64(-p.side/p.g))-math.Atan(slope)) <= alignTolerance {
			aligned++
		}
		contrast += math.Hypot(float64(p.g), float64(p.side))
	}
	n := int(last-first) + 1
	if c.logTests+logBinomialTail(n/2, aligned/2, alignChance) > 0 {
		return
	}
	s := Segment{Contrast: contrast / float64(len(c.on)), RMSPx: rms, Points: len(c.on)}
	s.A = geom.Pt{X: first + 0.5, Y: mean + slope*(first-middle) + 0.5}
	s.B = geom.Pt{X: last + 0.5, Y: mean + slope*(last-middle) + 0.5}
	turn := c.on[0].g > 0 // brighter below
	if c.upright {
		s.A.X, s.A.Y, s.B.X, s.B.Y = s.A.Y, s.A.X, s.B.Y, s.B.X
		turn = c.on[0].g < 0 // brighter on the left, which is left for who walks up
	}
	if turn {
		s.A, s.B = s.B, s.A
	}
	c.out = append(c.out, s)
}

// logBinomialTail returns the logarithm of the probability of at least k
// successes in n trials of probability p: zero for k ≤ 0.
func logBinomialTail(n, k int, p float64) float64 {
	if k <= 0 {
		return 0
	}
	if k > n {
		return math.Inf(-1)
	}
	lg := func(m int) float64 { v, _ := math.Lgamma(float64(m) + 1); return v }
	term := lg(n) - lg(k) - lg(n-k) + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p)
	// Sum relative to the first term; each next has the factor below.
	sum, f := 1.0, 1.0
	for i := k; i < n; i++ {
		f *= float64(n-i) / float64(i+1) * p / (1 - p)
		sum += f
		if f < 1e-12*sum {
			break
		}
	}
	return min(0, term+math.Log(sum))
}
