package scene

import "math"

// shell is a cylinder around the turning axis on which hills or rocks stand.
type shell struct {
	dist float64 // metres
	kind shellKind
	seed uint32
	// height is the skyline in metres above the ground at azimuth
	// 2π·i/profileSize − π; the last entry repeats the first.
	height []float32
	top    float64 // no part of the shell is higher
	grass  float64 // height in metres of the marram on top
	inSea  bool    // surf at its foot
}

type shellKind int

const (
	dune shellKind = iota
	rock
)

const profileSize = 1 << 15

// newShells lays out the shells from near to far: dunes wherever the shore
// leaves room, stacks and headlands in the sea.
func newShells(seed uint64, shore *shoreline, closed bool) []shell {
	st := newStream(seed, 2)
	side := 1.0 // the headland lies opposite to the dunes
	if shore.flip {
		side = -1
	}
	shells := []shell{
		makeDune(&st, shore, 15, 1.6, 0.45, 22, 36),
		makeDune(&st, shore, 33, 3.4, 0.6, 11, 24),
		makeDune(&st, shore, 78, 7.5, 0.7, 12, 32),
		makeStacks(&st, 130, 2+int(2*st.next()), 7, 15, side*st.in(0.1, 0.3), 0.5),
		makeDune(&st, shore, 240, 15, 0.9, 14, 90),
		makeStacks(&st, 420, 3+int(3*st.next()), 14, 34, side*st.in(0.3, 0.6), 0.42),
	}
	far := makeHeadland(&st, 900, st.in(38, 60), side*st.in(0.62, 0.8), side, closed)
	isle := makeHeadland(&st, 3500, st.in(50, 90), side*st.in(-0.5, -0.2), 0, false)
	return append(shells, far, isle)
}

func newShell(dist float64, kind shellKind, st *stream) shell {
	return shell{dist: dist, kind: kind, seed: st.seed32(), height: make([]float32, profileSize+1)}
}

// fill sets the skyline; f gets the azimuth and the arc length in metres. It is
// made continuous across the seam.
func (sh *shell) fill(f func(az, u float64) float64) {
	for i := range profileSize {
		az := 2*math.Pi*float64(i)/profileSize - math.Pi
		h := max(0, aroundSeam(az, func(turned float64) float64 { return f(az, turned*sh.dist) }))
		sh.height[i] = float32(h)
		sh.top = max(sh.top, h)
	}
	sh.height[profileSize] = sh.height[0]
}

func makeDune(st *stream, shore *shoreline, dist, high, grass, lo, hi float64) shell {
	sh := newShell(dist, dune, st)
	sh.grass = grass
	cell := 2.2 * high
	sh.fill(func(az, u float64) float64 {
		land := shore.inland(dist*math.Sin(az), dist*math.Cos(az))
		n := fbm(u/cell, 0.5, 0, 7, 0.45, sh.seed)
		return high * step(lo, hi, land) * (0.62 + 0.4*n)
	})
	return sh
}

// stack is one sea stack of a shell.
type stack struct{ az, half, high, lean float64 }

func makeStacks(st *stream, dist float64, n int, low, high, centre, spread float64) shell {
	sh := newShell(dist, rock, st)
	sh.inSea = true
	stacks := make([]stack, n)
	for i := range stacks {
		h := st.in(low, high)
		stacks[i] = stack{
			az:   centre + spread*(2*(float64(i)+st.in(0.2, 0.8))/float64(n)-1),
			half: h * st.in(0.22, 0.7), high: h, lean: st.sym(0.35),
		}
	}
	sh.fill(func(az, u float64) float64 {
		best := 0.0
		rough := fbm(u/(0.16*high), 1.5, 0, 7, 0.5, sh.seed)
		jag := 0.05*rough + 0.035*terrace(u/(0.06*high), sh.seed+1)
		for _, k := range stacks {
			t := (az - k.az) * dist / k.half * (1 + 0.5*jag)
			a := math.Abs(t)
			if a > 1.6 {
				continue
			}
			// A flat-topped tower on a low skirt of fallen rock.
			body := (1 - step(0.62, 1.0, a)) * (0.92 + k.lean*t*0.5 + 0.06*(1-a*a) + jag)
			skirt := 0.13 * (1 - step(0.8, 1.6, a)) * (1 + 0.6*rough)
			best = max(best, k.high*max(body, skirt))
		}
		return best
	})
	return sh
}

