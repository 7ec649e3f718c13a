package warp

import (
	"image"
	"math"
	"testing"

	"flatfell.example/geom"
)

// row returns n level frames of a portrait camera, 6133.33 px focal length and
// 4160 × 6240 px, a step apart about the yaw middle.
func row(n int, step, middle geom.Angle) []geom.Camera {
	cams := make([]geom.Camera, n)
	for i := range cams {
		yaw := middle + step*geom.Angle(float64(i)-float64(n-1)/2)
		cams[i] = geom.Camera{
			Width: 4160, Height: 6240, FocalPx: 23 / 15.6 * 4160,
			CentrePx:     geom.Pt{X: 2080, Y: 3120},
			CamFromWorld: geom.FromYawPitchRoll(yaw, 0, 0),
		}
	}
	return cams
}

// TestBoundsWidths checks the widths of rows of portrait frames of a 23 mm lens
// on 15.6 mm, one third overlap: cylinder width = f · total angle (CTU Prague,
// course GVG, lab hw-06; UW CSE455, mosaic slide 94), rectilinear width =
// 2 f tan(total/2).
func TestBoundsWidths(t *testing.T) {
	for _, c := range []struct {
		s     Surface
		n     int
		width float64
	}{
		{Cylinder, 3, 9358},
		{Cylinder, 4, 12032},
		{Cylinder, 5, 14706},
		{Cylinder, 6, 17380},
		{Cylinder, 7, 20053},
		{Cylinder, 8, 22727},
		{Sphere, 5, 14706},
		{Plane, 3, 11727},
		{Plane, 4, 18324},
		{Plane, 5, 31445},
	} {
		cams := row(c.n, 24.978*geom.Degree, 0)
		v := View{Surface: c.s, PxPerRadian: cams[0].FocalPx}
		r, closed := Bounds(v, cams)
		// The row is symmetric about pixel 0, so each end may round up by one,
		// and the published width is itself rounded; the step's last digit
		// moves the rectilinear end by 1.5 px at five frames.
		if d := float64(r.Dx()) - c.width; closed || !(math.Abs(d-1) <= 2.5) {
			t.Errorf("%s, %d frames: %v wide, closed %v, want %g", c.s.Name(), c.n, r.Dx(), closed, c.width)
		}
		if r.Min.X != -r.Max.X || r.Min.Y != -r.Max.Y {
			t.Errorf("%s, %d frames: %v is not symmetric", c.s.Name(), c.n, r)
		}
	}
}

// TestBoundsTight: every point of every frame's outline is inside, and each
// side is touched to within a pixel and the walk's error.
func TestBoundsTight(t *testing.T) {
	for _, s := range surfaces {
		for _, yaw := range []geom.Angle{0, 0.3, -0.5} {
			cam := strong(400, 600, 600)
			cam.CamFromWorld = geom.FromYawPitchRoll(yaw, 0.2, 0.1)
			v := View{Surface: s, PxPerRadian: 555, OriginPx: geom.Pt{X: 31.5, Y: -7.2}}
			r, _ := Bounds(v, []geom.Camera{cam})
			v.Rect = r
			gap := [4]float64{1e9, 1e9, 1e9, 1e9}
			for i := range 4001 {
				f := float64(i) / 4000
				for _, p := range []geom.Pt{{X: 400 * f}, {X: 400 * f, Y: 600}, {Y: 600 * f}, {X: 400, Y: 600 * f}} {
					ray, _ := cam.WorldFromPixel(p)
					q, ok := v.PixelOf(ray)
					if !ok {
						t.Fatalf("%s: no pixel for %v", s.Name(), p)
					}
					for k, g := range []float64{
						q.X - float64(r.Min.X), q.Y - float64(r.Min.Y), float64(r.Max.X) - q.X, float64(r.Max.Y) - q.Y,
					} {
						gap[k] = min(gap[k], g)
					}
				}
			}
			for k, g := range gap {
				if !(g >= -0.02 && g < 1.02) {
					t.Errorf("%s, yaw %v: side %d is %.3f px from the outline", s.Name(), yaw, k, g)
				}
			}
		}
	}
}

