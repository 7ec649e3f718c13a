package photo

import (
	"encoding/binary"
	"io"
	"os"
	"slices"
)

// Tags are the metadata of a photograph that a picture made from it keeps:
// when, where, with what and how it was taken, and whose it is. What tells of
// that one photograph's pixels or of its camera's internals is left behind:
// its thumbnail, maker note, size, and marks at places in it.
type Tags struct {
	main, exif, gps, interop []field
	composite                [2]int
}

// Composite returns the numbers of photographs that the picture says it was made of:
// taken for it, and in it; zero if it is no composite.
func (t *Tags) Composite() (sources, used int) { return t.composite[0], t.composite[1] }

// Directories below the main one (Exif CIPA DC-008, 4.6.3).
const (
	tagExif    = 0x8769
	tagGPS     = 0x8825
	tagInterop = 0xa005 // within Exif's
)

// Fields that the picture has of its own.
const (
	tagOrientation    = 274
	tagSoftware       = 305
	tagXMP            = 700
	tagExifVersion    = 0x9000
	tagComponents     = 0x9101
	tagFlashpix       = 0xa000
	tagColorSpace     = 0xa001
	tagPixelX         = 0xa002
	tagPixelY         = 0xa003
	tagComposite      = 0xa460 // of Exif 2.32, as the next
	tagCompositeCount = 0xa461
)

// keptMain are the fields of the main directory that are kept: description,
// make, model, date of change, artist, copyright, two of rating, and the
// texts of one operating system's file manager. All others tell how the
// photograph's own file is laid out.
var keptMain = []uint16{270, 271, 272, 306, 315, 18246, 18249, 33432, 40091, 40092, 40093, 40094, 40095}

// leftExif are the fields of Exif's directory that are left behind: those that
// the picture has of its own, exposure times of a composite's parts,
// compressed bits, subject area, maker note, related sound, focal plane
// resolution (two and unit), subject location, unique number, and two that
// programs use for padding.
var leftExif = []uint16{
	tagExifVersion, tagComponents, tagFlashpix, tagPixelX, tagPixelY, tagComposite, tagCompositeCount, 0xa462,
	0x9102, 0x9214, 0x927c, 0xa004, 0xa20e, 0xa20f, 0xa210, 0xa214, 0xa420, 0xea1c, 0xea1d,
}

// Bounds on what is kept, all of it together within the 64 KiB that a JPEG can
// hold.
const (
	maxTagBytes  = 8 << 10
	maxTagsBytes = 40 << 10
)

// Tags reads the metadata that a picture made from the photograph keeps. What
// cannot be read of it is left out; the error, of type [*Error], is one of the
// file as such.
func (f *File) Tags() (*Tags, error) {
	r, err := os.Open(f.Path)
	if err != nil {
		return nil, unreadable(f.Path, err)
	}
	defer r.Close()
	if f.exif < 0 {
		return new(Tags), nil
	}
	return readTags(r, f.exif), nil
}

// readTags reads the block of TIFF fields at base. It reads four directories
// at most, whatever they point to, so no loop of theirs is a loop of ours.
func readTags(r io.ReaderAt, base int64) *Tags {
	t := new(Tags)
	b, ok := newTIFFBlock(r, base)
	if !ok {
		return t
	}
	var below, deeper map[uint16]int64
	t.main, below = b.kept(b.ifd0, func(tag uint16) bool { return slices.Contains(keptMain, tag) })
	if at, ok := below[tagExif]; ok {
		for _, f := range b.fields(at, 4, func(tag uint16) bool { return tag == tagCompositeCount }) {
			if f.kind == kindShort && f.count == 2 {
				t.composite = [2]int{int(binary.LittleEndian.Uint16(f.value)), int(binary.LittleEndian.Uint16(f.value[2:]))}
			}
		}
		t.exif, deeper = b.kept(at, func(tag uint16) bool { return !slices.Contains(leftExif, tag) })
	}
	if at, ok := below[tagGPS]; ok {
		t.gps, _ = b.kept(at, func(tag uint16) bool { return tag <= 31 })
	}
	if at, ok := deeper[tagInterop]; ok {
		t.interop, _ = b.kept(at, func(tag uint16) bool { return tag <= 2 })
	}
	t.bound()
	return t
}

// kept reads the fields of a directory that are kept, and where the
// directories below it are.
func (b tiffBlock) kept(ifd int64, wanted func(tag uint16) bool) (fields []field, below map[uint16]int64) {
	pointers := []uint16{tagExif, tagGPS, tagInterop}
	fields = b.fields(ifd, maxTagBytes, func(tag uint16) bool {
		return wanted(tag) || slices.Contains(pointers, tag)
	})
	below = map[uint16]int64{}
	return slices.DeleteFunc(fields, func(f field) bool {
		if !slices.Contains(pointers, f.tag) {
			return f.kind == kindIFD // it would point nowhere
		}
		if len(f.value) == 4 {
			below[f.tag] = int64(binary.LittleEndian.Uint32(f.value))
		}
		return true
	}), below
}

// bound drops the largest fields until all are within maxTagsBytes.
func (t *Tags) bound() {
	all := []*[]field{&t.main, &t.exif, &t.gps, &t.interop}
	for {
		sum, most := 0, 0
		for _, d := range all {
			for _, f := range *d {
				sum += 12 + len(f.value)
				most = max(most, len(f.value))
			}
		}
		if sum <= maxTagsBytes {
			return
		}
		for _, d := range all {
			*d = slices.DeleteFunc(*d, func(f field) bool { return len(f.value) == most })
		}
	}
}
