package scene

import "math"

// shoreline is the water's edge z = line(x) on the plane of the beach, bent
// seaward on one side, where the dunes are.
type shoreline struct {
	seed      uint32
	flip      bool
	z0, bend  float64
	wide, odd float64
}

func newShoreline(seed uint64) shoreline {
	st := newStream(seed, 3)
	return shoreline{
		seed: st.seed32(), flip: st.next() < 0.5,
		z0: st.in(15, 22), bend: st.in(0.55, 0.8),
		wide: st.in(1.5, 3.5), odd: st.in(0.5, 1.1),
	}
}

// inland returns about how far a point lies inland of the water's edge,
// negative in the sea, in metres.
func (l *shoreline) inland(x, z float64) float64 {
	if l.flip {
		x = -x
	}
	line := l.z0 + l.wide*noise1(x/19, l.seed) + l.odd*noise1(x/5.3, l.seed+1) + 0.25*noise1(x/1.1, l.seed+2)
	slope := 0.0
	if x < -12 {
		line += l.bend * (-12 - x)
		slope = l.bend
	}
	return (line - z) / math.Sqrt(1+slope*slope)
}

// track is a line of footprints.
type track struct{ x, z, cos, sin, stride, phase float64 }

func newTracks(seed uint64) []track {
	st := newStream(seed, 4)
	tracks := make([]track, 2)
	for i := range tracks {
		a := st.sym(0.5) + math.Pi/2
		tracks[i] = track{x: st.sym(3), z: st.in(3.5, 9), cos: math.Cos(a), sin: math.Sin(a), stride: st.in(0.6, 0.8), phase: st.next()}
	}
	return tracks
}

// ground returns the colour of the horizontal plane, met at dist metres.
func (s *Scene) ground(q *ray, dist float64) rgb {
	dist = min(max(dist, 0), 2e5)
	x, z := q.o.X+dist*q.hx, q.o.Z+dist*q.hz
	// One pixel covers across × deep metres of the plane.
	across := q.foot * hypot(dist, s.eye)
	deep := across * hypot(dist, s.eye) / s.eye
	land := -1e9
	if dist < 3000 {
		land = s.shore.inland(x, z)
	}
	soft := 0.03 + 0.6*deep
	var c rgb
	switch {
	case land > soft:
		c = s.beach(q, x, z, land, dist, across, deep)
	case land < -soft:
		c = s.sea(q, x, z, land, dist, across, deep)
	default:
		c = mix(s.sea(q, x, z, land, dist, across, deep),
			s.beach(q, x, z, land, dist, across, deep), 0.5+0.5*land/soft)
	}
	return s.hazed(c, min(dist, 2500))
}

// mirror returns the sky as a rough horizontal mirror shows it.
func (s *Scene) mirror(q *ray, rough float64) rgb {
	m := q.m + rough
	return s.clearSky(q, m/math.Sqrt(1+m*m))
}

