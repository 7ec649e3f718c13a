package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"hash/adler32"
	"hash/crc32"
	"io"

	"github.com/klauspost/compress/flate"

	"flatfell.example/raster"
)

// deflateLevel is that of the compressor: on photographs its files are some
// 5 % larger than those of the standard library's default, and it takes a
// fifth of the time; see DEVELOPERS.md.
const deflateLevel = 2

// encodePNG writes a PNG (W3C, third edition) of RGB or RGBA. Bands of lines
// are filtered and compressed in parallel: the first line of a band uses no
// line above it, and each band's Deflate blocks end at a byte (a sync flush,
// RFC 1951), so that one after the other they make one zlib stream.
func encodePNG(ctx context.Context, w io.Writer, src Pixels, bits, workers int, chunks []byte) error {
	width, height := src.Size()
	l := newLayout(src, bits)
	head := append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", ihdr(width, height, bits, l.samples))...)
	head = append(head, chunks...)
	// 32 KiB of window; the level's bits say fast.
	head = append(head, chunk("IDAT", []byte{0x78, 0x5e})...)
	if err := writeAll(w, head); err != nil {
		return err
	}
	per := l.linesIn(pngBandBytes)
	bands := (height + per - 1) / per
	sum := uint32(1) // Adler-32 of nothing
	err := inOrder(ctx, workers, bands, l.newPNGBand, func(i int, b *pngBand, dst []byte) ([]byte, error) {
		n := min(per, height-i*per)
		return b.encode(ctx, i*per, n, i == bands-1, dst)
	}, func(i int, piece []byte) error {
		// The band's own checksum stands in front of its chunk.
		n := min(per, height-i*per)
		sum = joinAdler(sum, binary.BigEndian.Uint32(piece), int64(n)*int64(1+l.rowBytes()))
		return writeAll(w, piece[4:])
	})
	if err != nil {
		return err
	}
	tail := chunk("IDAT", binary.BigEndian.AppendUint32(nil, sum))
	return writeAll(w, append(tail, chunk("IEND", nil)...))
}

// pngBandBytes is about the size of a band before compression: large enough
// for Deflate to reach its ratio, small enough to share out.
const pngBandBytes = 1 << 19

func ihdr(width, height, bits, samples int) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(width))
	b = binary.BigEndian.AppendUint32(b, uint32(height))
	colour := byte(2)
	if samples == 4 {
		colour = 6
	}
	return append(b, byte(bits), colour, 0, 0, 0)
}

