package photo

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"

	"github.com/klauspost/compress/zlib"
	"golang.org/x/image/tiff/lzw"
)

// tiffStrips are the strips or tiles of a TIFF file. The pieces are strips, or
// rows of tiles.
type tiffStrips struct {
	size            image.Point
	samples, bytes  int
	order           binary.ByteOrder
	compression     int
	predicted       bool
	offsets, counts []int64
	perStrip        int         // lines of a strip
	tile            image.Point // zero for strips
}

// raw reports whether the samples lie in the file as they are.
func (t *tiffStrips) raw() bool { return t.compression == 1 && t.tile == image.Point{} }

// plainTIFF returns how the pixels of a TIFF file lie that the library accepts,
// nil if that is not plain. It looks at the first picture of the file.
func plainTIFF(b tiffBlock, size image.Point, fileSize int64) *plain {
	one := func(tag uint16, missing uint32) uint32 {
		if f, ok := b.find(b.ifd0, tag); ok {
			return b.uint(f)
		}
		return missing
	}
	bits, samples := one(258, 1), int(one(277, 1))
	photometric := one(262, 99)
	t := &tiffStrips{size: size, samples: samples, bytes: int(bits / 8), order: b.order, compression: int(one(259, 1)), predicted: one(317, 1) == 2}
	switch {
	case bits != 8 && bits != 16, one(266, 1) != 1, one(317, 1) > 2:
		return nil
	case samples == 1 && photometric <= 1, samples == 3 && photometric == 2:
	case samples == 4 && photometric == 2 && one(338, 0) == 2: // alpha that is not premultiplied
	default:
		return nil
	}
	switch t.compression {
	case 1, 5, 8, 32946:
	default:
		return nil
	}
	tags := [2]uint16{273, 279}
	n := 0
	if w := one(322, 0); w != 0 {
		// Tiles far larger than the picture would be memory for nothing.
		t.tile = image.Pt(int(w), int(one(323, 0)))
		if t.tile.X < 8 || t.tile.Y < 8 || t.tile.X > size.X+1024 || t.tile.Y > size.Y+1024 {
			return nil
		}
		tags = [2]uint16{324, 325}
		n = ((size.X + t.tile.X - 1) / t.tile.X) * ((size.Y + t.tile.Y - 1) / t.tile.Y)
		t.perStrip = t.tile.Y
	} else {
		t.perStrip = int(min(one(278, 1<<31), uint32(size.Y)))
		if t.perStrip < 1 {
			return nil
		}
		n = (size.Y + t.perStrip - 1) / t.perStrip
	}
	t.offsets, t.counts = b.numbers(tags[0], n), b.numbers(tags[1], n)
	if len(t.offsets) != n || len(t.counts) != n {
		return nil
	}
	for i, at := range t.offsets {
		if at+t.counts[i] > fileSize || t.raw() && t.counts[i] < int64(t.lines(i)*t.lineBytes()) {
			return nil // the library says what is wrong
		}
	}
	return &plain{samples: samples, bytes: t.bytes, bigEndian: b.order == binary.ByteOrder(binary.BigEndian), inverted: samples == 1 && photometric == 0, pieces: t}
}

// numbers returns n numbers of a field of the first directory, nil if it has
// fewer.
func (b tiffBlock) numbers(tag uint16, n int) []int64 {
	fields := b.fields(b.ifd0, int64(n)*4+4, func(t uint16) bool { return t == tag })
	if len(fields) == 0 || fields[0].count < uint64(n) {
		return nil
	}
	out := make([]int64, n)
	for i := range out {
		switch fields[0].kind {
		case kindShort:
			out[i] = int64(binary.LittleEndian.Uint16(fields[0].value[2*i:]))
		case kindLong:
			out[i] = int64(binary.LittleEndian.Uint32(fields[0].value[4*i:]))
		default:
			return nil
		}
	}
	return out
}

func (t *tiffStrips) lineBytes() int { return t.size.X * t.samples * t.bytes }

// lines returns the lines of a strip or row of tiles.
func (t *tiffStrips) lines(i int) int { return min(t.perStrip, t.size.Y-i*t.perStrip) }

func (t *tiffStrips) count() (n, lines int) {
	return (t.size.Y + t.perStrip - 1) / t.perStrip, t.perStrip
}