func (s *Scene) beach(q *ray, x, z, land, dist, across, deep float64) rgb {
	foot := 0.8 * deep
	n := fbm(x/2.1, z/2.1, foot/2.1, 8, 0.56, s.seed+31)
	big := fbm(x/14, z/9, foot/9, 3, 0.5, s.seed+32)
	// Grain in polar coordinates, where pixels are square at any distance.
	az, down := q.az, s.eye/dist
	if q.side != 0 || q.along != 0 {
		az, down = math.Atan2(x, z), s.eye/hypot(x, z)
	}
	const grain = 0.013 // radians
	grit := aroundSeam(az, func(az float64) float64 {
		return fbm(az/grain, down/(0.7*grain), q.foot/(0.7*grain), 6, 0.97, s.seed+36)
	})
	// The sand dries inland; hollows stay wet.
	wet := 1 - step(2, 9, land+2.6*big+0.5*n)
	dry := dryShade.scale(1 + 0.17*n + 0.08*big + grit*(0.05+0.012*grit))
	// Ripples run along the shore, one every 11 cm, in patches.
	lambda := 0.11
	amp := octaveWeight(2*(deep*math.Abs(q.hz)+across*math.Abs(q.hx))/lambda) * step(-0.5, 0.6, 0.9*noise2(x/2.7, z/1.9, s.seed+33)+0.6*wet-0.1)
	if amp > 0 {
		phase := z/lambda + 2.1*noise2(x/0.9, z/1.4, s.seed+34) + 0.8*noise2(x/0.21, z/0.5, s.seed+35)
		r := math.Sin(2 * math.Pi * phase)
		dry = dry.scale(1 + amp*(0.2*r+0.1*r*r*r))
	}
	c := mix(dry, rgb{0.165, 0.132, 0.1}.scale(1+0.24*n+0.09*grit+0.35*(dry.g/dryShade.g-1)), wet)
	// A film of water mirrors the sky, most near the sea and in pools.
	film := wet * step(0.1, 0.75, 1-land/5+0.45*big+0.25*n)
	pool := step(0.32, 0.42, -0.75*big+0.12*n+0.25*wet-0.05)
	cos := 1 / math.Sqrt(1+q.m*q.m) // of the angle to the plane
	fresnel := 0.04 + 0.9*cos*cos*cos*cos*cos*cos
	shine := clamp01(max(0.6*film, 0.9*pool*wet) * (0.25 + fresnel))
	if shine > 0 {
		c = mix(c, s.mirror(q, 0.02+0.03*n), shine)
	}
	if dist < 25 {
		c = s.litter(c, x, z, land, math.Sqrt(across*deep))
	}
	return c
}

// litter strews footprints, pebbles and shells.
func (s *Scene) litter(c rgb, x, z, land, foot float64) rgb {
	if land > 2 {
		for i := range s.tracks {
			t := &s.tracks[i]
			a := (x-t.x)*t.cos - (z-t.z)*t.sin
			b := (x-t.x)*t.sin + (z-t.z)*t.cos
			a += 0.5 * math.Sin(0.35*b) // nobody walks straight
			if math.Abs(a) > 0.4 {
				continue
			}
			k, f := floorFrac(b/t.stride + t.phase)
			da := a - 0.11*float64(1-2*(k&1)) - 0.04*signed(hash2(k, int32(i), s.seed+41))
			db := (f - 0.5) * t.stride
			r := hypot(da/0.055, db/0.14)
			w := 0.5*foot/0.055 + 0.25
			hollow := step(1+w, 1-w, r)
			rim := clamp01(1 - math.Abs(r-1.3)/(0.3+w))
			light := 1 - hollow*(0.3+0.2*clamp01(0.5-4*da)) + 0.14*rim
			c = c.scale(light)
		}
	}
	c = s.stones(c, x, z, foot, 0.55, 0.018, 0.075, 0.16, 43)
	c = s.stones(c, x, z, foot, 0.17, 0.006, 0.02, 0.24, 44)
	return c
}

