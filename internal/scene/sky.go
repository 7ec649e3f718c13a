package scene

import "math"

// clearSky returns the sky without clouds at an elevation given by its sine.
func (s *Scene) clearSky(q *ray, sinEl float64) rgb {
	up := clamp01(sinEl)
	t := math.Sqrt(up+0.0025) - 0.05
	c := mix(s.horizon, s.zenith, clamp01(1.25*t-0.12*up))
	cosEl := math.Sqrt(1 - up*up)
	// The glow around the sun.
	d := cosEl*(q.hx*s.sun.X+q.hz*s.sun.Z) - up*s.sun.Y
	if d > 0 {
		d2 := d * d
		g := d2 * d2
		c = c.add(s.sunLit.scale(0.10*d2 + 0.16*g*g))
	}
	return c
}

const (
	cloudCurve  = 0.012 // height of the cloud layer over the planet's radius
	cloudLit    = 0.88
	cloudOctave = 8
)

// sky returns the sky along q, seen from the ground. It depends on the
// direction only.
func (s *Scene) sky(q *ray) rgb {
	n := 1 / math.Sqrt(1+q.m*q.m)
	sin, cos := max(-q.m*n, 0), n
	c := s.clearSky(q, sin)
	if s.cover <= 0 {
		return c
	}
	// Distance along the ray to a layer on a round planet, in layer heights.
	const r = 1 / cloudCurve
	root := math.Sqrt(sin*sin + 2*cloudCurve + cloudCurve*cloudCurve)
	t := r * (root - sin)
	x, z := t*cos*q.hx/s.cloudKm, t*cos*q.hz/s.cloudKm
	// A pixel is q.foot·t wide and 1/root times as deep.
	foot := q.foot * t / math.Sqrt(root) / s.cloudKm
	wx := noise2(0.6*x, 0.6*z, s.seed+61)
	wz := noise2(0.6*x+31, 0.6*z, s.seed+62)
	x, z = x+0.45*wx, z+0.45*wz
	body := fbm(x, z, foot, cloudOctave, 0.52, s.seed+63)
	// Where the largest cells are covered depends on cover; 0.9 is about the
	// fbm's range.
	edge := 0.95 - 1.75*s.cover
	d := body - edge + 0.35*noise2(0.23*x, 0.23*z, s.seed+64)
	// Billows, round as seen from below: in angles, not on the layer.
	billow := 0.0
	if near := step(-0.6, -0.15, d); near > 0 {
		el := math.Atan2(sin, cos)
		billow = aroundSeam(q.az, func(az float64) float64 {
			return ridged(az*cos/0.09, el/0.07, q.foot/0.07, 6, 0.6, s.seed+66)
		})
		billow *= -0.25 * near
		d += billow
	}
	if d <= 0 {
		return s.veil(c, x, z, foot, sin)
	}
	alpha := step(0, 0.3, d)
	// Thick parts are dark below; the side toward the sun is bright.
	toSun := fbm(x+0.16*s.sun.X, z+0.16*s.sun.Z, foot, 5, 0.52, s.seed+63) - body
	lit := clamp01(0.66 - 0.55*toSun - 0.45*(d-0.15) + 0.8*billow)
	cloud := mix(rgb{0.34, 0.37, 0.42}, mix(s.sunLit, rgb{1, 1, 1}, 0.5).scale(cloudLit), lit)
	far := clamp01((t - 2.5) / 11)
	cloud = mix(cloud, s.horizon.scale(1.05), 0.62*far*far)
	c = mix(s.veil(c, x, z, foot, sin), cloud, alpha*(0.97-0.25*far))
	return c
}

// veil adds thin high cloud.
func (s *Scene) veil(c rgb, x, z, foot, sin float64) rgb {
	v := fbm(0.5*x+3, 1.7*z, 1.7*foot, 5, 0.55, s.seed+65)
	return mix(c, s.sunLit.scale(0.62), 0.32*min(s.cover*2, 1)*step(0.1, 1.2, v)*step(0, 0.15, sin))
}
