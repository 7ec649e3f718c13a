package scene

import (
	"math"

	"flatfell.example/geom"
)

// Distance returns how far in metres from origin (metres, world frame, within
// [MaxOrigin] of 0) the first thing lies that hides more than half of what is
// behind it in direction dir (world frame, any length), as [Scene.Radiance]
// sees it with pixels of footprint radians; +Inf for the sky. Movers are not
// looked at.
func (s *Scene) Distance(origin, dir geom.Vec, footprint float64) float64 {
	q := newRay(origin, dir, footprint, 0.5*footprint)
	slope := math.Sqrt(1 + q.m*q.m) // metres along the ray for one along the ground
	ground := math.Inf(1)
	if q.m > 0 {
		ground = (s.eye - origin.Y) / q.m
	}
	// Posts are sorted by the distance from the axis, as the shells are.
	best := ground
	for _, i := range s.near[postBucket(q.az)] {
		p := &s.posts[i]
		if _, cover := s.post(&q, int(i), ground); cover > 0.5 {
			dx, dz := p.X-origin.X, p.Z-origin.Z
			b := dx*q.hz - dz*q.hx
			best = min(best, dx*q.hx+dz*q.hz-math.Sqrt(max(p.Radius*p.Radius-b*b, 0)))
		}
	}
	for i := range s.shells {
		sh := &s.shells[i]
		if sh.dist >= ground+1 {
			break
		}
		if _, cover := s.shell(sh, &q, ground); cover > 0.5 {
			best = min(best, math.Sqrt(sh.dist*sh.dist-q.side*q.side)-q.along)
			break
		}
	}
	return best * slope
}
