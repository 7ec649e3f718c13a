package blend

import (
	"math"
	"testing"
)

func TestSRGB(t *testing.T) {
	const tol = 1e-14
	for _, c := range []struct{ linear, encoded float64 }{
		{0, 0},
		{1, 1},
		{0.18, 0.461356129500442}, // unit test of an open colour library
		{0.214041140482232, 0.5},  // the same
		{0.5, 0.735356983052449},  // worked out from the standard's formula
		{0.215860500113899, 128. / 255},
	} {
		if got := EncodeSRGB(c.linear); !(math.Abs(got-c.encoded) <= 10*tol) {
			t.Errorf("EncodeSRGB(%v) = %v, want %v", c.linear, got, c.encoded)
		}
		if got := DecodeSRGB(c.encoded); !(math.Abs(got-c.linear) <= 10*tol) {
			t.Errorf("DecodeSRGB(%v) = %v, want %v", c.encoded, got, c.linear)
		}
	}
	encoder, decode := SRGBEncodeTable(), SRGBDecodeTable()
	for i := range 65536 {
		v := float64(i) / 65535
		if got := EncodeSRGB(DecodeSRGB(v)); !(math.Abs(got-v) <= 1e-7) {
			t.Fatalf("round trip of %v = %v", v, got)
		}
		if got := float64(encoder.Encode(decode[i])); !(math.Abs(got-v) <= 1e-6) {
			t.Fatalf("round trip of %v by the tables = %v", v, got)
		}
		between := (v + 0.37/65535) * v // off the table's grid, dense near black
		if got, want := float64(encoder.Encode(float32(between))), EncodeSRGB(between); between <= 1 && !(math.Abs(got-want) <= 1e-6) {
			t.Fatalf("Encode(%v) = %v, want %v", between, got, want)
		}
	}
	for v, want := range map[float32]float32{-1: 0, 0: 0, 1: 1, 2: 1, float32(math.Inf(1)): 1} {
		if got := encoder.Encode(v); got != want {
			t.Errorf("Encode(%v) = %v, want %v", v, got, want)
		}
	}
	if got := encoder.Encode(float32(math.NaN())); got != 0 {
		t.Errorf("Encode(NaN) = %v, want 0", got)
	}
}

func TestLab(t *testing.T) {
	for _, v := range []float64{0, 0.001, 0.18, 0.5, 1} {
		got := LabFromLinear([3]float64{v, v, v})
		if !(math.Abs(got.A) <= 1e-12 && math.Abs(got.B) <= 1e-12) {
			t.Errorf("grey %v has Lab %v, want a = b = 0", v, got)
		}
	}
	if got := LabFromLinear([3]float64{1, 1, 1}); !(math.Abs(got.L-100) <= 1e-5) {
		t.Errorf("white has L = %v, want 100", got.L)
	}
	// L of 18 % grey by the formula 116 · 0.18^(1/3) − 16.
	if got := LabFromLinear([3]float64{0.18, 0.18, 0.18}); !(math.Abs(got.L-49.496) <= 1e-3) {
		t.Errorf("18 %% grey has L = %v, want 49.496", got.L)
	}
	// Lab of the primaries under D65 (from memory, two decimals).
	for _, c := range []struct {
		rgb  [3]float64
		want Lab
	}{
		{[3]float64{1, 0, 0}, Lab{53.24, 80.09, 67.20}},
		{[3]float64{0, 1, 0}, Lab{87.73, -86.18, 83.18}},
		{[3]float64{0, 0, 1}, Lab{32.30, 79.19, -107.86}},
	} {
		got := LabFromLinear(c.rgb)
		if !(math.Abs(got.L-c.want.L) <= 0.02 && math.Abs(got.A-c.want.A) <= 0.02 && math.Abs(got.B-c.want.B) <= 0.02) {
			t.Errorf("Lab of linear %v = %v, want %v", c.rgb, got, c.want)
		}
	}
}

