package features

import (
	"math"
	"math/bits"
	"math/rand/v2"
)

const (
	cells   = 4 // cells along each side of the window
	orients = 8 // gradient directions in a cell
	dims    = cells * cells * orients
	// cellSize is the side of a cell in pixels of the level. With a blur of
	// σ 1 before the gradient it corresponds to 5/3 of Lowe's 3σ: a larger
	// window told repeated posts and ripples apart better.
	cellSize = 5.0
	// orientRadius and orientSigma shape the window of the dominant angle.
	orientRadius = 8
	orientSigma  = 3.0
	orientBins   = 36
	// secondAngle is the share of the highest peak from which another peak
	// gives the corner a second descriptor (Lowe 2004 sec. 5).
	secondAngle = 0.8

	codeWords = 4 // 256 bits
)

// descriptor is a unit vector (the square roots of an L1-normalised
// histogram, so that the dot product is the Bhattacharyya coefficient) and
// its binary code for a first selection.
type descriptor struct {
	v    [dims]float32
	code code
}

// code is the signs of projections of a descriptor.
type code [codeWords]uint64

// hamming returns the number of bits in which two codes differ.
func (c *code) hamming(d *code) int {
	return bits.OnesCount64(c[0]^d[0]) + bits.OnesCount64(c[1]^d[1]) +
		bits.OnesCount64(c[2]^d[2]) + bits.OnesCount64(c[3]^d[3])
}

// distSq returns the squared Euclidean distance, 0 to 2.
func (d *descriptor) distSq(e *descriptor) float32 {
	var s0, s1, s2, s3 float32
	for i := 0; i < dims; i += 4 {
		a, b := d.v[i:i+4:i+4], e.v[i:i+4:i+4]
		s0 += a[0] * b[0]
		s1 += a[1] * b[1]
		s2 += a[2] * b[2]
		s3 += a[3] * b[3]
	}
	return max(0, 2-2*(s0+s1+s2+s3))
}

// hyperplanes are the directions whose sides the bits of a code tell
// (Charikar, "Similarity estimation techniques from rounding algorithms",
// STOC 2002): plane i is hyperplanes[i/4][·][i%4], as four sums at a time don't
// wait for each other. They are a fixed stream: codes are the same in every run.
var hyperplanes = func() (h [16 * codeWords][dims][4]float32) {
	rng := rand.New(rand.NewPCG(0x666c6174, 0x66656c6c))
	for i := range 64 * codeWords {
		var mean float64
		var v [dims]float64
		for j := range v {
			v[j] = rng.NormFloat64()
			mean += v[j] / dims
		}
		// All descriptors share a large common part, the mean direction; a
		// plane through it splits them evenly.
		for j := range v {
			h[i/4][j][i%4] = float32(v[j] - mean)
		}
	}
	return h
}()

// describe adds corner p, in the level's pixels, to the set: once for its
// dominant gradient angle and once for a second one nearly as strong.
func (s *Set) describe(g gradients, p Point) {
	angles, n := dominantAngles(g, p)
	full := p
	level := g.x.Rect // about the middle that it shares with the frame
	full.X = (p.X-float64(level.Dx())/2)*p.Scale + float64(s.Width)/2
	full.Y = (p.Y-float64(level.Dy())/2)*p.Scale + float64(s.Height)/2
	for _, a := range angles[:n] {
		var d descriptor
		if !d.fill(g, p, a) {
			continue
		}
		full.Angle = a
		s.Points = append(s.Points, full)
		s.desc = append(s.desc, d)
	}
}

// dominantAngles returns up to two peaks of the smoothed histogram of gradient
// angles around p.
func dominantAngles(g gradients, p Point) (angles [2]float64, n int) {
	var hist [orientBins]float64
	w, h := g.x.Rect.Dx(), g.x.Rect.Dy()
	px, py := int(p.X), int(p.Y)
	for y := max(py-orientRadius, 0); y <= min(py+orientRadius, h-1); y++ {
		gx, gy := g.x.Row(y), g.y.Row(y)
		for x := max(px-orientRadius, 0); x <= min(px+orientRadius, w-1); x++ {
			dx, dy := float64(x)+0.5-p.X, float64(y)+0.5-p.Y
			r2 := dx*dx + dy*dy
			if r2 > orientRadius*orientRadius {
				continue
			}
			m := math.Hypot(float64(gx[x]), float64(gy[x])) * math.Exp(-r2/(2*orientSigma*orientSigma))
			b := (math.Atan2(float64(gy[x]), float64(gx[x]))/(2*math.Pi) + 1) * orientBins
			i := int(b)
			f := b - float64(i)
			hist[i%orientBins] += m * (1 - f)
			hist[(i+1)%orientBins] += m * f
		}
	}
	for range 3 {
		prev := hist[orientBins-1]
		first := hist[0]
		for i := range hist {
			next := first
			if i+1 < orientBins {
				next = hist[i+1]
			}
			hist[i], prev = (prev+2*hist[i]+next)/4, hist[i]
		}
	}
	var height [2]float64
	for i, v := range hist {
		l, r := hist[(i+orientBins-1)%orientBins], hist[(i+1)%orientBins]
		if v <= l || v < r || v <= height[1] {
			continue
		}
		a := (float64(i) + (l-r)/(2*(l-2*v+r))) * 2 * math.Pi / orientBins
		if v > height[0] {
			angles[1], height[1] = angles[0], height[0]
			angles[0], height[0] = a, v
		} else {
			angles[1], height[1] = a, v
		}
	}
	switch {
	case height[0] == 0:
		return angles, 0
	case height[1] >= secondAngle*height[0]:
		return angles, 2
	}
	return angles, 1
}