func TestBoundsWrap(t *testing.T) {
	const scale = 1000
	turn := 2 * math.Pi * scale
	h, _ := row(1, 0, 0)[0].ViewAngles()
	for _, c := range []struct {
		name        string
		cams        []geom.Camera
		left, right float64 // degrees
		closed      bool
		surface     Surface
	}{
		{"300°", row(12, 24*geom.Degree, 0), -132 - h.Degrees()/2, 132 + h.Degrees()/2, false, Cylinder},
		{"behind", row(3, 24*geom.Degree, 180*geom.Degree), 156 - h.Degrees()/2, 204 + h.Degrees()/2, false, Cylinder},
		{"170°", row(3, 24*geom.Degree, 170*geom.Degree), 146 - h.Degrees()/2, 194 + h.Degrees()/2, false, Sphere},
		{"all round", row(15, 24*geom.Degree, 40*geom.Degree), -180, 180, true, Cylinder},
		{"just short", row(14, 24*geom.Degree, 0), -156 - h.Degrees()/2, 156 + h.Degrees()/2, false, Cylinder},
	} {
		v := View{Surface: c.surface, PxPerRadian: scale}
		r, closed := Bounds(v, c.cams)
		// Straight behind is as well −180° as +180°.
		left := math.Remainder(float64(r.Min.X)-c.left*degree*scale, turn)
		if closed != c.closed || !(math.Abs(left) <= 1) || !(math.Abs(float64(r.Dx())-(c.right-c.left)*degree*scale) <= 2) {
			t.Errorf("%s: %v, closed %v; want from %g° to %g°, %v", c.name, r, closed, c.left, c.right, c.closed)
		}
		if closed && r.Dx() != v.Closed().WrapPx {
			t.Errorf("%s: width %d, want %d", c.name, r.Dx(), v.Closed().WrapPx)
		}
		if middle := float64(r.Min.X+r.Max.X) / 2; !(math.Abs(middle) <= turn/2+1) {
			t.Errorf("%s: the middle of %v is more than half a turn away", c.name, r)
		}
		v.Rect = r
		for i := range c.cams {
			ray, _ := c.cams[i].WorldFromPixel(geom.Pt{X: 100, Y: 3000})
			if p, ok := v.PixelOf(ray); !ok || !image.Pt(int(math.Floor(p.X)), int(math.Floor(p.Y))).In(r) {
				t.Errorf("%s: frame %d shows at %v, outside %v", c.name, i, p, r)
			}
		}
	}
}

func TestBoundsAtTheEnds(t *testing.T) {
	const scale = 1000
	up := row(1, 0, 0)
	up[0].CamFromWorld = geom.FromYawPitchRoll(0, 90*geom.Degree, 0)
	r, closed := Bounds(View{Surface: Sphere, PxPerRadian: scale}, up)
	if !closed || r.Dx() != 6283 || r.Min.Y != -1571 {
		t.Errorf("zenith on the sphere: %v, closed %v", r, closed)
	}
	if r, _ := Bounds(View{Surface: Plane, PxPerRadian: scale}, up); r.Max.Y >= 0 || r.Min.Y < -5672 {
		t.Errorf("zenith on the plane: %v", r)
	}
	// A frame half past the plane's end reaches to it, but for the spacing of
	// the lines across it: 0.6°, or 5 % of the width at 80°.
	r, _ = Bounds(View{Surface: Plane, PxPerRadian: scale}, row(1, 0, 75*geom.Degree))
	if !(math.Abs(float64(r.Max.X)-1000*maxRise) <= 0.06*1000*maxRise) {
		t.Errorf("past the plane's end: %v", r)
	}
	if r, closed := Bounds(View{Surface: Plane, PxPerRadian: scale}, row(1, 0, 180*geom.Degree)); !r.Empty() || closed {
		t.Errorf("behind the plane: %v, closed %v", r, closed)
	}
	if r, closed := Bounds(View{Surface: Cylinder, PxPerRadian: scale}, nil); !r.Empty() || closed {
		t.Errorf("no frames: %v, closed %v", r, closed)
	}
}

func TestViewRoundTrip(t *testing.T) {
	for _, s := range surfaces {
		v := View{Surface: s, PxPerRadian: 777.7, OriginPx: geom.Pt{X: 900.25, Y: 300.5}, Rect: image.Rect(0, 0, 1800, 700)}
		v = v.Closed()
		if s.WrapWidth() > 0 && !(math.Abs(float64(v.WrapPx)-2*math.Pi*v.PxPerRadian) <= 1e-9) {
			t.Errorf("%s: %d px a turn at %g px/rad", s.Name(), v.WrapPx, v.PxPerRadian)
		}
		for _, p := range []geom.Pt{{X: 0.5, Y: 0.5}, {X: 900.25, Y: 300.5}, {X: 1799.5, Y: 699.5}, {X: 3, Y: 500}} {
			ray, ok := v.RayAt(p.X, p.Y)
			q, ok2 := v.PixelOf(ray)
			if !ok || !ok2 || !(q.Sub(p).Norm() <= 1e-9) {
				t.Errorf("%s: %v comes back as %v", s.Name(), p, q)
			}
		}
		if s.WrapWidth() == 0 {
			continue
		}
		// Moved a turn on, the same ray is found a turn on.
		ray, _ := v.RayAt(100, 200)
		v.Rect = v.Rect.Add(image.Pt(v.WrapPx, 0))
		if q, _ := v.PixelOf(ray); !(math.Abs(q.X-100-float64(v.WrapPx)) <= 1e-9) {
			t.Errorf("%s: a turn on: %v", s.Name(), q)
		}
	}
}
