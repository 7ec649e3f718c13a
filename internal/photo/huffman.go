package photo

import (
	"encoding/binary"
	"math/bits"
)

// code appends the coefficients of a block of component i (T.81, F.1.2). Its
// inner loop holds the state of a bitWriter in variables of its own.
func (c *jpegCoder) code(i int, dc, ac *[256]uint32) {
	first := c.at(0)
	v := first - c.dc[i]
	c.dc[i] = first
	sign := v >> 63
	size := uint32(bits.Len64(uint64((v ^ sign) - sign)))
	e := dc[size&0xff]
	b := bitWriter{c.acc, c.bits, c.out}
	b.put(e>>5|uint32(v+sign)&(1<<(size&31)-1), e&31)
	acc, n, out := b.acc, b.n, b.out
	last := 0
	for mask := c.nonzero() &^ 1; mask != 0; mask &= mask - 1 {
		k := bits.TrailingZeros64(mask)
		run := k - last - 1
		last = k
		if run > 15 {
			b = bitWriter{acc, n, out}
			for ; run > 15; run -= 16 {
				b.put(ac[0xf0]>>5, ac[0xf0]&31)
			}
			acc, n, out = b.acc, b.n, b.out
		}
		v := c.at(k)
		sign := v >> 63
		size := uint32(bits.Len64(uint64((v ^ sign) - sign)))
		e := ac[(uint32(run)<<4|size)&0xff]
		acc = acc<<(e&31) | uint64(e>>5|uint32(v+sign)&(1<<(size&31)-1))
		n += e & 31
		if n >= 32 {
			n -= 32
			w := uint32(acc >> (n & 63))
			if (^w-0x01010101)&w&0x80808080 == 0 { // no byte is 0xff
				out = binary.BigEndian.AppendUint32(out, w)
			} else {
				out = stuff(out, w)
			}
		}
	}
	if last < 63 {
		b = bitWriter{acc, n, out}
		b.put(ac[0]>>5, ac[0]&31)
		acc, n, out = b.acc, b.n, b.out
	}
	c.acc, c.bits, c.out = acc, n, out
}

// flush fills the last byte with ones (T.81, F.1.2.3).
func (c *jpegCoder) flush() {
	b := bitWriter{c.acc, c.bits, c.out}
	fill := -b.n & 7
	b.put(1<<fill-1, fill)
	for ; b.n > 0; b.n -= 8 {
		b.out = stuffByte(b.out, byte(b.acc>>(b.n-8)))
	}
	c.acc, c.bits, c.out = 0, 0, b.out
}

// bitWriter stores bits, most significant first.
type bitWriter struct {
	acc uint64 // the last n bits are not stored yet
	n   uint32 // below 32
	out []byte
}

// put adds the last n ≤ 32 bits of v.
func (b *bitWriter) put(v, n uint32) {
	b.acc = b.acc<<(n&63) | uint64(v)
	b.n += n
	if b.n >= 32 {
		b.n -= 32
		b.out = stuff(b.out, uint32(b.acc>>(b.n&63)))
	}
}

// stuff appends the bytes of w, a zero behind each 0xff.
func stuff(out []byte, w uint32) []byte {
	for s := 24; s >= 0; s -= 8 {
		out = stuffByte(out, byte(w>>s))
	}
	return out
}

func stuffByte(out []byte, v byte) []byte {
	if out = append(out, v); v == 0xff {
		out = append(out, 0)
	}
	return out
}

// nonzero returns which places of the zigzag have a coefficient.
func (c *jpegCoder) nonzero() (mask uint64) {
	const ones, high = 0x7fff7fff7fff7fff, 0x8000800080008000
	for i := 0; i < 16; i++ {
		w := binary.LittleEndian.Uint64(c.coef[8*i:])
		w = (w&ones + ones | w) & high >> 15
		// Bits 0, 16, 32, 48 to 48, 49, 50, 51.
		mask |= w * (1<<48 | 1<<33 | 1<<18 | 1<<3) >> 48 & 15 << (4 * i)
	}
	return mask
}

// huffmanSpec is a table of T.81, annex K.3: how many codes have 1, 2 …
// 16 bits, and their values in that order.
type huffmanSpec struct {
	count [16]byte
	value string
}

