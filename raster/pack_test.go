package raster

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"
)

func TestPack(t *testing.T) {
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
		got16, want16 := make([]byte, 6*n+1), make([]byte, 6*n+1)
		got16[6*n], want16[6*n] = 7, 7
		Pack16(got16, r, g, b)
		for i := range r {
			for c, v := range [3]float32{r[i], g[i], b[i]} {
				binary.LittleEndian.PutUint16(want16[6*i+2*c:], Sample16(v))
			}
		}
		if !bytes.Equal(got16, want16) {
			t.Fatalf("%d pixels: %v, want %v", n, got16, want16)
		}
	}
}

// TestWords: words come out of bytes as they were put in, and nothing beyond them
// is touched.
func TestWords(t *testing.T) {
	for n := range 70 {
		b, back := make([]byte, 2*n), bytes.Repeat([]byte{9}, 2*n+3)
		for i := range b {
			b[i] = byte(7*i + n)
		}
		words := make([]uint16, n+1)
		words[n] = 77
		DecodeWords(words, b)
		for i, v := range words[:n] {
			if want := uint16(b[2*i]) | uint16(b[2*i+1])<<8; v != want {
				t.Fatalf("word %d of %d is %#x, want %#x", i, n, v, want)
			}
		}
		EncodeWords(back, words[:n])
		if words[n] != 77 || !bytes.Equal(back, append(b, 9, 9, 9)) {
			t.Fatalf("%d words: %v and %d beyond", n, back, words[n])
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
