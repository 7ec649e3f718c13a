package scene

import "math"

// hash2 mixes a lattice point and a seed into 32 random bits.
func hash2(ix, iy int32, seed uint32) uint32 {
	return scramble((uint32(ix)*strideX + uint32(iy)*strideY) ^ seed)
}

const strideX, strideY = 0x8da6b343, 0xd8163841

// scramble is a bijection whose high bits depend on all bits of h.
func scramble(h uint32) uint32 {
	h ^= h >> 15
	h *= 0x2c1b3c6d
	h ^= h >> 13
	h *= 0x297a2d39
	return h
}

// hash64 mixes a counter into 64 random bits (the finaliser of SplitMix64:
// Steele, Lea & Flood, OOPSLA 2014).
func hash64(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// stream is a small generator of the numbers that lay out a scene or a row.
type stream uint64

func newStream(seed uint64, purpose uint64) stream {
	return stream(hash64(hash64(seed) ^ purpose*0xd6e8feb86659fd93))
}

// next returns a number in [0, 1).
func (s *stream) next() float64 {
	*s += 0x9e3779b97f4a7c15
	return float64(hash64(uint64(*s))>>11) * 0x1p-53
}

// in returns a number in [lo, hi).
func (s *stream) in(lo, hi float64) float64 { return lo + (hi-lo)*s.next() }

// sym returns a number in [−a, a).
func (s *stream) sym(a float64) float64 { return s.in(-a, a) }

func (s *stream) seed32() uint32 { return uint32(s.next() * (1 << 32)) }

const latticeBias = 1 << 30

// floorFrac splits x, |x| < 2³⁰, into floor and fraction.
func floorFrac(x float64) (int32, float64) {
	i := int64(x+latticeBias) - latticeBias
	return int32(i), x - float64(i)
}

func smooth5(t float64) float64 { return t * t * t * (t*(6*t-15) + 10) }

// signed turns 32 random bits into a number in [−1, 1).
func signed(h uint32) float64 { return float64(int32(h)) * 0x1p-31 }

// unit turns 32 random bits into a number in [0, 1).
func unit(h uint32) float64 { return float64(h) * 0x1p-32 }

// noise2 is value noise in [−1, 1] with lattice spacing 1 and continuous
// second derivatives.
func noise2(x, y float64, seed uint32) float64 {
	ix, fx := floorFrac(x)
	iy, fy := floorFrac(y)
	u, v := smooth5(fx), smooth5(fy)
	at := uint32(ix)*strideX + uint32(iy)*strideY
	a := signed(scramble(at ^ seed))
	b := signed(scramble((at + strideX) ^ seed))
	c := signed(scramble((at + strideY) ^ seed))
	d := signed(scramble((at + strideX + strideY) ^ seed))
	a += u * (b - a)
	c += u * (d - c)
	return a + v*(c-a)
}

// noise1 is value noise in [−1, 1] on a line.
func noise1(x float64, seed uint32) float64 {
	ix, fx := floorFrac(x)
	a := signed(hash2(ix, 0, seed))
	b := signed(hash2(ix+1, 0, seed))
	return a + smooth5(fx)*(b-a)
}

// fbm sums octaves of value noise: cells of 1, 1/2, 1/4 … with amplitudes
// 1, gain, gain² …, each octave turned by atan(3/4) so that no lattice shows.
// foot is the width of a pixel in cells of the first octave: octaves with
// cells of two pixels count in full, those under one pixel not at all.
func fbm(x, y, foot float64, octaves int, gain float64, seed uint32) float64 {
	sum, amp := 0.0, 1.0
	for range octaves {
		w := octaveWeight(foot)
		if w <= 0 {
			break
		}
		sum += amp * w * noise2(x, y, seed)
		x, y = 1.6*x-1.2*y+17.3, 1.2*x+1.6*y+5.7
		foot *= 2
		amp *= gain
		seed += 0x9e3779b9
	}
	return sum
}

// ridged is [fbm] of 1 − 2|n|: creases instead of hills, as in rock.
func ridged(x, y, foot float64, octaves int, gain float64, seed uint32) float64 {
	sum, amp := 0.0, 1.0
	for range octaves {
		w := octaveWeight(1.5 * foot)
		if w <= 0 {
			break
		}
		sum += amp * w * (0.8 - 2.4*math.Abs(noise2(x, y, seed)))
		x, y = 1.6*x-1.2*y+11.9, 1.2*x+1.6*y+3.1
		foot *= 2
		amp *= gain
		seed += 0x9e3779b9
	}
	return sum
}

// octaveWeight fades an octave whose cell is 1/foot pixels wide.
func octaveWeight(foot float64) float64 {
	if foot <= 0.5 {
		return 1
	}
	return 1/foot - 1
}

// bands sums count octaves of noise on a plane seen at a slant, from the
// finest that pixels of footU × footV can show. Octave k ≥ 0 has cells of
// a·2^(k/2) × b·2ᵏ: v runs away from the eye, where pixels grow as the square
// of the distance while they grow with the distance across, so that cells
// look alike everywhere. All octaves have the same amplitude, and so does the
// picture at any distance.
func bands(u, v, footU, footV, a, b float64, count int, seed uint32) float64 {
	l := max(0, 0.5+math.Log2(max(footU*footU/(a*a), footV/b)))
	k0 := int(l)
	fr := l - float64(k0)
	su, sv := math.Ldexp(1, -k0/2)/a, math.Ldexp(1, -k0)/b
	if k0&1 == 1 {
		su *= math.Sqrt2 / 2
	}
	sum := 0.0
	for k := range count {
		w := 1.0
		switch k {
		case 0:
			w = 1 - fr
		case count - 1:
			w = fr
		}
		sum += w * noise2(u*su, v*sv, seed+uint32(k0+k)*0x9e3779b9)
		su *= math.Sqrt2 / 2
		sv *= 0.5
	}
	return sum
}

// seamWidth is the angle over which textures in azimuth are blended to either
// side of ±π, behind the photographer.
const seamWidth = 0.05

// aroundSeam returns f(az), made continuous across ±π.
func aroundSeam(az float64, f func(az float64) float64) float64 {
	v := f(az)
	if w, other := seam(az); w > 0 {
		v += w * (f(other) - v)
	}
	return v
}

// seam returns the weight, up to ½ at ±π, with which the texture at azimuth
// other, a full turn away, is mixed in.
func seam(az float64) (w, other float64) {
	w = 0.5 * (math.Abs(az) - math.Pi + seamWidth) / seamWidth
	return min(w, 0.5), az - math.Copysign(2*math.Pi, az)
}

// clamp01 returns x clipped to [0, 1], and 0 for NaN. Branches are faster than
// the built-in min and max, which treat signed zeros.
func clamp01(x float64) float64 {
	if !(x > 0) {
		return 0
	}
	if x > 1 {
		return 1
	}
	return x
}

// hypot is √(x² + y²) without the care of math.Hypot for huge values.
func hypot(x, y float64) float64 { return math.Sqrt(x*x + y*y) }

// step is a smooth step from 0 at lo to 1 at hi.
func step(lo, hi, x float64) float64 {
	t := clamp01((x - lo) / (hi - lo))
	return t * t * (3 - 2*t)
}

// rgb is a linear-light colour with sRGB primaries.
type rgb struct{ r, g, b float64 }

func (c rgb) scale(k float64) rgb { return rgb{c.r * k, c.g * k, c.b * k} }

func (c rgb) add(d rgb) rgb { return rgb{c.r + d.r, c.g + d.g, c.b + d.b} }

// mix returns c for t = 0 and d for t = 1.
func mix(c, d rgb, t float64) rgb {
	return rgb{c.r + t*(d.r-c.r), c.g + t*(d.g-c.g), c.b + t*(d.b-c.b)}
}
