package warp

import (
	"fmt"
	"math"
	"strings"

	"flatfell.example/geom"
)

// Surface maps world rays to points of a plane that the picture is drawn on.
// The set is closed: [Cylinder], [Plane], [Sphere] and [Pannini]. All are safe
// for concurrent use.
//
// Properties, to 1e-12 over the surface's domain:
//
//	(1) FromRay(Ray(p)) == p, but for whole turns where WrapWidth > 0
//	(2) Ray(FromRay(r)) == r / |r|
//	(3) FromRay((0, 0, 1)) == (0, 0), and the scale there is 1 in u and in v
//	(4) u grows to the right (world x), v grows downward (world y)
type Surface interface {
	// Name returns the surface's name, as [SurfaceByName] takes it.
	Name() string
	// FromRay returns the point where a world ray of any positive length
	// meets the surface. ok is false outside the surface's domain.
	FromRay(rayInWorld geom.Vec) (p geom.Pt, ok bool)
	// Ray returns the unit ray through p, the inverse of FromRay. On a surface
	// that wraps, u may lie any number of turns away. ok is false outside the
	// surface's domain.
	Ray(p geom.Pt) (rayInWorld geom.Vec, ok bool)
	// WrapWidth returns the width of a full turn, after which the surface
	// repeats: 2π for the cylinder and the sphere, 0 for surfaces that don't
	// close.
	WrapWidth() float64

	// clamp returns the point of the domain next to p, so that a picture can be
	// continued smoothly past the surface's edge.
	clamp(p geom.Pt) geom.Pt
}

// The surfaces.
var (
	// Cylinder has (u, v) = (θ, h) with ray ∝ (sin θ, h, cos θ). Verticals stay
	// straight and any width is possible. Its domain ends 80° above and below
	// the horizon.
	Cylinder Surface = cylinder{}
	// Plane has (u, v) = (x/z, y/z): the rectilinear picture, where every
	// straight line stays straight. Its domain ends 80° from the middle;
	// beyond some 110° of width the sides stretch badly (common practice).
	Plane Surface = plane{}
	// Sphere has (u, v) = (θ, φ), φ positive down: equal angles are equal
	// lengths up and down. It holds every ray; at the poles θ is 0.
	Sphere Surface = sphere{}
	// Pannini has (u, v) = 2/(1 + cos θ) · (sin θ, h), with the θ and h of the
	// cylinder: Sharpless, Postle & German (2010) with compression d = 1.
	// Verticals and lines toward the middle stay straight, and widths up to
	// 150° keep a natural look. Its domain ends at θ = ±150° and 80° above and
	// below the horizon.
	Pannini Surface = pannini{}
)

// surfaces lists the closed set in the order of [SurfaceNames].
var surfaces = []Surface{Cylinder, Plane, Sphere, Pannini}

// SurfaceNames returns the names of the surfaces, the usual one first.
func SurfaceNames() []string {
	names := make([]string, len(surfaces))
	for i, s := range surfaces {
		names[i] = s.Name()
	}
	return names
}

// SurfaceByName returns the surface of that name. The error, if there is none,
// lists the names there are.
func SurfaceByName(name string) (Surface, error) {
	for _, s := range surfaces {
		if s.Name() == name {
			return s, nil
		}
	}
	return nil, fmt.Errorf("warp: no surface %q (there are %s)", name, strings.Join(SurfaceNames(), ", "))
}

// maxRise bounds the tangent of the angle off the horizon (cylinder, Pannini)
// or off the middle (plane): beyond 80° a pixel at the edge is stretched more
// than 30-fold, and the numbers run off to infinity soon after.
var maxRise = math.Tan(80 * math.Pi / 180)

// maxPannini is |u| of the Pannini at θ = ±150°: 2 tan(θ/2).
var maxPannini = 2 * math.Tan(75*math.Pi/180)

type (
	cylinder struct{}
	plane    struct{}
	sphere   struct{}
	pannini  struct{}
)

func (cylinder) Name() string { return "cylinder" }
func (plane) Name() string    { return "plane" }
func (sphere) Name() string   { return "sphere" }
func (pannini) Name() string  { return "pannini" }

func (cylinder) WrapWidth() float64 { return 2 * math.Pi }
func (plane) WrapWidth() float64    { return 0 }
func (sphere) WrapWidth() float64   { return 2 * math.Pi }
func (pannini) WrapWidth() float64  { return 0 }

func (cylinder) FromRay(ray geom.Vec) (geom.Pt, bool) {
	rho := math.Sqrt(ray.X*ray.X + ray.Z*ray.Z)
	if !(rho > 0) || !(math.Abs(ray.Y) <= maxRise*rho) {
		return geom.Pt{}, false
	}
	return geom.Pt{X: math.Atan2(ray.X, ray.Z), Y: ray.Y / rho}, true
}

