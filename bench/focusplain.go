package bench

import (
	"math"

	"flatfell.example/raster"
)

// The two published mergers with which package focus is compared. Both get the
// slices as focus has aligned them.

// plainLaplacian merges by the Laplacian pyramid of each channel: at each place
// of each band the coefficient of the largest magnitude, and the mean of what is
// left at the top (Burt & Kolczynski, ICCV 1993, with windows of one sample).
func plainLaplacian(slices []*raster.Picture) *raster.Picture {
	out := raster.NewPicture(slices[0].Rect)
	for c := range 3 {
		var bands []*raster.Plane // the chosen coefficients, the top last
		for k, s := range slices {
			fine := channel(s, c)
			for l := 0; ; l++ {
				last := min(fine.Rect.Dx(), fine.Rect.Dy()) < 16
				var coarse, up raster.Plane
				if !last {
					raster.Reduce(&coarse, fine)
					raster.Expand(&up, fine.Rect, &coarse)
				}
				if k == 0 {
					bands = append(bands, raster.NewPlane(fine.Rect))
				}
				for i, v := range fine.Pix {
					if b := &bands[l].Pix[i]; last {
						*b += v / float32(len(slices))
					} else if d := v - up.Pix[i]; d*d > *b**b {
						*b = d
					}
				}
				if last {
					break
				}
				fine = &coarse
			}
		}
		sum := bands[len(bands)-1]
		for l := len(bands) - 2; l >= 0; l-- {
			var up raster.Plane
			raster.Expand(&up, bands[l].Rect, sum)
			for i, v := range bands[l].Pix {
				up.Pix[i] += v
			}
			sum = &up
		}
		put(out, c, sum)
	}
	return out
}

// The published settings of the guided filter's merger.
const (
	guidedBase                 = 15 // radius of the mean that is the base
	guidedSigma, guidedReach   = 5, 5
	guidedRadius1, guidedEdge1 = 45, 0.3
	guidedRadius2, guidedEdge2 = 7, 1e-6
)

// guidedWeights merges base and detail with weights that are smoothed along the
// slices' own edges (S. Li, X. Kang & J. Hu, "Image fusion with guided filtering",
// IEEE TIP 22(7), 2013). Settings are from memory.
func guidedWeights(slices []*raster.Picture) *raster.Picture {
	r := slices[0].Rect
	n := len(slices)
	guides, salient := make([]*raster.Plane, n), make([]*raster.Plane, n)
	for k, s := range slices {
		guides[k] = luma(s)
		salient[k] = saliency(guides[k])
	}
	out := raster.NewPicture(r)
	var sums [3]*raster.Plane
	for c := range sums {
		sums[c] = raster.NewPlane(r)
	}
	// Two passes: the sums of the weights, and what they weigh.
	base, detail := raster.NewPlane(r), raster.NewPlane(r)
	weigh := func(k int) (b, d *raster.Plane) {
		mask := raster.NewPlane(r)
		for i := range mask.Pix {
			best := 0
			for j := range n {
				if salient[j].Pix[i] > salient[best].Pix[i] {
					best = j
				}
			}
			if best == k {
				mask.Pix[i] = 1
			}
		}
		return guided(mask, guides[k], guidedRadius1, guidedEdge1), guided(mask, guides[k], guidedRadius2, guidedEdge2)
	}
	for k := range n {
		b, d := weigh(k)
		for i := range base.Pix {
			base.Pix[i] += max(0, b.Pix[i])
			detail.Pix[i] += max(0, d.Pix[i])
		}
	}
	for k, s := range slices {
		b, d := weigh(k)
		for c := range 3 {
			whole := channel(s, c)
			low := boxMean(whole, guidedBase)
			for i, v := range whole.Pix {
				sums[c].Pix[i] += max(0, b.Pix[i])/max(1e-6, base.Pix[i])*low.Pix[i] + max(0, d.Pix[i])/max(1e-6, detail.Pix[i])*(v-low.Pix[i])
			}
		}
	}
	for c := range 3 {
		put(out, c, sums[c])
	}
	return out
}

