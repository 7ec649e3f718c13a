package scene

import (
	"math"
	"sort"

	"flatfell.example/geom"
)

// moverKind is what a mover is.
type moverKind string

const (
	bird   moverKind = "bird"
	boat   moverKind = "boat"
	walker moverKind = "walker"
	crest  moverKind = "crest"
)

// mover is a flat figure on a cylinder around the turning axis that moves
// along it at a constant speed.
type mover struct {
	kind  moverKind
	dist  float64 // metres
	az    float64 // radians at time 0
	speed float64 // radians a second
	high  float64 // height of its middle above the ground, metres
	size  float64 // half its width, metres
	eye   float64 // height of the turning axis's origin above the ground, metres
	seed  uint32
}

// newMovers spreads n movers over the middle of the row.
func newMovers(seed uint64, n int, eye float64) []mover {
	st := newStream(seed, 6)
	kinds := [...]moverKind{walker, bird, boat, crest}
	ms := make([]mover, 0, n)
	for i := range n {
		m := mover{kind: kinds[i%len(kinds)], seed: st.seed32(), az: st.sym(0.9), eye: eye}
		sign := 1.0
		if st.next() < 0.5 {
			sign = -1
		}
		switch m.kind {
		case bird:
			m.dist, m.high, m.size, m.speed = st.in(30, 70), st.in(4, 16), st.in(0.5, 0.8), 0.06
		case boat:
			m.dist, m.high, m.size, m.speed = st.in(250, 410), 1.6, st.in(3, 6), 0.008
		case walker:
			m.dist, m.high, m.size, m.speed = st.in(9, 14.9), 0.88, 0.3, 0.09
		case crest:
			m.dist, m.high, m.size, m.speed = st.in(45, 75), 0.25, st.in(3, 7), 0.02
		}
		m.speed *= sign * st.in(0.7, 1.3)
		ms = append(ms, m)
	}
	sort.SliceStable(ms, func(i, j int) bool { return ms[i].dist < ms[j].dist })
	return ms
}

// azimuth returns where the mover is at a time, in (−π, π].
func (m *mover) azimuth(time float64) geom.Angle {
	return geom.Angle(m.az + m.speed*time).Wrap()
}

// middle returns the middle of the mover in the world frame.
func (m *mover) middle(time float64) geom.Vec {
	a := m.azimuth(time).Radians()
	return geom.Vec{X: m.dist * math.Sin(a), Y: m.eye - m.high, Z: m.dist * math.Cos(a)}
}

// look returns the mover's colour along q and the fraction that it covers.
func (m *mover) look(q *ray, time, ground float64) (c rgb, cover float64) {
	now := m.azimuth(time).Radians()
	d := math.Remainder(q.az-now, 2*math.Pi)
	if math.Abs(d) > m.size/m.dist+0.1 || m.dist > ground {
		return c, 0
	}
	az, y := q.across(m.dist)
	u := math.Remainder(az-now, 2*math.Pi) * m.dist / m.size // −1 … 1
	if m.speed < 0 {
		u = -u
	}
	v := (m.eye - y - m.high) / m.size
	// inside is a distance in units of size, positive inside the figure.
	var inside float64
	au := math.Abs(u)
	switch m.kind {
	case bird:
		c = rgb{0.05, 0.05, 0.06}
		wing := 0.32*math.Sin(2.2*au+0.4*math.Sin(5*time+unit(m.seed)*6)) - 0.1
		inside = min(0.13*(1-au)+0.02-math.Abs(v-wing), 1-au)
		inside = max(inside, 0.13-math.Hypot(u*0.5, v-wing))
	case boat:
		hull := min(0.16-math.Abs(v+0.28), 1-au-0.5*max(-v-0.28, 0)*2)
		sail := min(1.9*0.5*(1-v)-math.Abs(u-0.02)*1.9, v+0.05)
		c = rgb{0.10, 0.13, 0.2}
		if sail > hull {
			c = rgb{0.75, 0.72, 0.66}.scale(0.85 + 0.15*step(-0.1, 0.1, u))
		}
		inside = max(hull, sail)
	case walker:
		h := v * m.size // metres from the middle
		w := u * m.size
		head := 0.12 - math.Hypot(w, h-0.75)
		body := min(0.19-math.Abs(w)*(1+0.25*h), 0.33-math.Abs(h-0.28))
		swing := 0.22 * math.Sin(3*time+unit(m.seed)*6)
		leg := math.Inf(-1)
		for _, s := range [...]float64{-1, 1} {
			leg = max(leg, min(0.085-math.Abs(w-s*swing*clamp01(0.1-h)), 0.45-math.Abs(h+0.43)))
		}
		c = rgb{0.30, 0.05, 0.04}
		if leg > max(body, head) {
			c = rgb{0.03, 0.04, 0.07}
		} else if head > body {
			c = rgb{0.28, 0.19, 0.14}
		}
		inside = max(head, body, leg) / m.size
	case crest:
		inside = (0.35/m.size)*(1-au*au)*(0.7+0.4*noise1(u*6, m.seed)) - math.Abs(v)
		c = rgb{0.72, 0.75, 0.77}
	}
	return c, clamp01(0.5 + inside*m.size/(q.edge*m.dist))
}
