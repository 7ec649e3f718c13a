package scene

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"

	"flatfell.example/raster"
)

// developer turns linear light into the samples of a picture.
type developer struct {
	tone  bool
	sigma float64
	seed  uint64
}

// develop writes the three samples of a pixel with the given number.
func (d *developer) develop(dst []uint16, number uint64, c rgb) {
	v := [3]float64{encode(c.r), encode(c.g), encode(c.b)}
	if d.tone {
		for i := range v {
			v[i] = ToneCurve(v[i])
		}
	}
	if d.sigma > 0 {
		g := gauss3(d.seed + 3*number)
		for i := range v {
			v[i] += d.sigma * g[i]
		}
	}
	for i := range v {
		dst[i] = uint16(65535*clamp01(v[i]) + 0.5)
	}
}

// encode is the transfer function of IEC 61966-2-1 (sRGB) of x clipped to
// [0, 1], from a table to 2e-6: an eighth of a 16-bit step.
func encode(x float64) float64 {
	switch {
	case !(x > 0):
		return 0
	case x <= 0.0031308:
		return 12.92 * x
	case x >= 1:
		return 1
	}
	x *= encodeSteps
	i := int(x)
	return encodeTable[i] + (x-float64(i))*(encodeTable[i+1]-encodeTable[i])
}

const encodeSteps = 1 << 14

// encodeTable holds the power law at multiples of 1/encodeSteps. Its second
// derivative at the joint, -2200, over 8 encodeSteps² is the error of encode.
var encodeTable = func() *[encodeSteps + 1]float64 {
	var t [encodeSteps + 1]float64
	for i := range t {
		t[i] = 1.055*math.Pow(float64(i)/encodeSteps, 1/2.4) - 0.055
	}
	return &t
}()

// ToneCurve is the curve of Row.ToneCurve, of encoded samples: an S with fixed
// points 0, ½ and 1 and slope 1.3 in the middle.
func ToneCurve(x float64) float64 { return x - 0.3/(2*math.Pi)*math.Sin(2*math.Pi*x) }

// gauss3 returns three independent normal deviates for a counter (Box &
// Muller, Annals of Mathematical Statistics 29, 1958).
func gauss3(n uint64) (g [3]float64) {
	a, b := hash64(n), hash64(n+1)
	uniform := func(h uint32) float64 { return (float64(h) + 0.5) * 0x1p-32 }
	r := math.Sqrt(-2 * math.Log(uniform(uint32(a))))
	sin, cos := math.Sincos(2 * math.Pi * uniform(uint32(a>>32)))
	g[0], g[1] = r*cos, r*sin
	r = math.Sqrt(-2 * math.Log(uniform(uint32(b))))
	g[2] = r * math.Cos(2*math.Pi*uniform(uint32(b>>32)))
	return g
}

// Encode8 returns pic rounded to 8 bits, opaque.
func Encode8(pic *raster.Picture) *image.RGBA {
	out := image.NewRGBA(pic.Rect)
	for y := pic.Rect.Min.Y; y < pic.Rect.Max.Y; y++ {
		src, dst := pic.Row(y), out.Pix[out.PixOffset(pic.Rect.Min.X, y):]
		for x := range pic.Rect.Dx() {
			for c := range 3 {
				dst[4*x+c] = uint8((uint32(src[3*x+c]) + 128) / 257)
			}
			dst[4*x+3] = 255
		}
	}
	return out
}

// ViaJPEG returns pic as it comes out of a JPEG file of the given quality
// (1-100), written and read in memory. The error is image/jpeg's.
func ViaJPEG(pic *raster.Picture, quality int) (image.Image, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, Encode8(pic), &jpeg.Options{Quality: quality}); err != nil {
		return nil, err
	}
	return jpeg.Decode(&b)
}
