package warp

import (
	"fmt"
	"image"

	"flatfell.example/raster"
)

// source is a frame's samples in planes as the file has them.
type source struct {
	// stored, if not nil, holds what wide has only a window of at a time, see
	// [source.window].
	stored *raster.Stored
	wide   [3]channel[uint16] // red, green and blue of a raster.Picture
	bytes  [3]channel[uint8]  // Y, Cb and Cr of an image.YCbCr
	ycbcr  bool
}

// channel is one plane of a frame. Sample (x, y) is pix[y·stride + x·step − base]:
// of a plane that begins at (0, 0) base is 0.
type channel[T uint8 | uint16] struct {
	pix                []T
	stride, step, base int
	w, h               int
	// The position u of the frame, in phases from the centre of its first
	// pixel, is at (u + addX) >> shiftX − subX of the plane: a plane that is
	// 2^shift times coarser has its samples centred on the pixels they stand
	// for (ITU-T T.871, clause 7).
	addX, subX, addY, subY int32
	shiftX, shiftY         uint8
}

// newSource returns the samples of a frame.
func newSource(img image.Image) (*source, error) {
	b := img.Bounds()
	switch m := img.(type) {
	case *raster.Picture:
		s := &source{}
		s.setWide(m, m.Rect.Min, b.Size())
		return s, nil
	case *raster.Stored:
		return &source{stored: m}, nil
	case *image.YCbCr:
		if b.Min.X < 0 || b.Min.Y < 0 {
			break // the index of its chroma is rounded toward zero
		}
		s := &source{ycbcr: true}
		s.bytes[0] = channel[uint8]{pix: m.Y, stride: m.YStride, step: 1, w: b.Dx(), h: b.Dy()}
		shiftX, shiftY := subsampling(m.SubsampleRatio)
		for c, pix := range [][]uint8{m.Cb, m.Cr} {
			p := channel[uint8]{pix: pix, stride: m.CStride, step: 1, shiftX: shiftX, shiftY: shiftY}
			first := image.Pt(b.Min.X>>shiftX, b.Min.Y>>shiftY)
			p.w, p.h = (b.Max.X-1)>>shiftX+1-first.X, (b.Max.Y-1)>>shiftY+1-first.Y
			p.addX, p.subX = int32(b.Min.X*phases+phases/2), int32(first.X*phases+phases/2)
			p.addY, p.subY = int32(b.Min.Y*phases+phases/2), int32(first.Y*phases+phases/2)
			s.bytes[1+c] = p
		}
		return s, nil
	}
	return nil, fmt.Errorf("warp: can't sample a %T; see raster.FromImage", img)
}

// setWide makes part, which begins at corner, the samples of a frame of some size
// that begins at zero.
func (s *source) setWide(part *raster.Picture, zero, size image.Point) {
	at := part.Rect.Min.Sub(zero)
	for c := range s.wide {
		s.wide[c] = channel[uint16]{pix: part.Pix[c:], stride: part.Stride, step: 3, base: at.Y*part.Stride + 3*at.X, w: size.X, h: size.Y}
	}
}

// window makes s the samples of stored inside r, which is cut to the frame. put
// gives the memory back.
func (s *source) window(stored *raster.Stored, r image.Rectangle) (put func()) {
	size := stored.Bounds().Size()
	x, y := min(max(r.Min.X, 0), size.X-1), min(max(r.Min.Y, 0), size.Y-1)
	part, put := stored.Part(image.Rect(x, y, max(min(r.Max.X, size.X), x+1), max(min(r.Max.Y, size.Y), y+1)))
	s.setWide(part, image.Point{}, size)
	return put
}

// CanSample reports whether [NewSampler] takes img as it is: a
// *raster.Picture, a *raster.Stored, or an *image.YCbCr that does not begin left of or above 0.
func CanSample(img image.Image) bool {
	s, err := newSource(img)
	return s != nil && err == nil
}

