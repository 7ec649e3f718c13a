package measure

import "flatfell.example/geom"

// PublishedPair is what the authors of a set of photographs say of a frame and the
// one before it.
type PublishedPair struct {
	h [9]float64
	// YawDeg is the turn between them.
	YawDeg float64
}

// Goldengate holds the homographies published with the set `goldengate` of the
// Adobe Panoramas Data Set (J. Brandt, "Transform coding for fast approximate
// nearest neighbor search in high dimensions", CVPR 2010): x_m ~ H x_n for
// frame n = m + 1, in pixels of 600 × 900, the middle of the first pixel at
// (0, 0). The turn is that at the focal length that fits all best, 1330 px.
var Goldengate = []PublishedPair{
	{[9]float64{0.943771, -0.000768, 241.087056, -0.047800, 1.008984, 4.553344, -0.000126, 0.000012, 1.018101}, 9.90},
	{[9]float64{0.928857, -0.011592, 293.893529, -0.063861, 1.001739, 9.463282, -0.000161, 0.000003, 1.024712}, 11.90},
	{[9]float64{0.940729, -0.010446, 262.305480, -0.055995, 0.999128, 9.846078, -0.000142, -0.000000, 1.024998}, 10.62},
	{[9]float64{0.943445, -0.007398, 271.641821, -0.054572, 1.001267, 8.343667, -0.000137, 0.000007, 1.019775}, 11.11},
	{[9]float64{0.933727, -0.009969, 291.487824, -0.060623, 1.000093, 9.413658, -0.000151, 0.000001, 1.024395}, 11.85},
}

// The size of the set's frames, and the focal length that fits all pairs best,
// pixels.
const (
	GoldengateWidth, GoldengateHeight = 600, 900
	GoldengateFocalPx                 = 1330.0
)

// BeforeFrom maps a point of a frame that is a number of times smaller than the
// published ones into the frame before, the corner of the frame at (0, 0).
func (p *PublishedPair) BeforeFrom(q geom.Pt, smaller float64) geom.Pt {
	x, y := smaller*q.X-0.5, smaller*q.Y-0.5
	w := p.h[6]*x + p.h[7]*y + p.h[8]
	return geom.Pt{
		X: ((p.h[0]*x+p.h[1]*y+p.h[2])/w + 0.5) / smaller,
		Y: ((p.h[3]*x+p.h[4]*y+p.h[5])/w + 0.5) / smaller,
	}
}

// Centred returns the homography with the origin of both frames in their middle,
// row by row.
func (p *PublishedPair) Centred() [9]float64 {
	const cx, cy = (GoldengateWidth - 1) / 2.0, (GoldengateHeight - 1) / 2.0
	c := p.h
	for i := range 3 { // H · T(+c)
		c[3*i+2] += cx*c[3*i] + cy*c[3*i+1]
	}
	for j := range 3 { // T(−c) · H
		c[j] -= cx * c[6+j]
		c[3+j] -= cy * c[6+j]
	}
	return c
}
