package geom

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

const (
	tolAlgebra = 1e-14 // a few products of numbers near 1
	tolLog     = 1e-9  // rotation ↔ vector near 0 and π, where digits cancel
)

func randRotation(r *rand.Rand) Rotation {
	return Exp(Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()})
}

func maxDiff(a, b Rotation) (d float64) {
	for i := range a {
		d = max(d, math.Abs(a[i]-b[i]))
	}
	return d
}

func TestExpPublished(t *testing.T) {
	// Rodrigues (0.1, 0.2, 0.3), computed independently to 12 digits.
	want := Rotation{
		0.935754803278, -0.283164960565, 0.210191705951,
		0.302932713403, 0.950580617906, -0.068031316405,
		-0.180540076694, 0.127334574918, 0.975290308953,
	}
	if d := maxDiff(Exp(Vec{X: 0.1, Y: 0.2, Z: 0.3}), want); !(d <= 1e-11) {
		t.Errorf("Exp differs by %g", d)
	}
}

func TestExpLogRoundTrip(t *testing.T) {
	axes := []Vec{{X: 1}, {Y: 1}, {Z: 1}, {X: 1, Y: -2, Z: 3}, {X: -1, Y: 1, Z: 1e-3}}
	for _, axis := range axes {
		axis = r3.Unit(axis)
		for _, angle := range []float64{0, 1e-12, 1e-8, 1e-5, 0.99e-4, 1.01e-4, 1e-3, 1, 2, 3, math.Pi - 1e-5, math.Pi - 1e-9, math.Pi} {
			w := r3.Scale(angle, axis)
			r := Exp(w)
			if d := maxDiff(r.Mul(r.Inv()), Identity); !(d <= tolAlgebra) {
				t.Errorf("Exp(%v): R Rᵀ differs from I by %g", w, d)
			}
			// At π the sign of the axis is free: compare the rotations.
			if d := maxDiff(Exp(r.Log()), r); !(d <= tolLog) {
				t.Errorf("Exp(Log(Exp(%v))) differs by %g", w, d)
			}
			if got := r.Angle().Radians(); !(math.Abs(got-angle) <= 1e-7) {
				t.Errorf("Angle of Exp(%v) = %g, want %g", w, got, angle)
			}
		}
	}
}

func TestYawPitchRoll(t *testing.T) {
	for _, c := range [][3]Angle{{0, 0, 0}, {30, 10, -5}, {-170, -20, 45}, {179, 60, 170}} {
		y, p, r := FromYawPitchRoll(c[0]*Degree, c[1]*Degree, c[2]*Degree).YawPitchRoll()
		for i, got := range []Angle{y, p, r} {
			if !(math.Abs(got.Degrees()-float64(c[i])) <= 1e-9) {
				t.Errorf("%v degrees: angle %d = %v", c, i, got.Degrees())
			}
		}
	}
	// Signs in words: yawed right, a ray ahead of the row lies left in the
	// camera; pitched up, the horizon lies low; rolled clockwise, world-right
	// lies up.
	if v := FromYawPitchRoll(10*Degree, 0, 0).Apply(Vec{Z: 1}); v.X >= 0 {
		t.Errorf("yaw right: world z at camera x %g, want < 0", v.X)
	}
	if v := FromYawPitchRoll(0, 10*Degree, 0).Apply(Vec{Z: 1}); v.Y <= 0 {
		t.Errorf("pitch up: horizon at camera y %g, want > 0", v.Y)
	}
	if v := FromYawPitchRoll(0, 0, 10*Degree).Apply(Vec{X: 1}); v.Y >= 0 {
		t.Errorf("roll clockwise: world right at camera y %g, want < 0", v.Y)
	}
}

