//go:build !amd64

package raster

// wide is false: there are no wider loops for this processor.
var wide = false

func widePack([]byte, []float32, []float32, []float32) int { return 0 }

func widePack16([]byte, []float32, []float32, []float32) int { return 0 }

func wideDecode([]uint16, []byte) int { return 0 }

func wideEncode([]byte, []uint16) int { return 0 }
