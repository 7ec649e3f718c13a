package blend

import (
	"math"
	"testing"
)

// TestTransfer: what is decoded and encoded again is the same within a level
// of 65535, the light is the curve's above the toe, and it rises everywhere.
func TestTransfer(t *testing.T) {
	power := func(g float64) func(float64) float64 {
		return func(v float64) float64 { return math.Pow(v, g) }
	}
	for name, decode := range map[string]func(float64) float64{
		"sRGB": DecodeSRGB, "linear": power(1), "1.8": power(1.8), "563/256": power(563. / 256), "2.4": power(2.4),
		"lightness": func(v float64) float64 { // CIE L*
			if v <= 0.08 {
				return v * 2700 / 24389
			}
			return math.Pow((v+0.16)/1.16, 3)
		},
	} {
		tr := NewTransfer(decode)
		worst, last := 0.0, -1.0
		for i := range 65536 {
			v := float64(i) / 65535
			l := tr.Decode(v)
			if !(l > last) {
				t.Fatalf("%s: light does not rise at %d", name, i)
			}
			last = l
			worst = max(worst, math.Abs(tr.Encode(l)-v)*65535)
			if d := math.Abs(l - decode(v)); v >= 0.08 && !(d < 1e-7) {
				t.Fatalf("%s: light at %g off by %g", name, v, d)
			}
		}
		t.Logf("%-9s there and back: %.2f of 65535", name, worst)
		if !(worst < 1) {
			t.Errorf("%s: there and back %.2f of 65535", name, worst)
		}
	}
	var srgb *Transfer
	if srgb.Decode(0.3) != DecodeSRGB(0.3) || srgb.Encode(0.3) != EncodeSRGB(0.3) {
		t.Error("nil is not sRGB")
	}
}