func (t *tiffStrips) read(ctx context.Context, r io.ReaderAt, from, to int, emit func(y int, lines []byte) error) error {
	if t.tile != (image.Point{}) {
		return t.readTiles(r, from, to, emit)
	}
	line := t.lineBytes()
	band := make([]byte, 0, min(bandLines+t.perStrip, (to-from)*t.perStrip)*line)
	first := from * t.perStrip
	u := unpacker{t: t, r: r}
	defer u.close()
	for i := from; i < to; i++ {
		strip, err := u.open(i)
		if err != nil {
			return err
		}
		for left := t.lines(i); left > 0; {
			n := min(left, bandLines)
			at := len(band)
			band = band[:at+n*line]
			if err := readLines(strip, band[at:]); err != nil {
				return err
			}
			t.restore(band[at:], line)
			left -= n
			if len(band) >= bandLines*line {
				if err := emit(first, band); err != nil {
					return err
				}
				first += len(band) / line
				band = band[:0]
			}
		}
	}
	if len(band) == 0 {
		return ctx.Err()
	}
	return emit(first, band)
}

func (t *tiffStrips) readTiles(r io.ReaderAt, from, to int, emit func(y int, lines []byte) error) error {
	px, line := t.samples*t.bytes, t.lineBytes()
	across := (t.size.X + t.tile.X - 1) / t.tile.X
	tile, band := make([]byte, t.tile.X*t.tile.Y*px), make([]byte, t.tile.Y*line)
	u := unpacker{t: t, r: r}
	defer u.close()
	for i := from; i < to; i++ {
		n := t.lines(i)
		for k := range across {
			content, err := u.open(i*across + k)
			if err != nil {
				return err
			}
			if err := readLines(content, tile[:n*t.tile.X*px]); err != nil {
				return err
			}
			t.restore(tile[:n*t.tile.X*px], t.tile.X*px)
			x := k * t.tile.X * px
			for y := range n {
				copy(band[y*line+x:(y+1)*line], tile[y*t.tile.X*px:][:t.tile.X*px])
			}
		}
		if err := emit(i*t.perStrip, band[:n*line]); err != nil {
			return err
		}
	}
	return nil
}

// readLines fills b.
func readLines(r io.Reader, b []byte) error {
	_, err := io.ReadFull(r, b)
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return errors.New("it has fewer pixels than it says")
	}
	return err
}

// unpacker decompresses one strip after the other.
type unpacker struct {
	t    *tiffStrips
	r    io.ReaderAt
	buf  *bufio.Reader
	zlib io.ReadCloser
	lzw  io.ReadCloser
}

// open returns the content of strip or tile i.
func (u *unpacker) open(i int) (io.Reader, error) {
	section := io.NewSectionReader(u.r, u.t.offsets[i], u.t.counts[i])
	if u.t.compression == 1 {
		return section, nil
	}
	if u.buf == nil {
		u.buf = bufio.NewReaderSize(nil, 1<<16)
	}
	u.buf.Reset(section)
	var err error
	switch {
	case u.t.compression == 5:
		if u.lzw != nil {
			u.lzw.Close()
		}
		u.lzw = lzw.NewReader(u.buf, lzw.MSB, 8)
		return u.lzw, nil
	case u.zlib == nil:
		u.zlib, err = zlib.NewReader(u.buf)
	default:
		err = u.zlib.(zlib.Resetter).Reset(u.buf, nil)
	}
	if err != nil {
		return nil, fmt.Errorf("strip %d: %w", i, err)
	}
	return u.zlib, nil
}

func (u *unpacker) close() {
	if u.zlib != nil {
		u.zlib.Close()
	}
	if u.lzw != nil {
		u.lzw.Close()
	}
}

// restore undoes the horizontal predictor of lines (TIFF 6.0, section 14).
func (t *tiffStrips) restore(b []byte, line int) {
	if !t.predicted {
		return
	}
	for ; len(b) > 0; b = b[line:] {
		row := b[:line]
		switch {
		case t.bytes == 1:
			for i, v := range row[:line-t.samples] {
				row[i+t.samples] += v
			}
		case t.samples == 3 && t.order == binary.ByteOrder(binary.LittleEndian):
			var red, green, blue uint16
			for ; len(row) >= 6; row = row[6:] {
				px := (*[6]byte)(row)
				red += uint16(px[0]) | uint16(px[1])<<8
				green += uint16(px[2]) | uint16(px[3])<<8
				blue += uint16(px[4]) | uint16(px[5])<<8
				px[0], px[1], px[2], px[3], px[4], px[5] = byte(red), byte(red>>8), byte(green), byte(green>>8), byte(blue), byte(blue>>8)
			}
		default:
			for i := 2 * t.samples; i < line; i += 2 {
				t.order.PutUint16(row[i:], t.order.Uint16(row[i:])+t.order.Uint16(row[i-2*t.samples:]))
			}
		}
	}
}