func (cylinder) Ray(p geom.Pt) (geom.Vec, bool) {
	if !(math.Abs(p.Y) <= maxRise) || !finite(p.X) {
		return geom.Vec{}, false
	}
	sin, cos := math.Sincos(p.X)
	n := 1 / math.Sqrt(1+p.Y*p.Y)
	return geom.Vec{X: sin * n, Y: p.Y * n, Z: cos * n}, true
}

func (cylinder) clamp(p geom.Pt) geom.Pt { return geom.Pt{X: p.X, Y: limit(p.Y, maxRise)} }

func (plane) FromRay(ray geom.Vec) (geom.Pt, bool) {
	p := geom.Pt{X: ray.X / ray.Z, Y: ray.Y / ray.Z}
	if !(ray.Z > 0) || !(p.X*p.X+p.Y*p.Y <= maxRise*maxRise) {
		return geom.Pt{}, false
	}
	return p, true
}

func (plane) Ray(p geom.Pt) (geom.Vec, bool) {
	r2 := p.X*p.X + p.Y*p.Y
	if !(r2 <= maxRise*maxRise) {
		return geom.Vec{}, false
	}
	n := 1 / math.Sqrt(1+r2)
	return geom.Vec{X: p.X * n, Y: p.Y * n, Z: n}, true
}

func (plane) clamp(p geom.Pt) geom.Pt {
	r := p.Norm()
	if r < maxRise {
		return p
	}
	s := maxRise * (1 - 1e-12) / r
	return geom.Pt{X: p.X * s, Y: p.Y * s}
}

func (sphere) FromRay(ray geom.Vec) (geom.Pt, bool) {
	rho := math.Sqrt(ray.X*ray.X + ray.Z*ray.Z)
	if !(rho > 0) {
		if ray.Y == 0 || math.IsNaN(rho+ray.Y) {
			return geom.Pt{}, false
		}
		return geom.Pt{Y: math.Copysign(math.Pi/2, ray.Y)}, true
	}
	return geom.Pt{X: math.Atan2(ray.X, ray.Z), Y: math.Atan2(ray.Y, rho)}, true
}

func (sphere) Ray(p geom.Pt) (geom.Vec, bool) {
	if !(math.Abs(p.Y) <= math.Pi/2) || !finite(p.X) {
		return geom.Vec{}, false
	}
	sin, cos := math.Sincos(p.X)
	down, level := math.Sincos(p.Y)
	return geom.Vec{X: sin * level, Y: down, Z: cos * level}, true
}

func (sphere) clamp(p geom.Pt) geom.Pt { return geom.Pt{X: p.X, Y: limit(p.Y, math.Pi/2)} }

func (pannini) FromRay(ray geom.Vec) (geom.Pt, bool) {
	rho := math.Sqrt(ray.X*ray.X + ray.Z*ray.Z)
	// sin θ/(1 + cos θ) = x/(ρ + z), which is tan(θ/2).
	d := rho + ray.Z
	if !(d > 0) || !(math.Abs(ray.Y) <= maxRise*rho) {
		return geom.Pt{}, false
	}
	p := geom.Pt{X: 2 * ray.X / d, Y: 2 * ray.Y / d}
	if !(math.Abs(p.X) <= maxPannini) {
		return geom.Pt{}, false
	}
	return p, true
}

func (pannini) Ray(p geom.Pt) (geom.Vec, bool) {
	// With t = tan(θ/2) = u/2: 2/(1 + cos θ) = 1 + t², sin θ = 2t/(1 + t²),
	// cos θ = (1 − t²)/(1 + t²).
	t := p.X / 2
	w := 1 + t*t
	if !(math.Abs(p.X) <= maxPannini) || !(math.Abs(p.Y) <= maxRise*w) {
		return geom.Vec{}, false
	}
	h := p.Y / w
	n := 1 / math.Sqrt(1+h*h)
	return geom.Vec{X: 2 * t / w * n, Y: h * n, Z: (1 - t*t) / w * n}, true
}

func (pannini) clamp(p geom.Pt) geom.Pt {
	u := limit(p.X, maxPannini)
	return geom.Pt{X: u, Y: limit(p.Y, maxRise*(1+u*u/4))}
}

// limit returns x brought into [−most, most].
func limit(x, most float64) float64 { return max(-most, min(most, x)) }

func finite(x float64) bool { return !math.IsInf(x, 0) && !math.IsNaN(x) }
