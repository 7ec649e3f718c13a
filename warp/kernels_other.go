//go:build !amd64

package warp

// wide is false: there are no wider loops for this processor.
var wide = false

func wideCubic([]float32, []int32, []int32, *channel[uint8], *weights, *weights, float32) int {
	return 0
}

func wideWords(*[3][]float32, []int32, []int32, *channel[uint16], *weights, *weights, float32) int {
	return 0
}

func wideLinear([]float32, []float32, []int32, []int32, *channel[uint8], *channel[uint8], float32) int {
	return 0
}

func wideRGB([]float32, []float32, []float32) int { return 0 }

func wideCurve([]float32, []float32) int { return 0 }

func wideShade([]float32, []float32, []float32, []float32, float32) int { return 0 }
