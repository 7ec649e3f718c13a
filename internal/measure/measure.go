// Package measure compares pictures with the truth, for tests and bench.
package measure

import (
	"math"

	"flatfell.example/blend"
	"flatfell.example/raster"
)

// Clipped is the encoded sample from which a pixel is not compared. It lies below
// stitch's own threshold of lost light: resampling spreads what is clipped over
// its neighbours, and the picture may be brighter than the truth by the one gain
// that nothing tells.
const Clipped = 0xf000

// counts reports whether a sample of both is to be compared.
func counts(pic, truth *raster.Picture, i int) bool {
	return pic.Pix[i] < Clipped && truth.Pix[i] < Clipped && (pic.Alpha == nil || pic.Alpha[i/3] != 0)
}

// CommonGain returns for each channel the factor of linear light from pic to
// truth, which no stitcher can know: the ratio of the sums of what is clipped in
// neither. They have the same size.
func CommonGain(pic, truth *raster.Picture) (gain [3]float64) {
	dec := blend.SRGBDecodeTable()
	var sum, want [3]float64
	for i := range pic.Pix {
		if counts(pic, truth, i) {
			sum[i%3] += float64(dec[pic.Pix[i]])
			want[i%3] += float64(dec[truth.Pix[i]])
		}
	}
	for c := range gain {
		gain[c] = want[c] / sum[c]
	}
	return gain
}

// PSNR returns the peak signal-to-noise ratio of pic against truth in dB: of
// encoded samples, after CommonGain, without those that are clipped or empty. in
// chooses the pixels by their number in line order; nil means all.
func PSNR(pic, truth *raster.Picture, in func(pixel int) bool) float64 {
	var sq, n float64
	Errors(pic, truth, func(i int, squared float64) {
		if in == nil || in(i) {
			sq += squared
			n++
		}
	})
	return -10 * math.Log10(sq/n)
}

// Errors calls each with the squared error of each sample that [PSNR] counts, full
// scale being 1, and the number of its pixel.
func Errors(pic, truth *raster.Picture, each func(pixel int, squared float64)) {
	gain := CommonGain(pic, truth)
	dec, enc := blend.SRGBDecodeTable(), blend.SRGBEncodeTable()
	for i := range pic.Pix {
		if counts(pic, truth, i) {
			d := float64(enc.Encode(dec[pic.Pix[i]]*float32(gain[i%3]))) - float64(truth.Pix[i])/0xffff
			each(i/3, d*d)
		}
	}
}
