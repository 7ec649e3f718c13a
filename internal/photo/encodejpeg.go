package photo

import (
	"context"
	"encoding/binary"
	"io"
	"math"
)

// encodeJPEG writes a baseline JPEG (ITU-T T.81) in the colours of JFIF
// (T.871): YCbCr of BT.601, full range. Each row of MCUs is a restart interval
// of its own, which costs two bytes and makes the rows independent, so that
// they are coded in parallel and the picture is never in memory as a whole.
//
// Colours are kept at full resolution if full, else halved both ways. The quantiser and Huffman tables are those of T.81, annex K,
// scaled by the quality as is common practice: the same quality means the same
// tables as in Go's image/jpeg. Sums before the quantiser are not rounded to 8
// bits, which is why the error is a little smaller.
func encodeJPEG(ctx context.Context, w io.Writer, src Pixels, quality int, full bool, workers int, markers []byte) error {
	width, height := src.Size()
	j := jpegLayout{width: width, height: height, full: full}
	j.quant = scaledQuant(quality)
	if err := writeAll(w, j.head(markers)); err != nil {
		return err
	}
	mcu := j.mcu()
	rows := (height + mcu - 1) / mcu
	per := max(1, jpegBandPixels/(mcu*width)) // rows of MCUs in a band
	bands := (rows + per - 1) / per
	err := inOrder(ctx, workers, bands, j.newCoder, func(i int, c *jpegCoder, dst []byte) ([]byte, error) {
		y0 := i * per * mcu
		n := min(per*mcu, height-y0)
		rgb := c.lines(n)
		if err := src.Rows8(ctx, rgb, y0, n); err != nil {
			return dst, err
		}
		c.out = dst
		for row := i * per; row < min((i+1)*per, rows); row++ {
			c.mcuRow(rgb, row*mcu-y0, n)
			if row < rows-1 {
				c.out = append(c.out, 0xff, markerRST0+byte(row%8))
			}
		}
		return c.out, nil
	}, func(_ int, piece []byte) error { return writeAll(w, piece) })
	if err != nil {
		return err
	}
	return writeAll(w, []byte{0xff, markerEOI})
}

const (
	// fullChroma is the quality from which colours keep their resolution. At
	// 95, halving them throws away more than the quantiser does: four
	// photographs lose 1.2 to 2.7 dB by it for 10 to 20 % of the bytes, and at
	// equal bytes full colours are 0 to 1.5 dB better. Near 90 the two break
	// even.
	fullChroma = 90
	// jpegBandPixels is about the size of a band: some milliseconds of work.
	jpegBandPixels = 1 << 18
)

func writeAll(w io.Writer, b []byte) error {
	_, err := w.Write(b)
	return err
}

// jpegLayout is what all bands share.
type jpegLayout struct {
	width, height int
	full          bool         // colours at full resolution
	quant         [2][64]uint8 // luma and chroma, in natural order
}

// mcu returns the side of a minimum coded unit in pixels.
func (j *jpegLayout) mcu() int {
	if j.full {
		return 8
	}
	return 16
}

// head returns everything before the coded data; markers, from JFIF's on, are
// whole segments that come first.
func (j *jpegLayout) head(markers []byte) []byte {
	b := append([]byte{0xff, markerSOI}, markers...)
	segment := func(marker byte, content ...byte) {
		b = binary.BigEndian.AppendUint16(append(b, 0xff, marker), uint16(len(content)+2))
		b = append(b, content...)
	}
	for t, q := range j.quant {
		content := []byte{byte(t)}
		for _, at := range naturalOf {
			content = append(content, q[at])
		}
		segment(0xdb, content...) // DQT
	}
	sampling := byte(0x22)
	if j.full {
		sampling = 0x11
	}
	h, w := j.height, j.width
	segment(0xc0, 8, byte(h>>8), byte(h), byte(w>>8), byte(w), 3, 1, sampling, 0, 2, 0x11, 1, 3, 0x11, 1)
	for i, spec := range huffmanSpecs {
		content := append([]byte{[]byte{0x00, 0x10, 0x01, 0x11}[i]}, spec.count[:]...)
		segment(0xc4, append(content, spec.value...)...) // DHT
	}
	perRow := (w + j.mcu() - 1) / j.mcu()
	segment(0xdd, byte(perRow>>8), byte(perRow)) // DRI
	segment(markerSOS, 3, 1, 0x00, 2, 0x11, 3, 0x11, 0, 63, 0)
	return b
}

