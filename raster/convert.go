package raster

import (
	"cmp"
	"context"
	"fmt"
	"image"
	"image/color"

	"flatfell.example/internal/par"
)

// blockLines is the number of picture lines that one piece of work converts:
// few enough to share a small picture out, enough to hide the hand-over.
const blockLines = 16

// FromImage returns img as a picture of 16-bit samples with the same size and
// bounds that start at (0, 0), converted on the given number of workers (see
// [par.Workers]). An 8-bit sample v becomes 257·v, so 255 is full scale.
//
// YCbCr is converted by the full-range BT.601 equations of JFIF (ITU-T T.871,
// clause 7) straight to 16 bits; subsampled chroma is interpolated linearly
// with the centred siting of that standard, clamped at the bounds of img.
//
// Picture.Alpha is set only if some pixel of img is not opaque. Straight
// colours stay as they are; premultiplied ones are divided by their alpha as
// color.NRGBA64Model does it.
//
// img must allow concurrent reads. The error is that of ctx.
func FromImage(ctx context.Context, workers int, img image.Image) (*Picture, error) {
	b := img.Bounds()
	p := NewPicture(image.Rect(0, 0, b.Dx(), b.Dy()))
	if b.Empty() {
		return p, nil
	}
	if !isOpaque(img) {
		p.Alpha = make([]uint16, b.Dx()*b.Dy())
	}
	err := par.DoScratch(ctx, workers, blocks(b.Dy()), rowReader(img), func(i int, read readRow) error {
		for y := i * blockLines; y < min((i+1)*blockLines, b.Dy()); y++ {
			read(y, p.Row(y), p.AlphaRow(y))
		}
		return nil
	})
	if err = cmp.Or(err, storedErr(img)); err != nil {
		return nil, err
	}
	if p.Alpha != nil && p.Opaque() {
		p.Alpha = nil
	}
	return p, nil
}

// Luma returns the luma Y' of img, 0 to 1, averaged over blocks of
// shrink × shrink pixels: bounds (0, 0)-(⌊width/shrink⌋, ⌊height/shrink⌋),
// the lines and columns left over at the right and at the bottom dropped.
//
// Y' is 0.299 R' + 0.587 G' + 0.114 B' (Rec. ITU-R BT.601) of the encoded
// samples; of a YCbCr image it is the Y plane itself. Alpha is ignored.
//
// img must allow concurrent reads. Luma panics if shrink < 1. The error is
// that of ctx.
func Luma(ctx context.Context, workers int, img image.Image, shrink int) (*Plane, error) {
	if shrink < 1 {
		panic(fmt.Sprintf("raster: Luma: shrink %d < 1", shrink))
	}
	b := img.Bounds()
	dst := NewPlane(image.Rect(0, 0, b.Dx()/shrink, b.Dy()/shrink))
	w, h := dst.Rect.Dx(), dst.Rect.Dy()
	if w == 0 || h == 0 {
		return dst, nil
	}
	start, fullScale := lumaReader(img)
	unit := 1 / (fullScale * float64(shrink) * float64(shrink))
	type scratch struct {
		read readLuma
		line []uint32 // one line of img
		sum  []uint64 // the blocks begun
	}
	newScratch := func() scratch {
		return scratch{start(), make([]uint32, b.Dx()), make([]uint64, w)}
	}
	err := par.DoScratch(ctx, workers, h, newScratch, func(y int, s scratch) error {
		clear(s.sum)
		for k := range shrink {
			s.read(y*shrink+k, s.line)
			for x := range s.sum {
				var t uint64
				for _, v := range s.line[x*shrink : (x+1)*shrink] {
					t += uint64(v)
				}
				s.sum[x] += t
			}
		}
		for x, row := 0, dst.Row(y); x < len(row); x++ {
			row[x] = float32(float64(s.sum[x]) * unit)
		}
		return nil
	})
	if err = cmp.Or(err, storedErr(img)); err != nil {
		return nil, err
	}
	return dst, nil
}

func blocks(lines int) int { return (lines + blockLines - 1) / blockLines }

// isOpaque reports whether img says that it has no transparent pixel.
func isOpaque(img image.Image) bool {
	o, ok := img.(interface{ Opaque() bool })
	return ok && o.Opaque()
}

// readRow stores line y, counted from the top of the image, as RGB; and as
// alpha unless that is nil. It belongs to one goroutine.
type readRow func(y int, rgb, alpha []uint16)

