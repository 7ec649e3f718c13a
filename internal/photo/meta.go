package photo

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/bep/imagemeta"
)

// Meta is what the camera wrote about one photograph. Zero means unknown.
type Meta struct {
	Make, Model, Lens string
	// Software is what wrote the file: the camera's own, or a program.
	Software string
	// FocalMM is the focal length of the lens, Focal35MM the 35 mm equivalent,
	// in millimetres.
	FocalMM, Focal35MM float64
	// SensorLongMM is the longer side of the sensor area that the picture
	// shows, in millimetres, from the focal plane resolution; 0 if that is
	// missing or not plausible.
	SensorLongMM    float64
	ExposureSeconds float64
	FNumber         float64
	ISO             float64
	// Time is when the exposure began, with sub-seconds if the camera wrote
	// them; in the zone that it wrote, else as if its clock ran on UTC.
	Time time.Time
	// Orientation is that of Exif, 1 to 8; 1 if unknown.
	Orientation int
	// Note says why the metadata could not be read to the end, else empty.
	Note string
}

// ExposureEV returns how much light the exposure gathered, in stops of
// log2(seconds · ISO/100 / f²); ok is false if a part of that is unknown. A
// constant f-number, that of a lens without contacts, may be left out: f = 1.
func (m *Meta) ExposureEV() (ev float64, ok bool) {
	if m.ExposureSeconds == 0 || m.ISO == 0 {
		return 0, false
	}
	f := m.FNumber
	if f == 0 {
		f = 1
	}
	return math.Log2(m.ExposureSeconds * m.ISO / 100 / (f * f)), true
}

// metaTags are the fields asked for, by the names of the metadata library.
var metaTags = map[string]bool{
	"Make": true, "Model": true, "LensModel": true, "Software": true, "Orientation": true,
	"FocalLength": true, "FocalLengthIn35mmFormat": true,
	"FocalPlaneXResolution": true, "FocalPlaneYResolution": true, "FocalPlaneResolutionUnit": true,
	"ExifImageWidth": true, "ExifImageHeight": true, "RelatedImageWidth": true, "RelatedImageHeight": true,
	"ExposureTime": true, "FNumber": true, "ISO": true,
	"DateTimeOriginal": true, "OffsetTimeOriginal": true,
}

// readMeta reads the metadata of a file whose header is h. Whatever is wrong
// with it ends in Meta.Note.
func readMeta(r *io.SectionReader, format Format, h header) (m Meta) {
	m.Orientation = 1
	if h.exif < 0 {
		return m
	}
	defer func() {
		if p := recover(); p != nil {
			m = Meta{Orientation: 1, Note: fmt.Sprintf("metadata cannot be read: %v", p)}
		}
	}()
	tags := map[string]any{}
	_, err := imagemeta.Decode(imagemeta.Options{
		R:           r,
		ImageFormat: map[Format]imagemeta.ImageFormat{JPEG: imagemeta.JPEG, PNG: imagemeta.PNG, TIFF: imagemeta.TIFF}[format],
		Sources:     imagemeta.EXIF,
		// The thumbnail (IFD1) and other pictures have fields of their own.
		ShouldHandleTag: func(t imagemeta.TagInfo) bool {
			return metaTags[t.Tag] && (t.Namespace == "IFD0" || strings.HasPrefix(t.Namespace, "IFD0/ExifIFDP"))
		},
		HandleTag: func(t imagemeta.TagInfo) error {
			if _, ok := tags[t.Tag]; !ok {
				tags[t.Tag] = t.Value
			}
			return nil
		},
		LimitNumTags: 5000,
		LimitTagSize: 2000, // the fields above are short; maker notes are not read
	})
	if err != nil {
		m.Note = fmt.Sprintf("metadata is incomplete: %v", err)
	}
	m.Make, m.Model, m.Lens = text(tags["Make"]), text(tags["Model"]), text(tags["LensModel"])
	m.Software = text(tags["Software"])
	m.FocalMM, m.Focal35MM = number(tags["FocalLength"]), number(tags["FocalLengthIn35mmFormat"])
	m.ExposureSeconds, m.FNumber, m.ISO = number(tags["ExposureTime"]), number(tags["FNumber"]), number(tags["ISO"])
	if o := number(tags["Orientation"]); o >= 1 && o <= 8 {
		m.Orientation = int(o)
	}
	m.SensorLongMM = sensorLong(tags, h)
	m.Time = exposureTime(tags, r, h.exif)
	return m
}

func exposureTime(tags map[string]any, r io.ReaderAt, exif int64) time.Time {
	layout, s := "2006:01:02 15:04:05", text(tags["DateTimeOriginal"])
	if zone := text(tags["OffsetTimeOriginal"]); zone != "" {
		if t, err := time.Parse(layout+"-07:00", s+zone); err == nil {
			return t.Add(subSeconds(r, exif))
		}
	}
	t, err := time.Parse(layout, s)
	if err != nil {
		return time.Time{}
	}
	return t.Add(subSeconds(r, exif))
}

// subSeconds reads SubSecTimeOriginal, the digits after the decimal point.
// The metadata library turns them into a number, by which "05" becomes "5".
func subSeconds(r io.ReaderAt, exif int64) time.Duration {
	b, ok := newTIFFBlock(r, exif)
	if !ok {
		return 0
	}
	digits, ok := b.exifText(0x9291)
	if !ok || digits == "" || strings.Trim(digits, "0123456789") != "" {
		return 0
	}
	d, err := time.ParseDuration("0." + digits + "s")
	if err != nil {
		return 0
	}
	return d
}

// text returns v if it is a text, without the padding of some cameras.
func text(v any) string {
	s, _ := v.(string)
	return strings.TrimSpace(strings.ToValidUTF8(s, ""))
}

// number returns v, or the first of its values, if it is positive and finite.
func number(v any) float64 {
	x := 0.0
	switch n := v.(type) {
	case interface{ Float64() float64 }:
		x = n.Float64()
	case uint8:
		x = float64(n)
	case uint16:
		x = float64(n)
	case uint32:
		x = float64(n)
	case int32:
		x = float64(n)
	case float32:
		x = float64(n)
	case float64:
		x = n
	case []any:
		if len(n) > 0 {
			return number(n[0])
		}
	}
	if !(x > 0) || math.IsInf(x, 1) {
		return 0
	}
	return x
}
