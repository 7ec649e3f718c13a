package raster

import (
	"context"
	"image"

	"flatfell.example/internal/par"
)

// Shrink returns the picture at 1/n of its size, each pixel the mean of n×n;
// a remainder at the right and lower edge is dropped. The result starts at
// (0, 0). Alpha is not looked at. The error is ctx's.
func (p *Picture) Shrink(ctx context.Context, workers, n int) (*Picture, error) {
	out := NewPicture(image.Rect(0, 0, p.Rect.Dx()/n, p.Rect.Dy()/n))
	half, area := uint64(n*n/2), uint64(n*n)
	err := par.DoScratch(ctx, workers, out.Rect.Dy(), func() []uint64 { return make([]uint64, 3*out.Rect.Dx()) },
		func(y int, sum []uint64) error {
			clear(sum)
			for sy := y * n; sy < (y+1)*n; sy++ {
				row := p.Row(p.Rect.Min.Y + sy)
				i := 0
				for x := 0; x < len(sum); x += 3 {
					for range n {
						sum[x] += uint64(row[i])
						sum[x+1] += uint64(row[i+1])
						sum[x+2] += uint64(row[i+2])
						i += 3
					}
				}
			}
			for x, s := range sum {
				out.Pix[y*out.Stride+x] = uint16((s + half) / area)
			}
			return nil
		})
	return out, err
}