// readLuma stores the luma of line y, counted from the top of the image.
type readLuma func(y int, dst []uint32)

// lumaReader returns what makes a readLuma for one goroutine, and the value
// that stands for full scale.
func lumaReader(img image.Image) (start func() readLuma, fullScale float64) {
	bytes := func(pix []uint8, stride int) func() readLuma {
		return func() readLuma {
			return func(y int, dst []uint32) {
				for x, v := range pix[y*stride:][:len(dst)] {
					dst[x] = uint32(v)
				}
			}
		}
	}
	switch m := img.(type) {
	case *image.YCbCr:
		return bytes(m.Y, m.YStride), 0xff
	case *image.Gray:
		return bytes(m.Pix, m.Stride), 0xff
	}
	rows := rowReader(img)
	return func() readLuma {
		read, rgb := rows(), make([]uint16, 3*img.Bounds().Dx())
		return func(y int, dst []uint32) {
			read(y, rgb, nil)
			for x := range dst {
				c := rgb[3*x : 3*x+3 : 3*x+3]
				dst[x] = 299*uint32(c[0]) + 587*uint32(c[1]) + 114*uint32(c[2])
			}
		}
	}, 1000 * 0xffff
}

// rowReader returns what makes a readRow for one goroutine.
func rowReader(img image.Image) func() readRow {
	var read readRow
	switch m := img.(type) {
	case *Picture:
		read = func(y int, rgb, alpha []uint16) {
			y += m.Rect.Min.Y
			copy(rgb, m.Row(y))
			copy(alpha, m.AlphaRow(y))
		}
	case *Stored:
		return func() readRow { return (&storedReader{s: m}).read }
	case *image.YCbCr:
		// Go rounds the chroma index toward zero, which breaks the siting at
		// negative coordinates; these go the slow way.
		if m.Rect.Min.X >= 0 && m.Rect.Min.Y >= 0 {
			return func() readRow { return newYCbCrReader(m).read }
		}
		read = readAny(img)
	case *image.Gray:
		read = func(y int, rgb, _ []uint16) {
			for x, v := range m.Pix[y*m.Stride:][:m.Rect.Dx()] {
				setGray(rgb[3*x:], uint16(v)*0x101)
			}
		}
	case *image.Gray16:
		read = func(y int, rgb, _ []uint16) {
			pix := m.Pix[y*m.Stride:][:2*m.Rect.Dx()]
			for x := range len(pix) / 2 {
				setGray(rgb[3*x:], uint16(pix[2*x])<<8|uint16(pix[2*x+1]))
			}
		}
	case *image.RGBA:
		read = readBytes(m.Pix, m.Stride, m.Rect.Dx(), true)
	case *image.NRGBA:
		read = readBytes(m.Pix, m.Stride, m.Rect.Dx(), false)
	case *image.RGBA64:
		read = readWords(m.Pix, m.Stride, m.Rect.Dx(), true)
	case *image.NRGBA64:
		read = readWords(m.Pix, m.Stride, m.Rect.Dx(), false)
	case *image.Paletted:
		read = readPaletted(m)
	default:
		read = readAny(img)
	}
	return func() readRow { return read }
}

// storedReader reads lines of a Stored, which mostly follow each other.
type storedReader struct {
	s     *Stored
	lines Picture
	alpha []uint16 // of lines, if the picture has any
}

func (r *storedReader) read(y int, rgb, alpha []uint16) {
	if at := r.lines.Rect; y < at.Min.Y || y >= at.Max.Y {
		from := y / blockLines * blockLines
		r.lines.Reset(image.Rect(0, from, r.s.l.Width, min(from+blockLines, r.s.l.Height)))
		if !r.s.Opaque() {
			if r.alpha == nil {
				r.alpha = make([]uint16, r.s.l.Width*blockLines)
			}
			r.lines.Alpha = r.alpha[:r.s.l.Width*r.lines.Rect.Dy()]
		}
		_ = r.s.Read(&r.lines) // kept by Err
	}
	copy(rgb, r.lines.Row(y))
	copy(alpha, r.lines.AlphaRow(y))
}

func setGray(rgb []uint16, v uint16) {
	rgb = rgb[:3:3]
	rgb[0], rgb[1], rgb[2] = v, v, v
}

// straight divides a premultiplied sample by its alpha, as color.NRGBA64Model.
func straight(v, a uint16) uint16 {
	switch a {
	case 0xffff:
		return v
	case 0:
		return 0
	}
	return uint16(min(uint32(v)*0xffff/uint32(a), 0xffff))
}