// jpegCoder codes rows of MCUs; it belongs to one goroutine.
type jpegCoder struct {
	*jpegLayout
	rgb    []uint8
	stride int        // of a plane: the width in whole MCUs
	plane  [3][]int16 // one row of MCUs of Y, Cb, Cr, minus 128, in 1/64
	recip  [2][64]int64
	dc     [3]int64  // the last DC coefficient of each component
	ws     [64]int32 // a block half transformed
	coef   [128]byte // its coefficients, 16 bits each, in zigzag order
	out    []byte
	acc    uint64 // bits not yet stored, the last one lowest
	bits   uint32
}

func (j *jpegLayout) newCoder() *jpegCoder {
	c := &jpegCoder{jpegLayout: j}
	mcu := j.mcu()
	c.stride = (j.width + mcu - 1) / mcu * mcu
	c.plane[0] = make([]int16, c.stride*mcu)
	for i := 1; i < 3; i++ {
		c.plane[i] = make([]int16, c.stride*8)
	}
	for t, q := range j.quant {
		for i, v := range q {
			scale := float64(v) * aanScale[i/8] * aanScale[i%8] * 8 * sampleUnit
			c.recip[t][i] = int64(math.Round((1 << recipBits) / scale))
		}
	}
	return c
}

func (c *jpegCoder) lines(n int) []uint8 {
	if size := n * 3 * c.width; len(c.rgb) < size {
		c.rgb = make([]uint8, size)
	}
	return c.rgb[:n*3*c.width]
}

// mcuRow codes the MCUs whose first line is line y of the n lines in rgb.
func (c *jpegCoder) mcuRow(rgb []uint8, y, n int) {
	line := func(i int) []uint8 { // the last one repeated below the picture
		at := 3 * c.width * min(y+i, n-1)
		return rgb[at : at+3*c.width]
	}
	if c.full {
		for i := range 8 {
			c.convert(line(i), i*c.stride)
		}
	} else {
		for i := range 8 {
			c.convertHalf(line(2*i), line(2*i+1), i)
		}
	}
	c.dc = [3]int64{}
	for x := 0; x < c.stride; x += c.mcu() {
		if c.full {
			for i, p := range c.plane {
				c.block(p[x:], c.stride, i)
			}
			continue
		}
		c.block(c.plane[0][x:], c.stride, 0)
		c.block(c.plane[0][x+8:], c.stride, 0)
		c.block(c.plane[0][8*c.stride+x:], c.stride, 0)
		c.block(c.plane[0][8*c.stride+x+8:], c.stride, 0)
		c.block(c.plane[1][x/2:], c.stride/2, 1)
		c.block(c.plane[2][x/2:], c.stride/2, 2)
	}
	c.flush()
}

// The equations of T.871, clause 7, for all three components in one number:
// they are linear, so that a sum of packed products is the packed sum, with
// fields of laneBits bits. The coefficients have 13 bits; those of Y add up to
// one and the others to zero, so that grey stays grey exactly.
const (
	laneBits   = 21
	sampleUnit = 64           // a sample's step in the planes
	laneShift  = 13 - 6       // from the sums to that
	laneMask   = 1<<(8+6) - 1 // a component in the planes' unit
	laneHalf   = 1 << 13 >> 7 // rounds the shift
	laneMiddle = 128<<13 + 64 // the middle of a chroma component, and that
	fromRed    = 2449<<42 - 1382<<laneBits + 4096
	fromGreen  = 4809<<42 - 2714<<laneBits - 3430
	fromBlue   = 934<<42 + 4096<<laneBits - 666
	fromNone   = laneHalf<<42 + laneMiddle<<laneBits + laneMiddle
	planeGrey  = 128 * sampleUnit
)

