package photo

import (
	"bytes"
	"encoding/binary"
	"encoding/xml"
	"fmt"
	"math"
	"slices"
)

// Embedded is what a picture's file says beside its pixels.
type Embedded struct {
	// Profile is the colour profile; nil is none.
	Profile *Profile
	// Tags are kept from a photograph; nil are none.
	Tags *Tags
	// Sources are the photographs that were taken for the picture, and Used
	// those that are in it. Zero if it is no composite.
	Sources, Used int
	// Software is the program's name and version.
	Software string
	// Properties are written as XMP, in the namespace [Namespace].
	Properties []Property
}

// Namespace is that of the properties which a picture has in XMP.
const Namespace = "https://flatfell.example/ns/picture/1.0/"

// Property is a name in [Namespace], which must be a name of XML, and a value.
type Property struct{ Name, Value string }

// resolution returns the fields of a resolution in pixels per inch, 0 for an
// aspect ratio only.
func resolution(ppi float64) []field {
	r, unit := [2]uint32{1, 1}, uint16(1)
	switch {
	case ppi > 0 && ppi == math.Trunc(ppi):
		r, unit = [2]uint32{uint32(ppi), 1}, 2
	case ppi > 0:
		r, unit = [2]uint32{uint32(math.Round(ppi * 1000)), 1000}, 2
	}
	return []field{rational(282, r), rational(283, r), short(296, unit)}
}

// tree returns the metadata of a picture of w × h pixels as directories, with
// what Exif asks for in the format.
func (e *Embedded) tree(w, h int, ppi float64, format Format) tree {
	tags := e.Tags
	if tags == nil {
		tags = new(Tags)
	}
	main := slices.Concat(tags.main, resolution(ppi), []field{short(tagOrientation, 1)})
	if e.Software != "" {
		main = append(main, ascii(tagSoftware, e.Software))
	}
	exif := slices.Concat(tags.exif, []field{
		blob(tagExifVersion, kindUndefined, []byte("0232")),
		blob(tagFlashpix, kindUndefined, []byte("0100")),
	})
	if format != TIFF { // which has its size in its own directory
		exif = append(exif, long(tagPixelX, uint32(w)), long(tagPixelY, uint32(h)))
	}
	if !slices.ContainsFunc(exif, func(f field) bool { return f.tag == tagColorSpace }) {
		space := uint16(1) // sRGB
		if !e.Profile.isSRGB() {
			space = 0xffff // what the profile says
		}
		exif = append(exif, short(tagColorSpace, space))
	}
	if e.Sources > 0 {
		exif = append(exif, short(tagComposite, 2), // a composite of several
			short(tagCompositeCount, uint16(min(e.Sources, 0xffff)), uint16(min(e.Used, 0xffff))))
	}
	if format == JPEG {
		main = append(main, short(531, 1)) // YCbCrPositioning: centred
		exif = append(exif, blob(tagComponents, kindUndefined, []byte{1, 2, 3, 0}))
	}
	below := tree{fields: exif}
	if len(tags.interop) > 0 {
		below.sub = map[uint16]tree{tagInterop: {fields: tags.interop}}
	}
	t := tree{main, map[uint16]tree{tagExif: below}}
	if len(tags.gps) > 0 {
		t.sub[tagGPS] = tree{fields: tags.gps}
	}
	return t
}

// block returns the metadata as a block of TIFF fields, the form of Exif.
func (e *Embedded) block(w, h int, ppi float64, format Format) []byte {
	return appendTree([]byte("II*\x00\x08\x00\x00\x00"), 0, e.tree(w, h, ppi, format), false)
}

// xmp returns the properties as an XMP packet (ISO 16684-1), nil for none.
func (e *Embedded) xmp() []byte {
	if len(e.Properties) == 0 {
		return nil
	}
	b := bytes.NewBufferString("<?xpacket begin=\"\ufeff\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n" +
		"<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n" +
		"<rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n" +
		"<rdf:Description rdf:about=\"\" xmlns:flatfell=\"" + Namespace + "\">\n")
	for _, p := range e.Properties {
		fmt.Fprintf(b, "<flatfell:%s>", p.Name)
		_ = xml.EscapeText(b, []byte(p.Value)) // into memory, it cannot fail
		fmt.Fprintf(b, "</flatfell:%s>\n", p.Name)
	}
	b.WriteString("</rdf:Description>\n</rdf:RDF>\n</x:xmpmeta>\n<?xpacket end=\"r\"?>")
	return b.Bytes()
}

// Beginnings of APP1 segments.
const (
	jpegExif = "Exif\x00\x00"
	jpegXMP  = "http://ns.adobe.com/xap/1.0/\x00"
)

// jpegMarkers returns the segments that stand before a JPEG's tables.
func (e *Embedded) jpegMarkers(w, h int, ppi float64) []byte {
	b := jfif(ppi)
	if e == nil {
		return b
	}
	app1 := func(begin string, content []byte) {
		n := 2 + len(begin) + len(content)
		if n > 0xffff || len(content) == 0 { // properties are short, and Tags bounded
			return
		}
		b = binary.BigEndian.AppendUint16(append(b, 0xff, markerAPP1), uint16(n))
		b = append(append(b, begin...), content...)
	}
	app1(jpegExif, e.block(w, h, ppi, JPEG))
	app1(jpegXMP, e.xmp())
	if e.Profile != nil {
		b = append(b, jpegProfileParts(e.Profile.Data)...)
	}
	return b
}

// pngChunks returns the chunks that stand before a PNG's pixels.
func (e *Embedded) pngChunks(w, h int, ppi float64) (b []byte) {
	if e != nil && e.Profile != nil {
		b = append(b, iccp(e.Profile)...)
	}
	if ppi > 0 {
		b = append(b, phys(ppi)...)
	}
	if e == nil {
		return b
	}
	b = append(b, chunk("eXIf", e.block(w, h, ppi, PNG))...)
	if xmp := e.xmp(); xmp != nil {
		// A name; neither compressed nor in a language.
		b = append(b, chunk("iTXt", append([]byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00"), xmp...))...)
	}
	return b
}

// tiffTree returns the fields of a TIFF beside those of its pixels.
func (e *Embedded) tiffTree(w, h int, ppi float64) tree {
	if e == nil {
		return tree{fields: resolution(ppi)}
	}
	t := e.tree(w, h, ppi, TIFF)
	if xmp := e.xmp(); xmp != nil {
		t.fields = append(t.fields, blob(tagXMP, kindByte, xmp))
	}
	if e.Profile != nil {
		t.fields = append(t.fields, blob(tagProfile, kindUndefined, e.Profile.Data))
	}
	return t
}

// jfif returns the JFIF segment (ITU-T T.871, clause 10.1), which also says
// that the colours are full-range BT.601.
func jfif(ppi float64) []byte {
	units, density := byte(0), 1 // only an aspect ratio
	if d := int(math.Round(ppi)); d > 0 {
		units, density = 1, d
	}
	hi, lo := byte(density>>8), byte(density)
	return []byte{0xff, 0xe0, 0, 16, 'J', 'F', 'I', 'F', 0, 1, 2, units, hi, lo, hi, lo, 0, 0}
}

// phys returns the pHYs chunk of a PNG, in pixels per metre.
func phys(ppi float64) []byte {
	perMetre := uint32(math.Round(ppi / 0.0254))
	b := binary.BigEndian.AppendUint32(nil, perMetre)
	b = binary.BigEndian.AppendUint32(b, perMetre)
	return chunk("pHYs", append(b, 1))
}
