package photo

import (
	"bytes"
	"encoding/binary"
	"image"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"
)

// iccTag is one tag of a made-up profile.
type iccTag struct {
	name string
	data []byte
}

// iccProfile builds a profile of the given colour space and tags.
func iccProfile(space string, tags ...iccTag) []byte {
	be := binary.BigEndian
	b := make([]byte, 128, 1024)
	copy(b[12:], "mntr")
	copy(b[16:], space)
	copy(b[20:], "XYZ ")
	copy(b[36:], "acsp")
	b[8] = 4
	b = be.AppendUint32(b, uint32(len(tags)))
	at := 132 + 12*len(tags)
	var body []byte
	for _, t := range tags {
		b = be.AppendUint32(append(b, t.name...), uint32(at+len(body)))
		b = be.AppendUint32(b, uint32(len(t.data)))
		body = append(body, t.data...)
		for len(body)%4 != 0 {
			body = append(body, 0)
		}
	}
	b = append(b, body...)
	be.PutUint32(b, uint32(len(b)))
	return b
}

// curv and para are curves of ICC.1:2010, 10.5 and 10.15.
func curv(samples ...uint16) []byte {
	b := binary.BigEndian.AppendUint32([]byte("curv\x00\x00\x00\x00"), uint32(len(samples)))
	for _, s := range samples {
		b = binary.BigEndian.AppendUint16(b, s)
	}
	return b
}

func para(kind uint16, p ...float64) []byte {
	b := binary.BigEndian.AppendUint16([]byte("para\x00\x00\x00\x00"), kind)
	b = append(b, 0, 0)
	for _, v := range p {
		b = binary.BigEndian.AppendUint32(b, uint32(int32(math.Round(v*65536))))
	}
	return b
}

func xyz(x, y, z float64) []byte {
	b := []byte("XYZ \x00\x00\x00\x00")
	for _, v := range []float64{x, y, z} {
		b = binary.BigEndian.AppendUint32(b, uint32(int32(math.Round(v*65536))))
	}
	return b
}

func descV2(s string) []byte {
	b := binary.BigEndian.AppendUint32([]byte("desc\x00\x00\x00\x00"), uint32(len(s)+1))
	return append(append(b, s...), make([]byte, 1+8+3+67)...)
}

func descV4(s string) []byte {
	be := binary.BigEndian
	u := utf16.Encode([]rune(s))
	b := []byte("mluc\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x0cenUS")
	b = be.AppendUint32(be.AppendUint32(b, uint32(2*len(u))), 28)
	for _, c := range u {
		b = be.AppendUint16(b, c)
	}
	return b
}

// rgbProfile has the primaries of Adobe RGB (1998), adapted to D50; from
// memory, as its exponent, 563/256.
func rgbProfile(name []byte, trc []byte) []byte {
	return iccProfile("RGB ", iccTag{"desc", name},
		iccTag{"rXYZ", xyz(0.60974, 0.31111, 0.01947)}, iccTag{"gXYZ", xyz(0.20528, 0.62567, 0.06087)},
		iccTag{"bXYZ", xyz(0.14919, 0.06322, 0.74457)},
		iccTag{"rTRC", trc}, iccTag{"gTRC", trc}, iccTag{"bTRC", trc})
}

// srgbPara is sRGB's curve as IEC 61966-2-1 has it.
var srgbPara = para(3, 2.4, 1/1.055, 0.055/1.055, 1/12.92, 0.04045)

