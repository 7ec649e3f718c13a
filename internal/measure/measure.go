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
	gain := CommonGain(pic, truth)
	dec, enc := blend.SRGBDecodeTable(), blend.SRGBEncodeTable()
	var sq, n float64
	for i := range pic.Pix {
		if counts(pic, truth, i) && (in == nil || in(i/3)) {
			d := float64(enc.Encode(dec[pic.Pix[i]]*float32(gain[i%3]))) - float64(truth.Pix[i])/0xffff
			sq += d * d
			n++
		}
	}
	return -10 * math.Log10(sq/n)
}

// The constants of [SSIM]: Wang, Bovik, Sheikh & Simoncelli, "Image quality
// assessment: from error visibility to structural similarity", IEEE Transactions on
// Image Processing 13(4), 2004, sec. III-B.
const (
	ssimRadius, ssimSigma = 5, 1.5
	ssimK1, ssimK2        = 0.01, 0.03
)

// SSIM returns the mean structural similarity of the luma of two pictures of one
// size over the pixels that in chooses by their number in line order, where
// neither is empty.
func SSIM(pic, truth *raster.Picture, in func(pixel int) bool) float64 {
	w, h := pic.Rect.Dx(), pic.Rect.Dy()
	luma := func(p *raster.Picture) []float64 {
		out := make([]float64, w*h)
		for i := range out {
			s := p.Pix[3*i : 3*i+3]
			out[i] = (0.2126*float64(s[0]) + 0.7152*float64(s[1]) + 0.0722*float64(s[2])) / 0xffff
		}
		return out
	}
	a, b := luma(pic), luma(truth)
	times := func(p, q []float64) []float64 {
		out := make([]float64, len(p))
		for i, v := range p {
			out[i] = v * q[i]
		}
		return windowed(out, w, h)
	}
	aa, bb, ab := times(a, a), times(b, b), times(a, b)
	ma, mb := windowed(a, w, h), windowed(b, w, h)
	const c1, c2 = ssimK1 * ssimK1, ssimK2 * ssimK2
	var sum, n float64
	for i := range ma {
		if !in(i) || pic.Alpha != nil && pic.Alpha[i] == 0 || truth.Alpha != nil && truth.Alpha[i] == 0 {
			continue
		}
		x, y := ma[i], mb[i]
		sum += (2*x*y + c1) * (2*(ab[i]-x*y) + c2) / ((x*x + y*y + c1) * (aa[i] - x*x + bb[i] - y*y + c2))
		n++
	}
	return sum / n
}

// windowed returns the means of v under the window around each sample; beyond the
// border the border's samples repeat.
func windowed(v []float64, w, h int) []float64 {
	var kernel [2*ssimRadius + 1]float64
	var total float64
	for i := range kernel {
		d := float64(i-ssimRadius) / ssimSigma
		kernel[i] = math.Exp(-d * d / 2)
		total += kernel[i]
	}
	for i := range kernel {
		kernel[i] /= total
	}
	across, down := make([]float64, len(v)), make([]float64, len(v))
	for i := range v {
		x, y := i%w, i/w
		for k, g := range kernel {
			across[i] += g * v[y*w+min(max(x+k-ssimRadius, 0), w-1)]
		}
	}
	for i := range v {
		x, y := i%w, i/w
		for k, g := range kernel {
			down[i] += g * across[min(max(y+k-ssimRadius, 0), h-1)*w+x]
		}
	}
	return down
}
