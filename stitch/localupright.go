package stitch

import (
	"context"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
)

const (
	// plumbDeg is how far from upright an edge may lie that is kept upright.
	plumbDeg = 1.5
	// leastStem is the length of an edge, as a share of the frame's width, from
	// which it is kept straight.
	leastStem = 0.05
	// stemBow is what the square of a point's distance from a line counts against
	// that of a displacement that isn't met; where a stem bows by straightPx over
	// 1000 pixels of its length it counts twice, and more the more it bows.
	stemBow, straightPx = 10.0, 0.5
)

// stem is an upright edge of a frame. A post that stands before the ground and
// reaches above the horizon is as near at its top as at its foot, but what is
// beside it is not, and the local warp follows that: it bends the post where the
// ground ends. So what it does across an edge is to change evenly along it.
type stem struct {
	frame  int
	p      []geom.Pt    // in the photograph, about a cell apart
	across []geom.Pt    // units
	at     []int        // the first coefficient at each
	wx, wy [][4]float64 // and the weights
	u      []float64    // scratch: what is done across
	weight float64      // of its bow
}

// stems returns the upright edges of the placed frames.
func (a *aligner) stems(ctx context.Context) ([]stem, error) {
	per := make([][]stem, len(a.placed))
	err := par.Do(ctx, a.o.Workers, len(a.placed), func(k int) error {
		cam := a.rig.camera(k)
		view, err := lookForEdges(ctx, a.small[a.placed[k]], a.shrink, &cam)
		if err != nil {
			return err
		}
		for i := range view.edges {
			if s, ok := newStem(&view.edges[i], &cam); ok {
				s.frame = k
				per[k] = append(per[k], s)
			}
		}
		return nil
	})
	var all []stem
	for _, s := range per {
		all = append(all, s...)
	}
	return all, err
}

// newStem returns the places of an edge in its frame. ok is false if it is not
// upright, or short.
func newStem(e *upright, cam *geom.Camera) (s stem, ok bool) {
	if math.Abs(e.normal.Y) > math.Sin(plumbDeg*degree) {
		return s, false
	}
	sin, cos := math.Sincos(e.az)
	ahead, right := geom.Vec{X: sin, Z: cos}, geom.Vec{X: cos, Z: -sin}
	pixel := func(v float64) (geom.Pt, bool) {
		aside := -(r3.Dot(e.normal, ahead) + v*e.normal.Y) / r3.Dot(e.normal, right)
		return cam.PixelFromWorld(r3.Add(ahead, r3.Add(r3.Scale(aside, right), geom.Vec{Y: v})))
	}
	top, ok1 := pixel(e.top)
	bottom, ok2 := pixel(e.bottom)
	length := bottom.Sub(top).Norm() / float64(cam.Width)
	if !ok1 || !ok2 || !(length >= leastStem) {
		return s, false
	}
	n := 2 + int(length*localColumns)
	for i := range n {
		v := e.top + (e.bottom-e.top)*float64(i)/float64(n-1)
		p, ok1 := pixel(v)
		q, ok2 := pixel(v + 1e-3)
		if !ok1 || !ok2 {
			return s, false
		}
		d := q.Sub(p)
		s.p = append(s.p, p)
		s.across = append(s.across, geom.Pt{X: d.Y / d.Norm(), Y: -d.X / d.Norm()})
	}
	s.at, s.wx, s.wy = make([]int, n), make([][4]float64, n), make([][4]float64, n)
	s.u = make([]float64, n)
	return s, true
}

// bow sets s.u to how far what the coefficients v do across the stem is from a
// line.
func (f *localFit) bow(s *stem, v []float64) {
	var mean, slope, square float64
	n := float64(len(s.p))
	for i := range s.p {
		d := f.sum(v, s.frame, s.at[i], &s.wx[i], &s.wy[i])
		s.u[i] = d.X*s.across[i].X + d.Y*s.across[i].Y
		t := float64(i) - (n-1)/2
		mean += s.u[i] / n
		slope += t * s.u[i]
		square += t * t
	}
	slope /= square
	for i := range s.u {
		s.u[i] -= mean + slope*(float64(i)-(n-1)/2)
	}
}

// weigh says how much each stem counts, by how much it bows now.
func (f *localFit) weigh() {
	for k := range f.stems {
		s := &f.stems[k]
		f.bow(s, f.x)
		var most float64
		for _, u := range s.u {
			most = max(most, math.Abs(u))
		}
		b := 1000 * most / s.p[len(s.p)-1].Sub(s.p[0]).Norm() / straightPx
		s.weight = stemBow * (1 + b*b)
	}
}

// straighten adds to dst what the stems weigh on the coefficients v: how far what
// they do across is from a line.
func (f *localFit) straighten(dst, v []float64) {
	for k := range f.stems {
		s := &f.stems[k]
		f.bow(s, v)
		for i, u := range s.u {
			e := s.weight * u
			f.add(dst, s.frame, s.at[i], &s.wx[i], &s.wy[i], geom.Pt{X: e * s.across[i].X, Y: e * s.across[i].Y})
		}
	}
}
