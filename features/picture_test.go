package features

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// similarity maps a true picture into a plane: turned clockwise by an angle,
// enlarged, then moved.
type similarity struct {
	turn  float64 // radians
	scale float64
	move  geom.Pt
}

func (s similarity) apply(p geom.Pt) geom.Pt {
	sin, cos := math.Sincos(s.turn)
	return geom.Pt{
		X: s.scale*(cos*p.X-sin*p.Y) + s.move.X,
		Y: s.scale*(sin*p.X+cos*p.Y) + s.move.Y,
	}
}

// about returns the similarity that keeps the middle of a plane of w × h
// pixels where it is.
func about(w, h int, turn, scale float64) similarity {
	s := similarity{turn: turn, scale: scale}
	mid := geom.Pt{X: float64(w) / 2, Y: float64(h) / 2}
	s.move = mid.Sub(s.apply(mid))
	return s
}

// leaves is a picture of rectangles and discs that hide one another, of sizes
// as in nature: as many between 8 and 16 pixels as between 16 and 32 in each
// piece of its own size ("dead leaves", Lee, Mumford & Huang, IJCV 41(1),
// 2001). It is known everywhere, so that a turned or enlarged view is drawn
// anew and not resampled.
type leaves []leaf

type leaf struct {
	middle       geom.Pt
	halfW, halfH float64 // equal for a disc, the radius
	disc         bool
	turn         float64
	luma, slopeX float64 // luma in the middle, its slope along the leaf's width
}

func newLeaves(w, h int, seed uint64) leaves {
	rng := rand.New(rand.NewPCG(seed, 17))
	// A margin, for views that are turned or drawn smaller.
	const margin = 0.5
	area := float64(w) * float64(h) * (1 + 2*margin) * (1 + 2*margin)
	l := make(leaves, int(area/120))
	for i := range l {
		// The density of radii falls with their third power from 4 to 60.
		const small, large = 4.0, 60.0
		u := rng.Float64()
		r := 1 / math.Sqrt((1-u)/(small*small)+u/(large*large))
		l[i] = leaf{
			middle: geom.Pt{
				X: float64(w) * ((1+2*margin)*rng.Float64() - margin),
				Y: float64(h) * ((1+2*margin)*rng.Float64() - margin),
			},
			halfW: r, halfH: r * (0.4 + 0.6*rng.Float64()),
			disc: rng.IntN(3) == 0, turn: 2 * math.Pi * rng.Float64(),
			luma: 0.2 + 0.6*rng.Float64(), slopeX: 0.1 * (rng.Float64() - 0.5) / r,
		}
		if l[i].disc {
			l[i].halfH = r
		}
	}
	return l
}

// draw returns the view of the picture through s in w × h pixels. Edges are as
// wide as a pixel.
func (l leaves) draw(w, h int, s similarity) *raster.Plane {
	p := raster.NewPlane(image.Rect(0, 0, w, h))
	for i := range p.Pix {
		p.Pix[i] = 0.5
	}
	for _, f := range l {
		m := s.apply(f.middle)
		hw, hh := s.scale*f.halfW, s.scale*f.halfH
		reach := math.Hypot(hw, hh) + 1
		sin, cos := math.Sincos(s.turn + f.turn)
		for y := max(0, int(m.Y-reach)); y < min(h, int(m.Y+reach)+1); y++ {
			row := p.Row(y)
			for x := max(0, int(m.X-reach)); x < min(w, int(m.X+reach)+1); x++ {
				dx, dy := float64(x)+0.5-m.X, float64(y)+0.5-m.Y
				u, v := cos*dx+sin*dy, cos*dy-sin*dx
				var cover float64
				if f.disc {
					cover = hw - math.Hypot(u, v)
				} else {
					cover = min(hw-math.Abs(u), hh-math.Abs(v))
				}
				cover = min(max(cover+0.5, 0), 1)
				if cover > 0 {
					row[x] += float32(cover) * (float32(f.luma+f.slopeX*u/s.scale) - row[x])
				}
			}
		}
	}
	return p
}

// addNoise adds white noise to a plane.
func addNoise(p *raster.Plane, sigma float64, seed uint64) *raster.Plane {
	rng := rand.New(rand.NewPCG(seed, 18))
	for i := range p.Pix {
		p.Pix[i] += float32(sigma * rng.NormFloat64())
	}
	return p
}

// noisePlane is nothing but noise about mid grey.
func noisePlane(w, h int, sigma float64, seed uint64) *raster.Plane {
	p := raster.NewPlane(image.Rect(0, 0, w, h))
	for i := range p.Pix {
		p.Pix[i] = 0.5
	}
	return addNoise(p, sigma, seed)
}

// detect is Detect for planes and options that are in order.
func detect(t testing.TB, p *raster.Plane, o Options) *Set {
	t.Helper()
	s, err := Detect(t.Context(), p, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}
