package warp

import (
	"math"
	"sync"
)

// Kernel names the interpolation kernel of a [Sampler].
type Kernel int

// The kernels. PSNR in dB of images of 1/f spectrum, sampled and interpolated
// at random places, against their true values; the images are softened by a
// Gaussian that leaves half at 0.15 or at 0.3 cycles a pixel, or not at all; what
// is left of white noise of 1, over all places (TestKernelChoice); and about the cost
// of a pixel of three channels on one core:
//
//	                        0.15   0.3   none   noise   cost
//	cubic, a = −0.5         59.5   42.1  31.2    0.81   25 ns
//	cubic, a = −0.6         60.5   43.5  31.9    0.83   25 ns
//	cubic, a = −0.75        52.0   43.6  32.8    0.86   25 ns
//	Lanczos, radius 2       56.5   42.3  31.4    0.82   25 ns
//	Lanczos, radius 3       62.2   47.8  35.1    0.89   70 ns
//	Lanczos, radius 5       69.7   53.9  39.7    0.93  170 ns
//
// The default is the best of the cubics: on a photograph, which lies between
// the first two columns, its error is below that of an 8-bit file or of the
// sensor.
const (
	// Cubic is the cubic convolution of Keys (1981) with a = −0.6, on 4×4
	// samples.
	Cubic Kernel = iota
	// Lanczos5 is the sinc windowed by a wider sinc, on 10×10 samples: crisper in
	// the finest detail, for six to seven times the work. It leaves more of the noise,
	// so that beside a frame that is not resampled one that is looks less smooth.
	Lanczos5

	// linear is the triangle on 2×2 samples, for chroma that is coarser than
	// luma.
	linear
)

// cubicA is the slope of the cubic kernel at distance 1.
const cubicA = -0.6

// radius returns the kernel's half width in samples.
func (k Kernel) radius() int {
	switch k {
	case Lanczos5:
		return 5
	case linear:
		return 1
	}
	return 2
}

// at returns the kernel's value at distance x in samples.
func (k Kernel) at(x float64) float64 {
	switch k {
	case Lanczos5:
		return lanczos(x, 5)
	case linear:
		return max(0, 1-math.Abs(x))
	}
	return keys(x, cubicA)
}

// keys is the cubic convolution kernel, after Keys (1981), for a free a.
func keys(x, a float64) float64 {
	x = math.Abs(x)
	switch {
	case x < 1:
		return ((a+2)*x-(a+3))*x*x + 1
	case x < 2:
		return a * (((x-5)*x+8)*x - 4)
	}
	return 0
}

// lanczos is the sinc windowed by the main lobe of a sinc radius times wider.
func lanczos(x, radius float64) float64 {
	if math.Abs(x) >= radius {
		return 0
	}
	return sinc(x) * sinc(x/radius)
}

func sinc(x float64) float64 {
	if math.Abs(x) < 1e-8 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// A position is rounded to the nearest of 1024 phases a pixel, 1/2048 px at
// most. On an edge as steep as one full scale a pixel that is 0.0005 of full
// scale, an eighth of an 8-bit level; on ordinary slopes it is far below the
// noise of any camera.
const (
	phaseBits = 10
	phases    = 1 << phaseBits
)

// weights is a kernel at all phases, for one widening.
type weights struct {
	taps int
	// table[phase*taps+i] is the weight of sample i − taps/2 + 1, counted from
	// the sample at or left of the position. Each phase's weights sum to 1, so
	// that a constant stays constant.
	table []float32
	// fixed is the table in units of 1/fixedOne, exact sums too; only if there
	// are 4 taps.
	fixed []int16
}

// fixedOne is the weight 1 of a table in whole numbers: a weight is then off
// by 3e-5, and 4 taps on bytes stay below 2^24, where float32 is exact.
const fixedOne = 1 << 14

// Where the picture shrinks, the kernel is widened by the scale, so that
// detail too fine for the output is averaged away instead of aliasing. The
// widening sets in at a scale of 1.15 and is complete at 1.32: the little
// aliasing that a frame's corners show on the cylinder is preferable to
// softening them, and the ramp between leaves no line where sharpness jumps.
// It comes in levels of a sixteenth of an octave, 4 %. Above 64 source pixels
// an output pixel the kernel grows no more.
const (
	levelsPerOctave = 16
	maxLevel        = 6 * levelsPerOctave
	rampStart       = 0.2 // octaves
)

// levelFor returns the widening level for a scale in source pixels an output
// pixel.
func levelFor(scale float64) int {
	octaves := math.Log2(max(1, scale))
	octaves = min(octaves, max(0, 2*(octaves-rampStart)))
	return min(maxLevel, int(math.Round(levelsPerOctave*octaves)))
}

type weightsKey struct {
	kernel Kernel
	level  int
}

// weightsCache holds the tables made so far, at most maxLevel + 1 a kernel.
var weightsCache sync.Map // weightsKey → *weights

// weightsFor returns the table of a kernel widened by 2^(level/16), or not at
// all below level 0.
func weightsFor(k Kernel, level int) *weights {
	level = max(level, 0)
	key := weightsKey{k, level}
	if w, ok := weightsCache.Load(key); ok {
		return w.(*weights)
	}
	w, _ := weightsCache.LoadOrStore(key, newWeights(k.at, k.radius(), math.Exp2(float64(level)/levelsPerOctave)))
	return w.(*weights)
}

// newWeights tabulates a kernel of that radius, widened by scale.
func newWeights(kernel func(float64) float64, radius int, scale float64) *weights {
	half := int(math.Ceil(float64(radius) * scale))
	w := &weights{taps: 2 * half, table: make([]float32, phases*2*half)}
	row := make([]float64, w.taps)
	for phase := range phases {
		t := float64(phase) / phases
		var sum float64
		for i := range row {
			row[i] = kernel((float64(i-half+1) - t) / scale)
			sum += row[i]
		}
		for i, x := range row {
			w.table[phase*w.taps+i] = float32(x / sum)
		}
	}
	if w.taps == 4 {
		w.fixed = fixedTable(w.table)
	}
	return w
}

// fixedTable rounds a table of 4 taps; what is left over goes to the largest.
func fixedTable(table []float32) []int16 {
	fixed := make([]int16, len(table))
	for at := 0; at < len(table); at += 4 {
		sum, largest := 0, at
		for i := at; i < at+4; i++ {
			fixed[i] = int16(math.Round(float64(table[i]) * fixedOne))
			sum += int(fixed[i])
			if fixed[i] > fixed[largest] {
				largest = i
			}
		}
		fixed[largest] += int16(fixedOne - sum)
	}
	return fixed
}
