package photo

import (
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"io/fs"
	"os"

	"golang.org/x/image/tiff"
)

// Format is a file format, found by content, never by name.
type Format int

// The formats.
const (
	JPEG Format = iota + 1
	PNG
	TIFF
)

func (f Format) String() string {
	switch f {
	case JPEG:
		return "JPEG"
	case PNG:
		return "PNG"
	case TIFF:
		return "TIFF"
	}
	return fmt.Sprintf("Format(%d)", int(f))
}

// maxSide is the longest side in pixels that is read: twice that of a JPEG.
const maxSide = 2 * 65535

// Limits bound what Open accepts. The zero value is the default.
type Limits struct {
	// MaxPixels is the largest number of pixels of one picture, ≥ 0. Zero
	// means 2³⁰; a decoded 16-bit RGB picture takes 6 to 8 bytes a pixel.
	MaxPixels int64
}

// Validate reports a setting out of range.
func (l Limits) Validate() error {
	if l.MaxPixels < 0 {
		return fmt.Errorf("photo: MaxPixels %d is negative", l.MaxPixels)
	}
	return nil
}

// File is a picture file whose header has been read.
type File struct {
	Path          string
	Format        Format
	Width, Height int  // pixels, after the orientation is applied
	Bits          int  // bits of a sample in the file: 8 (or fewer) or 16
	Gray          bool // one channel in the file
	Meta          Meta
	// Profile is the colour profile, nil if the file has none. ProfileNote says
	// why one that is there cannot be read, else it is empty.
	Profile     *Profile
	ProfileNote string

	exif   int64       // see header
	stored image.Point // size before the orientation is applied
	size   int64       // bytes
	plain  *plain      // nil for JPEG and unusual files
	// decoded is the bytes of all samples of a JPEG.
	decoded int64
}

// Open is [Limits.Open] with the default limits.
func Open(path string) (*File, error) { return Limits{}.Open(path) }

// Open reads the header of the file and refuses what cannot be decoded, or
// would be too large, without decoding it. A file far too small for the
// pixels that it claims is refused as damaged.
//
// Broken or missing metadata is no error: Meta is then empty, see Meta.Note.
// All errors about the file are of type [*Error].
func (l Limits) Open(path string) (*File, error) {
	if err := l.Validate(); err != nil {
		return nil, err
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, unreadable(path, err)
	}
	const remedy = "name JPEG, PNG or TIFF files"
	switch {
	case info.IsDir():
		return nil, &Error{path, ErrNotAPicture, "is a folder", remedy, nil}
	case !info.Mode().IsRegular(): // opening a pipe would wait for ever
		return nil, &Error{path, ErrNotAPicture, "is not an ordinary file", remedy, nil}
	case info.Size() == 0:
		return nil, &Error{path, ErrNotAPicture, "is empty", "copy it again from the camera or leave it out", nil}
	}
	r, err := os.Open(path)
	if err != nil {
		return nil, unreadable(path, err)
	}
	defer r.Close()
	f := &File{Path: path, size: info.Size()}
	if err := f.readHeader(r, l); err != nil {
		return nil, err
	}
	return f, nil
}

// header is what the readers of the three formats find.
type header struct {
	size      image.Point
	bits      int
	gray      bool
	sampleBit int64 // all bits of one pixel in the file
	decoded   int64 // bytes of all samples of a JPEG
	exif      int64 // where a block of TIFF fields begins, -1 if nowhere
}

