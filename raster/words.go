package raster

import "encoding/binary"

// DecodeWords stores the words that lie in src, the low byte first, in dst, which
// has room for them.
func DecodeWords(dst []uint16, src []byte) {
	dst = dst[:len(src)/2]
	done := wideDecode(dst, src)
	src = src[2*done:]
	for i := range dst[done:] {
		dst[done+i] = binary.LittleEndian.Uint16(src[2*i : 2*i+2])
	}
}

// EncodeWords is the reverse of [DecodeWords].
func EncodeWords(dst []byte, src []uint16) {
	dst = dst[:2*len(src)]
	done := wideEncode(dst, src)
	dst = dst[2*done:]
	for i, v := range src[done:] {
		binary.LittleEndian.PutUint16(dst[2*i:2*i+2], v)
	}
}
