package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"unicode/utf16"
)

// Profile is the colour profile (ICC.1:2010) of a picture: what its numbers
// mean. It is kept whole and unread parts with it.
type Profile struct {
	// Data is the profile as it stands in the file.
	Data []byte
	// Description is its name, such as "sRGB IEC61966-2.1"; may be empty.
	Description string
	// Note says why Curve returns none, or not quite the right one; else empty.
	Note string

	curve  curve      // of green; nil if Note says why
	matrix [9]float64 // their XYZ, D50
}

// maxProfile bounds the size of a profile. Those of cameras and working spaces
// have some kilobytes, those of printers some megabytes.
const maxProfile = 4 << 20

// ParseProfile reads a profile. The error tells of data that is no profile at
// all; one that describes colours by other means than three curves and a
// matrix has a Note.
func ParseProfile(data []byte) (*Profile, error) {
	be := binary.BigEndian
	switch {
	case len(data) < 132:
		return nil, errors.New("it is too short")
	case len(data) > maxProfile:
		return nil, fmt.Errorf("it is larger than %d MiB", maxProfile>>20)
	case string(data[36:40]) != "acsp":
		return nil, errors.New("its signature is missing")
	case int64(be.Uint32(data)) > int64(len(data)):
		return nil, errors.New("it ends too early")
	}
	p := &Profile{Data: data[:max(132, be.Uint32(data))]}
	p.Description = description(p.tag("desc"))
	space := string(data[16:20])
	names := [3]string{"rTRC", "gTRC", "bTRC"}
	switch space {
	case "RGB ":
	case "GRAY":
		names = [3]string{"kTRC", "kTRC", "kTRC"}
	default:
		p.Note = fmt.Sprintf("its colour profile is one for %q; its light is taken as that of sRGB", strings.TrimSpace(space))
		return p, nil
	}
	var curves [3]curve
	for i, name := range names {
		c, err := parseCurve(p.tag(name))
		if err != nil {
			p.Note = fmt.Sprintf("the %s of its colour profile %v; its light is taken as that of sRGB", name, err)
			return p, nil
		}
		curves[i] = c
	}
	p.curve = curves[1]
	if !alike(curves[0], curves[1], 1.0/65535) || !alike(curves[2], curves[1], 1.0/65535) {
		p.Note = "its colour profile has another curve for red or blue than for green, whose curve is taken for all"
	}
	for i, name := range []string{"rXYZ", "gXYZ", "bXYZ"} {
		if b := p.tag(name); len(b) >= 20 && string(b[:4]) == "XYZ " {
			for k := range 3 {
				p.matrix[3*i+k] = s15(b[8+4*k:])
			}
		}
	}
	return p, nil
}

// tag returns the contents of a tag, nil if there is none within the data.
func (p *Profile) tag(name string) []byte {
	be := binary.BigEndian
	n := min(int(be.Uint32(p.Data[128:])), (len(p.Data)-132)/12)
	for i := range n {
		e := p.Data[132+12*i:]
		if string(e[:4]) != name {
			continue
		}
		at, size := int64(be.Uint32(e[4:])), int64(be.Uint32(e[8:]))
		if at+size > int64(len(p.Data)) {
			return nil
		}
		return p.Data[at : at+size]
	}
	return nil
}

// Same reports whether two profiles give numbers the same meaning: equal
// bytes, or the same name, curves and matrix. Nil, no profile, is sRGB.
func (p *Profile) Same(q *Profile) bool {
	if p == nil || q == nil {
		return p.isSRGB() && q.isSRGB()
	}
	if bytes.Equal(p.Data, q.Data) {
		return true
	}
	if p.Note != "" || q.Note != "" || p.curve == nil || q.curve == nil || p.Description != q.Description || string(p.Data[16:20]) != string(q.Data[16:20]) {
		return false
	}
	return near(p.matrix, q.matrix, 1.5/65536) && alike(p.curve, q.curve, 1.0/65535)
}

// isSRGB reports whether the profile, or none, stands for sRGB.
func (p *Profile) isSRGB() bool {
	if p == nil {
		return true
	}
	// IEC 61966-2-1: the curve, and the primaries in XYZ adapted to D50 as
	// usual profiles have them.
	primaries := [9]float64{0.4361, 0.2225, 0.0139, 0.3851, 0.7169, 0.0971, 0.1431, 0.0606, 0.7141}
	return p.curve != nil && p.Note == "" && near(p.matrix, primaries, 1e-3) && alike(p.curve, func(v float64) float64 {
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}, 1e-4)
}

// alike reports whether two curves are the same within tol.
func alike(a, b curve, tol float64) bool {
	for k := range 257 {
		v := float64(k) / 256
		if !(math.Abs(a(v)-b(v)) < tol) {
			return false
		}
	}
	return true
}

