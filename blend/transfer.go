package blend

// Transfer is the curve between the samples of a picture and linear light.
// A nil Transfer is that of sRGB. It is safe for concurrent use.
type Transfer struct {
	light  *[65536]float32 // of each 16-bit sample
	encode *EncodeTable
}

// NewTransfer returns the curve decode, from encoded value to linear light,
// both 0 to 1, which must rise from about 0 to about 1.
//
// A plain power has no slope at black, where its inverse can't be kept in a
// table nor multiplied without lifting noise; it gets a softer start, as the
// straight piece of sRGB is one: below toe the cubic a·v + b·v³ that continues
// value and slope. What is decoded and encoded again is the same within a
// 16-bit step; a gain acts a little weaker on the darkest tones.
func NewTransfer(decode func(v float64) float64) *Transfer {
	// toe is where the inverse bends little enough that the error of a line over
	// a step of the table is below a 16-bit step for powers up to 2.4.
	const toe, h = 0.08, 1e-3
	white := decode(1)
	at := decode(toe) / white
	slope := (decode(toe+h) - decode(toe-h)) / (2 * h) / white
	power := toe * slope / at // the exponent there
	soften := decode(toe/16)/white < toe/16/32 && power > 1 && power < 3
	light := new([65536]float32)
	for i := range light {
		v := float64(i) / 65535
		if soften && v < toe {
			u := v / toe
			light[i] = float32(at * ((3-power)/2*u + (power-1)/2*u*u*u))
			continue
		}
		light[i] = float32(decode(v) / white)
	}
	return &Transfer{light, inverse(light)}
}

// Decode returns the linear light of an encoded value from 0 to 1.
func (t *Transfer) Decode(v float64) float64 {
	if t == nil {
		return DecodeSRGB(v)
	}
	at := min(max(v, 0), 1) * 65535
	i := min(int(at), 65534)
	a, b := float64(t.light[i]), float64(t.light[i+1])
	return a + (at-float64(i))*(b-a)
}

// Encode returns the encoded value of linear light.
func (t *Transfer) Encode(l float64) float64 {
	if t == nil {
		return EncodeSRGB(l)
	}
	return float64(t.encode.Encode(float32(l)))
}

// tables returns the light of each 16-bit sample and the way back.
func (t *Transfer) tables() (*[65536]float32, *EncodeTable) {
	if t == nil {
		return SRGBDecodeTable(), SRGBEncodeTable()
	}
	return t.light, t.encode
}

// inverse returns the table back from the rising light of each 16-bit sample.
func inverse(light *[65536]float32) *EncodeTable {
	enc := new(EncodeTable)
	v := 0
	for i := range enc {
		l := float32(min(i, 65535)) / 65535
		for v < 65534 && light[v+1] < l {
			v++
		}
		part := float32(1)
		if rise := light[v+1] - light[v]; rise > 0 {
			part = min(max((l-light[v])/rise, 0), 1)
		}
		enc[i] = (float32(v) + part) / 65535
	}
	return enc
}
