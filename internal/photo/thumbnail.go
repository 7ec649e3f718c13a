package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"image"
	"image/jpeg"
	"io"
	"math"
	"os"

	"flatfell.example/raster"
)

// Glance is a photograph at reduced size, as it is read to sort a card.
type Glance struct {
	// Image is upright. One of its pixels stands for Shrink × Shrink pixels of
	// the file, but for what is left over at an edge.
	Image  image.Image
	Shrink float64
	// Fine and Coarse are the energy of the luma in each 8 × 8 block of the
	// file, above and below a quarter of its sampling frequency, upright and
	// of one size; their ratio tells how sharp the block is, whatever its
	// exposure. Both are nil unless From is [FromCoefficients].
	Fine, Coarse *raster.Plane
	// From is where the pixels come from.
	From GlanceSource
}

// GlanceSource says how a [Glance] was read.
type GlanceSource string

// The sources, the cheapest first.
const (
	// FromPreview: a smaller picture that the camera stored in the file.
	FromPreview GlanceSource = "embedded preview"
	// FromCoefficients: the mean of each block of a JPEG.
	FromCoefficients GlanceSource = "block means"
	// FromPixels: the file was decoded in full.
	FromPixels GlanceSource = "all pixels"
)

// Glance reads the photograph at a reduced size of at least long pixels along
// its longer side, or at its own size if that is smaller, by the cheapest way
// that the file offers: a preview embedded in it; the means of its 8 × 8 blocks,
// for which only the entropy coding of a sequential JPEG is undone; or all of
// its pixels.
//
// The errors are those of [File.Decode]; a file that ends too early is
// [ErrDamaged] whichever way is taken.
func (f *File) Glance(ctx context.Context, long int) (*Glance, error) {
	if f.Format == JPEG {
		g, err := f.glanceJPEG(ctx, long)
		if g != nil || err != nil {
			return g, err
		}
	}
	img, err := f.Decode(ctx)
	if err != nil {
		return nil, err
	}
	g := &Glance{Image: img, Shrink: 1, From: FromPixels}
	if n := max(f.Width, f.Height) / long; n > 1 {
		g.Shrink = float64(n)
		if g.Image, err = raster.Shrink(ctx, 1, img, n); err != nil {
			return nil, err
		}
	}
	return g, nil
}