// straightColor is color.NRGBA64Model without its detour over premultiplied
// colours for the one type of 8 bits that has straight ones.
func straightColor(c color.Color) color.NRGBA64 {
	if n, ok := c.(color.NRGBA); ok {
		return color.NRGBA64{
			R: uint16(n.R) * 0x101, G: uint16(n.G) * 0x101, B: uint16(n.B) * 0x101, A: uint16(n.A) * 0x101,
		}
	}
	return color.NRGBA64Model.Convert(c).(color.NRGBA64)
}

// readBytes reads four 8-bit samples a pixel.
func readBytes(pix []uint8, stride, width int, premultiplied bool) readRow {
	return func(y int, rgb, alpha []uint16) {
		row := pix[y*stride:][:4*width]
		for x := range width {
			s, d := row[4*x:4*x+4:4*x+4], rgb[3*x:3*x+3:3*x+3]
			a := uint16(s[3]) * 0x101
			d[0], d[1], d[2] = uint16(s[0])*0x101, uint16(s[1])*0x101, uint16(s[2])*0x101
			if premultiplied && a != 0xffff {
				d[0], d[1], d[2] = straight(d[0], a), straight(d[1], a), straight(d[2], a)
			}
			if alpha != nil {
				alpha[x] = a
			}
		}
	}
}

// readWords reads four big-endian 16-bit samples a pixel.
func readWords(pix []uint8, stride, width int, premultiplied bool) readRow {
	return func(y int, rgb, alpha []uint16) {
		row := pix[y*stride:][:8*width]
		for x := range width {
			s, d := row[8*x:8*x+8:8*x+8], rgb[3*x:3*x+3:3*x+3]
			a := uint16(s[6])<<8 | uint16(s[7])
			d[0] = uint16(s[0])<<8 | uint16(s[1])
			d[1] = uint16(s[2])<<8 | uint16(s[3])
			d[2] = uint16(s[4])<<8 | uint16(s[5])
			if premultiplied && a != 0xffff {
				d[0], d[1], d[2] = straight(d[0], a), straight(d[1], a), straight(d[2], a)
			}
			if alpha != nil {
				alpha[x] = a
			}
		}
	}
}

func readPaletted(m *image.Paletted) readRow {
	// An index beyond the palette is black and opaque.
	var table [256]color.NRGBA64
	for i := range table {
		table[i].A = 0xffff
	}
	for i, c := range m.Palette[:min(len(m.Palette), len(table))] {
		table[i] = straightColor(c)
	}
	return func(y int, rgb, alpha []uint16) {
		for x, v := range m.Pix[y*m.Stride:][:m.Rect.Dx()] {
			c, d := &table[v], rgb[3*x:3*x+3:3*x+3]
			d[0], d[1], d[2] = c.R, c.G, c.B
			if alpha != nil {
				alpha[x] = c.A
			}
		}
	}
}

func readAny(img image.Image) readRow {
	b := img.Bounds()
	return func(y int, rgb, alpha []uint16) {
		for x := range b.Dx() {
			c := straightColor(img.At(b.Min.X+x, b.Min.Y+y))
			d := rgb[3*x : 3*x+3 : 3*x+3]
			d[0], d[1], d[2] = c.R, c.G, c.B
			if alpha != nil {
				alpha[x] = c.A
			}
		}
	}
}

// The equations of JFIF in fixed point: 257 times the coefficient, for chroma
// in units of 1/chromaUnit. The rounding of a coefficient moves a 16-bit
// sample by at most ½ · 128 · chromaUnit / 2^fixedShift, about 1e-4.
const (
	fixedShift = 24
	chromaUnit = 32 // 4 × the largest subsampling, 4 × 2
	fixedScale = 257 << fixedShift / chromaUnit
	redFromCr  = (1402*fixedScale + 500) / 1000                 // 1.402
	grnFromCb  = (114*1772*fixedScale + 587*500) / (587 * 1000) // 0.344136
	grnFromCr  = (299*1402*fixedScale + 587*500) / (587 * 1000) // 0.714136
	bluFromCb  = (1772*fixedScale + 500) / 1000                 // 1.772
)

