package raster

import (
	"cmp"
	"context"
	"image"

	"flatfell.example/internal/par"
)

// Shrink returns img at 1/n of its size, each pixel the mean of n×n; a
// remainder at the right and lower edge is dropped. The result starts at
// (0, 0). Alpha is not looked at. img must allow concurrent reads. The error
// is ctx's.
func Shrink(ctx context.Context, workers int, img image.Image, n int) (*Picture, error) {
	b := img.Bounds()
	out := NewPicture(image.Rect(0, 0, b.Dx()/n, b.Dy()/n))
	if m, ok := img.(*image.YCbCr); ok && n > 1 && b.Min == (image.Point{}) {
		if h, v := subsampling(m.SubsampleRatio); n%h == 0 && n%v == 0 {
			return out, shrinkYCbCr(ctx, workers, out, m, n, h, v)
		}
	}
	half, area := uint64(n*n/2), uint64(n*n)
	rows := rowReader(img)
	type scratch struct {
		read readRow
		line []uint16
		sum  []uint64
	}
	newScratch := func() scratch {
		return scratch{rows(), make([]uint16, 3*b.Dx()), make([]uint64, 3*out.Rect.Dx())}
	}
	err := par.DoScratch(ctx, workers, out.Rect.Dy(), newScratch, func(y int, s scratch) error {
		clear(s.sum)
		for k := range n {
			s.read(y*n+k, s.line, nil)
			i := 0
			for x := 0; x < len(s.sum); x += 3 {
				for range n {
					px := (*[3]uint16)(s.line[i:])
					s.sum[x] += uint64(px[0])
					s.sum[x+1] += uint64(px[1])
					s.sum[x+2] += uint64(px[2])
					i += 3
				}
			}
		}
		for x, v := range s.sum {
			out.Pix[y*out.Stride+x] = uint16((v + half) / area)
		}
		return nil
	})
	return out, cmp.Or(err, storedErr(img))
}

// shrinkYCbCr is Shrink of whole blocks of samples as they are stored, one
// conversion a block: n is a multiple of the subsampling h, v. Colours beyond
// full scale are limited after the mean, not before.
func shrinkYCbCr(ctx context.Context, workers int, out *Picture, m *image.YCbCr, n, h, v int) error {
	w := out.Rect.Dx()
	type sums struct{ y, cb, cr []int64 }
	newSums := func() sums { return sums{make([]int64, w), make([]int64, w), make([]int64, w)} }
	return par.DoScratch(ctx, workers, out.Rect.Dy(), newSums, func(y int, s sums) error {
		sumBlocks(s.y, m.Y[y*n*m.YStride:], m.YStride, n, n)
		sumBlocks(s.cb, m.Cb[y*n/v*m.CStride:], m.CStride, n/h, n/v)
		sumBlocks(s.cr, m.Cr[y*n/v*m.CStride:], m.CStride, n/h, n/v)
		row := out.Row(y)
		luma, chroma := float64(n*n), float64(n/h*(n/v))
		for x := range w {
			l := float64(s.y[x]) / luma
			cb, cr := float64(s.cb[x])/chroma-128, float64(s.cr[x])/chroma-128
			for c, rgb := range [3]float64{l + 1.402*cr, l - 0.114*1.772/0.587*cb - 0.299*1.402/0.587*cr, l + 1.772*cb} {
				row[3*x+c] = uint16(min(max(257*rgb, 0), 65535) + 0.5)
			}
		}
		return nil
	})
}

// sumBlocks sets sum to the sums of blocks of w × h samples side by side.
func sumBlocks(sum []int64, pix []uint8, stride, w, h int) {
	for x := range sum {
		sum[x] = 0
	}
	for y := range h {
		line := pix[y*stride:][:w*len(sum)]
		for x := range sum {
			t := 0
			for _, v := range line[x*w:][:w] {
				t += int(v)
			}
			sum[x] += int64(t)
		}
	}
}
