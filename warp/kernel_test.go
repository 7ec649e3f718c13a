package warp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A wave is one component of a test image whose value is known everywhere.
type wave struct{ fx, fy, phase, amplitude float64 }

// pinkWaves returns an image of 1/f spectrum, as landscapes have (Field, J.
// Opt. Soc. Am. A 4, 1987: from memory), up to cutoff cycles a pixel and
// softened by a Gaussian that halves it at half cycles a pixel, as lens and
// pixel do.
func pinkWaves(seed uint64, cutoff, half float64) []wave {
	rng := rand.New(rand.NewPCG(seed, 2))
	waves := make([]wave, 300)
	for i := range waves {
		// Log-uniform in f: with amplitude constant an octave, power a unit of
		// area falls as 1/f².
		f := 0.01 * math.Pow(cutoff/0.01, rng.Float64())
		a := 2 * math.Pi * rng.Float64()
		sin, cos := math.Sincos(a)
		waves[i] = wave{f * cos, f * sin, 2 * math.Pi * rng.Float64(), 0.02 * math.Exp2(-f*f/(half*half))}
	}
	return waves
}

func valueAt(waves []wave, x, y float64) float64 {
	v := 0.5
	for _, w := range waves {
		v += w.amplitude * math.Sin(2*math.Pi*(w.fx*x+w.fy*y)+w.phase)
	}
	return v
}

// A kernel under trial.
type trial struct {
	name   string
	kernel func(float64) float64
	radius int
}

// psnr returns 10 log10(1/mse) of an image interpolated at random points, for
// each kernel.
func psnr(waves []wave, kernels []trial) []float64 {
	const size, points = 48, 4000
	var pix [size][size]float64
	for j := range pix {
		for i := range pix[j] {
			pix[j][i] = valueAt(waves, float64(i), float64(j))
		}
	}
	tables := make([]*weights, len(kernels))
	for k, t := range kernels {
		tables[k] = newWeights(t.kernel, t.radius, 1)
	}
	rng := rand.New(rand.NewPCG(7, 3))
	db := make([]float64, len(kernels))
	for range points {
		x, y := 8+rng.Float64()*32, 8+rng.Float64()*32
		truth := valueAt(waves, x, y)
		px, py := int(x*phases+0.5), int(y*phases+0.5)
		for k, w := range tables {
			wx, wy := w.table[px%phases*w.taps:], w.table[py%phases*w.taps:]
			var v float64
			for j := range w.taps {
				for i := range w.taps {
					v += float64(wx[i]) * float64(wy[j]) * pix[py/phases+j-w.taps/2+1][px/phases+i-w.taps/2+1]
				}
			}
			db[k] += (v - truth) * (v - truth)
		}
	}
	for k, se := range db {
		db[k] = -10 * math.Log10(se/points)
	}
	return db
}

// TestKernelChoice reproduces the table in kernel.go, and the reasons for the
// choice: the default is the best cubic on soft images and within a decibel of
// it on the others, and Lanczos5 is better everywhere.
func TestKernelChoice(t *testing.T) {
	kernels := []trial{
		{"cubic -0.5", func(x float64) float64 { return keys(x, -0.5) }, 2},
		{"cubic -0.6", Cubic.at, 2},
		{"cubic -0.75", func(x float64) float64 { return keys(x, -0.75) }, 2},
		{"Lanczos 2", func(x float64) float64 { return lanczos(x, 2) }, 2},
		{"Lanczos 3", func(x float64) float64 { return lanczos(x, 3) }, 3},
		{"Lanczos 5", Lanczos5.at, 5},
	}
	const chosen, better = 1, 5
	for k, want := range []float64{0.81, 0.83, 0.86, 0.82, 0.89, 0.93} {
		w := newWeights(kernels[k].kernel, kernels[k].radius, 1)
		var square float64
		for _, x := range w.table {
			square += float64(x) * float64(x) / phases
		}
		// The mean over places of the variance is square in x times square in y.
		if !(math.Abs(square-want) < 0.006) {
			t.Errorf("%s leaves %.3f of the noise, the table says %v", kernels[k].name, square, want)
		}
	}
	for _, c := range []struct {
		half float64
		want []float64 // as in the table
	}{
		{0.15, []float64{59.5, 60.5, 52.0, 56.5, 62.2, 69.7}},
		{0.3, []float64{42.1, 43.5, 43.6, 42.3, 47.8, 53.9}},
		{math.Inf(1), []float64{31.2, 31.9, 32.8, 31.4, 35.1, 39.7}},
	} {
		const seeds = 3
		mean := make([]float64, len(kernels))
		for seed := range uint64(seeds) {
			for k, db := range psnr(pinkWaves(seed, 0.5, c.half), kernels) {
				mean[k] += db / seeds
			}
		}
		for k, db := range mean {
			if !(math.Abs(db-c.want[k]) <= 0.1) {
				t.Errorf("half at %g, %s: %.2f dB, the table says %.1f", c.half, kernels[k].name, db, c.want[k])
			}
			if kernels[k].radius <= 2 && !(db <= mean[chosen]+1) || !(db <= mean[better]) {
				t.Errorf("half at %g: %s has %.1f dB, the default %.1f, Lanczos5 %.1f", c.half, kernels[k].name, db, mean[chosen], mean[better])
			}
		}
	}
}

// TestWeights: at phase 0 a kernel that isn't widened returns the sample
// itself; every phase sums to 1; phases t and 1 − t mirror each other.
func TestWeights(t *testing.T) {
	for _, k := range []Kernel{Cubic, Lanczos5} {
		for _, level := range []int{0, 5, 16, maxLevel} {
			w := weightsFor(k, level)
			if w.taps%2 != 0 || len(w.table) != phases*w.taps {
				t.Fatalf("kernel %d level %d: %d taps, %d weights", k, level, w.taps, len(w.table))
			}
			if level == 0 {
				for i, x := range w.table[:w.taps] {
					want := 0.0
					if i == w.taps/2-1 {
						want = 1
					}
					if !(math.Abs(float64(x)-want) <= 1e-7) {
						t.Errorf("kernel %d: weight %d at phase 0 is %g", k, i, x)
					}
				}
			}
			for phase := 1; phase < phases; phase++ {
				row, mirror := w.table[phase*w.taps:], w.table[(phases-phase)*w.taps:]
				var sum float64
				for i := range w.taps {
					sum += float64(row[i])
					if d := row[i] - mirror[w.taps-1-i]; !(d*d <= 1e-14) {
						t.Fatalf("kernel %d level %d phase %d: weight %d has no mirror", k, level, phase, i)
					}
				}
				if !(math.Abs(sum-1) <= 1e-6) {
					t.Fatalf("kernel %d level %d phase %d: sum %g", k, level, phase, sum)
				}
			}
		}
	}
}

func TestLevels(t *testing.T) {
	for _, c := range []struct {
		scale float64
		want  int
	}{{0, 0}, {0.3, 0}, {1, 0}, {1.14, 0}, {math.Exp2(0.4), 6}, {2, 16}, {4, 32}, {64, 96}, {1e9, 96}} {
		if got := levelFor(c.scale); got != c.want {
			t.Errorf("levelFor(%g) = %d, want %d", c.scale, got, c.want)
		}
	}
	for s := 1.0; s < 3; s += 0.001 {
		if d := levelFor(s+0.001) - levelFor(s); d < 0 || d > 1 {
			t.Errorf("the level jumps by %d at %g", d, s)
		}
	}
}
