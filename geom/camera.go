package geom

import "math"

// Camera is a frame's camera: a pinhole with radial distortion that looks
// from the row's one centre. See the package comment for the model.
type Camera struct {
	// Width and Height of the frame in pixels, after orientation.
	Width, Height int
	// FocalPx is the focal length in pixels.
	FocalPx float64
	// CentrePx is the principal point, usually near (Width/2, Height/2).
	CentrePx Pt
	// Radial holds k1, k2, k3 of the radial distortion.
	Radial [3]float64
	// CamFromWorld turns a world ray into a camera ray.
	CamFromWorld Rotation
}

// MaxViewAngle is the widest angle from the optical axis at which a camera is
// taken to see anything. Beyond it a radial polynomial is not trusted.
const MaxViewAngle = 80 * Degree

var minCos = math.Cos(MaxViewAngle.Radians())

// PixelFromRay returns the pixel where a ray in camera coordinates (any
// positive length) meets the sensor, which may lie outside the frame.
// ok is false if the ray is farther than [MaxViewAngle] from the axis, or
// beyond the radius where the distortion folds back.
func (c *Camera) PixelFromRay(rayInCam Vec) (p Pt, ok bool) {
	n2 := rayInCam.X*rayInCam.X + rayInCam.Y*rayInCam.Y + rayInCam.Z*rayInCam.Z
	if !(rayInCam.Z > 0) || rayInCam.Z*rayInCam.Z < minCos*minCos*n2 {
		return Pt{}, false
	}
	x, y := rayInCam.X/rayInCam.Z, rayInCam.Y/rayInCam.Z
	r2 := x*x + y*y
	s, slope := c.distort(r2)
	if !(slope > 0) || !(s > 0) {
		return Pt{}, false
	}
	return Pt{c.CentrePx.X + c.FocalPx*s*x, c.CentrePx.Y + c.FocalPx*s*y}, true
}

// distort returns the factor s = 1 + k1 r² + k2 r⁴ + k3 r⁶ and the slope
// d(r s)/dr = 1 + 3 k1 r² + 5 k2 r⁴ + 7 k3 r⁶.
func (c *Camera) distort(r2 float64) (s, slope float64) {
	k := &c.Radial
	s = 1 + r2*(k[0]+r2*(k[1]+r2*k[2]))
	slope = 1 + r2*(3*k[0]+r2*(5*k[1]+r2*7*k[2]))
	return s, slope
}

// RayFromPixel returns the ray in camera coordinates, with z = 1, that meets
// the sensor at p: the inverse of [Camera.PixelFromRay], to 1e-12 relative
// where the distortion is monotonic. ok is false where it is not.
func (c *Camera) RayFromPixel(p Pt) (rayInCam Vec, ok bool) {
	x, y := (p.X-c.CentrePx.X)/c.FocalPx, (p.Y-c.CentrePx.Y)/c.FocalPx
	f, ok := c.undistort(math.Hypot(x, y))
	return Vec{X: x * f, Y: y * f, Z: 1}, ok
}

// undistort returns ru/rd for the distorted radius rd by Newton's method.
func (c *Camera) undistort(rd float64) (factor float64, ok bool) {
	if c.Radial == [3]float64{} || rd == 0 {
		return 1, true
	}
	ru := rd
	for range 20 {
		s, slope := c.distort(ru * ru)
		if !(slope > 0.05) {
			return 1, false
		}
		step := (ru*s - rd) / slope
		ru -= step
		if math.Abs(step) < 1e-14*rd {
			break
		}
	}
	if !(ru > 0) {
		return 1, false
	}
	return ru / rd, true
}

// WorldFromPixel returns the unit ray in world coordinates through pixel p.
func (c *Camera) WorldFromPixel(p Pt) (rayInWorld Vec, ok bool) {
	ray, ok := c.RayFromPixel(p)
	n := 1 / math.Sqrt(ray.X*ray.X+ray.Y*ray.Y+1)
	ray = Vec{X: ray.X * n, Y: ray.Y * n, Z: n}
	return c.CamFromWorld.Inv().Apply(ray), ok
}

// PixelFromWorld returns the pixel where a world ray meets the sensor, with
// the ok of [Camera.PixelFromRay].
func (c *Camera) PixelFromWorld(rayInWorld Vec) (Pt, bool) {
	return c.PixelFromRay(c.CamFromWorld.Apply(rayInWorld))
}

// Contains reports whether p lies inside the frame, at least margin pixels
// from its edge.
func (c *Camera) Contains(p Pt, margin float64) bool {
	return p.X >= margin && p.Y >= margin &&
		p.X <= float64(c.Width)-margin && p.Y <= float64(c.Height)-margin
}

// Scaled returns the camera of the same frame resized by factor, so that a
// point p of the original lies at factor·p.
func (c Camera) Scaled(factor float64) Camera {
	c.Width = int(math.Round(float64(c.Width) * factor))
	c.Height = int(math.Round(float64(c.Height) * factor))
	c.FocalPx *= factor
	c.CentrePx = Pt{c.CentrePx.X * factor, c.CentrePx.Y * factor}
	return c
}

// ViewAngles returns the angles that the frame's width and height subtend,
// 2 atan(size / 2f), ignoring distortion.
func (c *Camera) ViewAngles() (width, height Angle) {
	return Angle(2 * math.Atan2(float64(c.Width)/2, c.FocalPx)),
		Angle(2 * math.Atan2(float64(c.Height)/2, c.FocalPx))
}
