package photo

import (
	"bufio"
	"errors"
	"fmt"
	"image"
	"io"
	"slices"
)

// errStop ends a walk over segments that has found what it wants.
var errStop = errors.New("stop")

// Markers of ITU-T T.81, table B.1.
const (
	markerRST0 = 0xd0
	markerSOI  = 0xd8
	markerEOI  = 0xd9
	markerSOS  = 0xda
	markerAPP1 = 0xe1
	markerAPP2 = 0xe2
	markerTEM  = 0x01
)

// walkJPEG calls visit for each marker segment: its marker, where its
// contents begin, and the contents, which visit must not keep. It steps over
// the coded data between segments and ends after EOI, with errStop from
// visit, or with an error.
func walkJPEG(r io.Reader, visit func(marker byte, at int64, segment []byte) error) error {
	b := bufio.NewReaderSize(r, 1<<14)
	pos := int64(0)
	next := func() (byte, error) {
		c, err := b.ReadByte()
		pos++
		return c, err
	}
	var segment []byte // most files have only short ones
	for {
		skipped, err := b.ReadSlice(0xff)
		pos += int64(len(skipped))
		if err == bufio.ErrBufferFull {
			continue
		}
		if err != nil {
			return early(err)
		}
		m := byte(0xff)
		for m == 0xff { // fill bytes
			if m, err = next(); err != nil {
				return early(err)
			}
		}
		switch {
		case m == 0, m == markerTEM, m >= markerRST0 && m < markerRST0+8, m == markerSOI:
			continue
		case m == markerEOI:
			return nil
		}
		hi, err := next()
		if err != nil {
			return early(err)
		}
		lo, err := next()
		if err != nil {
			return early(err)
		}
		n := int(hi)<<8 | int(lo) - 2
		if n < 0 {
			return errors.New("a segment has no length")
		}
		at := pos
		segment = slices.Grow(segment[:0], n)[:n]
		k, err := io.ReadFull(b, segment)
		pos += int64(k)
		if err != nil {
			return early(err)
		}
		if err := visit(m, at, segment); err != nil {
			if err == errStop {
				return nil
			}
			return err
		}
	}
}

// early is err, the end of the file being an unexpected one.
func early(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// isFrame reports whether m is a start-of-frame marker (SOF).
func isFrame(m byte) bool { return m >= 0xc0 && m <= 0xcf && m != 0xc4 && m != 0xc8 && m != 0xcc }

func (f *File) readJPEG(r io.ReaderAt) (header, error) {
	h := header{exif: -1}
	found := false
	err := walkJPEG(io.NewSectionReader(r, 0, f.size), func(m byte, at int64, s []byte) error {
		switch {
		case m == markerAPP1 && h.exif < 0 && len(s) > 6 && string(s[:6]) == "Exif\x00\x00":
			h.exif = at + 6
		case m == markerSOS:
			return errors.New("a scan comes before the size")
		case isFrame(m):
			if len(s) < 6 {
				return errors.New("the frame header is too short")
			}
			found = true
			h.size = image.Pt(int(s[3])<<8|int(s[4]), int(s[1])<<8|int(s[2]))
			h.bits, h.gray, h.sampleBit = 8, s[5] == 1, 8*int64(s[5])
			h.decoded = decodedBytes(h.size, s[6:])
			switch {
			case m > 0xc2:
				return unsupported(f.Path, "is a lossless, hierarchical or arithmetic-coded JPEG", nil)
			case s[0] != 8:
				return unsupported(f.Path, fmt.Sprintf("is a JPEG of %d bits a sample", s[0]), nil)
			case s[5] == 4:
				return unsupported(f.Path, "is a JPEG in printing colours (CMYK)", nil)
			case s[5] != 1 && s[5] != 3:
				return unsupported(f.Path, fmt.Sprintf("is a JPEG of %d channels", s[5]), nil)
			case h.size.Y == 0:
				return unsupported(f.Path, "is a JPEG that does not tell its height", nil)
			}
			return errStop
		}
		return nil
	})
	if err == nil && !found {
		err = errors.New("there is no frame header")
	}
	if err != nil {
		return header{}, f.decodeError(err)
	}
	return h, nil
}

// decodedBytes returns the bytes of a JPEG's samples, whose components are as a frame
// header has them (T.81, B.2.2): a name, the sampling factors, a table.
func decodedBytes(size image.Point, components []byte) int64 {
	var samples, h, v int64
	for ; len(components) >= 3; components = components[3:] {
		ch, cv := int64(components[1]>>4), int64(components[1]&15)
		samples, h, v = samples+ch*cv, max(h, ch), max(v, cv)
	}
	return int64(size.X) * int64(size.Y) * samples / max(1, h*v)
}

// checkJPEGScans makes sure that the file reaches its end marker and that
// each component has its coarse coefficients: the decoder leaves a component
// that no scan mentions at zero without a word.
func checkJPEGScans(r io.Reader) error {
	missing := map[byte]bool{}
	err := walkJPEG(r, func(m byte, _ int64, s []byte) error {
		switch {
		case isFrame(m):
			for i := 6; i+2 < len(s); i += 3 {
				missing[s[i]] = true
			}
		case m == markerSOS && len(s) > 0 && len(s) >= 4+2*int(s[0]):
			n := int(s[0])
			if s[1+2*n] == 0 { // the spectral selection begins with DC
				for i := range n {
					delete(missing, s[1+2*i])
				}
			}
		}
		return nil
	})
	if err == nil && len(missing) > 0 {
		err = errors.New("a colour channel is missing")
	}
	return err
}
