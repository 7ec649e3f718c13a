package features

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// Eight samples at a time give what one at a time gives.
func TestWeigh(t *testing.T) {
	if !wide {
		t.Skip("this processor has no wider loop")
	}
	defer func() { wide = true }()
	rng := rand.New(rand.NewPCG(4, 4))
	for _, m := range []int{1, 3, 5} {
		for n := range 40 {
			rows, kernel := make([][]float32, 2*m+1), make([]float32, m+1)
			for i := range rows {
				for range n {
					rows[i] = append(rows[i], rng.Float32())
				}
			}
			for i := range kernel {
				kernel[i] = rng.Float32()
			}
			got, want := make([]float32, n), make([]float32, n)
			wide = true
			weigh(got, rows, kernel)
			wide = false
			weigh(want, rows, kernel)
			if !slices.Equal(got, want) {
				t.Fatalf("%d rows of %d: %v, want %v", len(rows), n, got, want)
			}
		}
	}
}
