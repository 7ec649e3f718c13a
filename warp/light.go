package warp

import (
	"errors"
	"math"

	"flatfell.example/geom"
)

// Light says how the samples of one frame become those of the picture: they
// are decoded to linear light, multiplied, and encoded again.
type Light struct {
	// Decode gives the linear light of an encoded sample of each channel,
	// Encode the reverse, both over 0 to 1 by two or more evenly spaced nodes
	// with straight lines between them. What lies outside 0 to 1 is clipped.
	Decode, Encode [3][]float32
	// Gain is the factor of each channel.
	Gain [3]float32
	// Shade, if not nil, is a further factor that varies slowly over the
	// frame: what makes up for a lens that dims the corners. It is asked every
	// 16 output pixels, for points up to 64 pixels beyond the frame, and
	// straight between them.
	Shade func(inFrame geom.Pt) float64
}

func (l *Light) validate() error {
	for c := range l.Decode {
		if len(l.Decode[c]) < 2 || len(l.Encode[c]) < 2 {
			return errors.New("warp: a Light needs curves of two nodes or more")
		}
	}
	return nil
}

// At returns what becomes of the sample v of channel c at a place of the frame.
// A nil Light changes nothing.
func (l *Light) At(c int, v float32, inFrame geom.Pt) float32 {
	if l == nil {
		return v
	}
	factor := l.Gain[c]
	if l.Shade != nil {
		factor *= float32(l.Shade(inFrame))
	}
	return along(l.Encode[c], along(l.Decode[c], v)*factor)
}

// lightNodes is the number of nodes of the curve of a light without shade.
// Between two of them the sRGB curve departs from a straight line by 1e-6.
const lightNodes = 4096

// lighting is a Light made ready.
type lighting struct {
	Light
	// curve is the whole change of each channel if there is no shade.
	curve [3][]float32
}

func newLighting(l *Light) *lighting {
	if l == nil {
		return nil
	}
	out := &lighting{Light: *l}
	if l.Shade != nil {
		return out
	}
	for c := range out.curve {
		curve := make([]float32, lightNodes+1)
		for i := range curve {
			curve[i] = l.At(c, float32(i)/lightNodes, geom.Pt{})
		}
		out.curve[c] = curve
	}
	return out
}

// along returns the curve at v; beyond its ends it stays.
func along(curve []float32, v float32) float32 {
	last := float32(len(curve) - 1)
	t := v * last
	if !(t > 0) {
		t = 0
	} else if t > last {
		t = last
	}
	i := min(int(t), len(curve)-2)
	pair := curve[i : i+2 : i+2]
	return pair[0] + float32((pair[1]-pair[0])*(t-float32(i)))
}

// line changes a line of samples of channel c. factor, which has as many, is
// the shade.
func (l *lighting) line(c int, v, factor []float32) {
	if l.Shade == nil {
		curve := l.curve[c]
		v = v[wideCurve(v, curve):]
		for i, x := range v {
			v[i] = along(curve, x)
		}
		return
	}
	gain := l.Gain[c]
	decode, encode := l.Decode[c], l.Encode[c]
	done := wideShade(v, factor, decode, encode, gain)
	v, factor = v[done:], factor[done:len(v)]
	for i, x := range v {
		v[i] = along(encode, along(decode, x)*(gain*factor[i]))
	}
}

// shadeStepPx is the spacing of the nodes at which a shade is asked. Between
// two of them the light of a lens that loses two stops in the corners departs
// from a straight line by 1e-5 of it at 26 megapixels.
const shadeStepPx = 16

// shadePadPx is how far beyond the frame a shade is asked, so that the nodes
// around its edge lie on it too.
const shadePadPx = 64

// shadeMap is the shade over one block.
type shadeMap [(blockPx/shadeStepPx + 1) * (blockPx/shadeStepPx + 1)]float32

// prepare asks for the shade at the nodes of the block of m.
func (s *shadeMap) prepare(shade func(geom.Pt) float64, m *blockMap) {
	w, h := float64(m.proj.cam.Width), float64(m.proj.cam.Height)
	const side = blockPx/shadeStepPx + 1
	for j := range side {
		for i := range side {
			p, _ := m.proj.at(m.outputX(i*shadeStepPx), m.outputY(j*shadeStepPx))
			p.X = math.Max(-shadePadPx, math.Min(w+shadePadPx, p.X))
			p.Y = math.Max(-shadePadPx, math.Min(h+shadePadPx, p.Y))
			s[j*side+i] = float32(shade(p))
		}
	}
}

// line sets dst to the shade at the pixels from i0 on of line j of the block.
func (s *shadeMap) line(dst []float32, i0, j int) {
	const side = blockPx/shadeStepPx + 1
	row := s[j/shadeStepPx*side:][:2*side]
	t := float32(j%shadeStepPx) / shadeStepPx
	var at [side]float32
	for i := range at {
		at[i] = row[i] + t*(row[side+i]-row[i])
	}
	for k := range dst {
		i := i0 + k
		cell := i / shadeStepPx
		t := float32(i%shadeStepPx) / shadeStepPx
		dst[k] = at[cell] + t*(at[cell+1]-at[cell])
	}
}
