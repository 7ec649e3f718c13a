package warp

import "golang.org/x/sys/cpu"

// The inner loops in AVX2, eight pixels at a time; n is a multiple of 8. They
// give the bytes of their plain twins, which do the rest of a line and all of
// it on other processors: cubicBytes, cubicWords, linearBytes, toRGB and lighting.line.
// Measured on six frames of 26 megapixels they take 2.5 s off 7 s of
// resampling; what is gathered bounds them, so wider registers would not.

//go:noescape
func cubicBytesAVX2(out *float32, px, py *int32, n int, pix *uint8, stride int, fixed *int16, table *float32, scale float32)

//go:noescape
func cubicWordsAVX2(red, green, blue *float32, px, py *int32, n int, pix *uint16, base, stride int, fixed *int16, table *float32, scale float32)

//go:noescape
func linearBytesAVX2(outP, outQ *float32, px, py *int32, n int, p, q *uint8, stride int, place *[6]int32, scale float32)

//go:noescape
func toRGBAVX2(luma, cb, cr *float32, n int)

//go:noescape
func curveAVX2(v *float32, n int, curve *float32, nodes int)

//go:noescape
func shadeAVX2(v, factor *float32, n int, decode *float32, decodeNodes int, encode *float32, encodeNodes int, gain float32)

// wide says that the processor has AVX2. Tests turn it off.
var wide = cpu.X86.HasAVX2

// wideCubic, wideWords, wideLinear, wideRGB, wideCurve and wideShade do the first pixels
// of a line and return how many.

func wideCubic(out []float32, px, py []int32, p *channel[uint8], wx, wy *weights, scale float32) int {
	n := len(px) &^ 7
	if !wide || n == 0 || len(p.pix) >= 1<<31 {
		return 0
	}
	cubicBytesAVX2(&out[0], &px[0], &py[0], n, &p.pix[0], p.stride, &wx.fixed[0], &wy.table[0], scale)
	return n
}

func wideWords(out *[3][]float32, px, py []int32, s *channel[uint16], wx, wy *weights, scale float32) int {
	n := len(px) &^ 7
	// A place in bytes must fit into 32 bits.
	if !wide || n == 0 || len(s.pix)+s.base >= 1<<30 {
		return 0
	}
	cubicWordsAVX2(&out[0][0], &out[1][0], &out[2][0], &px[0], &py[0], n, &s.pix[0], s.base, s.stride, &wx.fixed[0], &wy.table[0], scale)
	return n
}

func wideLinear(outP, outQ []float32, px, py []int32, p, q *channel[uint8], scale float32) int {
	n := len(px) &^ 7
	// Four bytes are read for two taps: at a subsampling by 4 the frame's margin
	// would not hold them.
	if !wide || n == 0 || p.shiftX > 1 || len(p.pix) >= 1<<31 {
		return 0
	}
	place := [6]int32{p.addX, p.subX, p.addY, p.subY, int32(p.shiftX), int32(p.shiftY)}
	linearBytesAVX2(&outP[0], &outQ[0], &px[0], &py[0], n, &p.pix[0], &q.pix[0], p.stride, &place, scale)
	return n
}

func wideRGB(luma, cb, cr []float32) int {
	n := len(luma) &^ 7
	if !wide || n == 0 {
		return 0
	}
	toRGBAVX2(&luma[0], &cb[0], &cr[0], n)
	return n
}

func wideCurve(v, curve []float32) int {
	n := len(v) &^ 7
	if !wide || n == 0 {
		return 0
	}
	curveAVX2(&v[0], n, &curve[0], len(curve))
	return n
}

func wideShade(v, factor, decode, encode []float32, gain float32) int {
	n := len(v) &^ 7
	if !wide || n == 0 {
		return 0
	}
	shadeAVX2(&v[0], &factor[0], n, &decode[0], len(decode), &encode[0], len(encode), gain)
	return n
}