func TestProfileCurves(t *testing.T) {
	table := make([]uint16, 1024) // the form of many sRGB profiles
	srgb := func(v float64) float64 {
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	for i := range table {
		table[i] = uint16(math.Round(65535 * srgb(float64(i)/1023)))
	}
	for _, c := range []struct {
		name string
		trc  []byte
		want func(v float64) float64
		tol  float64
	}{
		{"identity", curv(), func(v float64) float64 { return v }, 0},
		{"563/256", curv(0x0233), func(v float64) float64 { return math.Pow(v, 563./256) }, 0},
		{"two samples", curv(0, 65535), func(v float64) float64 { return v }, 1e-12},
		{"table of sRGB", curv(table...), srgb, 1.5e-5},
		{"para 0", para(0, 1.8), func(v float64) float64 { return math.Pow(v, 1.8) }, 1e-5},
		{"para 1", para(1, 2, 1.25, -0.25), func(v float64) float64 { return math.Pow(max(1.25*v-0.25, 0), 2) }, 1e-5},
		{"para 2", para(2, 2, 0.9, 0, 0.1), func(v float64) float64 { return 0.81*v*v + 0.1 }, 5e-5},
		{"para 3", srgbPara, srgb, 1e-4},
		// CIE L* over 100: ((v + 0.16) / 1.16)³ above 0.08.
		{"para 4", para(4, 3, 1/1.16, 0.16/1.16, 2700./24389, 0.08, 0, 0), func(v float64) float64 {
			if v <= 0.08 {
				return v * 2700 / 24389
			}
			return math.Pow((v+0.16)/1.16, 3)
		}, 1e-4},
	} {
		p, err := ParseProfile(rgbProfile(descV4("Dünen"), c.trc))
		if err != nil {
			t.Fatal(err)
		}
		f, ok := p.Curve()
		if !ok || p.Note != "" || p.Description != "Dünen" {
			t.Errorf("%s: ok %t, note %q, description %q", c.name, ok, p.Note, p.Description)
			continue
		}
		for i := range 1001 {
			v := float64(i) / 1000
			if d := math.Abs(f(v) - c.want(v)); !(d <= c.tol) {
				t.Errorf("%s: %g gives %g, want %g", c.name, v, f(v), c.want(v))
				break
			}
		}
	}
}

// TestProfileOthers: profiles whose curve is of no use have a note that says
// so, and what is no profile is an error.
func TestProfileOthers(t *testing.T) {
	whole := rgbProfile(descV2("coast"), srgbPara)
	for name, c := range map[string]struct {
		data []byte
		note string
		err  string
	}{
		"for printing":  {data: iccProfile("CMYK", iccTag{"A2B0", make([]byte, 40)}), note: `one for "CMYK"`},
		"no curves":     {data: iccProfile("RGB "), note: "rTRC of its colour profile is missing"},
		"falling":       {data: rgbProfile(nil, curv(0, 30000, 20000, 65535)), note: "does not rise"},
		"flat":          {data: rgbProfile(nil, curv(0, 3, 5)), note: "spans too little"},
		"cut curve":     {data: rgbProfile(nil, curv(1, 2, 3, 4)[:14]), note: "ends too early"},
		"huge curve":    {data: rgbProfile(nil, []byte("curv\x00\x00\x00\x00\xff\xff\xff\xff\x00\x00")), note: "ends too early"},
		"unknown form":  {data: rgbProfile(nil, para(7, 1)), note: "unknown"},
		"zero exponent": {data: rgbProfile(nil, curv(0)), note: "no exponent"},
		"short":         {data: whole[:100], err: "too short"},
		"cut":           {data: whole[:len(whole)-1], err: "ends too early"},
		"no signature":  {data: bytes.Replace(whole, []byte("acsp"), []byte("nope"), 1), err: "signature"},
	} {
		p, err := ParseProfile(c.data)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%s: error %v, want %q", name, err, c.err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if _, ok := p.Curve(); ok || !strings.Contains(p.Note, c.note) {
			t.Errorf("%s: curve %t, note %q, want %q", name, ok, p.Note, c.note)
		}
	}
	mixed := iccProfile("RGB ", iccTag{"rTRC", curv(0x0200)}, iccTag{"gTRC", curv(0x0233)}, iccTag{"bTRC", curv(0x0200)})
	if p, err := ParseProfile(mixed); err != nil || !strings.Contains(p.Note, "green") {
		t.Errorf("curves that differ: %v, note %q", err, p.Note)
	}
}

