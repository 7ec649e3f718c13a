package measure

import (
	"math"

	"flatfell.example/raster"
)

// The constants of Wang et al. for samples of full scale 1.
const (
	ssimC1, ssimC2 = 0.01 * 0.01, 0.03 * 0.03
	ssimSigma      = 1.5
	ssimRadius     = 5
)

// SSIM returns the mean structural similarity of two planes of the same size,
// 1 for equal ones, over the windows about the samples that in chooses by their
// place from the planes' corner, all if it is nil:
//
//	(2 μa μb + C1)(2 σab + C2) / ((μa² + μb² + C1)(σa² + σb² + C2))
//
// with C1 = 0.01², C2 = 0.03², over windows of 11×11 samples with Gaussian weights
// of σ = 1.5 that lie within the planes; NaN if there is none. It panics if the sizes differ or are less
// than a window.
//
// Z. Wang, A. Bovik, H. Sheikh & E. Simoncelli, "Image quality assessment: from
// error visibility to structural similarity", IEEE TIP 13(4), 2004.
func SSIM(a, b *raster.Plane, in func(x, y int) bool) float64 {
	w, h := a.Rect.Dx(), a.Rect.Dy()
	const r = ssimRadius
	if b.Rect.Dx() != w || b.Rect.Dy() != h || w <= 2*r || h <= 2*r {
		panic("measure: SSIM of planes of different size, or less than a window")
	}
	var kernel [2*r + 1]float64
	var sum float64
	for i := range kernel {
		kernel[i] = math.Exp(-float64((i-r)*(i-r)) / (2 * ssimSigma * ssimSigma))
		sum += kernel[i]
	}
	for i := range kernel {
		kernel[i] /= sum
	}
	// A ring of lines, filtered along x: the means of a, b, a², b² and ab.
	ring := make([][5]float64, (2*r+1)*w)
	var total, n float64
	for y := range h {
		line := ring[y%(2*r+1)*w:][:w]
		ra, rb := a.Row(a.Rect.Min.Y + y)[:w], b.Row(b.Rect.Min.Y + y)[:w]
		for x := r; x < w-r; x++ {
			var s [5]float64
			for i, k := range kernel {
				p, q := float64(ra[x-r+i]), float64(rb[x-r+i])
				s[0] += k * p
				s[1] += k * q
				s[2] += k * p * p
				s[3] += k * q * q
				s[4] += k * p * q
			}
			line[x] = s
		}
		if y < 2*r {
			continue
		}
		for x := r; x < w-r; x++ {
			if in != nil && !in(x, y-r) {
				continue
			}
			var s [5]float64
			for i, k := range kernel {
				for c, v := range ring[(y-2*r+i)%(2*r+1)*w+x] {
					s[c] += k * v
				}
			}
			n++
			total += ssim(s[0], s[1], s[2]-s[0]*s[0], s[3]-s[1]*s[1], s[4]-s[0]*s[1])
		}
	}
	return total / n
}

// ssim is the similarity of a window by its means, variances and covariance.
func ssim(ma, mb, va, vb, cov float64) float64 {
	return (2*ma*mb + ssimC1) * (2*cov + ssimC2) / ((ma*ma + mb*mb + ssimC1) * (va + vb + ssimC2))
}