// huffmanSpecs are those of luma, DC and AC, and of chroma.
var huffmanSpecs = [4]huffmanSpec{
	{
		[16]byte{0, 1, 5, 1, 1, 1, 1, 1, 1},
		"\x00\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0a\x0b",
	},
	{
		[16]byte{0, 2, 1, 3, 3, 2, 4, 3, 5, 5, 4, 4, 0, 0, 1, 125},
		"\x01\x02\x03\x00\x04\x11\x05\x12\x21\x31\x41\x06\x13\x51\x61\x07\x22\x71\x14\x32\x81\x91\xa1\x08" +
			"\x23\x42\xb1\xc1\x15\x52\xd1\xf0\x24\x33\x62\x72\x82\x09\x0a\x16\x17\x18\x19\x1a\x25\x26\x27\x28" +
			"\x29\x2a\x34\x35\x36\x37\x38\x39\x3a\x43\x44\x45\x46\x47\x48\x49\x4a\x53\x54\x55\x56\x57\x58\x59" +
			"\x5a\x63\x64\x65\x66\x67\x68\x69\x6a\x73\x74\x75\x76\x77\x78\x79\x7a\x83\x84\x85\x86\x87\x88\x89" +
			"\x8a\x92\x93\x94\x95\x96\x97\x98\x99\x9a\xa2\xa3\xa4\xa5\xa6\xa7\xa8\xa9\xaa\xb2\xb3\xb4\xb5\xb6" +
			"\xb7\xb8\xb9\xba\xc2\xc3\xc4\xc5\xc6\xc7\xc8\xc9\xca\xd2\xd3\xd4\xd5\xd6\xd7\xd8\xd9\xda\xe1\xe2" +
			"\xe3\xe4\xe5\xe6\xe7\xe8\xe9\xea\xf1\xf2\xf3\xf4\xf5\xf6\xf7\xf8\xf9\xfa",
	},
	{
		[16]byte{0, 3, 1, 1, 1, 1, 1, 1, 1, 1, 1},
		"\x00\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0a\x0b",
	},
	{
		[16]byte{0, 2, 1, 2, 4, 4, 3, 4, 7, 5, 4, 4, 0, 1, 2, 119},
		"\x00\x01\x02\x03\x11\x04\x05\x21\x31\x06\x12\x41\x51\x07\x61\x71\x13\x22\x32\x81\x08\x14\x42\x91" +
			"\xa1\xb1\xc1\x09\x23\x33\x52\xf0\x15\x62\x72\xd1\x0a\x16\x24\x34\xe1\x25\xf1\x17\x18\x19\x1a\x26" +
			"\x27\x28\x29\x2a\x35\x36\x37\x38\x39\x3a\x43\x44\x45\x46\x47\x48\x49\x4a\x53\x54\x55\x56\x57\x58" +
			"\x59\x5a\x63\x64\x65\x66\x67\x68\x69\x6a\x73\x74\x75\x76\x77\x78\x79\x7a\x82\x83\x84\x85\x86\x87" +
			"\x88\x89\x8a\x92\x93\x94\x95\x96\x97\x98\x99\x9a\xa2\xa3\xa4\xa5\xa6\xa7\xa8\xa9\xaa\xb2\xb3\xb4" +
			"\xb5\xb6\xb7\xb8\xb9\xba\xc2\xc3\xc4\xc5\xc6\xc7\xc8\xc9\xca\xd2\xd3\xd4\xd5\xd6\xd7\xd8\xd9\xda" +
			"\xe2\xe3\xe4\xe5\xe6\xe7\xe8\xe9\xea\xf2\xf3\xf4\xf5\xf6\xf7\xf8\xf9\xfa",
	},
}

// huffmanCodes has for each symbol, a run of zeros and a size, its code with
// room for the value's bits behind it, times 32, plus the bits of both.
var huffmanCodes = func() (codes [4][256]uint32) {
	for t, spec := range huffmanSpecs {
		code, k := uint32(0), 0
		for length, n := range spec.count {
			for range n {
				v := spec.value[k]
				size := uint32(v & 15)
				codes[t][v] = code<<size<<5 | (uint32(length) + 1 + size)
				code++
				k++
			}
			code <<= 1
		}
	}
	return codes
}()

// naturalOf has the place in natural order, 8·row + column, of each place of
// the zigzag (T.81, figure A.6), and zigzagOf the way back.
var naturalOf, zigzagOf = func() (natural, zigzag [64]uint8) {
	x, y := 0, 0
	for i := range natural {
		natural[i] = uint8(8*y + x)
		zigzag[8*y+x] = uint8(i)
		up := (x+y)%2 == 0
		switch {
		case up && x == 7, !up && y < 7 && x == 0:
			y++
		case !up && y == 7, up && y == 0:
			x++
		case up:
			x, y = x+1, y-1
		default:
			x, y = x-1, y+1
		}
	}
	return natural, zigzag
}()

// annexK are the quantisers of luma and chroma in T.81, annex K.1, natural
// order.
var annexK = [2][64]uint8{
	{
		16, 11, 10, 16, 24, 40, 51, 61,
		12, 12, 14, 19, 26, 58, 60, 55,
		14, 13, 16, 24, 40, 57, 69, 56,
		14, 17, 22, 29, 51, 87, 80, 62,
		18, 22, 37, 56, 68, 109, 103, 77,
		24, 35, 55, 64, 81, 104, 113, 92,
		49, 64, 78, 87, 103, 121, 120, 101,
		72, 92, 95, 98, 112, 100, 103, 99,
	},
	{
		17, 18, 24, 47, 99, 99, 99, 99,
		18, 21, 26, 66, 99, 99, 99, 99,
		24, 26, 56, 99, 99, 99, 99, 99,
		47, 66, 99, 99, 99, 99, 99, 99,
		99, 99, 99, 99, 99, 99, 99, 99,
		99, 99, 99, 99, 99, 99, 99, 99,
		99, 99, 99, 99, 99, 99, 99, 99,
		99, 99, 99, 99, 99, 99, 99, 99,
	},
}

// scaledQuant scales annexK by a quality of 1 to 100, 50 being once; common
// practice.
func scaledQuant(quality int) (q [2][64]uint8) {
	scale := 200 - 2*quality
	if quality < 50 {
		scale = 5000 / quality
	}
	for t := range q {
		for i, v := range annexK[t] {
			q[t][i] = uint8(min(max((int(v)*scale+50)/100, 1), 255))
		}
	}
	return q
}
