package photo

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"image"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"flatfell.example/raster"
)

// richExif is what a camera writes, and more: the fields that are kept, those
// that are left behind, a GPS directory and a thumbnail.
func richExif(order binary.AppendByteOrder) []byte {
	pair := func(a, b uint32) field { f := rational(0, [2]uint32{a, b}); return f }
	with := func(tag uint16, f field) field { f.tag = tag; return f }
	triple := func(tag uint16, v ...uint32) field {
		f := long(tag, v...)
		f.kind, f.count = kindRational, uint64(len(v)/2)
		return f
	}
	t := tree{
		fields: []field{
			ascii(270, "Groynes at low tide"), ascii(271, "Sandlark"), ascii(272, "Tern 3"),
			short(tagOrientation, 8), ascii(tagSoftware, "Tern 3 firmware 1.2"), ascii(306, "2026:07:07 18:05:09"),
			ascii(315, "A. Strand"), ascii(33432, "(c) 2026 A. Strand"),
			with(282, pair(72, 1)), with(283, pair(72, 1)), short(296, 2),
		},
		sub: map[uint16]tree{
			tagExif: {
				fields: []field{
					with(0x829a, pair(1, 125)), with(0x829d, pair(80, 10)), short(0x8822, 1), short(0x8827, 100),
					blob(tagExifVersion, kindUndefined, []byte("0230")),
					ascii(0x9003, "2026:07:07 18:05:09"), ascii(0x9004, "2026:07:07 18:05:09"), ascii(0x9011, "+02:00"),
					ascii(0x9291, "07"), with(0x9204, field{kind: 10, count: 1, value: []byte{0xfe, 0xff, 0xff, 0xff, 3, 0, 0, 0}}),
					with(0x920a, pair(24, 1)), blob(0x927c, kindUndefined, bytes.Repeat([]byte("maker"), 999)),
					blob(0x9286, kindUndefined, []byte("ASCII\x00\x00\x00tripod, ND filter")),
					short(tagColorSpace, 1), long(tagPixelX, 4000), long(tagPixelY, 6000),
					with(0xa20e, pair(4000, 1)), with(0xa20f, pair(4000, 1)), short(0xa210, 3),
					short(0xa405, 36), triple(0xa432, 24, 1, 24, 1, 28, 10, 28, 10), ascii(0xa434, "Sandlark 24 mm f/2.8"),
					ascii(0xa431, "0001234"), short(0x9214, 10, 20), ascii(0xa420, "0123456789abcdef0123456789abcdef"),
				},
				sub: map[uint16]tree{tagInterop: {fields: []field{ascii(1, "R98"), blob(2, kindUndefined, []byte("0100"))}}},
			},
			tagGPS: {fields: []field{
				blob(0, kindByte, []byte{2, 3, 0, 0}),
				ascii(1, "N"), triple(2, 54, 1, 5, 1, 5250, 100), ascii(3, "E"), triple(4, 8, 1, 40, 1, 1300, 100),
				blob(5, kindByte, []byte{0}), triple(6, 31, 10), triple(7, 16, 1, 5, 1, 9, 1), ascii(29, "2026:07:07"),
			}},
		},
	}
	b := appendTree([]byte("II*\x00\x08\x00\x00\x00"), 0, t, false)
	if order.String() == binary.LittleEndian.String() {
		return b
	}
	return bigEndian(b)
}

// bigEndian turns a block of TIFF fields as appendTree writes it round.
func bigEndian(b []byte) []byte {
	le, be := binary.LittleEndian, binary.BigEndian
	out := bytes.Clone(b)
	copy(out, "MM\x00*")
	be.PutUint32(out[4:], le.Uint32(b[4:]))
	var turn func(at uint32)
	turn = func(at uint32) {
		n := uint32(le.Uint16(b[at:]))
		be.PutUint16(out[at:], uint16(n))
		for i := range n {
			e := at + 2 + 12*i
			tag, kind, count := le.Uint16(b[e:]), le.Uint16(b[e+2:]), le.Uint32(b[e+4:])
			be.PutUint16(out[e:], tag)
			be.PutUint16(out[e+2:], kind)
			be.PutUint32(out[e+4:], count)
			size := uint32(kindBytes(kind)) * count
			value := e + 8
			if size > 4 {
				value = le.Uint32(b[e+8:])
				be.PutUint32(out[e+8:], value)
			}
			swapBytes(out[value:value+size], swapBy(kind))
			if tag == tagExif || tag == tagGPS || tag == tagInterop {
				turn(le.Uint32(b[e+8:]))
			}
		}
	}
	turn(le.Uint32(b[4:]))
	return out
}

