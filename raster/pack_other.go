//go:build !amd64

package raster

// wide is false: there is no wider loop for this processor.
var wide = false

func widePack([]byte, []float32, []float32, []float32) int { return 0 }
