package photo

import (
	"context"
	"image"

	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// swapsAxes reports whether Exif orientation o exchanges width and height.
func swapsAxes(o int) bool { return o >= 5 && o <= 8 }

// orient returns img turned upright from Exif orientation o, without loss.
func orient(ctx context.Context, img image.Image, o int) (image.Image, error) {
	if o < 2 || o > 8 {
		return img, nil
	}
	size := img.Bounds().Size()
	upright := image.Rectangle{Max: size}
	if swapsAxes(o) {
		upright.Max = image.Pt(size.Y, size.X)
	}
	switch m := img.(type) {
	case *image.YCbCr:
		if d, ok := newTurnedYCbCr(m, o); ok {
			return d, turnYCbCr(ctx, d, m, o)
		}
	case *image.Gray:
		d := image.NewGray(upright)
		return d, turn(ctx, grid[uint8]{d.Pix, d.Stride, 1}, grid[uint8]{m.Pix, m.Stride, 1}, size, o)
	case *image.Paletted:
		d := image.NewPaletted(upright, m.Palette)
		return d, turn(ctx, grid[uint8]{d.Pix, d.Stride, 1}, grid[uint8]{m.Pix, m.Stride, 1}, size, o)
	case *image.Gray16:
		d := image.NewGray16(upright)
		return d, turn(ctx, grid[uint8]{d.Pix, d.Stride, 2}, grid[uint8]{m.Pix, m.Stride, 2}, size, o)
	case *image.RGBA:
		d := image.NewRGBA(upright)
		return d, turn(ctx, grid[uint8]{d.Pix, d.Stride, 4}, grid[uint8]{m.Pix, m.Stride, 4}, size, o)
	case *image.NRGBA:
		d := image.NewNRGBA(upright)
		return d, turn(ctx, grid[uint8]{d.Pix, d.Stride, 4}, grid[uint8]{m.Pix, m.Stride, 4}, size, o)
	case *image.RGBA64:
		d := image.NewRGBA64(upright)
		return d, turn(ctx, grid[uint8]{d.Pix, d.Stride, 8}, grid[uint8]{m.Pix, m.Stride, 8}, size, o)
	case *image.NRGBA64:
		d := image.NewNRGBA64(upright)
		return d, turn(ctx, grid[uint8]{d.Pix, d.Stride, 8}, grid[uint8]{m.Pix, m.Stride, 8}, size, o)
	}
	// The rest: 4:1:1 and 4:1:0 on their side, for which Go has no ratio.
	p, err := raster.FromImage(ctx, 0, img)
	if err != nil {
		return nil, err
	}
	d := raster.NewPicture(upright)
	if p.Alpha != nil {
		d.Alpha = make([]uint16, len(p.Alpha))
		err = turn(ctx, grid[uint16]{d.Alpha, upright.Max.X, 1}, grid[uint16]{p.Alpha, size.X, 1}, size, o)
		if err != nil {
			return nil, err
		}
	}
	return d, turn(ctx, grid[uint16]{d.Pix, d.Stride, 3}, grid[uint16]{p.Pix, p.Stride, 3}, size, o)
}

// chromaSteps returns the luma columns and lines to one chroma sample.
func chromaSteps(r image.YCbCrSubsampleRatio) image.Point {
	switch r {
	case image.YCbCrSubsampleRatio422:
		return image.Pt(2, 1)
	case image.YCbCrSubsampleRatio420:
		return image.Pt(2, 2)
	case image.YCbCrSubsampleRatio440:
		return image.Pt(1, 2)
	case image.YCbCrSubsampleRatio411:
		return image.Pt(4, 1)
	case image.YCbCrSubsampleRatio410:
		return image.Pt(4, 2)
	}
	return image.Pt(1, 1)
}

// newTurnedYCbCr returns an empty image for m turned by o; ok is false if Go
// has no such ratio of subsampling.
//
// The decoder starts chroma samples at the left and top edge. Mirrored, an
// odd size starts within a sample, and so do the bounds of the result.
func newTurnedYCbCr(m *image.YCbCr, o int) (d *image.YCbCr, ok bool) {
	ratio, n := m.SubsampleRatio, chromaSteps(m.SubsampleRatio)
	if swapsAxes(o) {
		switch ratio {
		case image.YCbCrSubsampleRatio422:
			ratio = image.YCbCrSubsampleRatio440
		case image.YCbCrSubsampleRatio440:
			ratio = image.YCbCrSubsampleRatio422
		case image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio420:
		default:
			return nil, false
		}
	}
	// The pixels missing in the last sample come first on a mirrored axis.
	missing := image.Pt((n.X-m.Rect.Max.X%n.X)%n.X, (n.Y-m.Rect.Max.Y%n.Y)%n.Y)
	start := image.Pt(m.Rect.Min.X%n.X, m.Rect.Min.Y%n.Y)
	flipX, flipY := flips(o)
	if flipX {
		start.X = missing.X
	}
	if flipY {
		start.Y = missing.Y
	}
	size := m.Rect.Size()
	if swapsAxes(o) {
		start, size = image.Pt(start.Y, start.X), image.Pt(size.Y, size.X)
	}
	return image.NewYCbCr(image.Rectangle{Min: start, Max: start.Add(size)}, ratio), true
}

func turnYCbCr(ctx context.Context, d, m *image.YCbCr, o int) error {
	if err := turn(ctx, grid[uint8]{d.Y, d.YStride, 1}, grid[uint8]{m.Y, m.YStride, 1}, m.Rect.Size(), o); err != nil {
		return err
	}
	n := chromaSteps(m.SubsampleRatio)
	chroma := image.Pt((m.Rect.Max.X-1)/n.X-m.Rect.Min.X/n.X+1, (m.Rect.Max.Y-1)/n.Y-m.Rect.Min.Y/n.Y+1)
	if err := turn(ctx, grid[uint8]{d.Cb, d.CStride, 1}, grid[uint8]{m.Cb, m.CStride, 1}, chroma, o); err != nil {
		return err
	}
	return turn(ctx, grid[uint8]{d.Cr, d.CStride, 1}, grid[uint8]{m.Cr, m.CStride, 1}, chroma, o)
}

// flips tells how orientation o stands to an upright picture: its stored
// columns run backwards, its stored lines run backwards (Exif, tag 0x0112).
func flips(o int) (x, y bool) {
	switch o {
	case 2:
		return true, false
	case 3:
		return true, true
	case 4:
		return false, true
	case 6:
		return false, true
	case 7:
		return true, true
	case 8:
		return true, false
	}
	return false, false
}

// grid is a plane of pixels of n elements each.
type grid[T uint8 | uint16] struct {
	pix    []T
	stride int
	n      int
}

// turn copies the size.X × size.Y pixels of src upright into dst.
func turn[T uint8 | uint16](ctx context.Context, dst, src grid[T], size image.Point, o int) error {
	// A step along the upright axes, counted in elements of src.
	flipX, flipY := flips(o)
	stepX, stepY, first := src.n, src.stride, 0
	if flipX {
		first += (size.X - 1) * src.n
		stepX = -stepX
	}
	if flipY {
		first += (size.Y - 1) * src.stride
		stepY = -stepY
	}
	if swapsAxes(o) {
		stepX, stepY, size = stepY, stepX, image.Pt(size.Y, size.X)
	}
	// Square blocks, so that columns of src stay in the cache.
	const block = 64
	n := src.n
	return par.Do(ctx, 0, (size.Y+block-1)/block, func(i int) error {
		for x0 := 0; x0 < size.X; x0 += block {
			for y := i * block; y < min((i+1)*block, size.Y); y++ {
				from := first + y*stepY + x0*stepX
				to := dst.pix[y*dst.stride+x0*n : y*dst.stride+min(x0+block, size.X)*n]
				if n == 1 {
					for x := range to {
						to[x] = src.pix[from]
						from += stepX
					}
					continue
				}
				for ; len(to) > 0; to = to[n:] {
					copy(to[:n], src.pix[from:from+n])
					from += stepX
				}
			}
		}
		return nil
	})
}