// composite is what a picture of three frames embeds.
func composite(t testing.TB, tags *Tags) *Embedded {
	t.Helper()
	p, err := ParseProfile(rgbProfile(descV2("coast RGB"), srgbPara))
	if err != nil {
		t.Fatal(err)
	}
	return &Embedded{
		Profile: p, Tags: tags, Sources: 5, Used: 3, Software: "flatfell 0.0 <test>",
		Properties: []Property{{"Surface", "cylinder"}, {"PxPerRadian", "1234.500"}, {"Software", `flatfell <0.0> & "more"`}},
	}
}

// tagsOf reads the tags of a photograph with that Exif block.
func tagsOf(t testing.TB, exif []byte) *Tags {
	t.Helper()
	f, err := Open(store(t, "in.jpg", withEXIF(jpegBytes(t, smooth(20, 30)), exif)))
	if err != nil {
		t.Fatal(err)
	}
	tags, err := f.Tags()
	if err != nil {
		t.Fatal(err)
	}
	return tags
}

// TestTagsKept: metadata goes through each format and back, whatever its byte
// order was; what must not be kept is gone.
func TestTagsKept(t *testing.T) {
	for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
		tags := tagsOf(t, richExif(order))
		for _, name := range []string{"a.jpg", "a.png", "a.tif"} {
			_, f := roundTrip(t, name, noisyPicture(image.Rect(0, 0, 40, 20), false), WriteOptions{PPI: 300, Embed: composite(t, tags)})
			m := f.Meta
			if m.Note != "" || m.Make != "Sandlark" || m.Model != "Tern 3" || m.Lens != "Sandlark 24 mm f/2.8" || m.FocalMM != 24 ||
				m.ExposureSeconds != 1./125 || m.FNumber != 8 || m.ISO != 100 || m.Orientation != 1 || m.SensorLongMM != 0 ||
				m.Time.Format("2006-01-02T15:04:05.00-07:00") != "2026-07-07T18:05:09.07+02:00" {
				t.Errorf("%v %s: %+v", order, name, m)
			}
			back, err := f.Tags()
			if err != nil {
				t.Fatal(err)
			}
			own := []uint16{tagSoftware, tagOrientation}
			for what, d := range map[string][2][]field{
				"main": {tags.main, back.main}, "Exif": {tags.exif, back.exif}, "GPS": {tags.gps, back.gps}, "Interop": {tags.interop, back.interop},
			} {
				if len(d[0]) == 0 || !reflect.DeepEqual(d[0], d[1]) {
					t.Errorf("%v %s: %s comes back as\n%v, was\n%v", order, name, what, d[1], d[0])
				}
				for _, f := range d[1] {
					for _, o := range append(own, 0x927c, 0xa20e, 0x9214, 0xa420) {
						if f.tag == o && what != "GPS" {
							t.Errorf("%v %s: %s has tag %#x", order, name, what, f.tag)
						}
					}
				}
			}
		}
	}
}