// convert stores a line of colours in the planes at offset at.
func (c *jpegCoder) convert(rgb []uint8, at int) {
	w := len(rgb) / 3
	p0, p1, p2 := c.plane[0][at:at+w], c.plane[1][at:at+w], c.plane[2][at:at+w]
	for x := range p0 {
		s := rgb[:3:3]
		rgb = rgb[3:]
		v := uint64(int64(s[0])*fromRed + int64(s[1])*fromGreen + int64(s[2])*fromBlue + fromNone)
		p0[x] = int16(v>>(2*laneBits+laneShift)) - planeGrey
		p1[x] = int16(v>>(laneBits+laneShift)&laneMask) - planeGrey
		p2[x] = int16(v>>laneShift&laneMask) - planeGrey
	}
	for i := range c.plane {
		pad(c.plane[i][at:at+c.stride], w)
	}
}

// convertHalf stores two lines of Y and, as the means of 2 × 2 pixels, which
// is the siting of T.871, line i of Cb and Cr.
func (c *jpegCoder) convertHalf(top, bottom []uint8, i int) {
	const (
		red, green, blue = 2449, 4809, 934
		half             = laneHalf - planeGrey<<laneShift
		// Two components in one number, of four pixels' sums.
		redC, greenC, blueC = -1382<<32 + 4096, -2714<<32 - 3430, 4096<<32 - 666
		halfC               = 4 * (laneMiddle<<32 + laneMiddle)
	)
	w := len(top) / 3
	at := 2 * i * c.stride
	y0, y1 := c.plane[0][at:at+c.stride], c.plane[0][at+c.stride:at+2*c.stride]
	cb, cr := c.plane[1][i*c.stride/2:][:c.stride/2], c.plane[2][i*c.stride/2:][:c.stride/2]
	for x := 0; x < w; x += 2 {
		k := 3
		if x+1 == w {
			k = 0 // the last column twice
		}
		a, b := top[3*x:], bottom[3*x:]
		r0, g0, b0 := int64(a[0]), int64(a[1]), int64(a[2])
		r1, g1, b1 := int64(a[k]), int64(a[k+1]), int64(a[k+2])
		r2, g2, b2 := int64(b[0]), int64(b[1]), int64(b[2])
		r3, g3, b3 := int64(b[k]), int64(b[k+1]), int64(b[k+2])
		y0[x] = int16((r0*red + g0*green + b0*blue + half) >> laneShift)
		y0[x+1] = int16((r1*red + g1*green + b1*blue + half) >> laneShift)
		y1[x] = int16((r2*red + g2*green + b2*blue + half) >> laneShift)
		y1[x+1] = int16((r3*red + g3*green + b3*blue + half) >> laneShift)
		v := uint64((r0+r1+r2+r3)*redC + (g0+g1+g2+g3)*greenC + (b0+b1+b2+b3)*blueC + halfC)
		cb[x/2] = int16(v>>(32+2+laneShift)) - planeGrey
		cr[x/2] = int16(v>>(2+laneShift)&laneMask) - planeGrey
	}
	w += w % 2
	pad(y0, w)
	pad(y1, w)
	pad(cb, w/2)
	pad(cr, w/2)
}

// pad repeats the last of the first n samples.
func pad(p []int16, n int) {
	for i := n; i < len(p); i++ {
		p[i] = p[n-1]
	}
}

// aanScale are the factors that the transform of Arai, Agui & Nakajima leaves
// in its results, for each direction; the quantiser takes them out.
var aanScale = [8]float64{1, 1.387039845, 1.306562965, 1.175875602, 1, 0.785694958, 0.541196100, 0.275899379}

const (
	recipBits = 40
	// The four constants of the transform, in 1/2¹⁴.
	aanBits         = 14
	aan382, aan541  = 6270, 8867   // cos 6π/16, cos 2π/16 − cos 6π/16
	aan707, aan1306 = 11585, 21407 // cos 4π/16, cos 2π/16 + cos 6π/16
)