func TestProfileSame(t *testing.T) {
	parse := func(data []byte) *Profile {
		p, err := ParseProfile(data)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	a := parse(rgbProfile(descV2("coast"), srgbPara))
	// Another creator and date, another form of the name: the same colours.
	other := rgbProfile(descV4("coast"), srgbPara)
	copy(other[24:], "20260707")
	for name, c := range map[string]struct {
		p, q *Profile
		want bool
	}{
		"itself":        {a, a, true},
		"equal bytes":   {a, parse(bytes.Clone(a.Data)), true},
		"other bytes":   {a, parse(other), true},
		"other name":    {a, parse(rgbProfile(descV2("dune"), srgbPara)), false},
		"other curve":   {a, parse(rgbProfile(descV2("coast"), curv(0x0233))), false},
		"none":          {a, nil, false},
		"none and none": {nil, nil, true},
		"none and sRGB": {parse(iccProfile("RGB ", iccTag{"desc", descV2("whatever")},
			iccTag{"rXYZ", xyz(0.43607, 0.22249, 0.01392)}, iccTag{"gXYZ", xyz(0.38515, 0.71687, 0.09708)},
			iccTag{"bXYZ", xyz(0.14307, 0.06061, 0.7141)},
			iccTag{"rTRC", srgbPara}, iccTag{"gTRC", srgbPara}, iccTag{"bTRC", srgbPara})), nil, true},
	} {
		if c.p.Same(c.q) != c.want || c.q.Same(c.p) != c.want {
			t.Errorf("%s: same is %t", name, !c.want)
		}
	}
}

// TestProfileKept: a profile comes back whole from each format, one of several
// APP2 segments too.
func TestProfileKept(t *testing.T) {
	big := make([]byte, 150_000) // of noise, which zlib can't make small
	rnd := rand.New(rand.NewPCG(3, 4))
	for i := range big {
		big[i] = byte(rnd.Uint32())
	}
	for _, data := range [][]byte{
		rgbProfile(descV2("coast"), srgbPara),
		iccProfile("RGB ", iccTag{"desc", descV4("large")}, iccTag{"A2B0", big}),
	} {
		p, err := ParseProfile(data)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"a.jpg", "a.png", "a.tif"} {
			path := filepath.Join(t.TempDir(), name)
			o := WriteOptions{Embed: &Embedded{Profile: p}}
			if err := Write(t.Context(), path, noisyPicture(image.Rect(0, 0, 30, 20), false), o); err != nil {
				t.Fatal(err)
			}
			f, err := Open(path)
			if err != nil {
				t.Fatal(err)
			}
			if f.Profile == nil || !bytes.Equal(f.Profile.Data, data) || f.ProfileNote != "" {
				t.Errorf("%s: profile of %d bytes is not what comes back; note %q", name, len(data), f.ProfileNote)
			}
		}
	}
}

// TestProfileParts: segments in any order make a profile; wrong sets none, with
// a note, and the picture opens all the same.
func TestProfileParts(t *testing.T) {
	data := iccProfile("RGB ", iccTag{"desc", descV2("coast")}, iccTag{"A2B0", make([]byte, 140_000)})
	segments := jpegProfileParts(data)
	first := 2 + int(binary.BigEndian.Uint16(segments[2:]))
	second := first + 2 + int(binary.BigEndian.Uint16(segments[first+2:]))
	a, b, c := segments[:first], segments[first:second], segments[second:]
	file := jpegBytes(t, smooth(20, 20))
	for name, s := range map[string]struct {
		parts [][]byte
		note  string
	}{
		"turned":  {[][]byte{c, a, b}, ""},
		"missing": {[][]byte{a, c}, "parts of it are missing"},
		"twice":   {[][]byte{a, a, b, c}, "parts of it are missing"},
		"none":    {nil, ""},
	} {
		path := store(t, "a.jpg", bytes.Join(append(append([][]byte{file[:2]}, s.parts...), file[2:]), nil))
		f, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if s.note == "" && len(s.parts) > 0 && (f.Profile == nil || !bytes.Equal(f.Profile.Data, data)) {
			t.Errorf("%s: not the profile, note %q", name, f.ProfileNote)
		}
		if (s.note != "") != (f.ProfileNote != "") || !strings.Contains(f.ProfileNote, s.note) {
			t.Errorf("%s: note %q, want %q", name, f.ProfileNote, s.note)
		}
	}
	// A bomb: 12 KB that unpack to far more than a profile may have.
	bomb := append(pngBytes(t, smooth(9, 9))[:33:33], iccp(&Profile{Data: make([]byte, maxProfile+100)})...)
	bomb = append(bomb, pngBytes(t, smooth(9, 9))[33:]...)
	if f, err := Open(store(t, "a.png", bomb)); err != nil || f.Profile != nil || !strings.Contains(f.ProfileNote, "larger") {
		t.Errorf("bomb: %v, %+v", err, f)
	}
}

// FuzzProfile: no bytes make the parser fail otherwise than by an error, and a
// curve that it gives rises from 0 to 1.
func FuzzProfile(f *testing.F) {
	f.Add(rgbProfile(descV2("coast"), srgbPara))
	f.Add(rgbProfile(descV4("coast"), curv(0, 100, 65535)))
	f.Add(iccProfile("GRAY", iccTag{"kTRC", curv(0x0233)}))
	f.Add(iccProfile("CMYK"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ParseProfile(data)
		if err != nil {
			return
		}
		if !p.Same(p) {
			t.Error("a profile differs from itself")
		}
		decode, ok := p.Curve()
		if !ok {
			return
		}
		last := 0.0
		for i := range 1025 {
			v := decode(float64(i) / 1024)
			if !(v >= last-1e-9 && v <= 1) {
				t.Fatalf("the curve goes from %g to %g", last, v)
			}
			last = v
		}
	})
}
