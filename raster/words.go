package raster

import (
	"encoding/binary"
	"unsafe"
)

// hostBigEndian is the order of bytes of this processor.
var hostBigEndian = binary.NativeEndian.Uint16([]byte{0, 1}) == 1

// bytesOf returns the memory of w, in this processor's order. What is read into it
// need not be converted.
func bytesOf(w []uint16) []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(w))), 2*len(w))
}

// wordsOf returns the memory of b as words in this processor's order. ok is false
// if it does not begin where a word may.
func wordsOf(b []byte) (w []uint16, ok bool) {
	at := unsafe.Pointer(unsafe.SliceData(b))
	if uintptr(at)%unsafe.Alignof(uint16(0)) != 0 {
		return nil, false
	}
	return unsafe.Slice((*uint16)(at), len(b)/2), true
}