func near(a, b [9]float64, tol float64) bool {
	for i := range a {
		if !(math.Abs(a[i]-b[i]) < tol) {
			return false
		}
	}
	return true
}

// Curve returns the function from encoded values to linear light, both 0 to 1,
// rising. ok is false if the profile, which may be nil, has no such curve;
// sRGB's has to serve then.
func (p *Profile) Curve() (decode func(v float64) float64, ok bool) {
	if p == nil || p.curve == nil {
		return nil, false
	}
	return p.curve, true
}

// curve takes an encoded value to linear light.
type curve func(v float64) float64

// parseCurve reads a curve of type curv (ICC.1:2010, 10.5) or para (10.15).
func parseCurve(b []byte) (curve, error) {
	if len(b) < 12 {
		return nil, errors.New("is missing")
	}
	var c curve
	var err error
	switch string(b[:4]) {
	case "curv":
		c, err = sampledCurve(b)
	case "para":
		c, err = parametricCurve(b)
	default:
		return nil, errors.New("is of an unknown type")
	}
	if err != nil {
		return nil, err
	}
	last := 0.0
	for i := range 1025 {
		v := c(float64(i) / 1024)
		if !(v >= last-1e-9 && v <= 1) {
			return nil, errors.New("does not rise")
		}
		last = v
	}
	if !(last >= 0.5 && c(0) <= 0.5) {
		return nil, errors.New("spans too little")
	}
	return c, nil
}

func sampledCurve(b []byte) (curve, error) {
	be := binary.BigEndian
	n := int64(be.Uint32(b[8:]))
	if n > 65536 || 12+2*n > int64(len(b)) {
		return nil, errors.New("ends too early")
	}
	switch n {
	case 0:
		return func(v float64) float64 { return v }, nil
	case 1: // a power in 1/256
		if len(b) < 14 || be.Uint16(b[12:]) == 0 {
			return nil, errors.New("has no exponent")
		}
		g := float64(be.Uint16(b[12:])) / 256
		return func(v float64) float64 { return math.Pow(v, g) }, nil
	}
	table := make([]float64, n)
	for i := range table {
		table[i] = float64(be.Uint16(b[12+2*i:])) / 65535
	}
	return func(v float64) float64 {
		at := v * float64(n-1)
		i := min(int(at), int(n-2))
		return table[i] + (table[i+1]-table[i])*(at-float64(i))
	}, nil
}

func parametricCurve(b []byte) (curve, error) {
	kind := binary.BigEndian.Uint16(b[8:])
	counts := []int{1, 3, 4, 5, 7}
	if int(kind) >= len(counts) || len(b) < 12+4*counts[kind] {
		return nil, errors.New("has a form that is unknown")
	}
	// Without the later parameters a form is one with a = 1 and the rest 0.
	p := [7]float64{1, 1}
	for i := range counts[kind] {
		p[i] = s15(b[12+4*i:])
	}
	g, a, bb, c, d, e, f := p[0], p[1], p[2], p[3], p[4], p[5], p[6]
	switch kind {
	case 0:
		d = math.Inf(-1)
	case 1, 2: // (aX + b)^g + c above −b/a, c below
		if a == 0 {
			return nil, errors.New("divides by zero")
		}
		c, d, e, f = 0, -bb/a, c, c
	}
	return func(v float64) float64 {
		y := c*v + f
		if v >= d {
			y = math.Pow(max(a*v+bb, 0), g) + e
		}
		return min(max(y, 0), 1)
	}, nil
}

// s15 reads an s15Fixed16Number.
func s15(b []byte) float64 { return float64(int32(binary.BigEndian.Uint32(b))) / 65536 }

// description reads a textDescriptionType (version 2) or the first text of a
// multiLocalizedUnicodeType (version 4).
func description(b []byte) string {
	be := binary.BigEndian
	if len(b) < 12 {
		return ""
	}
	switch string(b[:4]) {
	case "desc":
		n := min(int64(be.Uint32(b[8:])), int64(len(b)-12))
		s, _, _ := strings.Cut(string(b[12:12+n]), "\x00")
		return strings.ToValidUTF8(s, "")
	case "mluc":
		if len(b) < 28 || be.Uint32(b[8:]) == 0 {
			return ""
		}
		n, at := int64(be.Uint32(b[20:])), int64(be.Uint32(b[24:]))
		if at+n > int64(len(b)) || n > 4096 {
			return ""
		}
		var u []uint16
		for text := b[at : at+n]; len(text) >= 2; text = text[2:] {
			u = append(u, be.Uint16(text))
		}
		return strings.TrimRight(string(utf16.Decode(u)), "\x00")
	}
	return ""
}