// stones puts at most one stone or shell into each cell of the plane, wholly
// inside it, so that one look-up finds it.
func (s *Scene) stones(c rgb, x, z, foot, cell, small, large, chance float64, salt uint32) rgb {
	if foot > 1.5*large {
		return c
	}
	ix, fx := floorFrac(x / cell)
	iz, fz := floorFrac(z / cell)
	h := hash2(ix, iz, s.seed+salt)
	// Stones lie in drifts.
	if unit(h) > chance*(1+noise2(x/3.1, z/1.3, s.seed+salt+7)) {
		return c
	}
	h2, h3 := hash2(ix, iz, h), hash2(iz, ix, h+1)
	size := unit(h2)
	r := small + (large-small)*size*size*size
	room := 0.5 - 1.35*r/cell
	dx := fx*cell - cell*(0.5+room*signed(h3))
	dz := fz*cell - cell*(0.5+room*signed(h3*0x9e3779b1))
	flat := 0.6 + 0.4*unit(h2*0x85ebca77)
	dist := hypot(dx, dz/flat)
	cover := clamp01(0.5 + (r-dist)/max(foot, 0.1*r))
	shadow := clamp01(0.5 + (r-hypot(dx+0.35*r*s.sun.X, dz/flat+0.3*r))/max(foot, 0.5*r))
	fade := clamp01(2*r/foot - 0.5)
	c = c.scale(1 - 0.5*shadow*fade)
	if cover <= 0 {
		return c
	}
	tone := unit(h2 * 0xc2b2ae35)
	stone := mix(rgb{0.09, 0.09, 0.095}, rgb{0.30, 0.26, 0.21}, tone)
	if tone > 0.72 {
		stone = rgb{0.68, 0.62, 0.54} // a shell
	}
	light := 0.9 + 0.35*(dx*s.sun.X-dz*0.6)/r + 0.2*noise2(dx/(0.3*r), dz/(0.3*r), h)
	return mix(c, stone.scale(max(light, 0.1)), cover*fade)
}

func (s *Scene) sea(q *ray, x, z, land, dist, across, deep float64) rgb {
	// a along the crests, b across them.
	a, b := x*s.windCos+z*s.windSin, -x*s.windSin+z*s.windCos
	fa, fb := across, 0.6*deep
	wave := bands(a, b, fa, fb, 0.24, 0.12, 6, s.seed+51)
	swell := noise2(a/31, b/6.5, s.seed+52)*octaveWeight(fb/6.5) + 0.7*bands(a, b, 2*fa, 6*fb, 7, 5, 3, s.seed+53)
	// Far out the waves hide each other's slopes.
	slope := (0.20*wave + 0.22*swell) / (1 + (dist/1500)*(dist/1500))
	// A wavy surface never mirrors all, even at the horizon.
	f := 1 - clamp01(q.m/math.Sqrt(1+q.m*q.m)+0.16+0.3*slope)
	fresnel := 0.03 + 0.72*f*f*f*f
	body := mix(s.seaNear, s.seaFar, step(5, 400, dist))
	shallow := step(-14, 0, land)
	body = mix(body, rgb{0.17, 0.19, 0.155}, 0.75*shallow)
	body = body.scale(1 + 1.1*slope)
	c := mix(body, s.mirror(q, 0.12+0.35*max(slope, -0.3)), clamp01(fresnel*(1+1.3*slope)))
	// Breakers: lines of foam parallel to the shore, and scattered crests.
	if land > -60 {
		lace := fbm(x/1.7, z/0.8, deep/0.8, 6, 0.62, s.seed+54)
		off := -land + 2.5*noise2(x/16, z/30, s.seed+55)
		line := 0.0
		for k := range 4 {
			at := 0.6 + 4.1*float64(k) + 1.1*float64(k*k)
			d := off - at
			// Steep in front, trailing foam behind.
			w := 0.55 + 0.3*float64(k)
			thin := min(1, w/(1.2*deep)) // lines under a pixel widen and pale
			w /= thin
			broken := 0.5 + 0.75*noise2(x/(7+4*float64(k)), 9.5*float64(k), s.seed+56)
			if k == 0 {
				broken = 0.8
			}
			e := (1 - step(0, 3.2*w, d)) * step(-0.6*w, 0.15*w, d)
			line = max(line, e*broken*thin)
			if k > 0 { // the shaded front of the wave
				c = c.scale(1 - 0.35*clamp01(1-math.Abs(d+0.5*w)/(0.6*w))*clamp01(broken+0.3)*thin)
			}
		}
		foam := step(0.34, 0.62, line+0.32*lace-0.05)
		c = mix(c, rgb{0.70, 0.73, 0.75}.scale(0.92+0.12*lace), 0.93*foam)
	}
	cap := step(1.75, 2.3, wave+0.9*swell) * (1 - step(500, 2500, dist))
	return mix(c, rgb{0.6, 0.64, 0.66}, 0.7*cap)
}