// TestTagsReadByOthers has an independent reader compare the fields of a
// photograph with those of pictures made from it.
func TestTagsReadByOthers(t *testing.T) {
	if _, err := exec.LookPath("exiftool"); err != nil {
		t.Skip("exiftool (Debian: libimage-exiftool-perl) is not installed")
	}
	dir := t.TempDir()
	read := func(path string) map[string]any {
		out, err := exec.Command("exiftool", "-j", "-G1", "-n", "-a", "-warning", "-all", path).Output()
		if err != nil {
			t.Fatal(err)
		}
		var list []map[string]any
		if err := json.Unmarshal(out, &list); err != nil {
			t.Fatal(err)
		}
		return list[0]
	}
	in := store(t, "in.jpg", withEXIF(jpegBytes(t, smooth(20, 30)), richExif(binary.BigEndian)))
	source := read(in)
	gone := []string{"MakerNote", "FocalPlane", "SubjectArea", "ImageUniqueID"}
	for _, format := range []string{"JPEG", "PNG", "TIFF", "BigTIFF"} {
		path := filepath.Join(dir, map[string]string{"JPEG": "a.jpg", "PNG": "a.png", "TIFF": "a.tif", "BigTIFF": "b.tif"}[format])
		pic := noisyPicture(image.Rect(0, 0, 40, 20), false)
		embed := composite(t, tagsOf(t, richExif(binary.BigEndian)))
		if format == "BigTIFF" {
			writeBigTIFF(t, path, pic, embed)
		} else if err := Write(t.Context(), path, pic, WriteOptions{PPI: 300, Embed: embed}); err != nil {
			t.Fatal(err)
		}
		got := read(path)
		if format == "BigTIFF" {
			// The reader names the directories of a BigTIFF otherwise, and reads
			// those of GPS and interoperability as if their tags were Exif's.
			for key, v := range got {
				if name, ok := strings.CutPrefix(key, "ExifOffset:"); ok {
					got["ExifIFD:"+name] = v
				}
			}
		}
		if w, ok := got["ExifTool:Warning"]; ok {
			t.Errorf("%s: warning %v", format, w)
		}
		compared := 0
		for key, v := range source {
			group, name, _ := strings.Cut(key, ":")
			if group != "IFD0" && group != "ExifIFD" && group != "GPS" && group != "InteropIFD" {
				continue
			}
			if format == "BigTIFF" && (group == "GPS" || group == "InteropIFD") {
				continue
			}
			switch name {
			case "Orientation", "Software", "XResolution", "YResolution", "ExifVersion", "ExifImageWidth", "ExifImageHeight":
				continue // the picture's own, below
			}
			left := false
			for _, g := range gone {
				left = left || strings.HasPrefix(name, g)
			}
			if left {
				if w, ok := got[key]; ok {
					t.Errorf("%s: %s is still there: %v", format, key, w)
				}
				continue
			}
			compared++
			if fmt.Sprint(got[key]) != fmt.Sprint(v) {
				t.Errorf("%s: %s is %v, was %v", format, key, got[key], v)
			}
		}
		for key, want := range map[string]string{
			"IFD0:Orientation": "1", "IFD0:XResolution": "300", "IFD0:YResolution": "300", "IFD0:ResolutionUnit": "2",
			"IFD0:Software": "flatfell 0.0 <test>", "ExifIFD:ExifVersion": "0232",
			"ExifIFD:CompositeImage": "2", "ExifIFD:CompositeImageCount": "5 3",
			"XMP-flatfell:Surface": "cylinder", "XMP-flatfell:PxPerRadian": "1234.5",
			"XMP-flatfell:Software": `flatfell <0.0> & "more"`, "ICC_Profile:ProfileDescription": "coast RGB",
			"File:ImageWidth": "40", "File:ImageHeight": "20",
		} {
			if format == "PNG" || format == "TIFF" || format == "BigTIFF" {
				key = strings.ReplaceAll(key, "File:", map[string]string{"PNG": "PNG:", "TIFF": "IFD0:", "BigTIFF": "IFD0:"}[format])
			}
			compared++
			if fmt.Sprint(got[key]) != want {
				t.Errorf("%s: %s is %v, want %s", format, key, got[key], want)
			}
		}
		t.Logf("%s: %d fields compared", format, compared)
	}
}

func writeBigTIFF(t *testing.T, path string, pic *raster.Picture, e *Embedded) {
	t.Helper()
	var b buffer
	meta := e.tiffTree(pic.Rect.Dx(), pic.Rect.Dy(), 300)
	if err := encodeTIFF(t.Context(), &b, &b, picturePixels(pic), 8, 1, Deflate, meta, 100); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
}

