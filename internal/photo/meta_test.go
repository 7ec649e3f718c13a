package photo

import (
	"encoding/binary"
	"encoding/json"
	"image"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"flatfell.example/internal/shareddata"
)

var (
	testMain = []entry{{0x010f, "Sandspit Optical"}, {0x0110, "Groyne 3"}, {0x0112, uint16(6)}}
	testExif = []entry{
		{0x829a, [2]uint32{1, 250}},
		{0x829d, [2]uint32{56, 10}},
		{0x8827, uint16(400)},
		{0x9003, "2026:03:01 06:07:08"},
		{0x9011, "+02:00"},
		{0x920a, [2]uint32{23, 1}},
		{0x9291, "05"},
		{0xa405, uint16(35)},
		{0xa434, "Dune 23 mm"},
	}
)

func TestMeta(t *testing.T) {
	want := Meta{
		Make: "Sandspit Optical", Model: "Groyne 3", Lens: "Dune 23 mm", FocalMM: 23, Focal35MM: 35,
		ExposureSeconds: 1.0 / 250, FNumber: 5.6, ISO: 400, Orientation: 6,
	}
	when := time.Date(2026, 3, 1, 4, 7, 8, 50_000_000, time.UTC)
	plain := smooth(12, 8)
	// A TIFF file is itself such a block: 12 × 8 grey pixels, whose strip may
	// as well be the bytes of the directory.
	tiffFile := exifBlock(binary.LittleEndian, []entry{
		{256, uint32(12)},
		{257, uint32(8)},
		{258, uint16(8)},
		{259, uint16(1)},
		{262, uint16(1)},
		testMain[0], testMain[1],
		{273, uint32(8)},
		testMain[2],
		{278, uint32(8)},
		{279, uint32(96)},
	}, testExif)
	for name, data := range map[string][]byte{
		"JPEG":            withEXIF(jpegBytes(t, plain), exifBlock(binary.LittleEndian, testMain, testExif)),
		"JPEG big endian": withEXIF(jpegBytes(t, plain), exifBlock(binary.BigEndian, testMain, testExif)),
		"PNG":             withEXIF(pngBytes(t, plain), exifBlock(binary.BigEndian, testMain, testExif)),
		"TIFF":            tiffFile,
	} {
		f, err := Open(store(t, "m", data))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		got := f.Meta
		if !got.Time.Equal(when) {
			t.Errorf("%s: time %v, want %v", name, got.Time, when)
		}
		got.Time = time.Time{}
		if got != want {
			t.Errorf("%s: %+v, want %+v", name, got, want)
		}
		if f.Width != 8 || f.Height != 12 {
			t.Errorf("%s: %d × %d, want 8 × 12 upright", name, f.Width, f.Height)
		}
		m, err := f.Decode(t.Context())
		if err != nil || m.Bounds().Size() != image.Pt(8, 12) {
			t.Errorf("%s: decoded %v", name, err)
		}
	}
}

// TestBrokenMeta: every way to damage a byte of the metadata, and to cut it,
// leaves the picture readable.
func TestBrokenMeta(t *testing.T) {
	block := exifBlock(binary.LittleEndian, testMain, testExif)
	plain, path := jpegBytes(t, smooth(12, 8)), filepath.Join(t.TempDir(), "b.jpg")
	try := func(b []byte) {
		if err := os.WriteFile(path, withEXIF(plain, b), 0o666); err != nil {
			t.Fatal(err)
		}
		if f, err := Open(path); err != nil {
			t.Fatalf("block %x: %v", b, err)
		} else if o := f.Meta.Orientation; o < 1 || o > 8 {
			t.Fatalf("orientation %d", o)
		}
	}
	for i := range block {
		for _, v := range []byte{0, 0xff, block[i] ^ 0x81} {
			b := append([]byte{}, block...)
			b[i] = v
			try(b)
		}
		try(block[:i])
	}
}

