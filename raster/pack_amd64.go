package raster

import "golang.org/x/sys/cpu"

// pack8AVX2 is Pack8 of n pixels, a multiple of 8; it writes four bytes beyond
// them.
//
//go:noescape
func pack8AVX2(dst *byte, red, green, blue *float32, n int)

// pack16AVX2 is Pack16 of n pixels, a multiple of 8.
//
//go:noescape
func pack16AVX2(dst *byte, red, green, blue *float32, n int)

// decodeAVX2 and encodeAVX2 move n words, a multiple of 16.
//
//go:noescape
func decodeAVX2(dst *uint16, src *byte, n int)

//go:noescape
func encodeAVX2(dst *byte, src *uint16, n int)

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

// widePack16 does the first pixels of Pack16 and returns how many.
func widePack16(dst []byte, red, green, blue []float32) int {
	n := len(red) &^ 7
	if !wide || n == 0 {
		return 0
	}
	pack16AVX2(&dst[0], &red[0], &green[0], &blue[0], n)
	return n
}

// wideDecode and wideEncode do the first words of DecodeWords and EncodeWords and
// return how many.

func wideDecode(dst []uint16, src []byte) int {
	n := len(dst) &^ 15
	if !wide || n == 0 {
		return 0
	}
	decodeAVX2(&dst[0], &src[0], n)
	return n
}

func wideEncode(dst []byte, src []uint16) int {
	n := len(src) &^ 15
	if !wide || n == 0 {
		return 0
	}
	encodeAVX2(&dst[0], &src[0], n)
	return n
}
