package photo

import (
	"cmp"
	"encoding/binary"
	"maps"
	"slices"
)

// Types of fields (TIFF 6.0; Exif CIPA DC-008, 4.6.2).
const (
	kindByte      = 1
	kindASCII     = 2
	kindShort     = 3
	kindLong      = 4
	kindRational  = 5
	kindUndefined = 7
	kindIFD       = 13
	kindLong8     = 16 // of BigTIFF
)

// field is one field of a directory, its value in little-endian order.
type field struct {
	tag, kind uint16
	count     uint64
	value     []byte
}

func short(tag uint16, v ...uint16) field {
	f := field{tag: tag, kind: kindShort, count: uint64(len(v))}
	for _, x := range v {
		f.value = binary.LittleEndian.AppendUint16(f.value, x)
	}
	return f
}

func long(tag uint16, v ...uint32) field {
	f := field{tag: tag, kind: kindLong, count: uint64(len(v))}
	for _, x := range v {
		f.value = binary.LittleEndian.AppendUint32(f.value, x)
	}
	return f
}

// longs is a field of offsets or lengths, of 32 bits or, in a BigTIFF, 64.
func longs(tag uint16, v []uint64) field {
	f := field{tag: tag, kind: kindLong8, count: uint64(len(v))}
	for _, x := range v {
		f.value = binary.LittleEndian.AppendUint64(f.value, x)
	}
	return f
}

func rational(tag uint16, v [2]uint32) field {
	f := long(tag, v[:]...)
	f.kind, f.count = kindRational, 1
	return f
}

func ascii(tag uint16, s string) field {
	return field{tag, kindASCII, uint64(len(s) + 1), append([]byte(s), 0)}
}

func blob(tag, kind uint16, b []byte) field { return field{tag, kind, uint64(len(b)), b} }

// tree is a directory and those that its fields point to, by their tags.
type tree struct {
	fields []field
	sub    map[uint16]tree
}

// appendTree appends a directory and all below it to dst, whose first byte is
// at offset base. The bytes follow TIFF 6.0, section 2, or BigTIFF, which has
// 64 bits where that has 32.
func appendTree(dst []byte, base int64, t tree, big bool) []byte {
	at := base + int64(len(dst))
	fields := slices.Clone(t.fields)
	tags := slices.Sorted(maps.Keys(t.sub))
	for _, tag := range tags {
		fields = append(fields, longs(tag, []uint64{0}))
	}
	slices.SortStableFunc(fields, func(a, b field) int { return cmp.Compare(a.tag, b.tag) })
	// The size of a directory does not depend on where it points to.
	below := at + int64(len(appendDirectory(nil, at, fields, big)))
	var subs []byte
	for _, tag := range tags {
		i := slices.IndexFunc(fields, func(f field) bool { return f.tag == tag })
		fields[i] = longs(tag, []uint64{uint64(below) + uint64(len(subs))})
		subs = appendTree(subs, below, t.sub[tag], big)
	}
	return append(appendDirectory(dst, at, fields, big), subs...)
}

// appendDirectory appends one directory, which is at offset at.
func appendDirectory(dst []byte, at int64, fields []field, big bool) []byte {
	le := binary.LittleEndian
	entry, inline, head, tail := 12, 4, 2, 4
	if big {
		entry, inline, head, tail = 20, 8, 8, 8
	}
	number := func(b []byte, v uint64) []byte {
		if big {
			return le.AppendUint64(b, v)
		}
		return le.AppendUint32(b, uint32(v))
	}
	if big {
		dst = le.AppendUint64(dst, uint64(len(fields)))
	} else {
		dst = le.AppendUint16(dst, uint16(len(fields)))
	}
	extraAt := at + int64(head+entry*len(fields)+tail)
	var extra []byte
	for _, f := range fields {
		if f.kind == kindLong8 && !big {
			f = narrowed(f)
		}
		dst = le.AppendUint16(le.AppendUint16(dst, f.tag), f.kind)
		dst = number(dst, f.count)
		if len(f.value) <= inline {
			dst = append(append(dst, f.value...), make([]byte, inline-len(f.value))...)
			continue
		}
		dst = number(dst, uint64(extraAt)+uint64(len(extra)))
		extra = append(extra, f.value...)
		if len(extra)%2 == 1 { // offsets are even
			extra = append(extra, 0)
		}
	}
	dst = number(dst, 0) // no further directory
	return append(dst, extra...)
}

// narrowed returns a field of 64-bit numbers as one of 32-bit numbers.
func narrowed(f field) field {
	v := make([]uint32, f.count)
	for i := range v {
		v[i] = uint32(binary.LittleEndian.Uint64(f.value[8*i:]))
	}
	return long(f.tag, v...)
}