// The 34 pairs of Sharma, Wu & Dalal 2005, table 1.
var sharmaPairs = []struct {
	p, q Lab
	want float64
}{
	{Lab{50, 2.6772, -79.7751}, Lab{50, 0, -82.7485}, 2.0425},
	{Lab{50, 3.1571, -77.2803}, Lab{50, 0, -82.7485}, 2.8615},
	{Lab{50, 2.8361, -74.0200}, Lab{50, 0, -82.7485}, 3.4412},
	{Lab{50, -1.3802, -84.2814}, Lab{50, 0, -82.7485}, 1.0000},
	{Lab{50, -1.1848, -84.8006}, Lab{50, 0, -82.7485}, 1.0000},
	{Lab{50, -0.9009, -85.5211}, Lab{50, 0, -82.7485}, 1.0000},
	{Lab{50, 0, 0}, Lab{50, -1, 2}, 2.3669},
	{Lab{50, -1, 2}, Lab{50, 0, 0}, 2.3669},
	{Lab{50, 2.49, -0.0010}, Lab{50, -2.49, 0.0009}, 7.1792},
	{Lab{50, 2.49, -0.0010}, Lab{50, -2.49, 0.0010}, 7.1792},
	{Lab{50, 2.49, -0.0010}, Lab{50, -2.49, 0.0011}, 7.2195},
	{Lab{50, 2.49, -0.0010}, Lab{50, -2.49, 0.0012}, 7.2195},
	{Lab{50, -0.0010, 2.49}, Lab{50, 0.0009, -2.49}, 4.8045},
	{Lab{50, -0.0010, 2.49}, Lab{50, 0.0010, -2.49}, 4.8045},
	{Lab{50, -0.0010, 2.49}, Lab{50, 0.0011, -2.49}, 4.7461},
	{Lab{50, 2.5, 0}, Lab{50, 0, -2.5}, 4.3065},
	{Lab{50, 2.5, 0}, Lab{73, 25, -18}, 27.1492},
	{Lab{50, 2.5, 0}, Lab{61, -5, 29}, 22.8977},
	{Lab{50, 2.5, 0}, Lab{56, -27, -3}, 31.9030},
	{Lab{50, 2.5, 0}, Lab{58, 24, 15}, 19.4535},
	{Lab{50, 2.5, 0}, Lab{50, 3.1736, 0.5854}, 1.0000},
	{Lab{50, 2.5, 0}, Lab{50, 3.2972, 0}, 1.0000},
	{Lab{50, 2.5, 0}, Lab{50, 1.8634, 0.5757}, 1.0000},
	{Lab{50, 2.5, 0}, Lab{50, 3.2592, 0.3350}, 1.0000},
	{Lab{60.2574, -34.0099, 36.2677}, Lab{60.4626, -34.1751, 39.4387}, 1.2644},
	{Lab{63.0109, -31.0961, -5.8663}, Lab{62.8187, -29.7946, -4.0864}, 1.2630},
	{Lab{61.2901, 3.7196, -5.3901}, Lab{61.4292, 2.2480, -4.9620}, 1.8731},
	{Lab{35.0831, -44.1164, 3.7933}, Lab{35.0232, -40.0716, 1.5901}, 1.8645},
	{Lab{22.7233, 20.0904, -46.6940}, Lab{23.0331, 14.9730, -42.5619}, 2.0373},
	{Lab{36.4612, 47.8580, 18.3852}, Lab{36.2715, 50.5065, 21.2231}, 1.4146},
	{Lab{90.8027, -2.0831, 1.4410}, Lab{91.1528, -1.6435, 0.0447}, 1.4441},
	{Lab{90.9257, -0.5406, -0.9208}, Lab{88.6381, -0.8985, -0.7239}, 1.5381},
	{Lab{6.7747, -0.2908, -2.4247}, Lab{5.8714, -0.0985, -2.2286}, 0.6377},
	{Lab{2.0776, 0.0795, -1.1350}, Lab{0.9033, -0.0636, -0.5514}, 0.9082},
}

func TestDeltaE(t *testing.T) {
	for i, c := range sharmaPairs {
		for _, got := range []float64{DeltaE(c.p, c.q), DeltaE(c.q, c.p)} {
			if !(math.Abs(got-c.want) <= 0.5e-4+1e-9) {
				t.Errorf("pair %d: DeltaE(%v, %v) = %.6f, want %.4f", i+1, c.p, c.q, got, c.want)
			}
		}
	}
	// Published with an open implementation, ten digits.
	for _, c := range []struct {
		p, q Lab
		want float64
	}{
		{Lab{73, 49, 39.4}, Lab{73, 49, 39.4}, 0},
		{Lab{30, -41, -119.1}, Lab{30, -41, -119}, 0.0134319631},
		{Lab{15, -55, 6.7}, Lab{14, -55, 7}, 0.6731711696},
		{Lab{49, -9, -74.5}, Lab{51.1, 31, 16}, 48.1082375109},
		{Lab{100, 0, 0}, Lab{0, 0, 0}, 100}, // ICC
	} {
		if got := DeltaE(c.p, c.q); !(math.Abs(got-c.want) <= 1e-9) {
			t.Errorf("DeltaE(%v, %v) = %.10f, want %.10f", c.p, c.q, got, c.want)
		}
	}
}
