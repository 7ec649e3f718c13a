package raster

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"
)

func TestPack8(t *testing.T) {
	nan, inf := float32(math.NaN()), float32(math.Inf(1))
	for v, want := range map[float32]uint8{
		0: 0, 1: 255, -1: 0, 2: 255, 1e30: 255, -1e30: 0, inf: 255, -inf: 0, nan: 0,
		0.5 / 255: 1, 0.49 / 255: 0, 254.49 / 255: 254, 254.51 / 255: 255, -0.2 / 255: 0, 1.3 / 255: 1,
	} {
		if got := Sample8(v); got != want {
			t.Errorf("Sample8(%v) = %d, want %d", v, got, want)
		}
		if got, least := Sample16(v), uint16(want)*257; want == 0 && v <= 0 && got != 0 || want == 255 && v >= 1 && got != least {
			t.Errorf("Sample16(%v) = %d", v, got)
		}
	}
	if Sample16(nan) != 0 || Sample16(1000./65535) != 1000 {
		t.Error("Sample16 of NaN or 1000/65535")
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for n := range 70 {
		line := func() []float32 {
			v := make([]float32, n)
			for i := range v {
				v[i] = rng.Float32()*1.4 - 0.2
			}
			if n > 9 {
				v[3], v[8] = nan, 1e20
			}
			return v
		}
		r, g, b := line(), line(), line()
		got, want := make([]byte, 3*n+8), make([]byte, 3*n+8)
		Pack8(got, r, g, b)
		for i := range r {
			want[3*i], want[3*i+1], want[3*i+2] = Sample8(r[i]), Sample8(g[i]), Sample8(b[i])
		}
		if !bytes.Equal(got, want) {
			t.Fatalf("%d pixels: %v, want %v", n, got, want)
		}
	}
}

func BenchmarkPack8(b *testing.B) {
	const n = 4096
	r, g, bl, dst := make([]float32, n), make([]float32, n), make([]float32, n), make([]byte, 3*n)
	for b.Loop() {
		Pack8(dst, r, g, bl)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/px")
}