func (f *File) readHeader(r io.ReaderAt, l Limits) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = damaged(f.Path, "has a header that cannot be read", fmt.Errorf("%v", p))
		}
	}()
	if f.Format, err = sniff(f.Path, r); err != nil {
		return err
	}
	var h header
	switch f.Format {
	case JPEG:
		h, err = f.readJPEG(r)
	case PNG:
		h, err = f.readPNG(r)
	case TIFF:
		h, err = f.readTIFF(r)
	}
	if err != nil {
		return err
	}
	f.stored, f.Bits, f.Gray, f.exif, f.decoded = h.size, h.bits, h.gray, h.exif, h.decoded
	if err := f.checkSize(h, l); err != nil {
		return err
	}
	f.Meta = readMeta(io.NewSectionReader(r, 0, f.size), f.Format, h)
	f.Profile, f.ProfileNote = readProfile(r, f.size, f.Format)
	switch f.Format {
	case TIFF:
		if b, ok := newTIFFBlock(r, 0); ok {
			f.plain = plainTIFF(b, h.size, f.size)
		}
	case PNG:
		f.plain = plainPNG(r, h.size, f.size)
	}
	f.Width, f.Height = h.size.X, h.size.Y
	if swapsAxes(f.Meta.Orientation) {
		f.Width, f.Height = f.Height, f.Width
	}
	return nil
}

// sniff finds the format from the first bytes.
func sniff(path string, r io.ReaderAt) (Format, error) {
	b := make([]byte, 12)
	n, err := r.ReadAt(b, 0)
	if err != nil && err != io.EOF {
		return 0, unreadable(path, err)
	}
	b = b[:n]
	has := func(at int, s string) bool { return len(b) >= at+len(s) && string(b[at:at+len(s)]) == s }
	other := ""
	switch {
	case has(0, "\xff\xd8\xff"):
		return JPEG, nil
	case has(0, "\x89PNG\r\n\x1a\n"):
		return PNG, nil
	case has(8, "CR") && has(0, "II*\x00"):
		other = "a raw file of a camera"
	case has(0, "II*\x00"), has(0, "MM\x00*"):
		return TIFF, nil
	case has(0, "II+\x00"), has(0, "MM\x00+"):
		other = "a BigTIFF file"
	case has(0, "GIF8"):
		other = "a GIF file"
	case has(0, "BM"):
		other = "a bitmap (BMP) file"
	case has(0, "RIFF") && has(8, "WEBP"):
		other = "a WebP file"
	case has(4, "ftyp"):
		other = "an HEIF file or a film"
	default:
		return 0, &Error{path, ErrNotAPicture, "is not a JPEG, PNG or TIFF file", "leave it out or give the right file", nil}
	}
	return 0, unsupported(path, "is "+other, nil)
}

func (f *File) readPNG(r io.ReaderAt) (header, error) {
	c, err := png.DecodeConfig(io.NewSectionReader(r, 0, f.size))
	if err != nil {
		return header{}, f.decodeError(err)
	}
	// IHDR is the first chunk; DecodeConfig has checked it.
	b := make([]byte, 2)
	if _, err := r.ReadAt(b, 24); err != nil {
		return header{}, f.decodeError(err)
	}
	h := header{size: image.Pt(c.Width, c.Height), bits: 8}
	h.exif, _ = findChunk(r, f.size, "eXIf", false)
	depth, colorType := int64(b[0]), b[1]
	if depth == 16 {
		h.bits = 16
	}
	h.gray = colorType == 0 || colorType == 4
	h.sampleBit = depth * map[byte]int64{0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colorType]
	return h, nil
}

// findChunk returns where the contents of a PNG's first chunk of that name
// begin and their length, or −1; with early only before the pixels.
func findChunk(r io.ReaderAt, size int64, name string, early bool) (at, length int64) {
	b := make([]byte, 8)
	for at := int64(8); at < size; {
		if _, err := r.ReadAt(b, at); err != nil {
			return -1, 0
		}
		length := int64(binary.BigEndian.Uint32(b))
		switch kind := string(b[4:]); {
		case kind == name:
			return at + 8, length
		case kind == "IEND", early && kind == "IDAT":
			return -1, 0
		}
		at += 12 + length
	}
	return -1, 0
}

