package warp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
)

const (
	degree = math.Pi / 180
	// tolSurface allows for a few roundings at the steep end of the domain,
	// where a point is some 30 times farther out than its ray has turned.
	tolSurface = 1e-12
)

// rayTo returns the unit ray at yaw θ and φ below the horizon.
func rayTo(theta, phi float64) geom.Vec {
	return geom.Vec{X: math.Sin(theta) * math.Cos(phi), Y: math.Sin(phi), Z: math.Cos(theta) * math.Cos(phi)}
}

// checkSurface is the kit of invariants that every surface must keep.
func checkSurface(t *testing.T, s Surface, widest, highest float64) {
	rng := rand.New(rand.NewPCG(1, 4))
	for range 2000 {
		want := rayTo(widest*(2*rng.Float64()-1), highest*(2*rng.Float64()-1))
		p, ok := s.FromRay(r3.Scale(math.Exp(4*rng.Float64()-2), want))
		if !ok {
			t.Fatalf("FromRay(%v) not ok", want)
		}
		got, ok := s.Ray(p)
		if d := r3.Norm(r3.Sub(got, want)); !ok || !(d <= tolSurface) {
			t.Fatalf("Ray(FromRay(%v)) = %v, %v", want, got, ok)
		}
		if !(math.Abs(r3.Norm(got)-1) <= tolSurface) {
			t.Fatalf("Ray(%v) has length %v", p, r3.Norm(got))
		}
		q, ok := s.FromRay(got)
		if d := q.Sub(p).Norm(); !ok || !(d <= tolSurface*(1+p.Norm()*p.Norm())) {
			t.Fatalf("FromRay(Ray(%v)) = %v, %v", p, q, ok)
		}
		if c := s.clamp(p); !(c.Sub(p).Norm() <= tolSurface*p.Norm()) {
			t.Fatalf("clamp(%v) = %v inside the domain", p, c)
		}
		if w := s.WrapWidth(); w > 0 {
			again, ok := s.Ray(geom.Pt{X: p.X + 3*w, Y: p.Y})
			if d := r3.Norm(r3.Sub(again, want)); !ok || !(d <= tolSurface) {
				t.Fatalf("three turns from %v: ray %v, want %v", p, again, want)
			}
		}
	}
	// Unit scale and axes in the middle, by central differences.
	const h = 1e-4
	for _, axis := range []geom.Vec{{X: h}, {Y: h}} {
		a, _ := s.FromRay(r3.Add(geom.Vec{Z: 1}, axis))
		b, _ := s.FromRay(r3.Sub(geom.Vec{Z: 1}, axis))
		d := a.Sub(b)
		if !(math.Abs(d.X-2*axis.X) <= 1e-11) || !(math.Abs(d.Y-2*axis.Y) <= 1e-11) {
			t.Errorf("moving the ray by ±%v moves the point by %v", axis, d)
		}
	}
	if p, ok := s.FromRay(geom.Vec{Z: 2}); !ok || p != (geom.Pt{}) {
		t.Errorf("the middle is at %v, %v", p, ok)
	}
	// Nothing but ok = false for what is no direction; and any point, however
	// far out, clamps into the domain.
	nan, inf := math.NaN(), math.Inf(1)
	for _, ray := range []geom.Vec{{}, {X: nan}, {Y: nan}, {Z: nan}, {X: nan, Y: nan, Z: nan}} {
		if p, ok := s.FromRay(ray); ok {
			t.Errorf("FromRay(%v) = %v, ok", ray, p)
		}
	}
	for _, p := range []geom.Pt{{X: nan}, {Y: nan}, {X: inf}, {Y: inf}, {Y: -100}} {
		if ray, ok := s.Ray(p); ok {
			t.Errorf("Ray(%v) = %v, ok", p, ray)
		}
	}
	for _, p := range []geom.Pt{{X: 50, Y: 3}, {X: -50, Y: 400}, {Y: -1e9}, {X: 1e-3, Y: 1e300}} {
		if ray, ok := s.Ray(s.clamp(p)); !ok {
			t.Errorf("Ray(clamp(%v)) = %v, not ok", p, ray)
		}
	}
}

func TestSurfaces(t *testing.T) {
	for _, c := range []struct {
		s               Surface
		widest, highest float64
	}{
		{Cylinder, math.Pi, 79.9 * degree},
		{Plane, 55 * degree, 55 * degree},
		{Sphere, math.Pi, 89.9 * degree},
		{Pannini, 149.9 * degree, 79.9 * degree},
	} {
		t.Run(c.s.Name(), func(t *testing.T) { checkSurface(t, c.s, c.widest, c.highest) })
	}
}

