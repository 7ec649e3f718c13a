package photo

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"io"
	"math"

	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// stripBytes is about the size of a strip before compression: large enough
// for Deflate to reach its ratio, small enough to share out.
const stripBytes = 1 << 18

// tiffLimit is where the 32-bit offsets of TIFF end.
const tiffLimit = math.MaxUint32

// writeTIFF writes a baseline little-endian TIFF (TIFF 6.0) of RGB strips, or
// RGB with unassociated alpha; Deflate (compression 8) with the horizontal
// predictor. Strips are compressed a batch at a time and written in order;
// the directory follows them, and its place is stored in the header last.
func writeTIFF(ctx context.Context, w io.Writer, at io.WriterAt, path string, pic *raster.Picture, opts WriteOptions) error {
	t := tiffStrips{pic: pic, bytes: 1, samples: 3}
	if opts.Bits == 16 {
		t.bytes = 2
	}
	if !pic.Opaque() {
		t.samples = 4
	}
	width, height := pic.Rect.Dx(), pic.Rect.Dy()
	t.lines = max(1, stripBytes/(width*t.samples*t.bytes))
	strips := (height + t.lines - 1) / t.lines
	offsets, counts := make([]uint32, strips), make([]uint32, strips)

	pos := int64(8)
	if _, err := w.Write([]byte{'I', 'I', 42, 0, 0, 0, 0, 0}); err != nil {
		return err
	}
	batch := make([]bytes.Buffer, 4*par.Workers(opts.Workers))
	for first := 0; first < strips; first += len(batch) {
		n := min(len(batch), strips-first)
		err := par.DoScratch(ctx, opts.Workers, n, t.newPacker, func(i int, p *packer) error {
			batch[i].Reset()
			return p.pack(&batch[i], first+i)
		})
		if err != nil {
			return err
		}
		for i := range n {
			b := batch[i].Bytes()
			// Room for the directory: 16 bytes a strip and a little more.
			if pos+int64(len(b))+16*int64(strips)+1024 > tiffLimit {
				return &Error{path, ErrTooLarge, "would be larger than the 4 GiB that a TIFF can hold", "use the ending .png or 8 bits", nil}
			}
			offsets[first+i], counts[first+i] = uint32(pos), uint32(len(b))
			if _, err := w.Write(b); err != nil {
				return err
			}
			pos += int64(len(b))
			if pos%2 == 1 { // offsets are even
				if _, err := w.Write([]byte{0}); err != nil {
					return err
				}
				pos++
			}
		}
	}
	if _, err := w.Write(t.directory(uint32(pos), offsets, counts, opts.PPI)); err != nil {
		return err
	}
	// The first bytes have to be in the file before four of them change.
	if f, ok := w.(interface{ Flush() error }); ok {
		if err := f.Flush(); err != nil {
			return err
		}
	}
	_, err := at.WriteAt(binary.LittleEndian.AppendUint32(nil, uint32(pos)), 4)
	return err
}

// tiffStrips says how the pixels of pic are laid out.
type tiffStrips struct {
	pic                   *raster.Picture
	bytes, samples, lines int // bytes of a sample, samples of a pixel, lines of a strip
}

// packer compresses strips; it belongs to one goroutine.
type packer struct {
	tiffStrips
	z   *zlib.Writer
	row []byte
	px  []uint16
}

func (t tiffStrips) newPacker() *packer {
	n := t.pic.Rect.Dx() * t.samples
	return &packer{t, zlib.NewWriter(io.Discard), make([]byte, n*t.bytes), make([]uint16, n)}
}

// pack appends strip i to dst, compressed.
func (p *packer) pack(dst io.Writer, i int) error {
	p.z.Reset(dst)
	r := p.pic.Rect
	for y := r.Min.Y + i*p.lines; y < min(r.Min.Y+(i+1)*p.lines, r.Max.Y); y++ {
		p.fill(y)
		// The predictor: each sample minus that of the pixel to the left.
		for k := len(p.px) - 1; k >= p.samples; k-- {
			p.px[k] -= p.px[k-p.samples]
		}
		for k, v := range p.px {
			if p.bytes == 1 {
				p.row[k] = uint8(v)
			} else {
				binary.LittleEndian.PutUint16(p.row[2*k:], v)
			}
		}
		if _, err := p.z.Write(p.row); err != nil {
			return err
		}
	}
	return p.z.Close()
}

// fill sets px to the samples of line y in the depth of the file.
func (p *packer) fill(y int) {
	src, alpha := p.pic.Row(y), p.pic.AlphaRow(y)
	if p.samples == 3 {
		copy(p.px, src)
	} else {
		for x, a := range alpha {
			copy(p.px[4*x:4*x+3], src[3*x:3*x+3])
			p.px[4*x+3] = a
		}
	}
	if p.bytes == 1 {
		for k, v := range p.px {
			p.px[k] = uint16(to8(v))
		}
	}
}

// directory returns the fields of the file, to be written at offset start.
func (t tiffStrips) directory(start uint32, offsets, counts []uint32, ppi float64) []byte {
	const short, long, rational = 3, 4, 5
	type field struct {
		tag, kind uint16
		values    []uint32 // two to one rational
	}
	resolution, unit := []uint32{1, 1}, uint32(1) // only an aspect ratio
	if ppi > 0 {
		resolution, unit = []uint32{uint32(math.Round(ppi * 1000)), 1000}, 2
	}
	bits := make([]uint32, t.samples)
	for i := range bits {
		bits[i] = uint32(8 * t.bytes)
	}
	fields := []field{ // in the order of the tags
		{256, long, []uint32{uint32(t.pic.Rect.Dx())}},
		{257, long, []uint32{uint32(t.pic.Rect.Dy())}},
		{258, short, bits},
		{259, short, []uint32{8}}, // Compression: Deflate
		{262, short, []uint32{2}}, // PhotometricInterpretation: RGB
		{273, long, offsets},
		{277, short, []uint32{uint32(t.samples)}},
		{278, long, []uint32{uint32(t.lines)}},
		{279, long, counts},
		{282, rational, resolution},
		{283, rational, resolution},
		{284, short, []uint32{1}}, // PlanarConfiguration: interleaved
		{296, short, []uint32{unit}},
		{317, short, []uint32{2}}, // Predictor: horizontal
	}
	if t.samples == 4 {
		fields = append(fields, field{338, short, []uint32{2}}) // ExtraSamples: unassociated alpha
	}
	le := binary.LittleEndian
	dir := le.AppendUint16(nil, uint16(len(fields)))
	extra, extraAt := []byte{}, start+2+12*uint32(len(fields))+4
	for _, f := range fields {
		var value []byte
		for _, v := range f.values {
			if f.kind == short {
				value = le.AppendUint16(value, uint16(v))
			} else {
				value = le.AppendUint32(value, v)
			}
		}
		count := len(f.values)
		if f.kind == rational {
			count /= 2
		}
		dir = le.AppendUint16(dir, f.tag)
		dir = le.AppendUint16(dir, f.kind)
		dir = le.AppendUint32(dir, uint32(count))
		if len(value) <= 4 {
			dir = append(dir, append(value, make([]byte, 4-len(value))...)...)
			continue
		}
		dir = le.AppendUint32(dir, extraAt+uint32(len(extra)))
		extra = append(extra, value...) // an even number of bytes
	}
	dir = le.AppendUint32(dir, 0) // no further directory
	return append(dir, extra...)
}