func (f *File) readTIFF(r io.ReaderAt) (header, error) {
	b, ok := newTIFFBlock(r, 0)
	if !ok {
		return header{}, damaged(f.Path, "is a TIFF file with a broken header", nil)
	}
	// The full picture of a raw file is hidden below a small preview.
	if _, ok := b.find(b.ifd0, 0xc612); ok { // DNGVersion
		return header{}, unsupported(f.Path, "is a raw file of a camera", nil)
	}
	if v, ok := b.find(b.ifd0, 254); ok && b.uint(v)&1 != 0 { // NewSubfileType
		return header{}, unsupported(f.Path, "is a TIFF or raw file whose first picture is only a preview", nil)
	}
	// The decoder does not look at PlanarConfiguration.
	if v, ok := b.find(b.ifd0, 284); ok && b.uint(v) != 1 {
		return header{}, unsupported(f.Path, "is a TIFF file with separate colour planes", nil)
	}
	c, err := tiff.DecodeConfig(io.NewSectionReader(r, 0, f.size))
	if err != nil {
		return header{}, f.decodeError(err)
	}
	if v, ok := b.find(b.ifd0, 258); !ok || b.uint(v) < 8 { // BitsPerSample, default 1
		return header{}, unsupported(f.Path, "is a TIFF file of black and white without greys", nil)
	}
	h := header{size: image.Pt(c.Width, c.Height), bits: 8, exif: 0}
	samples := int64(4)
	switch c.ColorModel {
	case color.GrayModel:
		h.gray, samples = true, 1
	case color.Gray16Model:
		h.gray, h.bits, samples = true, 16, 1
	case color.RGBA64Model:
		h.bits, samples = 16, 3
	case color.NRGBA64Model:
		h.bits = 16
	case color.RGBAModel:
		samples = 3
	case color.NRGBAModel:
	default: // a palette
		samples = 1
	}
	h.sampleBit = samples * int64(h.bits)
	return h, nil
}

// checkSize refuses pictures beyond the limits, and claims that the bytes of
// the file cannot hold in any way.
func (f *File) checkSize(h header, l Limits) error {
	const remedy = "make it smaller first"
	w, ht := int64(h.size.X), int64(h.size.Y)
	if w < 1 || ht < 1 {
		return damaged(f.Path, "has no pixels", nil)
	}
	if w > maxSide || ht > maxSide {
		return &Error{f.Path, ErrTooLarge, fmt.Sprintf("is %d × %d pixels, the limit is %d a side", w, ht, maxSide), remedy, nil}
	}
	limit := l.MaxPixels
	if limit == 0 {
		limit = 1 << 30
	}
	if w*ht > limit {
		return &Error{f.Path, ErrTooLarge, fmt.Sprintf("is %d × %d pixels, the limit is %d in all", w, ht, limit), remedy, nil}
	}
	// A JPEG spends at least one bit on each 8 × 8 block of a component: 512
	// pixels a byte. Deflate packs at most 1032 to 1 (zlib's technical
	// notes), LZW with 12-bit codes about 1350 to 1.
	var possible bool
	switch f.Format {
	case JPEG:
		possible = w*ht/512 <= f.size
	case PNG:
		possible = w*ht*h.sampleBit/8/1032 <= f.size
	case TIFF:
		possible = w*ht*h.sampleBit/8/2048 <= f.size
	}
	if !possible {
		return damaged(f.Path, fmt.Sprintf("claims %d × %d pixels but has only %d bytes", w, ht, f.size), nil)
	}
	return nil
}

// decodeError turns what a decoder said into an Error.
func (f *File) decodeError(err error) error {
	if _, ok := errors.AsType[*Error](err); ok {
		return err
	}
	if _, ok := errors.AsType[*fs.PathError](err); ok {
		return unreadable(f.Path, err)
	}
	if isUnsupported(err) {
		return unsupported(f.Path, fmt.Sprintf("is a %v file of an unusual kind", f.Format), err)
	}
	return damaged(f.Path, fmt.Sprintf("is a damaged %v file", f.Format), err)
}