// chunk returns a whole chunk of a PNG.
func chunk(name string, content []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(content)))
	b = append(append(b, name...), content...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// layout says how the samples of a file lie.
type layout struct {
	src            Pixels
	width, height  int
	samples, bytes int // samples of a pixel, bytes of a sample
}

func newLayout(src Pixels, bits int) *layout {
	l := &layout{src: src, samples: 3, bytes: bits / 8}
	l.width, l.height = src.Size()
	if src.HasAlpha() {
		l.samples = 4
	}
	return l
}

func (l *layout) rowBytes() int { return l.width * l.samples * l.bytes }

// linesIn returns how many lines make a band of about that size.
func (l *layout) linesIn(bytes int) int { return min(max(1, bytes/l.rowBytes()), l.height) }

// lines reads lines of a [Pixels] as the bytes of a file; it belongs to one
// goroutine.
type lines struct {
	*layout
	bigEndian bool
	raw       []byte
	wide      []uint16
}

// read returns lines [y0, y0+n), until the next call.
func (r *lines) read(ctx context.Context, y0, n int) ([]byte, error) {
	size := n * r.width * r.samples
	if len(r.raw) < size*r.bytes {
		r.raw = make([]byte, size*r.bytes)
	}
	raw := r.raw[:size*r.bytes]
	if r.bytes == 1 {
		return raw, r.src.Rows8(ctx, raw, y0, n)
	}
	if len(r.wide) < size {
		r.wide = make([]uint16, size)
	}
	if err := r.src.Rows16(ctx, r.wide[:size], y0, n); err != nil {
		return nil, err
	}
	if !r.bigEndian {
		raster.EncodeWords(raw, r.wide[:size])
		return raw, nil
	}
	for i, v := range r.wide[:size] {
		b := raw[2*i : 2*i+2 : 2*i+2]
		b[0], b[1] = byte(v>>8), byte(v)
	}
	return raw, nil
}

// pngBand filters and compresses bands; it belongs to one goroutine.
type pngBand struct {
	lines
	z     *flate.Writer
	tried [2][]byte // lines with their filters in front
}

func (l *layout) newPNGBand() *pngBand {
	b := &pngBand{lines: lines{layout: l, bigEndian: true}}
	b.z, _ = flate.NewWriter(nil, deflateLevel) // fails for other levels only
	for i := range b.tried {
		b.tried[i] = make([]byte, 1+l.rowBytes())
	}
	return b
}

// encode appends to dst the Adler-32 of the filtered lines and their chunk.
func (b *pngBand) encode(ctx context.Context, y0, n int, last bool, dst []byte) ([]byte, error) {
	raw, err := b.read(ctx, y0, n)
	if err != nil {
		return dst, err
	}
	head := len(dst)
	out := bytes.NewBuffer(append(dst, "\x00\x00\x00\x00\x00\x00\x00\x00IDAT"...))
	b.z.Reset(out)
	sum, stride := adler32.New(), b.rowBytes()
	for y := range n {
		var above []byte
		if y > 0 {
			above = raw[(y-1)*stride : y*stride]
		}
		line := b.filter(raw[y*stride:(y+1)*stride], above)
		sum.Write(line)
		if _, err := b.z.Write(line); err != nil {
			return dst, err
		}
	}
	if last {
		err = b.z.Close()
	} else {
		err = b.z.Flush()
	}
	piece := out.Bytes()
	binary.BigEndian.PutUint32(piece[head:], sum.Sum32())
	binary.BigEndian.PutUint32(piece[head+4:], uint32(len(piece)-head-12))
	return binary.BigEndian.AppendUint32(piece, crc32.ChecksumIEEE(piece[head+8:])), err
}

// filter returns line with the filter in front whose results are smallest in
// sum, as the standard's clause 12.7 proposes: of the pixel to the left, the
// line above, and Paeth's choice; none of the last two without a line above.
func (b *pngBand) filter(line, above []byte) []byte {
	bpp := b.samples * b.bytes
	best, other := b.tried[0], b.tried[1]
	best[0] = 1
	copy(best[1:], line[:bpp])
	for i := bpp; i < len(line); i++ {
		best[1+i] = line[i] - line[i-bpp]
	}
	if above == nil {
		return best
	}
	least := weight(best[1:])
	try := func(kind byte) {
		other[0] = kind
		if s := weight(other[1:]); s < least {
			best, other, least = other, best, s
		}
	}
	above = above[:len(line)]
	for i, v := range line {
		other[1+i] = v - above[i]
	}
	try(2)
	for i := range bpp {
		other[1+i] = line[i] - above[i]
	}
	left, corner, d := line[:len(line)-bpp], above[:len(line)-bpp], other[1+bpp:]
	here, up := line[bpp:], above[bpp:]
	for i, v := range here {
		d[i] = v - paeth(int32(left[i]), int32(up[i]), int32(corner[i]))
	}
	try(4)
	return best
}

// weight is the sum of the bytes' distances from zero.
func weight(p []byte) (sum int) {
	for _, v := range p {
		s := int(int8(v))
		sum += (s ^ s>>63) - s>>63
	}
	return sum
}

// paeth returns the one of a, b, c that is nearest to a + b − c.
func paeth(a, b, c int32) byte {
	pa, pb := b-c, a-c
	pc := pa + pb
	pa, pb, pc = (pa^pa>>31)-pa>>31, (pb^pb>>31)-pb>>31, (pc^pc>>31)-pc>>31
	switch {
	case pa <= pb && pa <= pc:
		return byte(a)
	case pb <= pc:
		return byte(b)
	}
	return byte(c)
}

// joinAdler returns the Adler-32 (RFC 1950) of two pieces from those of each
// and the length of the second.
func joinAdler(first, second uint32, length int64) uint32 {
	const mod = 65521
	a1, b1 := int64(first&0xffff), int64(first>>16)
	a2, b2 := int64(second&0xffff), int64(second>>16)
	a := (a1 + a2 + mod - 1) % mod
	b := (b1 + b2 + length%mod*(a1+mod-1)) % mod
	return uint32(b<<16 | a)
}