// ycbcrReader converts lines of m; it belongs to one goroutine.
//
// Column x of an image whose chroma is h times coarser lies at
// (x + ½)/h − ½ in chroma columns, so the weights of the two neighbours are
// multiples of 1/(2h), and all sums of bytes below are exact.
type ycbcrReader struct {
	m      *image.YCbCr
	h, v   int             // luma columns and lines to one of chroma
	chroma image.Rectangle // the samples of m in chroma coordinates
	// cb and cr are one chroma line at the height of the luma line, minus
	// the value of grey, in units of 1/(2v); one clamped sample at each end.
	cb, cr []int32
	taps   []tap
}

// tap says where the chroma of a luma column lies: between samples at and
// at+1 of a padded line, weight/(2h) of the way.
type tap struct{ at, weight int32 }

func newYCbCrReader(m *image.YCbCr) *ycbcrReader {
	h, v := subsampling(m.SubsampleRatio)
	r := &ycbcrReader{m: m, h: h, v: v}
	r.chroma = image.Rect(m.Rect.Min.X/h, m.Rect.Min.Y/v, (m.Rect.Max.X-1)/h+1, (m.Rect.Max.Y-1)/v+1)
	r.cb = make([]int32, r.chroma.Dx()+2)
	r.cr = make([]int32, r.chroma.Dx()+2)
	r.taps = make([]tap, m.Rect.Dx())
	for i := range r.taps {
		at, weight := between(m.Rect.Min.X+i, h)
		r.taps[i] = tap{int32(at - r.chroma.Min.X + 1), int32(weight)}
	}
	return r
}

// subsampling returns the luma columns and lines to one sample of chroma.
func subsampling(s image.YCbCrSubsampleRatio) (h, v int) {
	switch s {
	case image.YCbCrSubsampleRatio422:
		return 2, 1
	case image.YCbCrSubsampleRatio420:
		return 2, 2
	case image.YCbCrSubsampleRatio440:
		return 1, 2
	case image.YCbCrSubsampleRatio411:
		return 4, 1
	case image.YCbCrSubsampleRatio410:
		return 4, 2
	}
	return 1, 1
}

// between returns the chroma position of luma x ≥ 0 as at + weight/(2n).
func between(x, n int) (at, weight int) {
	u := 2*x + 1 - n + 2*n // one chroma sample on, to divide a positive number
	return u/(2*n) - 1, u % (2 * n)
}

func (r *ycbcrReader) read(y int, rgb, _ []uint16) {
	at, weight := between(r.m.Rect.Min.Y+y, r.v)
	r.blend(r.cb, r.m.Cb, at, int32(weight))
	r.blend(r.cr, r.m.Cr, at, int32(weight))
	// r.cb and r.cr count 1/(2v), the sums below 1/(4hv).
	toUnit := int32(chromaUnit / (4 * r.h * r.v))
	full := int32(2*r.h) * toUnit
	luma := r.m.Y[y*r.m.YStride:][:len(r.taps)]
	for x, t := range r.taps {
		w1 := t.weight * toUnit
		w0 := full - w1
		cb := int64(r.cb[t.at]*w0 + r.cb[t.at+1]*w1)
		cr := int64(r.cr[t.at]*w0 + r.cr[t.at+1]*w1)
		l := int64(luma[x])*(0x101<<fixedShift) + 1<<(fixedShift-1)
		d := rgb[3*x : 3*x+3 : 3*x+3]
		d[0] = clamp16((l + redFromCr*cr) >> fixedShift)
		d[1] = clamp16((l - grnFromCb*cb - grnFromCr*cr) >> fixedShift)
		d[2] = clamp16((l + bluFromCb*cb) >> fixedShift)
	}
}

// blend stores the chroma line that lies weight/(2v) of the way from line at
// to the next.
func (r *ycbcrReader) blend(dst []int32, plane []uint8, at int, weight int32) {
	line := func(c int) []uint8 {
		c = min(max(c, r.chroma.Min.Y), r.chroma.Max.Y-1) - r.chroma.Min.Y
		return plane[c*r.m.CStride:][:r.chroma.Dx()]
	}
	w0, w1 := int32(2*r.v)-weight, weight
	a, b, inner := line(at), line(at+1), dst[1:len(dst)-1]
	for x := range inner {
		inner[x] = (int32(a[x])-128)*w0 + (int32(b[x])-128)*w1
	}
	dst[0], dst[len(dst)-1] = inner[0], inner[len(inner)-1]
}

func clamp16(v int64) uint16 { return uint16(min(max(v, 0), 0xffff)) }