// saliency is the blurred magnitude of the Laplacian.
func saliency(p *raster.Plane) *raster.Plane {
	w, h := p.Rect.Dx(), p.Rect.Dy()
	lap, across, out := raster.NewPlane(p.Rect), raster.NewPlane(p.Rect), raster.NewPlane(p.Rect)
	at := func(q *raster.Plane, x, y int) float32 {
		return q.Pix[min(max(y, 0), h-1)*q.Stride+min(max(x, 0), w-1)]
	}
	for y := range h {
		for x := range w {
			d := float64(at(p, x-1, y) + at(p, x+1, y) + at(p, x, y-1) + at(p, x, y+1) - 4*at(p, x, y))
			lap.Pix[y*w+x] = float32(math.Abs(d))
		}
	}
	var kernel [2*guidedReach + 1]float32
	var sum float32
	for i := range kernel {
		kernel[i] = float32(math.Exp(-float64((i-guidedReach)*(i-guidedReach)) / (2 * guidedSigma * guidedSigma)))
		sum += kernel[i]
	}
	for y := range h {
		for x := range w {
			for i, k := range kernel {
				across.Pix[y*w+x] += k / sum * at(lap, x+i-guidedReach, y)
			}
		}
	}
	for y := range h {
		for x := range w {
			for i, k := range kernel {
				out.Pix[y*w+x] += k / sum * at(across, x, y+i-guidedReach)
			}
		}
	}
	return out
}

// guided filters p by guide (K. He, J. Sun & X. Tang, "Guided image filtering",
// ECCV 2010, eq. 5, 6 and 8).
func guided(p, guide *raster.Plane, radius int, edge float32) *raster.Plane {
	product := func(a, b *raster.Plane) *raster.Plane {
		out := raster.NewPlane(a.Rect)
		for i, v := range a.Pix {
			out.Pix[i] = v * b.Pix[i]
		}
		return out
	}
	mp, mi := boxMean(p, radius), boxMean(guide, radius)
	mip, mii := boxMean(product(guide, p), radius), boxMean(product(guide, guide), radius)
	a, b := mip, mii
	for i := range a.Pix {
		v := (mip.Pix[i] - mi.Pix[i]*mp.Pix[i]) / (max(0, mii.Pix[i]-mi.Pix[i]*mi.Pix[i]) + edge)
		a.Pix[i], b.Pix[i] = v, mp.Pix[i]-v*mi.Pix[i]
	}
	a, b = boxMean(a, radius), boxMean(b, radius)
	for i, v := range guide.Pix {
		b.Pix[i] += a.Pix[i] * v
	}
	return b
}

// boxMean is the mean over windows of 2·radius + 1 samples a side, less at the
// borders.
func boxMean(p *raster.Plane, radius int) *raster.Plane {
	w, h := p.Rect.Dx(), p.Rect.Dy()
	across, out := raster.NewPlane(p.Rect), raster.NewPlane(p.Rect)
	sums := make([]float64, max(w, h)+1)
	run := func(n int, get func(i int) float32, set func(i int, v float32)) {
		for i := range n {
			sums[i+1] = sums[i] + float64(get(i))
		}
		for i := range n {
			lo, hi := max(0, i-radius), min(n, i+radius+1)
			set(i, float32((sums[hi]-sums[lo])/float64(hi-lo)))
		}
	}
	for y := range h {
		run(w, func(x int) float32 { return p.Pix[y*p.Stride+x] }, func(x int, v float32) { across.Pix[y*w+x] = v })
	}
	for x := range w {
		run(h, func(y int) float32 { return across.Pix[y*w+x] }, func(y int, v float32) { out.Pix[y*w+x] = v })
	}
	return out
}

// channel returns a channel of a picture, 0 to 1.
func channel(p *raster.Picture, c int) *raster.Plane {
	out := raster.NewPlane(p.Rect)
	for i := range out.Pix {
		out.Pix[i] = float32(p.Pix[3*i+c]) / 0xffff
	}
	return out
}

// luma returns the luma of a picture, 0 to 1 (ITU-R BT.601).
func luma(p *raster.Picture) *raster.Plane {
	out := raster.NewPlane(p.Rect)
	for i := range out.Pix {
		q := p.Pix[3*i:][:3]
		out.Pix[i] = (0.299*float32(q[0]) + 0.587*float32(q[1]) + 0.114*float32(q[2])) / 0xffff
	}
	return out
}

func put(p *raster.Picture, c int, from *raster.Plane) {
	for i, v := range from.Pix {
		p.Pix[3*i+c] = raster.Sample16(v)
	}
}