// TestTagsHostile: directories that point to themselves or each other, counts
// that overflow, fields that all claim the same bytes: an end, and soon, with
// little memory, and what is sound is kept.
func TestTagsHostile(t *testing.T) {
	le := binary.LittleEndian
	block := func(build func(b []byte) []byte) []byte { return build([]byte("II*\x00\x08\x00\x00\x00")) }
	entry := func(b []byte, tag, kind uint16, count, value uint32) []byte {
		b = le.AppendUint16(le.AppendUint16(b, tag), kind)
		return le.AppendUint32(le.AppendUint32(b, count), value)
	}
	for name, b := range map[string][]byte{
		"points to itself": block(func(b []byte) []byte {
			b = le.AppendUint16(b, 3)
			b = entry(b, tagExif, kindLong, 1, 8)
			b = entry(b, tagGPS, kindLong, 1, 8)
			return entry(b, tagInterop, kindLong, 1, 8)
		}),
		"points out of the file": block(func(b []byte) []byte {
			b = le.AppendUint16(b, 2)
			b = entry(b, tagExif, kindLong, 1, 0xffffffff)
			return entry(b, 315, kindASCII, 100, 0xfffffff0)
		}),
		"counts overflow": block(func(b []byte) []byte {
			b = le.AppendUint16(b, 3)
			b = entry(b, 315, kindRational, 0xffffffff, 8)
			b = entry(b, 270, 12, 0x20000001, 8)
			return entry(b, 271, 99, 1, 8)
		}),
		"more entries than bytes": block(func(b []byte) []byte {
			return entry(le.AppendUint16(b, 0xffff), 315, kindASCII, 4, 0x00636261)
		}),
		"all claim the same": block(func(b []byte) []byte {
			b = le.AppendUint16(b, 1)
			b = entry(b, tagExif, kindLong, 1, 22)
			b = le.AppendUint16(b, 1000)
			for i := range 1000 {
				b = entry(b, uint16(0xb000+i), kindUndefined, maxTagBytes, 8)
			}
			return append(b, make([]byte, maxTagBytes)...)
		}),
	} {
		before := allocated()
		tags := readTags(bytes.NewReader(b), 0)
		if n := allocated() - before; n > 32<<20 {
			t.Errorf("%s: asks for %d bytes", name, n)
		}
		e := &Embedded{Tags: tags}
		if n := len(e.block(10, 10, 300, JPEG)); n > 60_000 {
			t.Errorf("%s: %d bytes of Exif", name, n)
		}
		if name == "more entries than bytes" && (len(tags.main) != 1 || string(tags.main[0].value) != "abc\x00") {
			t.Errorf("%s: the sound field is not kept: %v", name, tags.main)
		}
	}
}

// FuzzTags: whatever the block of fields, reading ends, what is written is
// bounded, and reading that again gives the same.
func FuzzTags(f *testing.F) {
	f.Add(richExif(binary.LittleEndian))
	f.Add(richExif(binary.BigEndian))
	f.Add(exifBlock(binary.BigEndian, testMain, testExif))
	f.Fuzz(func(t *testing.T, data []byte) {
		tags := readTags(bytes.NewReader(data), 0)
		e := &Embedded{Tags: tags, Software: "x", Sources: 2, Used: 2}
		block := e.block(100, 50, 300, JPEG)
		if len(block) > 60_000 {
			t.Fatalf("%d bytes of Exif", len(block))
		}
		again := readTags(bytes.NewReader(block), 0)
		for _, t := range []*Tags{again, tags} {
			for _, d := range []*[]field{&t.main, &t.exif, &t.gps, &t.interop} {
				*d = slices.DeleteFunc(*d, func(f field) bool { return f.tag == tagColorSpace }) // written if missing
				slices.SortFunc(*d, func(a, b field) int { return int(a.tag) - int(b.tag) })
				*d = append([]field{}, *d...) // empty, never nil
			}
		}
		if sources, used := again.Composite(); sources != 2 || used != 2 {
			t.Fatalf("a composite of %d, %d used", sources, used)
		}
		tags.composite = again.composite
		if !reflect.DeepEqual(again, tags) {
			t.Fatalf("read again:\n%v\nwas\n%v", again, tags)
		}
	})
}
