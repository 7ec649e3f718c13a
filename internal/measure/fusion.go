package measure

import (
	"math"

	"flatfell.example/raster"
)

// The constants of Xydeas and Petrovic: of the loss of strength and of
// orientation of an edge.
const (
	edgeGammaG, edgeKappaG, edgeSigmaG = 0.9994, -15, 0.5
	edgeGammaA, edgeKappaA, edgeSigmaA = 0.9879, -22, 0.8
)

// EdgesKept returns Q^AB/F, the share of the edges of pictures a and b that their
// merger f keeps, each edge weighted by its strength. Edges are those of Sobel; at each
// sample
//
//	Q = Γg/(1 + exp(κg (G − σg))) · Γα/(1 + exp(κα (A − σα)))
//
// with G the ratio of the weaker to the stronger of the two strengths, and A = 1
// where the orientations agree, 0 where they are square to each other. With the
// published constants (from memory) perfection has 0.9748, not 1. The planes have the
// same size; their outermost samples have no edges.
//
// C. Xydeas & V. Petrović, "Objective image fusion performance measure",
// Electronics Letters 36(4), 2000.
func EdgesKept(a, b, f *raster.Plane) float64 {
	var sum, weights float64
	w, h := f.Rect.Dx(), f.Rect.Dy()
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			gf, of := sobel(f, x, y)
			for _, p := range [...]*raster.Plane{a, b} {
				g, o := sobel(p, x, y)
				sum += g * edgeKept(g, o, gf, of)
				weights += g
			}
		}
	}
	if weights == 0 {
		return math.NaN()
	}
	return sum / weights
}

// edgeKept is Q of one edge, by strength and orientation before and after.
func edgeKept(g, o, gf, of float64) float64 {
	strength := 1.0 // neither has any
	if most := max(g, gf); most > 0 {
		strength = min(g, gf) / most
	}
	// Orientations are those of lines: half a turn apart is the same.
	agree := math.Abs(math.Abs(o-of)-math.Pi/2) / (math.Pi / 2)
	return edgeGammaG / (1 + math.Exp(edgeKappaG*(strength-edgeSigmaG))) *
		edgeGammaA / (1 + math.Exp(edgeKappaA*(agree-edgeSigmaA)))
}

// sobel returns the strength of the edge at a sample inside the plane, counted from
// its corner, and its orientation from −π/2 to π/2.
func sobel(p *raster.Plane, x, y int) (strength, orientation float64) {
	at := y*p.Stride + x
	u, m, d := p.Pix[at-p.Stride-1:][:3], p.Pix[at-1:][:3], p.Pix[at+p.Stride-1:][:3]
	sx := float64(u[2]+2*m[2]+d[2]) - float64(u[0]+2*m[0]+d[0])
	sy := float64(d[0]+2*d[1]+d[2]) - float64(u[0]+2*u[1]+u[2])
	if sx == 0 && sy == 0 {
		return 0, 0
	}
	if sx == 0 {
		return math.Abs(sy), math.Pi / 2
	}
	return math.Hypot(sx, sy), math.Atan(sy / sx)
}

// InformationKept returns Q_MI, the normalised mutual information of the
// merger f with pictures a and b,
//
//	2 (I(a, f)/(H(a) + H(f)) + I(b, f)/(H(b) + H(f)))
//
// of samples rounded to 8 bits: 0 if f tells nothing of either, 2 if all three
// are equal. The planes have the same size.
//
// M. Hossny, S. Nahavandi & D. Creighton, "Comments on 'Information measure for
// performance of image fusion'", Electronics Letters 44(18), 2008.
func InformationKept(a, b, f *raster.Plane) float64 {
	var q float64
	for _, p := range [...]*raster.Plane{a, b} {
		var joint [256 * 256]float64
		var hp, hf [256]float64
		for y := range f.Rect.Dy() {
			rp, rf := p.Row(p.Rect.Min.Y+y), f.Row(f.Rect.Min.Y+y)
			for x := range f.Rect.Dx() {
				i, j := raster.Sample8(rp[x]), raster.Sample8(rf[x])
				joint[int(i)<<8+int(j)]++
				hp[i]++
				hf[j]++
			}
		}
		n := float64(f.Rect.Dx() * f.Rect.Dy())
		e, ef, both := entropy(hp[:], n), entropy(hf[:], n), entropy(joint[:], n)
		if e+ef == 0 { // both are one value
			q++
			continue
		}
		q += 2 * (e + ef - both) / (e + ef)
	}
	return q
}

// entropy of a histogram of n samples, in bits.
func entropy(count []float64, n float64) (h float64) {
	for _, c := range count {
		if c > 0 {
			h -= c / n * math.Log2(c/n)
		}
	}
	return h
}