// subsampling returns the powers of two by which chroma is coarser.
func subsampling(s image.YCbCrSubsampleRatio) (shiftX, shiftY uint8) {
	switch s {
	case image.YCbCrSubsampleRatio422:
		return 1, 0
	case image.YCbCrSubsampleRatio420:
		return 1, 1
	case image.YCbCrSubsampleRatio440:
		return 0, 1
	case image.YCbCrSubsampleRatio411:
		return 2, 0
	case image.YCbCrSubsampleRatio410:
		return 2, 1
	}
	return 0, 0
}

// position returns where positions of the frame lie in the plane.
func (p *channel[T]) position(x, y int32) (px, py int32) {
	return (x+p.addX)>>p.shiftX - p.subX, (y+p.addY)>>p.shiftY - p.subY
}

// coarse reports whether the plane has fewer samples than the frame.
func (p *channel[T]) coarse() bool { return p.shiftX|p.shiftY != 0 }

// anywhere interpolates a line of positions with any kernel; outside the plane
// its border is repeated. The result is times scale.
func (p *channel[T]) anywhere(out []float32, px, py []int32, wx, wy *weights, scale float32) {
	nx, ny := wx.taps, wy.taps
	py = py[:len(px)]
	for i, x := range px {
		x, y := p.position(x, py[i])
		tx := wx.table[nx*int(x&(phases-1)):][:nx]
		ty := wy.table[ny*int(y&(phases-1)):][:ny]
		x0, y0 := int(x>>phaseBits)-nx/2+1, int(y>>phaseBits)-ny/2+1
		var sum float32
		if x0 >= 0 && y0 >= 0 && x0+nx <= p.w && y0+ny <= p.h {
			at := y0*p.stride + x0*p.step - p.base
			for _, v := range ty {
				var line float32
				k := at
				for _, u := range tx {
					line += u * float32(p.pix[k])
					k += p.step
				}
				sum += v * line
				at += p.stride
			}
		} else {
			for j, v := range ty {
				row := min(max(y0+j, 0), p.h-1)*p.stride - p.base
				var line float32
				for k, u := range tx {
					line += u * float32(p.pix[row+min(max(x0+k, 0), p.w-1)*p.step])
				}
				sum += v * line
			}
		}
		out[i] = sum * scale
	}
}

// cubicBytes interpolates a line of positions by 4×4 taps, all of them inside
// the plane, which is not coarse and has step 1.
func cubicBytes(out []float32, px, py []int32, p *channel[uint8], wx, wy *weights, scale float32) {
	done := wideCubic(out, px, py, p, wx, wy, scale)
	out, px, py = out[done:], px[done:], py[done:]
	tx, ty := (*[4 * phases]int16)(wx.fixed), (*[4 * phases]float32)(wy.table)
	py, out = py[:len(px)], out[:len(px)]
	stride := p.stride
	for i, x := range px {
		y := py[i]
		wx := (*[4]int16)(tx[4*(x&(phases-1)):])
		wy := (*[4]float32)(ty[4*(y&(phases-1)):])
		a, b, c, d := int(wx[0]), int(wx[1]), int(wx[2]), int(wx[3])
		at := (int(y>>phaseBits)-1)*stride + int(x>>phaseBits) - 1
		s := (*[4]uint8)(p.pix[at:])
		v := float32(wy[0] * float32(a*int(s[0])+b*int(s[1])+c*int(s[2])+d*int(s[3])))
		s = (*[4]uint8)(p.pix[at+stride:])
		v += float32(wy[1] * float32(a*int(s[0])+b*int(s[1])+c*int(s[2])+d*int(s[3])))
		s = (*[4]uint8)(p.pix[at+2*stride:])
		v += float32(wy[2] * float32(a*int(s[0])+b*int(s[1])+c*int(s[2])+d*int(s[3])))
		s = (*[4]uint8)(p.pix[at+3*stride:])
		v += float32(wy[3] * float32(a*int(s[0])+b*int(s[1])+c*int(s[2])+d*int(s[3])))
		out[i] = v * scale
	}
}

