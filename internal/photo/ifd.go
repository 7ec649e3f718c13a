package photo

import (
	"bytes"
	"encoding/binary"
	"io"
	"slices"
	"strings"
)

// tiffBlock looks up single fields in a block of TIFF fields, the form of a
// TIFF file's own and of Exif metadata. It serves what the libraries do not
// tell: the layout of a TIFF file, and the digits of a sub-second.
type tiffBlock struct {
	r     io.ReaderAt
	base  int64 // offsets count from here
	order binary.ByteOrder
	ifd0  int64
}

// tiffField is one entry: its type, count, and the start of its value.
type tiffField struct {
	kind  uint16
	value []byte
}

// maxFieldBytes bounds the part of a value that is read.
const maxFieldBytes = 64

func newTIFFBlock(r io.ReaderAt, base int64) (b tiffBlock, ok bool) {
	h := make([]byte, 8)
	if _, err := r.ReadAt(h, base); err != nil {
		return b, false
	}
	b = tiffBlock{r: r, base: base}
	switch string(h[:4]) {
	case "II*\x00":
		b.order = binary.LittleEndian
	case "MM\x00*":
		b.order = binary.BigEndian
	default:
		return b, false
	}
	b.ifd0 = int64(b.order.Uint32(h[4:]))
	return b, true
}

// find returns the field tag of the directory at offset ifd.
func (b tiffBlock) find(ifd int64, tag uint16) (f tiffField, ok bool) {
	n := make([]byte, 2)
	if _, err := b.r.ReadAt(n, b.base+ifd); err != nil {
		return f, false
	}
	entry := make([]byte, 12)
	for i := range int64(b.order.Uint16(n)) {
		if _, err := b.r.ReadAt(entry, b.base+ifd+2+12*i); err != nil {
			return f, false
		}
		if b.order.Uint16(entry) != tag {
			continue
		}
		f.kind = b.order.Uint16(entry[2:])
		var unit int64
		switch f.kind {
		case 1, 2, 6, 7: // bytes and text
			unit = 1
		case 3, 8: // short
			unit = 2
		case 4, 9: // long
			unit = 4
		default:
			return f, false
		}
		size := unit * int64(b.order.Uint32(entry[4:]))
		if size <= 4 {
			f.value = entry[8 : 8+size]
			return f, true
		}
		f.value = make([]byte, min(size, maxFieldBytes))
		_, err := b.r.ReadAt(f.value, b.base+int64(b.order.Uint32(entry[8:])))
		return f, err == nil
	}
	return f, false
}

// uint returns the first number of f, 0 if it has none.
func (b tiffBlock) uint(f tiffField) uint32 {
	switch {
	case f.kind == 3 && len(f.value) >= 2:
		return uint32(b.order.Uint16(f.value))
	case f.kind == 4 && len(f.value) >= 4:
		return b.order.Uint32(f.value)
	case f.kind == 1 && len(f.value) >= 1:
		return uint32(f.value[0])
	}
	return 0
}

// exifText returns a text field of the Exif directory.
func (b tiffBlock) exifText(tag uint16) (string, bool) {
	p, ok := b.find(b.ifd0, 0x8769)
	if !ok {
		return "", false
	}
	f, ok := b.find(int64(b.uint(p)), tag)
	if !ok || f.kind != 2 {
		return "", false
	}
	s, _, _ := strings.Cut(string(f.value), "\x00")
	return strings.TrimSpace(s), true
}

// maxEntries bounds the fields of one directory that are looked at.
const maxEntries = 1000

// fields reads the fields of the directory at offset ifd that are wanted, in
// little-endian order; those that are larger than most bytes, cannot be read,
// or are there already are left out.
func (b tiffBlock) fields(ifd, most int64, wanted func(tag uint16) bool) (out []field) {
	n := make([]byte, 2)
	if _, err := b.r.ReadAt(n, b.base+ifd); err != nil {
		return nil
	}
	entry := make([]byte, 12)
	count := min(int64(b.order.Uint16(n)), maxEntries)
	for i := range count {
		if _, err := b.r.ReadAt(entry, b.base+ifd+2+12*i); err != nil {
			return out
		}
		f := field{tag: b.order.Uint16(entry), kind: b.order.Uint16(entry[2:]), count: uint64(b.order.Uint32(entry[4:]))}
		if !wanted(f.tag) {
			continue
		}
		size := int64(f.count) * int64(kindBytes(f.kind))
		twice := slices.ContainsFunc(out, func(o field) bool { return o.tag == f.tag })
		if size == 0 || size > most || twice {
			continue
		}
		if size <= 4 {
			f.value = bytes.Clone(entry[8 : 8+size])
		} else {
			at := b.base + int64(b.order.Uint32(entry[8:]))
			if _, err := b.r.ReadAt(n[:1], at+size-1); err != nil {
				continue // no memory for what is not there
			}
			f.value = make([]byte, size)
			if _, err := b.r.ReadAt(f.value, at); err != nil {
				continue
			}
		}
		if b.order == binary.ByteOrder(binary.BigEndian) {
			swapBytes(f.value, swapBy(f.kind))
		}
		out = append(out, f)
	}
	return out
}

// kindBytes returns the size of one value of a kind, 0 for unknown ones.
func kindBytes(kind uint16) int {
	switch kind {
	case kindByte, kindASCII, kindUndefined, 6, 129: // 6: signed; 129: UTF-8 of Exif 3.0
		return 1
	case kindShort, 8:
		return 2
	case kindLong, 9, 11, 13: // signed, float, IFD
		return 4
	case kindRational, 10, 12: // signed, double
		return 8
	}
	return 0
}

// swapBy returns the bytes of what has a byte order in a value: a rational is
// two numbers of four.
func swapBy(kind uint16) int {
	if kind == kindRational || kind == 10 {
		return 4
	}
	return kindBytes(kind)
}

func swapBytes(b []byte, size int) {
	for ; len(b) >= size && size > 1; b = b[size:] {
		slices.Reverse(b[:size])
	}
}
