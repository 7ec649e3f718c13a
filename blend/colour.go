package blend

import (
	"math"
	"sync"
)

// EncodeSRGB returns the sRGB value (0…1) of linear light v (0…1). Values
// outside are continued: negative ones by the straight piece.
// IEC 61966-2-1:1999.
func EncodeSRGB(v float64) float64 {
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

// DecodeSRGB returns the linear light of sRGB value v: the inverse of
// [EncodeSRGB], to 1e-7 at the joint of the two pieces, where the standard's
// rounded constants leave a step. IEC 61966-2-1:1999.
func DecodeSRGB(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// SRGBDecodeTable returns the linear light of each 16-bit sRGB sample. The
// table is shared: read only.
func SRGBDecodeTable() *[65536]float32 { return srgbDecodeTable() }

var srgbDecodeTable = sync.OnceValue(func() *[65536]float32 {
	t := new([65536]float32)
	for i := range t {
		t[i] = float32(DecodeSRGB(float64(i) / 65535))
	}
	return t
})

// EncodeTable encodes linear light by a table of 65,536 entries and a
// straight line between two of them.
type EncodeTable [65537]float32 // the last entry twice, so that every entry has a next

// SRGBEncodeTable returns the table for sRGB. It is shared: read only.
func SRGBEncodeTable() *EncodeTable { return srgbEncodeTable() }

var srgbEncodeTable = sync.OnceValue(func() *EncodeTable {
	t := new(EncodeTable)
	for i := range t {
		t[i] = float32(EncodeSRGB(min(float64(i)/65535, 1)))
	}
	return t
})

// Encode returns the sRGB value of linear light v, clamped to [0, 1] (NaN
// gives 0). It differs from [EncodeSRGB] by less than 1e-6, a fifteenth of a
// 16-bit step. A line errs by at most h²/8 · |f″| = 7e-8 where the curve bends
// most and h/4 · |Δf′| = 8e-7 at the joint of its two pieces; the rounding of
// float32 adds 1e-7.
func (t *EncodeTable) Encode(v float32) float32 {
	if !(v > 0) {
		return 0
	}
	if v >= 1 {
		return 1
	}
	f := v * 65535
	i := int(f)
	return t[i] + (t[i+1]-t[i])*(f-float32(i))
}

// xyzFromLinear has CIE XYZ (D65) of linear sRGB primaries in its columns;
// IEC 61966-2-1, in the seven digits usual for it.
var xyzFromLinear = [3][3]float64{
	{0.4124564, 0.3575761, 0.1804375},
	{0.2126729, 0.7151522, 0.0721750},
	{0.0193339, 0.1191920, 0.9503041},
}

// XYZFromLinear returns CIE XYZ relative to D65, Y = 1 for white, of linear
// light in sRGB primaries.
func XYZFromLinear(rgb [3]float64) (xyz [3]float64) {
	for i, row := range xyzFromLinear {
		xyz[i] = row[0]*rgb[0] + row[1]*rgb[1] + row[2]*rgb[2]
	}
	return xyz
}

// Lab is a colour in CIE 1976 L*a*b*, L from 0 to 100.
type Lab struct{ L, A, B float64 }

// LabFromXYZ returns the Lab of xyz under D65. The white point is that of
// the sRGB matrix, so that equal red, green and blue have a = b = 0.
// CIE 15:2004, with the exact fractions for the piece near black.
func LabFromXYZ(xyz [3]float64) Lab {
	var f [3]float64
	for i, row := range xyzFromLinear {
		t := xyz[i] / (row[0] + row[1] + row[2])
		if t > 216./24389 {
			f[i] = math.Cbrt(t)
		} else {
			f[i] = (24389./27*t + 16) / 116
		}
	}
	return Lab{L: 116*f[1] - 16, A: 500 * (f[0] - f[1]), B: 200 * (f[1] - f[2])}
}

// LabFromLinear returns the Lab of linear light in sRGB primaries.
func LabFromLinear(rgb [3]float64) Lab { return LabFromXYZ(XYZFromLinear(rgb)) }

// DeltaE returns the CIEDE2000 colour difference with kL = kC = kH = 1; 1 is
// about the least that is seen side by side. It is symmetric and 0 for equal
// colours. Sharma, Wu & Dalal, Color Res. Appl. 30(1), 2005, 21-30, eq. 2-22.
func DeltaE(p, q Lab) float64 {
	const (
		radian = math.Pi / 180
		pow25  = 6103515625. // 25⁷
	)
	mean7 := math.Pow((math.Hypot(p.A, p.B)+math.Hypot(q.A, q.B))/2, 7)
	stretch := 1 + 0.5*(1-math.Sqrt(mean7/(mean7+pow25)))
	polar := func(c Lab) (chroma, hue float64) {
		a := stretch * c.A
		if a == 0 && c.B == 0 {
			return 0, 0
		}
		hue = math.Atan2(c.B, a) / radian
		if hue < 0 {
			hue += 360
		}
		return math.Hypot(a, c.B), hue
	}
	c1, h1 := polar(p)
	c2, h2 := polar(q)

	dh, hue := h2-h1, h1+h2 // hue: the mean, along the shorter way round
	switch {
	case c1*c2 == 0:
		dh = 0
	case math.Abs(dh) <= 180+1e-9: // colours opposite but for rounding count as 180 (pair 14)
		hue /= 2
	default:
		dh -= math.Copysign(360, dh)
		if hue < 360 {
			hue = (hue + 360) / 2
		} else {
			hue = (hue - 360) / 2
		}
	}
	dL, dC := q.L-p.L, c2-c1
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*radian)

	light, chroma := (p.L+q.L)/2, (c1+c2)/2
	t := 1 - 0.17*math.Cos((hue-30)*radian) + 0.24*math.Cos(2*hue*radian) +
		0.32*math.Cos((3*hue+6)*radian) - 0.20*math.Cos((4*hue-63)*radian)
	l50 := (light - 50) * (light - 50)
	sL := 1 + 0.015*l50/math.Sqrt(20+l50)
	sC := 1 + 0.045*chroma
	sH := 1 + 0.015*chroma*t
	chroma7 := math.Pow(chroma, 7)
	turn := 30 * math.Exp(-((hue-275)/25)*((hue-275)/25))
	rT := -2 * math.Sqrt(chroma7/(chroma7+pow25)) * math.Sin(2*turn*radian)
	dL, dC, dH = dL/sL, dC/sC, dH/sH
	return math.Sqrt(dL*dL + dC*dC + dH*dH + rT*dC*dH)
}