// linearBytes interpolates a line of positions of two planes of one shape by
// 2×2 taps, all of them inside, with step 1.
func linearBytes(outP, outQ []float32, px, py []int32, p, q *channel[uint8], scale float32) {
	scale /= phases * phases
	done := wideLinear(outP, outQ, px, py, p, q, scale)
	outP, outQ, px, py = outP[done:], outQ[done:], px[done:], py[done:]
	py, outP, outQ = py[:len(px)], outP[:len(px)], outQ[:len(px)]
	stride := p.stride
	pix, other := p.pix, q.pix[:len(p.pix)]
	for i, x := range px {
		x, y := p.position(x, py[i])
		b, d := int(x&(phases-1)), int(y&(phases-1))
		at := int(y>>phaseBits)*stride + int(x>>phaseBits)
		s, t := (*[2]uint8)(pix[at:]), (*[2]uint8)(pix[at+stride:])
		upper := int(s[0])<<phaseBits + b*(int(s[1])-int(s[0]))
		lower := int(t[0])<<phaseBits + b*(int(t[1])-int(t[0]))
		outP[i] = float32(upper<<phaseBits+d*(lower-upper)) * scale
		s, t = (*[2]uint8)(other[at:]), (*[2]uint8)(other[at+stride:])
		upper = int(s[0])<<phaseBits + b*(int(s[1])-int(s[0]))
		lower = int(t[0])<<phaseBits + b*(int(t[1])-int(t[0]))
		outQ[i] = float32(upper<<phaseBits+d*(lower-upper)) * scale
	}
}

// cubicWords interpolates the three channels of a line of positions by 4×4
// taps, all of them inside the picture.
func cubicWords(out *[3][]float32, px, py []int32, s *source, wx, wy *weights, scale float32) {
	done := wideWords(out, px, py, &s.wide[0], wx, wy, scale)
	px, py = px[done:], py[done:]
	tx, ty := (*[4 * phases]int16)(wx.fixed), (*[4 * phases]float32)(wy.table)
	py = py[:len(px)]
	red, green, blue := out[0][done:][:len(px)], out[1][done:][:len(px)], out[2][done:][:len(px)]
	pix, stride, base := s.wide[0].pix, s.wide[0].stride, s.wide[0].base
	for i, x := range px {
		y := py[i]
		wx := (*[4]int16)(tx[4*(x&(phases-1)):])
		wy := (*[4]float32)(ty[4*(y&(phases-1)):])
		a, b, c, d := int(wx[0]), int(wx[1]), int(wx[2]), int(wx[3])
		at := (int(y>>phaseBits)-1)*stride + 3*(int(x>>phaseBits)-1) - base
		var r, g, l float32
		for _, v := range wy {
			s := (*[12]uint16)(pix[at:])
			r += float32(v * float32(a*int(s[0])+b*int(s[3])+c*int(s[6])+d*int(s[9])))
			g += float32(v * float32(a*int(s[1])+b*int(s[4])+c*int(s[7])+d*int(s[10])))
			l += float32(v * float32(a*int(s[2])+b*int(s[5])+c*int(s[8])+d*int(s[11])))
			at += stride
		}
		red[i], green[i], blue[i] = r*scale, g*scale, l*scale
	}
}

// toRGB turns a line of Y, Cb and Cr, 1 = full scale and grey = 128/255, into
// red, green and blue: JFIF's equations (ITU-T T.871, clause 7).
func toRGB(out *[3][]float32) {
	const grey = 128. / 255
	done := wideRGB(out[0], out[1], out[2])
	luma, cb, cr := out[0][done:], out[1][done:], out[2][done:]
	cb, cr = cb[:len(luma)], cr[:len(luma)]
	for i, y := range luma {
		u, v := cb[i]-grey, cr[i]-grey
		luma[i] = y + float32(1.402*v)
		cb[i] = y - float32(0.114*1.772/0.587*u) - float32(0.299*1.402/0.587*v)
		cr[i] = y + float32(1.772*u)
	}
}
