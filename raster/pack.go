package raster

// Pack8 stores a line of pixels as interleaved bytes: red, green and blue, 1 =
// full scale, rounded and limited; NaN gives 0. dst has three bytes a pixel.
func Pack8(dst []byte, red, green, blue []float32) {
	dst = dst[:3*len(red)]
	green, blue = green[:len(red)], blue[:len(red)]
	done := widePack(dst, red, green, blue)
	dst = dst[3*done:]
	for i := done; i < len(red); i++ {
		px := (*[3]byte)(dst[3*(i-done):])
		px[0], px[1], px[2] = Sample8(red[i]), Sample8(green[i]), Sample8(blue[i])
	}
}

// Pack16 stores a line of pixels as interleaved words with the low byte first: red,
// green and blue, 1 = full scale, rounded and limited; NaN gives 0. dst has six
// bytes a pixel.
func Pack16(dst []byte, red, green, blue []float32) {
	dst = dst[:6*len(red)]
	green, blue = green[:len(red)], blue[:len(red)]
	done := widePack16(dst, red, green, blue)
	dst = dst[6*done:]
	for i := done; i < len(red); i++ {
		px := (*[6]byte)(dst[6*(i-done):])
		r, g, b := Sample16(red[i]), Sample16(green[i]), Sample16(blue[i])
		px[0], px[1], px[2], px[3], px[4], px[5] = byte(r), byte(r>>8), byte(g), byte(g>>8), byte(b), byte(b>>8)
	}
}

// Sample8 rounds v, 1 = full scale, to 8 bits and limits it; NaN gives 0.
func Sample8(v float32) uint8 {
	i := int32(float32(v*255) + 0.5)
	if uint32(i) > 255 || v < 0 {
		return uint8(limited(v) * 255)
	}
	return uint8(i)
}

// Sample16 rounds v, 1 = full scale, to 16 bits and limits it; NaN gives 0.
func Sample16(v float32) uint16 {
	i := int32(float32(v*65535) + 0.5)
	if uint32(i) > 65535 || v < 0 {
		return uint16(limited(v) * 65535)
	}
	return uint16(i)
}

// limited is 1 above the middle, else 0: for what lies outside 0 to 1.
func limited(v float32) int {
	if v > 0.5 {
		return 1
	}
	return 0
}
