package stitch

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
	"flatfell.example/internal/optim"
)

// rowLevel returns the direction up, in the world of the rotations, that the
// cameras' poses tell: their x axes lie level (roll near zero) and their
// optical axes all rise by one common angle:
//
//	minimise Σ ρ((xᵢ·u)²/σ²) + Σ ρ((asin zᵢ·u − s)²/σ²) + s²/σs²   over |u| = 1, s
//
// The first sum alone is the null vector of Brown & Lowe 2007 sec. 5, which
// fails for two frames and for a column; the second uses that a tripod head
// keeps its pitch, and the robust loss lets columns and several rows, whose
// pitch steps, through.
func rowLevel(rots []geom.Rotation) geom.Vec {
	type state struct {
		up geom.Vec
		s  float64
	}
	var start state
	for _, r := range rots {
		start.up = r3.Sub(start.up, r.Row(1))
	}
	start.up = r3.Unit(start.up)
	for _, r := range rots {
		start.s += pitchOf(r, start.up) / float64(len(rots))
	}
	const (
		sigma  = 0.6 * math.Pi / 180 // hand-held: ±1° is σ 0.58°
		sigmaS = 15 * math.Pi / 180
	)
	loss := optim.Cauchy{Scale: 3}
	tangent := func(u geom.Vec) (e1, e2 geom.Vec) {
		axis := geom.Vec{X: 1}
		if math.Abs(u.X) > 0.7 {
			axis = geom.Vec{Z: 1}
		}
		e1 = r3.Unit(cross(u, axis))
		return e1, cross(u, e1)
	}
	plus := func(x state, d []float64) state {
		e1, e2 := tangent(x.up)
		up := r3.Add(x.up, r3.Add(r3.Scale(d[0], e1), r3.Scale(d[1], e2)))
		return state{r3.Unit(up), x.s + d[2]}
	}
	cols := []int{0, 1, 2}
	eval := func(x state, n *optim.Normal) (cost float64) {
		e1, e2 := tangent(x.up)
		// An axis's angle above the level plane has the slope 1/cos.
		add := func(axis geom.Vec, offset, byS float64) {
			sin := max(-0.999, min(0.999, r3.Dot(axis, x.up)))
			r := (math.Asin(sin) - offset) / sigma
			rho, w := loss.Loss(r * r)
			cost += rho
			if n != nil {
				k := 1 / (sigma * math.Sqrt(1-sin*sin))
				n.Add(cols, []float64{k * r3.Dot(axis, e1), k * r3.Dot(axis, e2), -byS / sigma}, r, w)
			}
		}
		for _, r := range rots {
			add(r.Row(0), 0, 0)
			add(r.Row(2), x.s, 1)
		}
		r := x.s / sigmaS
		cost += r * r
		if n != nil {
			n.Add(cols[2:], []float64{1 / sigmaS}, r, 1)
		}
		return cost
	}
	best, _ := optim.Minimise(start, 3, eval, plus, optim.LMOptions{MaxIterations: 100})
	// Frames rolled every which way all have level x axes if one looks
	// straight down: no photographer means that.
	if r3.Dot(best.up, start.up) < math.Cos(maxLevelChange.Radians()) {
		return start.up
	}
	return best.up
}

// maxLevelChange is how far the poses may turn up away from the mean of the
// frames' own upward edges.
const maxLevelChange = 20 * geom.Degree

// pitchOf returns the angle in radians of a camera's optical axis above the
// plane across up.
func pitchOf(r geom.Rotation, up geom.Vec) float64 {
	return math.Asin(max(-1, min(1, r3.Dot(r.Row(2), up))))
}

// worldFromUp returns the rotation that turns the rotations' present world
// into the levelled one: y down along −up, z toward the middle of the row,
// where order lists the frames from left to right.
func worldFromUp(rots []geom.Rotation, order []int, up geom.Vec) (levelFromWorld geom.Rotation) {
	n := len(order)
	mid := r3.Add(rots[order[(n-1)/2]].Row(2), rots[order[n/2]].Row(2))
	down := r3.Scale(-1, up)
	z := r3.Sub(mid, r3.Scale(r3.Dot(mid, down), down))
	if r3.Norm(z) < 1e-9 { // the middle frame looks straight up or down
		z = r3.Sub(rots[order[n/2]].Row(1), r3.Scale(r3.Dot(rots[order[n/2]].Row(1), down), down))
	}
	z = r3.Unit(z)
	x := cross(down, z)
	return geom.Rotation{x.X, x.Y, x.Z, down.X, down.Y, down.Z, z.X, z.Y, z.Z}
}

// upFromHand returns up as the photographer says that the middle frame was
// held.
func upFromHand(mid geom.Rotation, l Level) geom.Vec {
	camFromLevel := geom.FromYawPitchRoll(0, l.Pitch, l.Roll)
	upInCam := camFromLevel.Apply(geom.Vec{Y: -1})
	return mid.Inv().Apply(upInCam)
}

// leftToRight returns the frames in order of their azimuth about up, starting
// after the widest gap, so that a row across the back of the circle and a full
// turn are in order too.
func leftToRight(rots []geom.Rotation, up geom.Vec) []int {
	n := len(rots)
	az := make([]float64, n)
	ref := rots[0].Row(2)
	right := cross(r3.Scale(-1, up), ref)
	for i, r := range rots {
		z := r.Row(2)
		az[i] = math.Atan2(r3.Dot(z, right), r3.Dot(z, ref))
	}
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	sortBy(order, func(i int) float64 { return az[i] })
	widest, at := 0.0, 0
	for k := range order {
		gap := az[order[k]] - az[order[(k+n-1)%n]]
		if k == 0 {
			gap += 2 * math.Pi
		}
		if gap > widest+1e-12 {
			widest, at = gap, k
		}
	}
	return append(order[at:len(order):len(order)], order[:at]...)
}
