package geom

import "math"

// FocalsFromTwoPoints returns the focal lengths in pixels, at most three, at
// which two matched points subtend the same angle in both images:
//
//	(a₁·a₂ + w)² (|b₁|²+w)(|b₂|²+w) = (b₁·b₂ + w)² (|a₁|²+w)(|a₂|²+w),  w = f²
//
// for points a, b in pixels relative to the principal point, both images
// sharing f and having no distortion. The w⁴ terms cancel, a cubic remains.
// The result is appended to dst[:0]; it is empty if no root is positive.
//
// Degenerate when both segments have the same length and place about the
// centre; the roots are then noise, and a caller's score must reject them.
// Brown, Hartley & Nistér, "Minimal Solutions for Panoramic Stitching",
// CVPR 2007 (from memory).
func FocalsFromTwoPoints(dst []float64, a, b [2]Pt) []float64 {
	dst = dst[:0]
	dot := func(p, q Pt) float64 { return p.X*q.X + p.Y*q.Y }
	// Scale to unit size so that the cubic's coefficients are comparable.
	unit := math.Sqrt(dot(a[0], a[0]) + dot(a[1], a[1]) + dot(b[0], b[0]) + dot(b[1], b[1]))
	if !(unit > 0) {
		return dst
	}
	u2 := unit * unit
	a1, a2, a12 := dot(a[0], a[0])/u2, dot(a[1], a[1])/u2, dot(a[0], a[1])/u2
	b1, b2, b12 := dot(b[0], b[0])/u2, dot(b[1], b[1])/u2, dot(b[0], b[1])/u2
	side := func(p12, q1, q2 float64) (c3, c2, c1, c0 float64) {
		return q1 + q2 + 2*p12, q1*q2 + 2*p12*(q1+q2) + p12*p12,
			2*p12*q1*q2 + p12*p12*(q1+q2), p12 * p12 * q1 * q2
	}
	l3, l2, l1, l0 := side(a12, b1, b2)
	r3, r2, r1, r0 := side(b12, a1, a2)
	var roots [3]float64
	for _, w := range realRoots(roots[:0], l3-r3, l2-r2, l1-r1, l0-r0) {
		if w > 0 {
			dst = append(dst, math.Sqrt(w)*unit)
		}
	}
	return dst
}

// realRoots appends to dst the real roots of c3 x³ + c2 x² + c1 x + c0, by
// the trigonometric and Cardano forms, falling back to lower degrees where
// the leading coefficients vanish against the rest.
func realRoots(dst []float64, c3, c2, c1, c0 float64) []float64 {
	const tiny = 1e-12
	m := max(math.Abs(c3), math.Abs(c2), math.Abs(c1), math.Abs(c0))
	switch {
	case m == 0:
		return dst
	case math.Abs(c3) > tiny*m:
		p, q, r := c2/c3, c1/c3, c0/c3
		// x = t − p/3: t³ + 3Q' t − 2R' = 0 in the usual names.
		q3 := (3*q - p*p) / 9
		r3 := (9*p*q - 27*r - 2*p*p*p) / 54
		if d := q3*q3*q3 + r3*r3; d >= 0 {
			s := math.Sqrt(d)
			return append(dst, math.Cbrt(r3+s)+math.Cbrt(r3-s)-p/3)
		}
		t := math.Acos(max(-1, min(1, r3/math.Sqrt(-q3*q3*q3))))
		g := 2 * math.Sqrt(-q3)
		for k := range 3 {
			dst = append(dst, g*math.Cos((t+2*math.Pi*float64(k))/3)-p/3)
		}
		return dst
	case math.Abs(c2) > tiny*m:
		d := c1*c1 - 4*c2*c0
		if d < 0 {
			return dst
		}
		// The form that does not cancel.
		q := -0.5 * (c1 + math.Copysign(math.Sqrt(d), c1))
		dst = append(dst, q/c2)
		if q != 0 {
			dst = append(dst, c0/q)
		}
		return dst
	case math.Abs(c1) > tiny*m:
		return append(dst, -c0/c1)
	}
	return dst
}