// terrace is a line of random steps.
func terrace(x float64, seed uint32) float64 {
	i, _ := floorFrac(x)
	return signed(hash2(i, 7, seed))
}

// makeHeadland makes a cliffed coast that rises at azimuth start and runs on
// to the given side (0: an island); closed carries it all round.
func makeHeadland(st *stream, dist, high, start, side float64, closed bool) shell {
	sh := newShell(dist, rock, st)
	sh.inSea = true
	width := st.in(0.06, 0.12)
	sh.fill(func(az, u float64) float64 {
		n := fbm(u/(3*high), 0.5, 0, 9, 0.57, sh.seed)
		j := 0.05*terrace(u/(0.2*high), sh.seed+3) + 0.05*noise1(u/(0.1*high), sh.seed+4)
		var env float64
		if side == 0 {
			env = 1 - math.Abs(az-start)/width
			env = 0.9*step(0, 0.5, env+0.2*n) + 0.2*max(env, 0)
		} else {
			t := side * (az - start)
			env = step(-0.02, 0.03, t+0.03*n) * (0.35 + 0.65*step(0, 0.5, t))
			env *= 1 - step(1.6, 2.0, t)
			// A rock or two off the point.
			env = max(env, 0.22*step(0.2, 0.5, n)*step(-0.16, -0.05, t)*(1-step(-0.02, 0.02, t)))
		}
		if closed {
			env = max(env, 0.55+0.25*noise1(az*3, sh.seed+9))
		}
		return high * env * (0.8 + 0.3*n + j)
	})
	return sh
}

// skyline returns the height at an azimuth and its slope in metres a metre.
func (sh *shell) skyline(az float64) (h, slope float64) {
	x := (az + math.Pi) * (profileSize / (2 * math.Pi))
	if x < 0 {
		x += profileSize
	} else if x >= profileSize {
		x -= profileSize
	}
	i := min(max(int(x), 0), profileSize-1)
	a, b := float64(sh.height[i]), float64(sh.height[i+1])
	return a + (x-float64(i))*(b-a), (b - a) * (profileSize / (2 * math.Pi)) / sh.dist
}

// shell returns the colour of a shell along q and the fraction of the ray
// that it covers.
func (s *Scene) shell(sh *shell, q *ray, ground float64) (c rgb, cover float64) {
	// v is the height above the ground, u the arc length.
	if s.eye-q.o.Y-(sh.dist+MaxOrigin)*q.m > sh.top+sh.grass+MaxOrigin+1 {
		return c, 0
	}
	az, y := q.across(sh.dist)
	v := s.eye - y
	pix := q.foot * sh.dist
	if v < -pix || v > sh.top+sh.grass+pix {
		return c, 0
	}
	if az > math.Pi {
		az -= 2 * math.Pi
	} else if az < -math.Pi {
		az += 2 * math.Pi
	}
	p, slope := sh.skyline(az)
	if p <= 0 {
		return c, 0
	}
	edge := q.edge * sh.dist
	cover = clamp01(0.5 + (p-v)/(edge*math.Sqrt(1+slope*slope)))
	c, fringe := s.texture(sh, az*sh.dist, v, p, slope, pix)
	if w, other := seam(az); w > 0 {
		c2, f2 := s.texture(sh, other*sh.dist, v, p, slope, pix)
		c, fringe = mix(c, c2, w), fringe+w*(f2-fringe)
	}
	return s.hazed(c, sh.dist), max(cover, fringe) * clamp01(0.5+v/edge)
}

// texture returns the colour of a shell at arc length u and height v below a
// skyline of height p, and how much of the ray the marram on top covers.
func (s *Scene) texture(sh *shell, u, v, p, slope, pix float64) (c rgb, fringe float64) {
	edge := 0.5 * pix
	if v > p+edge*math.Abs(slope)+edge && (sh.kind == rock || v-p > sh.grass) {
		return c, 0
	}
	if sh.kind == rock {
		return s.rock(sh, u, v, p, pix), 0
	}
	var blade float64
	if v-p < sh.grass && p > 0.15 {
		blade = marram(u, v, pix, sh.seed+77)
		if v > p-edge {
			tuft := step(0.1, 0.5, p) * (0.55 + 0.6*noise1(u/0.9, sh.seed+5)) * sh.grass
			fringe = clamp01(0.5 + (p+tuft*(0.5+0.62*blade)-v)/(2*edge+0.004))
		}
	}
	return s.dune(sh, u, v, p, pix, blade), fringe
}