// block transforms, quantises and codes one block of component i: the
// transform of eight samples of Arai, Agui & Nakajima 1988 (in the arrangement
// of Pennebaker & Mitchell, JPEG, 1993, figure 4-8), along the lines and then
// down the columns. It stands here twice because a call for every eight
// samples would cost a third more.
func (c *jpegCoder) block(p []int16, stride, i int) {
	ws := &c.ws
	for y := 0; y < 64; y += 8 {
		s, d := p[:8:8], ws[y:y+8:y+8]
		p = p[min(stride, len(p)):]
		a0, a1, a2, a3 := int64(s[0]), int64(s[1]), int64(s[2]), int64(s[3])
		a4, a5, a6, a7 := int64(s[4]), int64(s[5]), int64(s[6]), int64(s[7])
		t0, t7 := a0+a7, a0-a7
		t1, t6 := a1+a6, a1-a6
		t2, t5 := a2+a5, a2-a5
		t3, t4 := a3+a4, a3-a4
		u0, u3 := t0+t3, t0-t3
		u1, u2 := t1+t2, t1-t2
		z1 := (u2 + u3) * aan707 >> aanBits
		d[0], d[4], d[2], d[6] = int32(u0+u1), int32(u0-u1), int32(u3+z1), int32(u3-z1)
		v0, v1, v2 := t4+t5, t5+t6, t6+t7
		z5 := (v0 - v2) * aan382
		z2 := (v0*aan541 + z5) >> aanBits
		z4 := (v2*aan1306 + z5) >> aanBits
		z3 := v1 * aan707 >> aanBits
		z11, z13 := t7+z3, t7-z3
		d[5], d[3], d[1], d[7] = int32(z13+z2), int32(z13-z2), int32(z11+z4), int32(z11-z4)
	}
	t := min(i, 1)
	recip := &c.recip[t]
	for x := range 8 {
		s, r, z := ws[x:x+57:x+57], recip[x:x+57:x+57], zigzagOf[x:x+57:x+57]
		a0, a1, a2, a3 := int64(s[0]), int64(s[8]), int64(s[16]), int64(s[24])
		a4, a5, a6, a7 := int64(s[32]), int64(s[40]), int64(s[48]), int64(s[56])
		t0, t7 := a0+a7, a0-a7
		t1, t6 := a1+a6, a1-a6
		t2, t5 := a2+a5, a2-a5
		t3, t4 := a3+a4, a3-a4
		u0, u3 := t0+t3, t0-t3
		u1, u2 := t1+t2, t1-t2
		z1 := (u2 + u3) * aan707 >> aanBits
		c.set(z[0], (u0+u1)*r[0])
		c.set(z[32], (u0-u1)*r[32])
		c.set(z[16], (u3+z1)*r[16])
		c.set(z[48], (u3-z1)*r[48])
		v0, v1, v2 := t4+t5, t5+t6, t6+t7
		z5 := (v0 - v2) * aan382
		z2 := (v0*aan541 + z5) >> aanBits
		z4 := (v2*aan1306 + z5) >> aanBits
		z3 := v1 * aan707 >> aanBits
		z11, z13 := t7+z3, t7-z3
		c.set(z[40], (z13+z2)*r[40])
		c.set(z[24], (z13-z2)*r[24])
		c.set(z[8], (z11+z4)*r[8])
		c.set(z[56], (z11-z4)*r[56])
	}
	c.code(i, &huffmanCodes[2*t], &huffmanCodes[2*t+1])
}

// set rounds a coefficient and stores it at a place of the zigzag.
func (c *jpegCoder) set(at uint8, v int64) {
	binary.LittleEndian.PutUint16(c.coef[2*(at&63):], uint16((v+1<<(recipBits-1))>>recipBits))
}

func (c *jpegCoder) at(i int) int64 {
	return int64(int16(binary.LittleEndian.Uint16(c.coef[2*(i&63):])))
}
