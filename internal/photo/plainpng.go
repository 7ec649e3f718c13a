package photo

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"io"

	"github.com/klauspost/compress/zlib"
)

// pngStream is the one piece of a PNG file that is not interlaced.
type pngStream struct {
	size  image.Point
	pixel int   // bytes
	first int64 // where the first IDAT chunk begins
	end   int64 // of the file
}

// plainPNG returns how the pixels of a PNG file lie, nil if that is not plain: a
// palette, a transparent colour, less than 8 bits, grey with alpha, interlaced.
func plainPNG(r io.ReaderAt, size image.Point, fileSize int64) *plain {
	b := make([]byte, 5)
	if _, err := r.ReadAt(b, 24); err != nil {
		return nil
	}
	p := &plain{bytes: int(b[0]) / 8, bigEndian: true}
	switch b[1] {
	case 0:
		p.samples = 1
	case 2:
		p.samples = 3
	case 6:
		p.samples = 4
	}
	if p.samples == 0 || p.bytes == 0 || b[4] != 0 {
		return nil
	}
	if at, _ := findChunk(r, fileSize, "tRNS", true); at >= 0 {
		return nil
	}
	at, _ := findChunk(r, fileSize, "IDAT", false)
	if at < 0 {
		return nil
	}
	p.pieces = &pngStream{size, p.samples * p.bytes, at - 8, fileSize}
	return p
}

func (s *pngStream) count() (n, lines int) { return 1, s.size.Y }

func (s *pngStream) read(_ context.Context, r io.ReaderAt, _, _ int, emit func(y int, lines []byte) error) error {
	chunks := &idatReader{r: bufio.NewReaderSize(io.NewSectionReader(r, s.first, s.end-s.first), 1<<16)}
	z, err := zlib.NewReader(bufio.NewReaderSize(chunks, 1<<15))
	if err != nil {
		return err
	}
	defer z.Close()
	line := s.size.X * s.pixel
	band := make([]byte, bandLines*line)
	above, raw := make([]byte, line), make([]byte, 1+line)
	for y := 0; y < s.size.Y; y += bandLines {
		n := min(bandLines, s.size.Y-y)
		for k := range n {
			if err := readLines(z, raw); err != nil {
				return err
			}
			if err := unfilter(raw[0], raw[1:], above, s.pixel); err != nil {
				return err
			}
			copy(above, raw[1:])
			copy(band[k*line:], above)
		}
		if err := emit(y, band[:n*line]); err != nil {
			return err
		}
	}
	// The checksum follows the last line.
	if n, err := z.Read(raw[:1]); n != 0 || err != io.EOF {
		if err == nil || err == io.EOF {
			err = errors.New("it has more pixels than it says")
		}
		return err
	}
	return chunks.finish()
}

// unfilter undoes the filter of a line (PNG, 9.2).
func unfilter(kind byte, line, above []byte, px int) error {
	above = above[:len(line)]
	switch kind {
	case 0:
	case 1:
		for i, v := range line[:len(line)-px] {
			line[i+px] += v
		}
	case 2:
		for i, v := range above {
			line[i] += v
		}
	case 3:
		for i := range px {
			line[i] += above[i] / 2
		}
		for i := px; i < len(line); i++ {
			line[i] += byte((int(line[i-px]) + int(above[i])) / 2)
		}
	case 4:
		for i := range px {
			line[i] += above[i]
		}
		for i := px; i < len(line); i++ {
			a, b, c := int(line[i-px]), int(above[i]), int(above[i-px])
			pa, pb := b-c, a-c
			pc := pa + pb
			pa, pb, pc = max(pa, -pa), max(pb, -pb), max(pc, -pc)
			switch {
			case pa <= pb && pa <= pc:
				line[i] += byte(a)
			case pb <= pc:
				line[i] += byte(b)
			default:
				line[i] += byte(c)
			}
		}
	default:
		return fmt.Errorf("it has a line of filter %d", kind)
	}
	return nil
}

// idatReader reads the contents of the IDAT chunks from the first on, and checks
// their sums.
type idatReader struct {
	r    *bufio.Reader
	left int64
	open bool // within a chunk
	sum  uint32
	next []byte // the head of the first chunk that is none of them
}

func (d *idatReader) Read(b []byte) (int, error) {
	for d.left == 0 {
		if d.next != nil {
			return 0, io.EOF
		}
		head := make([]byte, 8)
		if d.open {
			if _, err := io.ReadFull(d.r, head[:4]); err != nil {
				return 0, io.ErrUnexpectedEOF
			}
			if binary.BigEndian.Uint32(head) != d.sum {
				return 0, errors.New("the checksum of a chunk is wrong")
			}
			d.open = false
		}
		if _, err := io.ReadFull(d.r, head); err != nil {
			return 0, io.ErrUnexpectedEOF
		}
		if string(head[4:]) != "IDAT" {
			d.next, d.open = head, false
			return 0, io.EOF
		}
		d.open, d.left, d.sum = true, int64(binary.BigEndian.Uint32(head)), crc32.ChecksumIEEE(head[4:])
	}
	n, err := d.r.Read(b[:min(int64(len(b)), d.left)])
	d.sum = crc32.Update(d.sum, crc32.IEEETable, b[:n])
	d.left -= int64(n)
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return n, err
}

// finish reads the rest of the file, which must come to its end.
func (d *idatReader) finish() error {
	if _, err := io.Copy(io.Discard, d); err != nil {
		return err
	}
	for {
		if _, err := io.CopyN(io.Discard, d.r, int64(binary.BigEndian.Uint32(d.next))+4); err != nil {
			return io.ErrUnexpectedEOF
		}
		if string(d.next[4:]) == "IEND" {
			return nil
		}
		if _, err := io.ReadFull(d.r, d.next); err != nil {
			return io.ErrUnexpectedEOF
		}
	}
}