// glanceJPEG tries the two cheap ways; a nil Glance means that neither serves.
func (f *File) glanceJPEG(ctx context.Context, long int) (g *Glance, err error) {
	data, err := os.ReadFile(f.Path)
	if err != nil {
		return nil, unreadable(f.Path, err)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if int64(len(data)) != f.size {
		return nil, damaged(f.Path, "has changed since it was opened", nil)
	}
	defer func() {
		if p := recover(); p != nil { // let the decoder say what is wrong
			g, err = nil, nil
		}
	}()
	if img := f.preview(data, long); img != nil && endsWhole(data) {
		img, err = orient(ctx, img, f.Meta.Orientation)
		if err != nil {
			return nil, err
		}
		b := img.Bounds()
		return &Glance{Image: img, Shrink: float64(max(f.Width, f.Height)) / float64(max(b.Dx(), b.Dy())), From: FromPreview}, nil
	}
	if max(f.Width, f.Height)/8 < long {
		return nil, nil
	}
	d, err := decodeMeans(data)
	if errors.Is(err, errNotSequential) {
		return nil, nil
	}
	if err != nil {
		return nil, f.decodeError(err)
	}
	g = &Glance{Shrink: 8, From: FromCoefficients}
	if g.Image, err = orient(ctx, d.image(), f.Meta.Orientation); err != nil {
		return nil, err
	}
	g.Fine, g.Coarse = turnPlane(d.fine, f.Meta.Orientation), turnPlane(d.coarse, f.Meta.Orientation)
	return g, nil
}

// endsWhole reports whether the end marker of a JPEG stands near the end of
// the file: a preview at its head says nothing about the picture behind it.
func endsWhole(data []byte) bool {
	const padding = 1 << 16 // what cameras add behind the picture, from memory
	return bytes.Contains(data[max(0, len(data)-padding):], []byte{0xff, markerEOI})
}

// preview returns the smallest embedded picture of at least long pixels that
// has the shape of the photograph, in the photograph's stored orientation.
func (f *File) preview(data []byte, long int) image.Image {
	var best image.Image
	for _, p := range append(exifThumbnail(data), multiPictures(data)...) {
		c, err := jpeg.DecodeConfig(bytes.NewReader(p))
		if err != nil || max(c.Width, c.Height) < long || max(c.Width, c.Height) >= max(f.stored.X, f.stored.Y) {
			continue
		}
		// Bars at the edges or a crop give another shape.
		shape := float64(c.Width) / float64(c.Height) * float64(f.stored.Y) / float64(f.stored.X)
		if !(math.Abs(shape-1) <= 0.01) || best != nil && best.Bounds().Dx() <= c.Width {
			continue
		}
		if img, err := jpeg.Decode(bytes.NewReader(p)); err == nil {
			best = img
		}
	}
	return best
}

// exifThumbnail returns the JPEG of the directory behind the main one (Exif
// 2.32, 4.5.1: tags 0x0201 and 0x0202), if there is one.
func exifThumbnail(data []byte) [][]byte {
	at := segment(data, markerAPP1, "Exif\x00\x00")
	if at < 0 {
		return nil
	}
	r := bytes.NewReader(data)
	b, ok := newTIFFBlock(r, at)
	if !ok {
		return nil
	}
	n := make([]byte, 2)
	if _, err := r.ReadAt(n, at+b.ifd0); err != nil {
		return nil
	}
	next := make([]byte, 4)
	if _, err := r.ReadAt(next, at+b.ifd0+2+12*int64(b.order.Uint16(n))); err != nil {
		return nil
	}
	ifd1 := int64(b.order.Uint32(next))
	if ifd1 == 0 {
		return nil
	}
	start, ok1 := b.find(ifd1, 0x0201)
	size, ok2 := b.find(ifd1, 0x0202)
	if !ok1 || !ok2 {
		return nil
	}
	return part(data, at+int64(b.uint(start)), int64(b.uint(size)))
}

// multiPictures returns the further pictures of a file of several (CIPA
// DC-007, 5.2.3.3: 16 bytes an entry, size and offset in the middle).
func multiPictures(data []byte) (pictures [][]byte) {
	const markerAPP2 = 0xe2
	at := segment(data, markerAPP2, "MPF\x00")
	if at < 0 {
		return nil
	}
	b, ok := newTIFFBlock(bytes.NewReader(data), at)
	if !ok {
		return nil
	}
	count, ok := b.find(b.ifd0, 0xb001)
	if !ok {
		return nil
	}
	// find cuts long values: the entries are read from where their field points.
	n := min(int64(b.uint(count)), 16)
	list, ok := b.offset(b.ifd0, 0xb002)
	if !ok || at+list+16*n > int64(len(data)) {
		return nil
	}
	for i := range n {
		e := data[at+list+16*i:]
		if off := int64(b.order.Uint32(e[8:])); off != 0 { // the first picture is the file itself
			pictures = append(pictures, part(data, at+off, int64(b.order.Uint32(e[4:])))...)
		}
	}
	return pictures
}

// offset returns where the value of a field longer than four bytes begins.
func (b tiffBlock) offset(ifd int64, tag uint16) (int64, bool) {
	n := make([]byte, 2)
	if _, err := b.r.ReadAt(n, b.base+ifd); err != nil {
		return 0, false
	}
	entry := make([]byte, 12)
	for i := range int64(b.order.Uint16(n)) {
		if _, err := b.r.ReadAt(entry, b.base+ifd+2+12*i); err != nil {
			return 0, false
		}
		if b.order.Uint16(entry) == tag {
			return int64(b.order.Uint32(entry[8:])), true
		}
	}
	return 0, false
}

func part(data []byte, at, size int64) [][]byte {
	if at < 0 || size < 4 || at+size > int64(len(data)) {
		return nil
	}
	return [][]byte{data[at : at+size]}
}

// segment returns where the contents of the first segment of that marker
// begin, behind its signature; −1 if there is none before the picture.
func segment(data []byte, marker byte, signature string) int64 {
	found := int64(-1)
	_ = walkJPEG(bytes.NewReader(data), func(m byte, at int64, s []byte) error {
		if m == marker && len(s) > len(signature) && string(s[:len(signature)]) == signature {
			found = at + int64(len(signature))
		}
		if found >= 0 || m == markerSOS {
			return errStop
		}
		return nil
	})
	return found
}

// JPEGBytes returns pic as a JPEG file of the given quality, 1 to 100, for a
// page that carries its pictures.
func JPEGBytes(ctx context.Context, pic *raster.Picture, quality int) ([]byte, error) {
	var b bytes.Buffer
	err := encodeJPEG(ctx, &b, picturePixels(pic), quality, false, 1, jfif(0))
	return b.Bytes(), err
}

// turnPlane returns p turned upright from Exif orientation o.
func turnPlane(p *raster.Plane, o int) *raster.Plane {
	if o < 2 || o > 8 {
		return p
	}
	w, h := p.Rect.Dx(), p.Rect.Dy()
	flipX, flipY := flips(o)
	out := raster.NewPlane(image.Rect(0, 0, w, h))
	if swapsAxes(o) {
		out = raster.NewPlane(image.Rect(0, 0, h, w))
	}
	for y := range h {
		for x, v := range p.Row(y) {
			if flipX {
				x = w - 1 - x
			}
			ty := y
			if flipY {
				ty = h - 1 - y
			}
			if swapsAxes(o) {
				x, ty = ty, x
			}
			out.Set(x, ty, v)
		}
	}
	return out
}

// errNotSequential: a JPEG that decodeMeans does not read, sound or not.
var errNotSequential = errors.New("not a sequential JPEG in one scan")

// means is a JPEG reduced to one value a block.
type means struct {
	width, height int // pixels of the file
	maxH, maxV    int
	comps         []meanComponent
	fine, coarse  *raster.Plane
}

type meanComponent struct {
	id, h, v      int
	quant         int
	dc, ac        int
	mean          []uint8
	predictor     int32
	stride, lines int
}

// decodeMeans undoes the entropy coding of a sequential Huffman-coded JPEG of
// one scan (ITU-T T.81, F.2) and keeps of each block its mean, which is the DC
// coefficient over 8, and of the luma the energy of its AC coefficients: below
// and from the anti-diagonal u + v = 4, a quarter of the sampling frequency
// along an axis.
func decodeMeans(data []byte) (*means, error) {
	d := &means{}
	var quant [4][64]uint16
	var huff [2][4]huffman
	restart := 0
	scan := int64(-1)
	err := walkJPEG(bytes.NewReader(data), func(m byte, at int64, s []byte) error {
		switch {
		case m == 0xdb: // DQT
			return readQuant(&quant, s)
		case m == 0xc4: // DHT
			return readHuffman(&huff, s)
		case m == 0xdd && len(s) >= 2: // DRI
			restart = int(binary.BigEndian.Uint16(s))
		case m == 0xc0 || m == 0xc1:
			return d.readFrame(s)
		case isFrame(m):
			return errNotSequential
		case m == markerSOS:
			if err := d.readScan(s); err != nil {
				return err
			}
			scan = at + int64(len(s))
			return errStop
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if scan < 0 {
		return nil, io.ErrUnexpectedEOF
	}
	for i := range d.comps {
		c := &d.comps[i]
		if !huff[0][c.dc].set || !huff[1][c.ac].set {
			return nil, errNotSequential
		}
	}
	return d, d.decode(data[scan:], &quant, &huff, restart)
}

func readQuant(quant *[4][64]uint16, s []byte) error {
	for len(s) > 0 {
		wide, id := s[0]>>4, s[0]&15
		n := 64
		if wide > 0 {
			n = 128
		}
		if id > 3 || len(s) < 1+n {
			return errNotSequential
		}
		for i := range 64 {
			if wide > 0 {
				quant[id][i] = binary.BigEndian.Uint16(s[1+2*i:])
			} else {
				quant[id][i] = uint16(s[1+i])
			}
		}
		s = s[1+n:]
	}
	return nil
}

func (d *means) readFrame(s []byte) error {
	if len(s) < 6 || s[0] != 8 || len(s) < 6+3*int(s[5]) {
		return errNotSequential
	}
	d.height, d.width = int(binary.BigEndian.Uint16(s[1:])), int(binary.BigEndian.Uint16(s[3:]))
	for i := range int(s[5]) {
		c := meanComponent{id: int(s[6+3*i]), h: int(s[7+3*i] >> 4), v: int(s[7+3*i] & 15), quant: int(s[8+3*i])}
		if c.h < 1 || c.h > 4 || c.v < 1 || c.v > 4 || c.quant > 3 {
			return errNotSequential
		}
		d.maxH, d.maxV = max(d.maxH, c.h), max(d.maxV, c.v)
		d.comps = append(d.comps, c)
	}
	if len(d.comps) == 1 { // a single component is not interleaved: its factors don't count
		d.comps[0].h, d.comps[0].v, d.maxH, d.maxV = 1, 1, 1, 1
	}
	return nil
}

func (d *means) readScan(s []byte) error {
	if len(d.comps) == 0 || len(s) < 1 || int(s[0]) != len(d.comps) || len(s) < 1+2*len(d.comps) {
		return errNotSequential
	}
	for i := range d.comps {
		c := &d.comps[i]
		c.dc, c.ac = int(s[2+2*i]>>4), int(s[2+2*i]&15)
		if int(s[1+2*i]) != c.id || c.dc > 3 || c.ac > 3 {
			return errNotSequential
		}
	}
	return nil
}

// huffman is a code, looked up by its first bits.
type huffman struct {
	set bool
	// fast holds length and value for codes up to fastBits long; length 0 is a
	// longer one.
	fast    [1 << fastBits]struct{ n, v uint8 }
	maxCode [17]int32 // the largest code of each length, −1 if none
	first   [17]int32 // index of a length's first value minus its first code
	values  []uint8
}

const fastBits = 10

func readHuffman(huff *[2][4]huffman, s []byte) error {
	for len(s) > 0 {
		if len(s) < 17 || s[0]>>4 > 1 || s[0]&15 > 3 {
			return errNotSequential
		}
		h := &huff[s[0]>>4][s[0]&15]
		*h = huffman{set: true}
		total := 0
		for _, n := range s[1:17] {
			total += int(n)
		}
		if total > 256 || len(s) < 17+total {
			return errNotSequential
		}
		h.values = bytes.Clone(s[17 : 17+total])
		code, k := int32(0), int32(0)
		for n := 1; n <= 16; n++ {
			h.first[n], h.maxCode[n] = k-code, -1
			for range s[n] {
				if n <= fastBits {
					lo := int(code) << (fastBits - n)
					if lo+1<<(fastBits-n) > len(h.fast) {
						return errNotSequential
					}
					for i := range 1 << (fastBits - n) {
						h.fast[lo+i] = struct{ n, v uint8 }{uint8(n), h.values[k]}
					}
				}
				h.maxCode[n] = code
				code++
				k++
			}
			code <<= 1
		}
		s = s[17+total:]
	}
	return nil
}

// bitReader reads the entropy-coded bits of a scan. Behind the end it gives
// zeros and counts them.
type bitReader struct {
	data    []byte
	at      int
	acc     uint64
	n       uint // bits in acc
	invalid int  // bytes made up behind the end
}

// fill makes at least 32 bits available.
func (b *bitReader) fill() {
	for b.n <= 56 {
		v := byte(0)
		switch {
		case b.at >= len(b.data):
			b.invalid++
		case b.data[b.at] != 0xff:
			v = b.data[b.at]
			b.at++
		case b.at+1 < len(b.data) && b.data[b.at+1] == 0:
			v = 0xff
			b.at += 2
		default: // a marker: the segment ends here
			b.invalid++
		}
		b.acc = b.acc<<8 | uint64(v)
		b.n += 8
	}
}

func (b *bitReader) symbol(h *huffman) (uint8, bool) {
	if b.n < 32 {
		b.fill()
	}
	f := h.fast[b.acc>>(b.n-fastBits)&(1<<fastBits-1)]
	if f.n > 0 {
		b.n -= uint(f.n)
		return f.v, true
	}
	for n := uint(fastBits + 1); n <= 16; n++ {
		code := int32(b.acc >> (b.n - n) & (1<<n - 1))
		if code <= h.maxCode[n] {
			b.n -= n
			i := code + h.first[n]
			if i < 0 || int(i) >= len(h.values) {
				return 0, false
			}
			return h.values[i], true
		}
	}
	return 0, false
}

// receive reads a number of n bits, 0 to 16, in the form of T.81, F.2.2.1. The
// bits are there if a symbol was read before.
func (b *bitReader) receive(n uint8) int32 {
	if n == 0 {
		return 0
	}
	if b.n < 16 {
		b.fill()
	}
	v := int32(b.acc >> (b.n - uint(n)) & (1<<n - 1))
	b.n -= uint(n)
	if v < 1<<(n-1) {
		v += -1<<n + 1
	}
	return v
}

// firstFine is the first coefficient in zigzag order that has u + v ≥ 4: the
// ten before it are those of the diagonals 0 to 3.
const firstFine = 10

func (d *means) decode(data []byte, quant *[4][64]uint16, huff *[2][4]huffman, restart int) error {
	mcusX, mcusY := (d.width+8*d.maxH-1)/(8*d.maxH), (d.height+8*d.maxV-1)/(8*d.maxV)
	// Each block takes four bits at least.
	if mcusX*mcusY > 2*len(data) {
		return io.ErrUnexpectedEOF
	}
	for i := range d.comps {
		c := &d.comps[i]
		c.stride, c.lines = mcusX*c.h, mcusY*c.v
		c.mean = make([]uint8, c.stride*c.lines)
	}
	luma := &d.comps[0]
	fine := raster.NewPlane(image.Rect(0, 0, luma.stride, luma.lines))
	coarse := raster.NewPlane(fine.Rect)
	b := &bitReader{data: data}
	left := restart
	for my := range mcusY {
		for mx := range mcusX {
			for ci := range d.comps {
				c := &d.comps[ci]
				q, dc, ac := &quant[c.quant], &huff[0][c.dc], &huff[1][c.ac]
				for k := range c.h * c.v {
					at := (my*c.v+k/c.h)*c.stride + mx*c.h + k%c.h
					n, ok := b.symbol(dc)
					if !ok || n > 11 {
						return errors.New("the picture's data are corrupt")
					}
					c.predictor += b.receive(n)
					c.mean[at] = uint8(min(max((c.predictor*int32(q[0])+4)>>3+128, 0), 255))
					var lo, hi int64
					for k := 1; k < 64; {
						rs, ok := b.symbol(ac)
						if !ok {
							return errors.New("the picture's data are corrupt")
						}
						size := rs & 15
						if size == 0 {
							if rs != 0xf0 {
								break
							}
							k += 16
							continue
						}
						k += int(rs >> 4)
						v := b.receive(size)
						if k > 63 {
							return errors.New("the picture's data are corrupt")
						}
						if ci == 0 {
							w := int64(v) * int64(q[k])
							if k >= firstFine {
								hi += w * w
							} else {
								lo += w * w
							}
						}
						k++
					}
					if ci == 0 {
						// Per pixel, 1 = full scale: the transform keeps 64 times the energy.
						fine.Pix[at], coarse.Pix[at] = float32(hi)/(64*255*255), float32(lo)/(64*255*255)
					}
				}
			}
			if b.invalid > 8 { // what a fill reads ahead is no fault
				return io.ErrUnexpectedEOF
			}
			if left--; restart > 0 && left == 0 && !(my == mcusY-1 && mx == mcusX-1) {
				left = restart
				if b.at+1 >= len(data) || data[b.at] != 0xff || data[b.at+1] < 0xd0 || data[b.at+1] > 0xd7 {
					return errors.New("a restart marker is missing")
				}
				*b = bitReader{data: data, at: b.at + 2}
				for i := range d.comps {
					d.comps[i].predictor = 0
				}
			}
		}
	}
	if !bytes.Contains(data[min(b.at, len(data)):], []byte{0xff, markerEOI}) {
		return io.ErrUnexpectedEOF
	}
	// Blocks that reach over the right or lower edge show padding: left out.
	d.fine, d.coarse = crop(fine, d.width/8, d.height/8), crop(coarse, d.width/8, d.height/8)
	return nil
}

func crop(p *raster.Plane, w, h int) *raster.Plane {
	out := raster.NewPlane(image.Rect(0, 0, w, h))
	for y := range h {
		copy(out.Row(y), p.Row(y))
	}
	return out
}

// image returns the blocks' means as a picture.
func (d *means) image() image.Image {
	w, h := d.width/8, d.height/8
	at := func(c *meanComponent, x, y int) uint8 {
		return c.mean[min(y*c.v/d.maxV, c.lines-1)*c.stride+min(x*c.h/d.maxH, c.stride-1)]
	}
	if len(d.comps) < 3 {
		out := image.NewGray(image.Rect(0, 0, w, h))
		for y := range h {
			for x := range w {
				out.Pix[y*out.Stride+x] = at(&d.comps[0], x, y)
			}
		}
		return out
	}
	out := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio444)
	for y := range h {
		for x := range w {
			out.Y[y*out.YStride+x] = at(&d.comps[0], x, y)
			out.Cb[y*out.CStride+x] = at(&d.comps[1], x, y)
			out.Cr[y*out.CStride+x] = at(&d.comps[2], x, y)
		}
	}
	return out
}

// IsPictureName reports whether a file's name ends like that of a picture.
func IsPictureName(name string) bool { return formatOf(name) != 0 }
