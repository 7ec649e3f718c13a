package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"math"
	"slices"

	"github.com/klauspost/compress/zlib"
)

// Compression is how the strips of a TIFF are packed, a name of
// [Compressions]; empty means the first of them.
type Compression string

// The compressions. All but Uncompressed store differences between
// neighbouring pixels (the horizontal predictor).
const (
	// Deflate (compression 8, Adobe's) makes the smallest files.
	Deflate Compression = "deflate"
	// LZW (compression 5) is part of TIFF 6.0 itself, for programs that know no
	// more than that; larger and slower.
	LZW Compression = "lzw"
	// Uncompressed is fastest, largest and read by everything.
	Uncompressed Compression = "none"
)

// Compressions lists them.
func Compressions() []Compression { return []Compression{Deflate, LZW, Uncompressed} }

// stripBytes is about the size of a strip before compression: large enough
// for Deflate to reach its ratio, small enough to share out.
const stripBytes = 1 << 18

// tiffLimit is where the 32-bit offsets of TIFF end.
const tiffLimit = math.MaxUint32

// encodeTIFF writes a little-endian TIFF (TIFF 6.0) of RGB strips, or RGB with
// unassociated alpha. Strips are compressed in parallel and written in order;
// the directory follows them, and its place is stored in the header last. A
// file that ends beyond limit becomes a BigTIFF, which has offsets of 64 bits:
// the header leaves room for its longer one.
func encodeTIFF(ctx context.Context, w io.Writer, at io.WriterAt, src Pixels, bits, workers int, how Compression, meta tree, limit int64) error {
	l := newLayout(src, bits)
	per := l.linesIn(stripBytes)
	strips := (l.height + per - 1) / per
	offsets, counts := make([]uint64, strips), make([]uint64, strips)
	pos := int64(tiffHeaderBytes)
	if err := writeAll(w, make([]byte, pos)); err != nil {
		return err
	}
	start := func() *stripPacker { return newStripPacker(l, how) }
	err := inOrder(ctx, workers, strips, start, func(i int, p *stripPacker, dst []byte) ([]byte, error) {
		return p.pack(ctx, i*per, min(per, l.height-i*per), dst)
	}, func(i int, piece []byte) error {
		offsets[i], counts[i] = uint64(pos), uint64(len(piece))
		pos += int64(len(piece))
		if err := writeAll(w, piece); err != nil || pos%2 == 0 {
			return err
		}
		pos++ // offsets are even
		return writeAll(w, []byte{0})
	})
	if err != nil {
		return err
	}
	fields := slices.Concat(l.tiffFields(per, how), []field{longs(273, offsets), longs(279, counts)}, meta.fields)
	dir := appendTree(nil, pos, tree{fields, meta.sub}, false)
	big := pos+int64(len(dir)) > limit
	if big {
		dir = appendTree(nil, pos, tree{fields, meta.sub}, true)
	}
	if err := writeAll(w, dir); err != nil {
		return err
	}
	// The first bytes have to be in the file before they change.
	if f, ok := w.(interface{ Flush() error }); ok {
		if err := f.Flush(); err != nil {
			return err
		}
	}
	_, err = at.WriteAt(tiffHeader(pos, big), 0)
	return err
}

const tiffHeaderBytes = 16

// tiffHeader returns the header of a file whose first directory is at ifd.
func tiffHeader(ifd int64, big bool) []byte {
	le := binary.LittleEndian
	if big {
		return le.AppendUint64([]byte{'I', 'I', 43, 0, 8, 0, 0, 0}, uint64(ifd))
	}
	return append(le.AppendUint32([]byte{'I', 'I', 42, 0}, uint32(ifd)), make([]byte, 8)...)
}

// tiffFields are the fields that tell how the pixels lie.
func (l *layout) tiffFields(per int, how Compression) []field {
	bits := make([]uint16, l.samples)
	for i := range bits {
		bits[i] = uint16(8 * l.bytes)
	}
	code := map[Compression]uint16{Uncompressed: 1, LZW: 5, Deflate: 8}[how]
	fields := []field{
		long(256, uint32(l.width)),
		long(257, uint32(l.height)),
		short(258, bits...),
		short(259, code),
		short(262, 2), // PhotometricInterpretation: RGB
		short(277, uint16(l.samples)),
		long(278, uint32(per)),
		short(284, 1), // PlanarConfiguration: interleaved
	}
	if how != Uncompressed {
		fields = append(fields, short(317, 2)) // Predictor: horizontal
	}
	if l.samples == 4 {
		fields = append(fields, short(338, 2)) // ExtraSamples: unassociated alpha
	}
	return fields
}

// stripPacker compresses strips; it belongs to one goroutine.
type stripPacker struct {
	lines
	how Compression
	z   *zlib.Writer
	lzw *lzwWriter
}

func newStripPacker(l *layout, how Compression) *stripPacker {
	p := &stripPacker{lines: lines{layout: l}, how: how}
	switch how {
	case Deflate:
		p.z, _ = zlib.NewWriterLevel(nil, deflateLevel) // fails for other levels only
	case LZW:
		p.lzw = new(lzwWriter)
	}
	return p
}

// pack appends lines [y0, y0+n) to dst.
func (p *stripPacker) pack(ctx context.Context, y0, n int, dst []byte) ([]byte, error) {
	raw, err := p.read(ctx, y0, n)
	if err != nil {
		return dst, err
	}
	if p.how == Uncompressed {
		return append(dst, raw...), nil
	}
	for y := range n {
		p.predict(raw[y*p.rowBytes() : (y+1)*p.rowBytes()])
	}
	if p.how == LZW {
		return p.lzw.append(dst, raw), nil
	}
	out := bytes.NewBuffer(dst)
	p.z.Reset(out)
	if _, err := p.z.Write(raw); err != nil {
		return dst, err
	}
	err = p.z.Close()
	return out.Bytes(), err
}

// predict replaces each sample by its difference from that of the pixel to the
// left (TIFF 6.0, section 14).
func (p *stripPacker) predict(line []byte) {
	if p.bytes == 1 {
		left := line[:len(line)-p.samples]
		for i := len(left) - 1; i >= 0; i-- {
			line[i+p.samples] -= left[i]
		}
		return
	}
	// Four samples at a time, as one number: with their top bits set nothing is
	// borrowed from the sample above, and the top bits come out by themselves.
	const top = 0x8000800080008000
	le, step := binary.LittleEndian, 2*p.samples
	i := len(line)
	for ; i >= step+8; i -= 8 {
		v, left := le.Uint64(line[i-8:]), le.Uint64(line[i-8-step:])
		le.PutUint64(line[i-8:], ((v|top)-(left&^top))^((v^^left)&top))
	}
	for i -= 2; i >= step; i -= 2 {
		le.PutUint16(line[i:], le.Uint16(line[i:])-le.Uint16(line[i-step:]))
	}
}