func TestSurfaceDomains(t *testing.T) {
	for _, c := range []struct {
		s          Surface
		theta, phi float64
		want       bool
	}{
		{Plane, 79.9, 0, true},
		{Plane, 80.1, 0, false},
		{Plane, 180, 0, false},
		{Plane, 60, 75, false},
		{Cylinder, 180, 79.9, true},
		{Cylinder, 0, 80.1, false},
		{Cylinder, 0, -90, false},
		{Pannini, -149.9, 0, true},
		{Pannini, -150.1, 0, false},
		{Pannini, 180, 0, false},
		{Pannini, 0, 80.1, false},
		{Sphere, 30, 90, true},
		{Sphere, 180, -90, true},
	} {
		if p, ok := c.s.FromRay(rayTo(c.theta*degree, c.phi*degree)); ok != c.want {
			t.Errorf("%s at θ %g°, φ %g°: %v, ok = %v, want %v", c.s.Name(), c.theta, c.phi, p, ok, c.want)
		}
	}
}

// TestSeam looks to both sides of straight behind: the points lie a whole turn
// apart, and the rays through them meet.
func TestSeam(t *testing.T) {
	const e = 1e-9
	for _, s := range []Surface{Cylinder, Sphere} {
		a, _ := s.FromRay(rayTo(math.Pi-e, 0.3))
		b, _ := s.FromRay(rayTo(-math.Pi+e, 0.3))
		if d := a.X - b.X; !(math.Abs(d-(s.WrapWidth()-2*e)) <= tolSurface) || !(math.Abs(a.Y-b.Y) <= tolSurface) {
			t.Errorf("%s: %v and %v at the seam", s.Name(), a, b)
		}
	}
}

// TestVerticals: on these surfaces a vertical line of the world is a vertical
// line of the picture, and on Pannini and plane lines through the middle stay
// lines through the middle.
func TestVerticals(t *testing.T) {
	for _, s := range []Surface{Cylinder, Plane, Pannini} {
		for _, theta := range []float64{-1, -0.4, 0, 0.2, 0.9} {
			top, _ := s.FromRay(geom.Vec{X: math.Sin(theta), Y: -0.8, Z: math.Cos(theta)})
			foot, _ := s.FromRay(geom.Vec{X: math.Sin(theta), Y: 0.8, Z: math.Cos(theta)})
			if !(math.Abs(top.X-foot.X) <= tolSurface) || !(foot.Y > top.Y) {
				t.Errorf("%s at %g: from %v to %v", s.Name(), theta, top, foot)
			}
		}
	}
	// A line through the vanishing point in front, (a, b, z), is a radius.
	for _, s := range []Surface{Plane, Pannini} {
		for _, z := range []float64{0.5, 1, 5} {
			p, ok := s.FromRay(geom.Vec{X: 0.7, Y: 0.5, Z: z})
			if !ok || !(math.Abs(p.Y/p.X-0.5/0.7) <= tolSurface) {
				t.Errorf("%s at z = %g: %v leaves the radius", s.Name(), z, p)
			}
		}
	}
}

// TestPanniniValues checks closed values of 2 sin θ/(1 + cos θ): 2(√2 − 1) at
// 45°, 2 at 90°, 2√3 at 120°.
func TestPanniniValues(t *testing.T) {
	for _, c := range []struct{ theta, u float64 }{
		{45, 2 * (math.Sqrt2 - 1)}, {90, 2}, {120, 2 * math.Sqrt(3)},
	} {
		if p, ok := Pannini.FromRay(rayTo(c.theta*degree, 0)); !ok || !(math.Abs(p.X-c.u) <= tolSurface) {
			t.Errorf("u(%g°) = %v, want %v", c.theta, p.X, c.u)
		}
	}
}

func TestSurfaceByName(t *testing.T) {
	names := SurfaceNames()
	if want := []string{"cylinder", "plane", "sphere", "pannini"}; !slices.Equal(names, want) {
		t.Errorf("names %v, want %v", names, want)
	}
	for _, name := range names {
		if s, err := SurfaceByName(name); err != nil || s.Name() != name {
			t.Errorf("SurfaceByName(%q) = %v, %v", name, s, err)
		}
	}
	if s, err := SurfaceByName("cone"); err == nil {
		t.Errorf("SurfaceByName(cone) = %v", s)
	}
}
