package features

import "golang.org/x/sys/cpu"

// weigh of 7 and 11 rows in AVX2, to the last bit; n is a multiple of 8.

//go:noescape
func weigh7AVX2(dst *float32, rows *[11]*float32, kernel *float32, n int)

//go:noescape
func weigh11AVX2(dst *float32, rows *[11]*float32, kernel *float32, n int)

// wide says that the processor has AVX2. Tests turn it off.
var wide = cpu.X86.HasAVX2

// wideWeigh does the first samples of weigh and returns how many.
func wideWeigh(dst []float32, rows [][]float32, kernel []float32) int {
	n := len(dst) &^ 7
	if !wide || n == 0 || len(rows) != 7 && len(rows) != 11 {
		return 0
	}
	var first [11]*float32
	for i, r := range rows {
		_ = r[n-1]
		first[i] = &r[0]
	}
	if len(rows) == 7 {
		weigh7AVX2(&dst[0], &first, &kernel[0], n)
	} else {
		weigh11AVX2(&dst[0], &first, &kernel[0], n)
	}
	return n
}