// marram is a texture of leaning blades in about [−1, 1].
func marram(u, v, pix float64, seed uint32) float64 {
	sum, amp := 0.0, 0.62
	cu, cv := 0.22, 0.5
	for k := range 5 {
		w := octaveWeight(pix / cu)
		if w <= 0 {
			break
		}
		lean := 0.35 + 0.9*signed(hash2(int32(k), 3, seed))
		sum += amp * w * noise2((u-lean*v)/cu, v/cv, seed+uint32(k))
		amp *= 0.8
		cu *= 0.5
		cv *= 0.85
	}
	return sum
}

func (s *Scene) dune(sh *shell, u, v, p, pix, blade float64) rgb {
	n := fbm(u/3, v/1.1, pix/1.1, 6, 0.55, sh.seed+11)
	sand := dryShade.scale(0.98 + 0.13*n)
	// Marram grows from the ridge down, in patches.
	patch := (v-0.55*p)/(0.35*p+0.3) + 0.9*noise2(u/(1.1+0.4*p), v/(0.5+0.12*p), sh.seed+13) + 0.35*n + 0.45*blade
	g := step(0.05, 0.35, patch)
	if g <= 0 {
		return sand
	}
	green := mix(rgb{0.10, 0.125, 0.045}, rgb{0.36, 0.33, 0.17}, clamp01(0.45+0.62*blade))
	green = green.scale(0.9 + 0.22*n)
	return mix(sand, green, g)
}

var dryShade = rgb{0.52, 0.43, 0.315}

func (s *Scene) rock(sh *shell, u, v, p, pix float64) rgb {
	size := 2 + 0.05*sh.dist // of the largest blocks, in metres
	x, y := u/size, v/size
	f := pix / size
	warp := 0.5 * noise2(x*0.7, y*0.7, sh.seed+21)
	facet := noise2(1.3*x+warp, 0.45*y-0.4*warp, sh.seed+22)
	facet = 0.7 * (step(-0.3, 0.3, facet) - 0.5) // lit and shaded sides
	small := noise2(4.1*x+2*warp, 2.3*y-0.3*x, sh.seed+26)
	facet += 0.45 * (step(-0.22, 0.22, small) - 0.5) * octaveWeight(6*f)
	chip := noise2(13*x-3*y, 8*y+2*warp, sh.seed+28)
	facet += 0.3 * (step(-0.18, 0.18, chip) - 0.5) * octaveWeight(20*f)
	bed := y + 0.12*x + 0.3*warp
	strata := noise2(0.35*x, 4.3*bed, sh.seed+23)*octaveWeight(4.3*f) +
		0.7*noise2(0.8*x, 13*bed, sh.seed+27)*octaveWeight(13*f)
	n := fbm(2*x+warp, 2.6*y, 2.6*f, 7, 0.72, sh.seed+24)
	crack := ridged(1.9*x, 0.8*y+warp, 1.9*f, 5, 0.65, sh.seed+25)
	light := (1 + facet + 0.28*strata + 0.42*n) * (1 - 0.62*step(0.2, 1.0, crack))
	// Shade keeps its structure: a soft floor, not a clip.
	c := s.rockTint.scale(0.5 * (light + math.Sqrt(light*light+0.09)))
	c = mix(c, rgb{c.r * 1.25, c.g, c.b * 0.72}, step(0.1, 0.9, strata+0.4*n)) // iron
	// Turf where the top is flat, wet rock and surf at the foot.
	turf := step(0.55, 0.25, (p-v)/(0.06*sh.top+0.1*p)+0.5*n-0.2*facet) * step(0.12, 0.3, p/sh.top)
	if turf > 0 {
		reach := 0.06 * sh.top
		left, _ := sh.skyline((u - reach) / sh.dist)
		right, _ := sh.skyline((u + reach) / sh.dist)
		turf *= step(0.9, 0.5, (p-min(left, right))/(2*reach))
		c = mix(c, rgb{0.12, 0.145, 0.05}.scale(max(0.25, 1+0.6*n+0.4*facet)), turf*0.92)
	}
	if sh.inSea {
		wet := 0.012 * sh.dist * (0.6 + 0.3*n)
		c = mix(c.scale(0.42), c, step(0, 1, v/(wet+0.3)))
		c = mix(c, rgb{0.62, 0.66, 0.68}, 0.85*step(0.3, 0.8, 0.9-v/(0.16+0.0016*sh.dist)+0.6*n))
	}
	return c
}