// TestFocalPx: published field-of-view arithmetic. A 36 × 24 mm frame of
// 3:2 pixels with its own equivalent is exact: f/36 of the long side.
func TestFocalPx(t *testing.T) {
	for _, c := range []struct {
		name   string
		m      Meta
		w, h   int
		want   float64
		source string
	}{
		{"35 mm frame", Meta{Focal35MM: 50}, 6000, 4000, 50.0 / 36 * 6000, From35MM},
		{"upright", Meta{Focal35MM: 50}, 4000, 6000, 50.0 / 36 * 6000, From35MM},
		{"4:3", Meta{Focal35MM: 28}, 4000, 3000, 28 / math.Sqrt(24*24+36*36) * 5000, From35MM},
		{"sensor", Meta{FocalMM: 23, SensorLongMM: 23.5}, 6000, 4000, 23 / 23.5 * 6000, FromFocalPlane},
		{"both agree", Meta{FocalMM: 23, SensorLongMM: 23.5, Focal35MM: 35}, 4000, 6000, 23 / 23.5 * 6000, FromFocalPlane},
		{"both differ", Meta{FocalMM: 23, SensorLongMM: 11.75, Focal35MM: 35}, 6000, 4000, 35.0 / 36 * 6000, From35MM},
		{"no sensor", Meta{FocalMM: 23}, 6000, 4000, 0, ""},
		{"nothing", Meta{}, 6000, 4000, 0, ""},
		{"no size", Meta{Focal35MM: 50}, 0, 4000, 0, ""},
	} {
		px, source, ok := c.m.FocalPx(c.w, c.h)
		if !(math.Abs(px-c.want) <= 1e-5*c.want) || source != c.source || ok != (c.want > 0) {
			t.Errorf("%s: %v %q %t, want %v %q", c.name, px, source, ok, c.want, c.source)
		}
	}
}

func TestSensorLong(t *testing.T) {
	size := func(w, h int) header { return header{size: image.Pt(w, h)} }
	for _, c := range []struct {
		name string
		tags map[string]any
		h    header
		want float64
	}{
		{"centimetres", map[string]any{"FocalPlaneXResolution": 2500.0, "FocalPlaneResolutionUnit": uint16(3)}, size(6000, 4000), 24},
		{"inches", map[string]any{"FocalPlaneXResolution": 6350.0}, size(4000, 6000), 24},
		{"scaled", map[string]any{"FocalPlaneXResolution": 6350.0, "ExifImageWidth": uint16(6000), "ExifImageHeight": uint16(4000)}, size(600, 400), 24},
		{"scaled by a program that notes its size", map[string]any{
			"FocalPlaneXResolution": 6350.0, "ExifImageWidth": uint16(600), "ExifImageHeight": uint16(400),
			"RelatedImageWidth": uint16(6000), "RelatedImageHeight": uint16(4000),
		}, size(600, 400), 24},
		{"cropped", map[string]any{"FocalPlaneXResolution": 6350.0, "ExifImageWidth": uint16(6000), "ExifImageHeight": uint16(4000)}, size(500, 500), 0},
		{"absurdly small", map[string]any{"FocalPlaneXResolution": 6350.0}, size(600, 400), 0},
		{"absurdly large", map[string]any{"FocalPlaneXResolution": 72.0}, size(6000, 4000), 0},
		{"oblong pixels", map[string]any{"FocalPlaneXResolution": 6350.0, "FocalPlaneYResolution": 3000.0}, size(6000, 4000), 0},
		{"none", nil, size(6000, 4000), 0},
	} {
		if got := sensorLong(c.tags, c.h); !(math.Abs(got-c.want) <= 1e-9) {
			t.Errorf("%s: %v mm, want %v", c.name, got, c.want)
		}
	}
}

// TestFocalPxOfPhotographs compares with an independent value: the focal
// length in millimetres over the maker's sensor size.
func TestFocalPxOfPhotographs(t *testing.T) {
	root, compared := shareddata.Dir(t, "rows"), 0
	sets, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	for _, set := range sets {
		data, err := os.ReadFile(filepath.Join(root, set.Name(), "measured.json"))
		if err != nil {
			t.Fatal(err)
		}
		var measured struct {
			Want *float64 `json:"exif_f_over_long_side"`
		}
		if err := json.Unmarshal(data, &measured); err != nil {
			t.Fatal(err)
		}
		files, err := List([]string{filepath.Join(root, set.Name(), "frames")})
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range files {
			f, err := Open(path)
			if err != nil {
				t.Fatal(err)
			}
			px, source, ok := f.Meta.FocalPx(f.Width, f.Height)
			if measured.Want == nil {
				if ok {
					t.Errorf("%s: focal length %v from nowhere", path, px)
				}
				continue
			}
			compared++
			got := px / float64(max(f.Width, f.Height))
			// Whole millimetres in the equivalent, and rounded sensor sizes.
			if !(math.Abs(got / *measured.Want - 1) <= 0.03) {
				t.Errorf("%s: %.4f of the long side from the %s, want %.3f", path, got, source, *measured.Want)
			}
			t.Logf("%s/%s: %.4f of the long side (%s), independent %.3f", set.Name(), filepath.Base(path), got, source, *measured.Want)
		}
	}
	if compared < 20 {
		t.Errorf("only %d photographs compared", compared)
	}
}
