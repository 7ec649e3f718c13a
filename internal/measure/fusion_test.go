package measure

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/raster"
)

func plane(w, h int, f func(x, y int) float64) *raster.Plane {
	p := raster.NewPlane(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			p.Pix[y*p.Stride+x] = float32(f(x, y))
		}
	}
	return p
}

func noise(seed uint64, w, h int) *raster.Plane {
	r := rand.New(rand.NewPCG(seed, 1))
	return plane(w, h, func(int, int) float64 { return r.Float64() })
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// TestSSIM: of two constants it is (2ab + C1)/(a² + b² + C1); of equals 1; and
// else what the formula gives window by window.
func TestSSIM(t *testing.T) {
	flat := func(v float64) *raster.Plane { return plane(20, 15, func(int, int) float64 { return v }) }
	a, b := 0.3, 0.5
	near(t, "constants", SSIM(flat(a), flat(b), nil), (2*a*b+1e-4)/(a*a+b*b+1e-4), 1e-6)
	p := noise(1, 31, 23)
	near(t, "equal", SSIM(p, p, nil), 1, 1e-9)
	q := noise(2, 31, 23)
	for i, v := range p.Pix {
		q.Pix[i] = 0.6*v + 0.4*q.Pix[i]
	}
	var want float64
	n := 0
	for cy := 5; cy < 23-5; cy++ {
		for cx := 5; cx < 31-5; cx++ {
			var wsum, ma, mb, va, vb, cov float64
			each := func(f func(w, a, b float64)) {
				for y := cy - 5; y <= cy+5; y++ {
					for x := cx - 5; x <= cx+5; x++ {
						d := float64((x-cx)*(x-cx) + (y-cy)*(y-cy))
						f(math.Exp(-d/4.5), float64(p.At(x, y)), float64(q.At(x, y)))
					}
				}
			}
			each(func(w, a, b float64) { wsum += w; ma += w * a; mb += w * b })
			ma /= wsum
			mb /= wsum
			each(func(w, a, b float64) {
				va += w / wsum * (a - ma) * (a - ma)
				vb += w / wsum * (b - mb) * (b - mb)
				cov += w / wsum * (a - ma) * (b - mb)
			})
			want += (2*ma*mb + 1e-4) * (2*cov + 9e-4) / ((ma*ma + mb*mb + 1e-4) * (va + vb + 9e-4))
			n++
		}
	}
	near(t, "window by window", SSIM(p, q, nil), want/float64(n), 1e-9)
}

// TestEdgesKept: perfection has Γg Γα over the values of the two sigmoids at 1;
// an edge half as strong, or turned, what the formula says; nothing kept has
// almost nothing.
func TestEdgesKept(t *testing.T) {
	sig := func(gamma, kappa, sigma, v float64) float64 { return gamma / (1 + math.Exp(kappa*(v-sigma))) }
	g := func(v float64) float64 { return sig(0.9994, -15, 0.5, v) }
	o := func(v float64) float64 { return sig(0.9879, -22, 0.8, v) }
	near(t, "perfection, in figures", g(1)*o(1), 0.9748, 5e-5)
	p := noise(3, 40, 30)
	near(t, "equal", EdgesKept(p, p, p), g(1)*o(1), 1e-9)
	ramp := plane(40, 30, func(x, _ int) float64 { return float64(x) / 64 })
	half := plane(40, 30, func(x, _ int) float64 { return 0.7 - float64(x)/128 })
	near(t, "half as strong, the other way", EdgesKept(ramp, ramp, half), g(0.5)*o(1), 1e-6)
	down := plane(40, 30, func(_, y int) float64 { return float64(y) / 64 })
	near(t, "square to it", EdgesKept(ramp, ramp, down), g(1)*o(0), 1e-6)
	// Of two pictures each edge counts by its strength: 1/64 kept, 1/128 doubled.
	near(t, "two", EdgesKept(ramp, half, ramp), (g(1)+g(0.5)/2)*o(1)/1.5, 1e-6)
	flat := plane(40, 30, func(int, int) float64 { return 0.5 })
	if q := EdgesKept(p, p, flat); !(q < 0.001) {
		t.Errorf("no edges: %v", q)
	}
}

// TestInformationKept: 2 of equals, 0 of what is independent; of a picture of
// four equally frequent values and one that tells them apart only in pairs, I = 1
// bit of H = 2 and 1.
func TestInformationKept(t *testing.T) {
	four := plane(64, 16, func(x, _ int) float64 { return float64(x%4) / 4 })
	two := plane(64, 16, func(x, _ int) float64 { return float64(x%4/2) / 2 })
	other := plane(64, 16, func(_, y int) float64 { return float64(y%4) / 4 })
	near(t, "equal", InformationKept(four, four, four), 2, 1e-9)
	near(t, "independent", InformationKept(other, other, four), 0, 1e-9)
	near(t, "half of it", InformationKept(four, four, two), 2*(1./3+1./3), 1e-9)
	near(t, "one of two", InformationKept(four, other, four), 1, 1e-9)
}
