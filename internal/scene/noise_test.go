package scene

import (
	"math"
	"testing"
)

// Lattice values are uniform and uncorrelated with their neighbours, also
// across the seeds that octaves use.
func TestHash(t *testing.T) {
	const n = 200
	for _, seed := range []uint32{0, 1, 0x9e3779b9, 77777} {
		var sum, sq float64
		var bins [16]int
		for y := range int32(n) {
			for x := range int32(n) {
				v := signed(hash2(x-n/2, y-n/2, seed))
				sum += v
				sq += v * v
				bins[int((v+1)*8)]++
			}
		}
		// σ of the mean is 1/√(3n²), that of the mean square √(4/45)/n.
		if !(math.Abs(sum/(n*n)) < 4/(math.Sqrt(3)*n)) || !(math.Abs(sq/(n*n)-1.0/3) < 4*0.298/n) {
			t.Errorf("seed %d: mean %.4f, mean square %.4f", seed, sum/(n*n), sq/(n*n))
		}
		for i, b := range bins {
			if want := n * n / 16.0; !(math.Abs(float64(b)-want) < 4.5*math.Sqrt(want)) {
				t.Errorf("seed %d: bin %d has %d of %.0f", seed, i, b, want)
			}
		}
		for dy := int32(-3); dy <= 3; dy++ {
			for dx := int32(-3); dx <= 3; dx++ {
				for _, other := range []uint32{seed, seed + 1, seed + 0x9e3779b9} {
					if dx == 0 && dy == 0 && other == seed {
						continue
					}
					var c float64
					for y := range int32(n) {
						for x := range int32(n) {
							c += signed(hash2(x, y, seed)) * signed(hash2(x+dx, y+dy, other))
						}
					}
					if c /= n * n / 3.0; !(math.Abs(c) < 5.5/n) {
						t.Errorf("seed %d and %d: correlation %.4f at (%d, %d)", seed, other, c, dx, dy)
					}
				}
			}
		}
	}
}

// Noise and its slope are continuous across the lattice.
func TestNoiseIsSmooth(t *testing.T) {
	const h = 1e-5
	for i := -3; i <= 3; i++ {
		x := float64(i)
		for _, y := range []float64{-2.3, 0.1, 5} {
			left := (noise2(x, y, 4) - noise2(x-h, y, 4)) / h
			right := (noise2(x+h, y, 4) - noise2(x, y, 4)) / h
			if !(math.Abs(left) < 1e-6) || !(math.Abs(right) < 1e-6) {
				t.Errorf("slopes %v and %v at lattice line %v", left, right, x)
			}
			if a, b := noise2(x, y, 4), noise2(x-1e-9, y, 4); !(math.Abs(a-b) < 1e-8) {
				t.Errorf("jump from %v to %v at %v", b, a, x)
			}
		}
	}
}

// Octaves under a pixel are gone, and none fades in with a jump.
func TestOctavesFade(t *testing.T) {
	if v := fbm(0.3, 0.7, 1, 8, 0.5, 1); v != 0 {
		t.Errorf("cells of one pixel give %v", v)
	}
	at := func(foot float64) (a, b float64) {
		return fbm(0.3, 0.7, foot, 8, 0.5, 1), bands(3.3, 40.7, foot, foot, 0.2, 0.1, 5, 1)
	}
	for foot := 0.01; foot < 1.5; foot *= 1.001 {
		a, c := at(foot)
		b, d := at(foot * 1.001)
		if !(math.Abs(a-b) < 0.02) || !(math.Abs(c-d) < 0.02) {
			t.Fatalf("footprint %v: fbm %v to %v, bands %v to %v", foot, a, b, c, d)
		}
	}
}

// A texture in azimuth is continuous behind the photographer.
func TestSeam(t *testing.T) {
	f := func(az float64) float64 { return fbm(40*az, 1, 0, 5, 0.5, 2) }
	a, b := aroundSeam(math.Pi, f), aroundSeam(-math.Pi, f)
	if !(math.Abs(a-b) < 1e-12) || f(math.Pi) == f(-math.Pi) {
		t.Errorf("%v at π, %v at −π", a, b)
	}
	const edge = math.Pi - seamWidth
	if got, want := aroundSeam(edge, f), f(edge); !(math.Abs(got-want) < 1e-12) {
		t.Errorf("blend begins with %v, want %v", got, want)
	}
}
