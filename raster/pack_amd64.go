package raster

import "golang.org/x/sys/cpu"

// pack8AVX2 is Pack8 of n pixels, a multiple of 8; it writes four bytes beyond
// them.
//
//go:noescape
func pack8AVX2(dst *byte, red, green, blue *float32, n int)

// wide says that the processor has AVX2. Tests turn it off.
var wide = cpu.X86.HasAVX2

// widePack does the first pixels of Pack8 and returns how many.
func widePack(dst []byte, red, green, blue []float32) int {
	n := (len(red) - 2) &^ 7 // two pixels are room for four bytes
	if !wide || n <= 0 {
		return 0
	}
	pack8AVX2(&dst[0], &red[0], &green[0], &blue[0], n)
	return n
}
