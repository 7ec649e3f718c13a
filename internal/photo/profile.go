package photo

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// readProfile finds the colour profile of a file, nil if it has none. Whatever
// is wrong with one ends in the note.
func readProfile(r io.ReaderAt, size int64, format Format) (p *Profile, note string) {
	var data []byte
	var err error
	switch format {
	case JPEG:
		data, err = jpegProfile(io.NewSectionReader(r, 0, size))
	case PNG:
		data, err = pngProfile(r, size)
	case TIFF:
		data, err = tiffProfile(r)
	}
	if err == nil && data != nil {
		p, err = ParseProfile(data)
	}
	if err != nil {
		return nil, fmt.Sprintf("its colour profile cannot be read (%v); its colours are taken as sRGB", err)
	}
	return p, ""
}

// jpegICC begins each APP2 segment that holds a part of a profile (ICC.1:2010,
// B.4); its number and the number of parts follow.
const jpegICC = "ICC_PROFILE\x00"

// errParts tells of parts that do not make a whole.
var errParts = errors.New("parts of it are missing")

func jpegProfile(r io.Reader) ([]byte, error) {
	var parts [256][]byte
	count, total := 0, 0
	err := walkJPEG(r, func(m byte, _ int64, s []byte) error {
		if m == markerSOS {
			return errStop
		}
		if m != markerAPP2 || len(s) < len(jpegICC)+2 || string(s[:len(jpegICC)]) != jpegICC {
			return nil
		}
		number, of := int(s[len(jpegICC)]), int(s[len(jpegICC)+1])
		if number == 0 || number > of || count != 0 && of != count || parts[number] != nil {
			return errParts
		}
		count = of
		parts[number] = bytes.Clone(s[len(jpegICC)+2:])
		if total += len(parts[number]); total > maxProfile {
			return fmt.Errorf("it is larger than %d MiB", maxProfile>>20)
		}
		return nil
	})
	if count == 0 && !errors.Is(err, errParts) {
		return nil, nil // what else is wrong with the file is not told here
	}
	if err != nil {
		return nil, err
	}
	var data []byte
	for i := 1; i <= count; i++ {
		if parts[i] == nil {
			return nil, errParts
		}
		data = append(data, parts[i]...)
	}
	return data, nil
}

// jpegProfileParts returns the segments that hold a profile.
func jpegProfileParts(data []byte) (b []byte) {
	const most = 65533 - len(jpegICC) - 2
	count := (len(data) + most - 1) / most
	for i := range count {
		part := data[i*most : min((i+1)*most, len(data))]
		b = binary.BigEndian.AppendUint16(append(b, 0xff, markerAPP2), uint16(2+len(jpegICC)+2+len(part)))
		b = append(append(append(b, jpegICC...), byte(i+1), byte(count)), part...)
	}
	return b
}

// pngProfile reads the iCCP chunk: a name, a zero, the method, and the profile
// as a zlib stream (PNG, 11.3.2.3).
func pngProfile(r io.ReaderAt, size int64) ([]byte, error) {
	at, n := findChunk(r, size, "iCCP", true)
	if at < 0 {
		return nil, nil
	}
	content := make([]byte, min(n, maxProfile, size-at))
	if _, err := r.ReadAt(content, at); err != nil {
		return nil, err
	}
	name := bytes.IndexByte(content, 0)
	if name < 0 || name+2 > len(content) || content[name+1] != 0 {
		return nil, errors.New("its chunk is damaged")
	}
	z, err := zlib.NewReader(bytes.NewReader(content[name+2:]))
	if err != nil {
		return nil, err
	}
	defer z.Close()
	return io.ReadAll(io.LimitReader(z, maxProfile+1))
}

// iccp returns the iCCP chunk of a profile.
func iccp(p *Profile) []byte {
	// 1 to 79 printing characters of Latin-1; the profile's own name is in it.
	b := bytes.NewBufferString("ICC profile\x00\x00")
	z := zlib.NewWriter(b) // into memory, it cannot fail
	_, _ = z.Write(p.Data)
	_ = z.Close()
	return chunk("iCCP", b.Bytes())
}

const tagProfile = 34675 // ICC.1:2010, B.2

func tiffProfile(r io.ReaderAt) ([]byte, error) {
	b, ok := newTIFFBlock(r, 0)
	if !ok {
		return nil, nil
	}
	fields := b.fields(b.ifd0, maxProfile, func(tag uint16) bool { return tag == tagProfile })
	if len(fields) == 0 {
		return nil, nil
	}
	return fields[0].value, nil
}