func TestFitRotation(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for n := 2; n < 20; n++ {
		r := randRotation(rng)
		a, b, w := make([]Vec, n), make([]Vec, n), make([]float64, n)
		for i := range a {
			a[i] = r3.Unit(Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
			b[i] = r.Apply(a[i])
			w[i] = rng.Float64() + 0.1
		}
		got, ok := FitRotation(a, b, w)
		if d := maxDiff(got, r); !ok || !(d <= 1e-7) || n > 2 && !(d <= 1e-12) {
			t.Errorf("n = %d: ok %v, differs by %g", n, ok, d)
		}
		back, _ := FitRotation(b, a, nil)
		if d := maxDiff(back.Mul(got), Identity); !(d <= 1e-7) {
			t.Errorf("n = %d: inverse differs by %g", n, d)
		}
	}
	z := Vec{Z: 1}
	if _, ok := FitRotation([]Vec{z, z, z}, []Vec{z, z, z}, nil); ok {
		t.Error("parallel rays: ok, want not")
	}
	if _, ok := FitRotation([]Vec{z}, []Vec{z}, nil); ok {
		t.Error("one ray: ok, want not")
	}
}

func TestCameraPublished(t *testing.T) {
	// FACTS C.1 without its tangential terms has no published pixel; the
	// homography of C.2 does: f 6133.333, yaw 24.978°.
	c := Camera{Width: 4159, Height: 6239, FocalPx: 6133.333, CentrePx: Pt{2079.5, 3119.5}}
	h := [9]float64{.727201272, 0, 2751.08223, -.204615444, .952707361, 147.529387, -6.55923847e-05, 0, 1}
	bFromA := Exp(Vec{Y: (24.978 * Degree).Radians()})
	for _, p := range []Pt{{0, 0}, {1000, 5000}, {2079.5, 3119.5}, {4000, 10}} {
		ray, _ := c.RayFromPixel(p)
		got, ok := c.PixelFromRay(bFromA.Apply(ray))
		w := h[6]*p.X + h[7]*p.Y + h[8]
		want := Pt{(h[0]*p.X + h[1]*p.Y + h[2]) / w, (h[3]*p.X + h[4]*p.Y + h[5]) / w}
		if !ok || !(got.Sub(want).Norm() <= 1e-3) {
			t.Errorf("%v: got %v %v, want %v", p, got, ok, want)
		}
	}
}

func TestCameraRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, k := range [][3]float64{{}, {-0.02}, {0.3, -0.1, 0.05}, {-0.2, 0.05, 0}} {
		c := Camera{Width: 800, Height: 1200, FocalPx: 1179, CentrePx: Pt{403, 596}, Radial: k, CamFromWorld: randRotation(rng)}
		for range 100 {
			p := Pt{rng.Float64() * 800, rng.Float64() * 1200}
			w, ok1 := c.WorldFromPixel(p)
			q, ok2 := c.PixelFromWorld(w)
			if d := q.Sub(p).Norm(); !ok1 || !ok2 || !(d <= 1e-9) {
				t.Errorf("k %v: %v came back as %v", k, p, q)
			}
			if d := math.Abs(r3.Norm(w) - 1); !(d <= tolAlgebra) {
				t.Errorf("ray length off by %g", d)
			}
		}
	}
	c := Camera{Width: 800, Height: 1200, FocalPx: 1179, CentrePx: Pt{400, 600}, CamFromWorld: Identity}
	for _, v := range []Vec{{Z: -1}, {X: 1}, {X: 10, Z: 1}, {}} {
		if p, ok := c.PixelFromRay(v); ok {
			t.Errorf("ray %v: seen at %v, want not", v, p)
		}
	}
	c.Radial = [3]float64{-1}
	if p, ok := c.PixelFromRay(Vec{X: 1, Z: 1}); ok {
		t.Errorf("folded ray seen at %v", p)
	}
}

func TestFocalsFromTwoPoints(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 200 {
		f := 300 + 3000*rng.Float64()
		r := Exp(Vec{X: 0.05 * rng.NormFloat64(), Y: 0.3 * rng.NormFloat64(), Z: 0.05 * rng.NormFloat64()})
		var a, b [2]Pt
		ok := true
		for i := range a {
			a[i] = Pt{f * rng.NormFloat64() * 0.3, f * rng.NormFloat64() * 0.3}
			v := r.Apply(Vec{X: a[i].X, Y: a[i].Y, Z: f})
			ok = ok && v.Z > 0.1*f
			b[i] = Pt{f * v.X / v.Z, f * v.Y / v.Z}
		}
		if !ok {
			continue
		}
		best := math.Inf(1)
		for _, g := range FocalsFromTwoPoints(nil, a, b) {
			best = min(best, math.Abs(g/f-1))
		}
		if !(best <= 1e-5) {
			t.Errorf("f %g, points %v %v: best root off by %g", f, a, b, best)
		}
	}
	if got := FocalsFromTwoPoints(nil, [2]Pt{}, [2]Pt{}); len(got) != 0 {
		t.Errorf("no points: %v", got)
	}
}

func TestWrap(t *testing.T) {
	for _, c := range []struct{ in, want float64 }{{0, 0}, {180, 180}, {-180, 180}, {181, -179}, {359, -1}, {-359, 1}, {720, 0}} {
		if got := (Angle(c.in) * Degree).Wrap().Degrees(); !(math.Abs(got-c.want) <= 1e-9) {
			t.Errorf("Wrap(%g°) = %g°, want %g°", c.in, got, c.want)
		}
	}
}