// fill computes the descriptor of p at an angle; ok is false if the window
// is flat.
func (d *descriptor) fill(g gradients, p Point, angle float64) (ok bool) {
	const half = cells / 2 * cellSize
	reach := int(math.Ceil((half + cellSize/2) * math.Sqrt2))
	w, h := g.x.Rect.Dx(), g.x.Rect.Dy()
	sin, cos := math.Sincos(angle)
	// One row and column of cells more on each side take the votes that fall
	// off, so that the inner loop needs no test.
	var hist [cells + 2][cells + 2][orients + 1]float32
	px, py := int(p.X), int(p.Y)
	for y := max(py-reach, 1); y <= min(py+reach, h-2); y++ {
		gxRow, gyRow := g.x.Row(y), g.y.Row(y)
		for x := max(px-reach, 1); x <= min(px+reach, w-2); x++ {
			dx, dy := float64(x)+0.5-p.X, float64(y)+0.5-p.Y
			// Position in cells, the middle of cell i at i + 1.
			u := (dx*cos+dy*sin)/cellSize + cells/2 + 0.5
			v := (dy*cos-dx*sin)/cellSize + cells/2 + 0.5
			if !(u > 0 && v > 0 && u < cells+1 && v < cells+1) {
				continue
			}
			gx, gy := gxRow[x], gyRow[x]
			m := sqrt32(gx*gx + gy*gy)
			if m == 0 {
				continue
			}
			cu, cv := u-(cells+1)/2.0, v-(cells+1)/2.0
			m *= gauss[int((cu*cu+cv*cv)*gaussSteps)]
			o := (atan2Fast(gy, gx) - float32(angle)) * (orients / (2 * math.Pi))
			for o < 0 {
				o += orients
			}
			for o >= orients {
				o -= orients
			}
			iu, iv, io := int(u), int(v), int(o)
			fu, fv, fo := float32(u)-float32(iu), float32(v)-float32(iv), o-float32(io)
			top, bot := m*(1-fv), m*fv
			for _, c := range [4]struct {
				h *[orients + 1]float32
				w float32
			}{
				{&hist[iv][iu], top * (1 - fu)},
				{&hist[iv][iu+1], top * fu},
				{&hist[iv+1][iu], bot * (1 - fu)},
				{&hist[iv+1][iu+1], bot * fu},
			} {
				c.h[io] += c.w * (1 - fo)
				c.h[io+1] += c.w * fo
			}
		}
	}
	var sum float32
	for j := range cells {
		for i := range cells {
			c := &hist[j+1][i+1]
			c[0] += c[orients]
			for k := range orients {
				d.v[(j*cells+i)*orients+k] = c[k]
				sum += c[k]
			}
		}
	}
	if !(sum > 0) {
		return false
	}
	for i, v := range d.v {
		d.v[i] = sqrt32(v / sum)
	}
	d.code = codeOf(&d.v)
	return true
}

// codeOf returns the code of a descriptor's vector.
func codeOf(vector *[dims]float32) (c code) {
	for i := range hyperplanes {
		var s0, s1, s2, s3 float32
		planes := &hyperplanes[i]
		for j, v := range vector {
			h := &planes[j]
			s0 += v * h[0]
			s1 += v * h[1]
			s2 += v * h[2]
			s3 += v * h[3]
		}
		for k, s := range [4]float32{s0, s1, s2, s3} {
			if bit := 4*i + k; s > 0 {
				c[bit/64] |= 1 << (bit % 64)
			}
		}
	}
	return c
}

// gauss is exp(−r²/2σ²) with σ half the window, by r² in cells.
const gaussSteps = 16

var gauss = func() (t [(cells+1)*(cells+1)*gaussSteps/2 + 1]float32) {
	for i := range t {
		t[i] = float32(math.Exp(-(float64(i) + 0.5) / gaussSteps / (2 * cells / 2 * cells / 2)))
	}
	return t
}()

func sqrt32(v float32) float32 { return float32(math.Sqrt(float64(v))) }

// atan2Fast is atan2 to 2e-4 radians, by the odd minimax polynomial of
// Abramowitz & Stegun 4.4.47 (from memory) on the octant.
func atan2Fast(y, x float32) float32 {
	ax, ay := max(x, -x), max(y, -y)
	if ax == 0 && ay == 0 {
		return 0
	}
	swap := ay > ax
	if swap {
		ax, ay = ay, ax
	}
	t := ay / ax
	s := t * t
	a := t * (0.9998660 + s*(-0.3302995+s*(0.1801410+s*(-0.0851330+s*0.0208351))))
	if swap {
		a = math.Pi/2 - a
	}
	if x < 0 {
		a = math.Pi - a
	}
	if y < 0 {
		a = -a
	}
	return a
}
