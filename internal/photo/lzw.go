package photo

// lzwWriter compresses strips by TIFF's LZW (TIFF 6.0, section 13): codes of 9
// to 12 bits, most significant bit first, which grow one code early. The
// standard library's compress/lzw writes the other kind, which grow in time.
type lzwWriter struct {
	// keys and codes are a hash with open addressing: the code of a string by
	// that of all but its last byte and by that byte.
	keys  [1 << lzwHashBits]uint32
	codes [1 << lzwHashBits]uint16
	out   []byte
	acc   uint32
	n     uint
	width uint
	next  uint32
}

const (
	lzwHashBits = 14
	lzwClear    = 256
	lzwEnd      = 257
	lzwFirst    = 258
	lzwFull     = 4094
)

// append appends src, compressed, to dst.
func (w *lzwWriter) append(dst, src []byte) []byte {
	w.out, w.acc, w.n = dst, 0, 0
	w.width = 9
	w.clear()
	if len(src) > 0 {
		code := uint32(src[0])
		for _, c := range src[1:] {
			key := code<<8 | uint32(c) + 1
			h := key * 2654435761 >> (32 - lzwHashBits) // Knuth's multiplier
			for w.keys[h] != 0 && w.keys[h] != key {
				h = (h + 1) & (1<<lzwHashBits - 1)
			}
			if w.keys[h] == key {
				code = uint32(w.codes[h])
				continue
			}
			w.put(code)
			w.keys[h], w.codes[h] = key, uint16(w.next)
			w.grow()
			code = uint32(c)
		}
		w.put(code)
		w.grow()
	}
	w.put(lzwEnd)
	if w.n > 0 {
		w.out = append(w.out, byte(w.acc<<(8-w.n)))
	}
	return w.out
}

// grow counts one more code.
func (w *lzwWriter) grow() {
	w.next++
	switch {
	case w.next == lzwFull:
		w.clear()
	case w.next == 1<<w.width:
		w.width++
	}
}

// clear starts the table anew.
func (w *lzwWriter) clear() {
	w.put(lzwClear)
	w.keys = [1 << lzwHashBits]uint32{}
	w.next, w.width = lzwFirst, 9
}

func (w *lzwWriter) put(code uint32) {
	w.acc = w.acc<<w.width | code
	for w.n += w.width; w.n >= 8; w.n -= 8 {
		w.out = append(w.out, byte(w.acc>>(w.n-8)))
	}
}
