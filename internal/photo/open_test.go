package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"maps"
	"os"
	"path/filepath"
	"runtime/metrics"
	"slices"
	"strings"
	"testing"

	"golang.org/x/image/tiff"

	"flatfell.example/internal/shareddata"
)

func tiffBytes(t testing.TB, m image.Image, o *tiff.Options) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := tiff.Encode(&b, m, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// kinds are files of every sort that is read, under a misleading name.
func kinds(t testing.TB) map[string]struct {
	data []byte
	want File
	img  image.Image // nil if the file does not keep it exactly
} {
	r := image.Rect(0, 0, 13, 7)
	gray, gray16, n, n64, r64 := image.NewGray(r), image.NewGray16(r), image.NewNRGBA(r), image.NewNRGBA64(r), image.NewRGBA64(r)
	pal := image.NewPaletted(r, color.Palette{color.RGBA{1, 2, 3, 255}, color.RGBA{200, 2, 3, 255}})
	for i, pix := range [][]byte{gray.Pix, gray16.Pix, n.Pix, n64.Pix, r64.Pix} {
		for j := range pix {
			pix[j] = byte(j*37 + i)
		}
	}
	for i := 0; i < len(r64.Pix); i += 8 {
		r64.Pix[i+6], r64.Pix[i+7] = 255, 255
	}
	pal.Pix[5] = 1
	rgb, one := smooth(13, 7), smooth(1, 1)
	deflate := &tiff.Options{Compression: tiff.Deflate, Predictor: true}
	type kind = struct {
		data []byte
		want File
		img  image.Image
	}
	return map[string]kind{
		"JPEG":         {jpegBytes(t, rgb), File{Format: JPEG, Width: 13, Height: 7, Bits: 8}, nil},
		"JPEG grey":    {jpegBytes(t, gray), File{Format: JPEG, Width: 13, Height: 7, Bits: 8, Gray: true}, nil},
		"JPEG 1x1":     {jpegBytes(t, one), File{Format: JPEG, Width: 1, Height: 1, Bits: 8}, nil},
		"PNG":          {pngBytes(t, rgb), File{Format: PNG, Width: 13, Height: 7, Bits: 8}, rgb},
		"PNG 1x1":      {pngBytes(t, one), File{Format: PNG, Width: 1, Height: 1, Bits: 8}, one},
		"PNG grey":     {pngBytes(t, gray), File{Format: PNG, Width: 13, Height: 7, Bits: 8, Gray: true}, gray},
		"PNG grey 16":  {pngBytes(t, gray16), File{Format: PNG, Width: 13, Height: 7, Bits: 16, Gray: true}, gray16},
		"PNG alpha":    {pngBytes(t, n), File{Format: PNG, Width: 13, Height: 7, Bits: 8}, n},
		"PNG 16":       {pngBytes(t, r64), File{Format: PNG, Width: 13, Height: 7, Bits: 16}, r64},
		"PNG alpha 16": {pngBytes(t, n64), File{Format: PNG, Width: 13, Height: 7, Bits: 16}, n64},
		"PNG palette":  {pngBytes(t, pal), File{Format: PNG, Width: 13, Height: 7, Bits: 8}, pal},
		"TIFF":         {tiffBytes(t, rgb, nil), File{Format: TIFF, Width: 13, Height: 7, Bits: 8}, rgb},
		"TIFF 1x1":     {tiffBytes(t, one, nil), File{Format: TIFF, Width: 1, Height: 1, Bits: 8}, one},
		"TIFF grey":    {tiffBytes(t, gray, deflate), File{Format: TIFF, Width: 13, Height: 7, Bits: 8, Gray: true}, gray},
		"TIFF grey 16": {tiffBytes(t, gray16, deflate), File{Format: TIFF, Width: 13, Height: 7, Bits: 16, Gray: true}, gray16},
		"TIFF 16":      {tiffBytes(t, r64, deflate), File{Format: TIFF, Width: 13, Height: 7, Bits: 16}, r64},
		"TIFF alpha":   {tiffBytes(t, n, deflate), File{Format: TIFF, Width: 13, Height: 7, Bits: 8}, n},
		"TIFF 16 bare": {tiffBytes(t, n64, nil), File{Format: TIFF, Width: 13, Height: 7, Bits: 16}, n64},
	}
}

func TestOpenKinds(t *testing.T) {
	for name, k := range kinds(t) {
		f, err := Open(store(t, "a name.txt", k.data))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got := (File{Format: f.Format, Width: f.Width, Height: f.Height, Bits: f.Bits, Gray: f.Gray}); got != k.want {
			t.Errorf("%s: header %+v, want %+v", name, got, k.want)
		}
		if f.Meta != (Meta{Orientation: 1}) {
			t.Errorf("%s: metadata %+v, want none", name, f.Meta)
		}
		m, err := f.Decode(t.Context())
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if m.Bounds() != image.Rect(0, 0, f.Width, f.Height) {
			t.Errorf("%s: bounds %v", name, m.Bounds())
		}
		if k.img != nil && maxDifference(m, k.img) != 0 {
			t.Errorf("%s: pixels differ from those stored", name)
		}
	}
}

// TestTruncated cuts each kind of file at every byte. Only a TIFF may lose
// something without an error: the resolution that stands behind its pixels.
func TestTruncated(t *testing.T) {
	step := 1
	if testing.Short() {
		step = 7
	}
	for name, k := range kinds(t) {
		path := filepath.Join(t.TempDir(), "cut.jpg")
		for n := 0; n < len(k.data); n += step {
			if err := os.WriteFile(path, k.data[:n], 0o666); err != nil {
				t.Fatal(err)
			}
			f, err := Open(path)
			var m image.Image
			if err == nil {
				m, err = f.Decode(t.Context())
			}
			switch {
			case err == nil:
				if k.want.Format != TIFF || n < len(k.data)-20 || maxDifference(m, k.img) != 0 {
					t.Errorf("%s cut to %d of %d bytes is accepted", name, n, len(k.data))
				}
			case !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrNotAPicture):
				t.Fatalf("%s cut to %d bytes: %v, want damaged or no picture", name, n, err)
			case strings.Contains(err.Error(), "\n"):
				t.Errorf("%s cut to %d bytes: message of several lines %q", name, n, err)
			}
		}
	}
}

// TestJPEGCutAndClosed cuts a JPEG and adds an end mark, as rescue programs
// do: Go's decoder notices by itself that coded data is missing.
func TestJPEGCutAndClosed(t *testing.T) {
	data := jpegBytes(t, smooth(160, 90))
	for _, part := range []float64{0.5, 0.8, 0.95} {
		cut := append(bytes.Clone(data[:int(part*float64(len(data)))]), 0xff, 0xd9)
		f, err := Open(store(t, "cut.jpg", cut))
		if err == nil {
			_, err = f.Decode(t.Context())
		}
		if !errors.Is(err, ErrDamaged) {
			t.Errorf("cut at %v: %v, want damaged", part, err)
		}
	}
}

// sof is a JPEG up to its frame header.
func sof(marker, bits byte, w, h, components int) []byte {
	b := []byte{0xff, 0xd8, 0xff, marker, 0, byte(8 + 3*components), bits, byte(h >> 8), byte(h), byte(w >> 8), byte(w), byte(components)}
	for i := range components {
		b = append(b, byte(i+1), 0x11, 0)
	}
	return b
}

func TestOpenRefuses(t *testing.T) {
	// A PNG that claims a huge size, with a sound checksum.
	huge := pngBytes(t, smooth(3, 3))
	claim := func(w, h uint32) []byte {
		b := bytes.Clone(huge)
		binary.BigEndian.PutUint32(b[16:], w)
		binary.BigEndian.PutUint32(b[20:], h)
		return fixIHDR(b)
	}
	tiffPart := func(tag uint16, v uint32) []byte {
		le := binary.LittleEndian
		return exifBlock(le, []entry{{256, uint32(4)}, {257, uint32(4)}, {tag, v}}, nil)
	}
	for name, c := range map[string]struct {
		data []byte
		want error
		says string
	}{
		"empty":           {nil, ErrNotAPicture, "is empty"},
		"text":            {[]byte("a tidal coast of dunes\n"), ErrNotAPicture, "not a JPEG"},
		"one byte":        {[]byte{0xff}, ErrNotAPicture, "not a JPEG"},
		"GIF":             {[]byte("GIF89a and so on"), ErrUnsupported, "GIF"},
		"WebP":            {[]byte("RIFF1234WEBPVP8 "), ErrUnsupported, "WebP"},
		"HEIF":            {[]byte("\x00\x00\x00\x18ftypheic"), ErrUnsupported, "HEIF"},
		"BigTIFF":         {[]byte("II+\x00\x08\x00\x00\x00xxxxxxxx"), ErrUnsupported, "BigTIFF"},
		"raw CR":          {[]byte("II*\x00\x10\x00\x00\x00CR\x02\x00"), ErrUnsupported, "raw"},
		"raw DNG":         {tiffPart(0xc612, 1), ErrUnsupported, "raw"},
		"TIFF planes":     {tiffPart(284, 2), ErrUnsupported, "planes"},
		"TIFF no pixels":  {[]byte("II*\x00\x08\x00\x00\x00\x00\x00\x00\x00\x00\x00"), ErrDamaged, "TIFF"},
		"JPEG CMYK":       {sof(0xc0, 8, 40, 30, 4), ErrUnsupported, "CMYK"},
		"JPEG 12 bits":    {sof(0xc1, 12, 40, 30, 3), ErrUnsupported, "12 bits"},
		"JPEG lossless":   {sof(0xc3, 8, 40, 30, 3), ErrUnsupported, "lossless"},
		"JPEG 2 channels": {sof(0xc0, 8, 40, 30, 2), ErrUnsupported, "2 channels"},
		"JPEG no height":  {sof(0xc0, 8, 40, 0, 3), ErrUnsupported, "height"},
		"JPEG no width":   {sof(0xc0, 8, 0, 30, 3), ErrDamaged, "no pixels"},
		"JPEG tiny, huge": {sof(0xc2, 8, 30000, 30000, 3), ErrDamaged, "claims"},
		"JPEG no frame":   {[]byte{0xff, 0xd8, 0xff, 0xd9}, ErrDamaged, "frame header"},
		"PNG tiny, huge":  {claim(20000, 20000), ErrDamaged, "claims"},
		"PNG too large":   {claim(100000, 100000), ErrTooLarge, "limit"},
		"PNG too long":    {claim(1<<20, 1), ErrTooLarge, "a side"},
	} {
		path := store(t, "x.jpg", c.data)
		_, err := Open(path)
		var e *Error
		if !errors.As(err, &e) || !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %v that says %q", name, err, c.want, c.says)
			continue
		}
		if !strings.HasPrefix(err.Error(), path+": ") || e.Remedy == "" || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: message %q has no file, no remedy or several lines", name, err)
		}
	}
	if _, err := Open(t.TempDir()); !errors.Is(err, ErrNotAPicture) {
		t.Errorf("folder: %v", err)
	}
	if _, err := Open(filepath.Join(t.TempDir(), "none.jpg")); !errors.Is(err, ErrUnreadable) || !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	path := store(t, "a.png", pngBytes(t, smooth(13, 7)))
	if _, err := (Limits{MaxPixels: 90}).Open(path); !errors.Is(err, ErrTooLarge) {
		t.Errorf("91 pixels with a limit of 90: %v", err)
	}
	if _, err := (Limits{MaxPixels: 91}).Open(path); err != nil {
		t.Errorf("91 pixels with a limit of 91: %v", err)
	}
	if _, err := (Limits{MaxPixels: -1}).Open(path); err == nil {
		t.Error("a negative limit was accepted")
	}
}

// TestFlatPicturesAreNotRefused: the largest ratios that encoders reach.
func TestFlatPicturesAreNotRefused(t *testing.T) {
	m := image.NewGray(image.Rect(0, 0, 3000, 3000))
	for name, data := range map[string][]byte{
		"JPEG": jpegBytes(t, m), "PNG": pngBytes(t, m),
		"TIFF": tiffBytes(t, m, &tiff.Options{Compression: tiff.Deflate, Predictor: true}),
	} {
		if _, err := Open(store(t, "flat", data)); err != nil {
			t.Errorf("%s of %d bytes: %v", name, len(data), err)
		}
	}
}

// TestMissingChannel: a baseline JPEG with one scan of only one of its three
// components, which the decoder shows in green without a word.
func TestMissingChannel(t *testing.T) {
	data := jpegBytes(t, smooth(16, 16))
	at := bytes.Index(data, []byte{0xff, 0xda})
	if at < 0 {
		t.Fatal("no scan")
	}
	cut := append(bytes.Clone(data[:at]), 0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0)
	cut = append(append(cut, data[at+14:]...), 0xff, 0xd9)
	f, err := Open(store(t, "y.jpg", cut))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Decode(t.Context()); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "channel") {
		t.Errorf("err = %v, want a missing channel", err)
	}
}

func TestDecodeChangedFile(t *testing.T) {
	path := store(t, "a.png", pngBytes(t, smooth(13, 7)))
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, pngBytes(t, smooth(20, 20)), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Decode(t.Context()); !errors.Is(err, ErrDamaged) {
		t.Errorf("changed file: %v", err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Decode(t.Context()); !errors.Is(err, ErrUnreadable) {
		t.Errorf("removed file: %v", err)
	}
}

func TestDecodeCancelled(t *testing.T) {
	for name, k := range kinds(t) {
		f, err := Open(store(t, "x", k.data))
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if m, err := f.Decode(ctx); m != nil || !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v, %v, want the error of the context", name, m, err)
		}
	}
}

// cancelAfter is cancelled after n looks at it.
type cancelAfter struct {
	context.Context
	n int
}

func (c *cancelAfter) Err() error {
	if c.n--; c.n < 0 {
		return context.Canceled
	}
	return nil
}

// TestDecodeCancelledMidway: a read fails soon after the cancel, so the
// decoder ends within the file.
func TestDecodeCancelledMidway(t *testing.T) {
	p := noisyPicture(image.Rect(0, 0, 300, 300), false)
	path := filepath.Join(t.TempDir(), "a.png")
	if err := Write(t.Context(), path, p, WriteOptions{Bits: 16}); err != nil {
		t.Fatal(err)
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	ctx := &cancelAfter{t.Context(), 5}
	if _, err := f.Decode(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("err = %v", err)
	}
	if after := -ctx.n; after > 4 { // the file takes more than a hundred reads
		t.Errorf("%d looks at the context after its cancel", after)
	}
}

// TestRealFiles opens every photograph and decodes the kinds of JPEG that the
// standard encoder does not write.
func TestRealFiles(t *testing.T) {
	root := shareddata.Dir(t)
	opened := 0
	err := filepath.WalkDir(root, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || formatOf(path) == 0 {
			return err
		}
		f, err := Open(path)
		if err != nil {
			return err
		}
		if f.Meta.Note != "" {
			t.Errorf("%s: %s", path, f.Meta.Note)
		}
		opened++
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if opened < 80 {
		t.Errorf("only %d files", opened)
	}
	for _, c := range []struct {
		path string
		want string
	}{
		{"scenes/life_by_Aitzol_Berasategi.jpg", "*image.YCbCr 8 bits 3088x2056"}, // progressive
		{"rows/yosemite/frames/yosemite1.jpg", "*image.YCbCr 8 bits 640x480"},
		{"focus/office-rendered/frames/near.png", "*raster.Stored 16 bits 1080x720"},
		{"rows/goldengate-quarter/frames/goldengate-00.png", "*raster.Stored 8 bits 150x225"},
		{"rows/petra-portrait-row/frames/DFM_4209.jpg", "*image.YCbCr 8 bits 1987x3000"},
	} {
		f, err := Open(filepath.Join(root, c.path))
		if err != nil {
			t.Fatal(err)
		}
		m, err := f.Decode(t.Context())
		if err != nil {
			t.Error(err)
			continue
		}
		if got := fmt.Sprintf("%T %d bits %dx%d", m, f.Bits, m.Bounds().Dx(), m.Bounds().Dy()); got != c.want {
			t.Errorf("%s: %s, want %s", c.path, got, c.want)
		}
		if y, ok := m.(*image.YCbCr); ok {
			t.Log(c.path, y.SubsampleRatio)
		}
	}
}

// FuzzOpen: whatever the bytes, there is no panic, every error is an *Error
// of one line that names the file, nothing beyond the limit is decoded or
// makes the decoder ask for much memory, and what is decoded has the size
// that was announced.
//
// It works in memory, because a file system takes most of the time of a small
// file. The fuzzer gives each input that it finds interesting a minute to get
// shorter, during which it seems to stand still; -fuzzminimizetime=100x makes
// it go on.
func FuzzOpen(f *testing.F) {
	const (
		maxBytes  = 1 << 16
		maxPixels = 1 << 16
		// maxAlloc is what opening and decoding may ask for, in bytes: 8 a pixel
		// and again as many to turn it, 5000 fields of metadata of 2000 bytes, a
		// colour profile with buffers that grow, and the decoders' own buffers.
		maxAlloc = 16<<20 + 6*maxProfile
	)
	all := kinds(f)
	for _, name := range slices.Sorted(maps.Keys(all)) {
		f.Add(all[name].data)
	}
	f.Add(withEXIF(jpegBytes(f, smooth(5, 3)), exifBlock(binary.BigEndian, testMain, testExif)))
	f.Add(sof(0xc0, 8, 40, 30, 4))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > maxBytes {
			return
		}
		before := allocated()
		check := func(err error) {
			e, ok := errors.AsType[*Error](err)
			if !ok || e.Kind == nil || e.Remedy == "" {
				t.Fatalf("error of type %T: %v", err, err)
			}
			if s := err.Error(); !strings.HasPrefix(s, "some file: ") || strings.ContainsAny(s, "\n\r\x00") {
				t.Fatalf("message %q", s)
			}
		}
		r, file := bytes.NewReader(data), &File{Path: "some file", size: int64(len(data))}
		if err := file.readHeader(r, Limits{MaxPixels: maxPixels}); err != nil {
			check(err)
			return
		}
		if file.Width < 1 || file.Height < 1 || file.Width*file.Height > maxPixels {
			t.Fatalf("size %d × %d", file.Width, file.Height)
		}
		m, err := file.decode(t.Context(), r)
		if n := allocated() - before; n > maxAlloc {
			t.Fatalf("%d × %d pixels in %d bytes made it ask for %d bytes", file.Width, file.Height, len(data), n)
		}
		if err != nil {
			check(err)
			return
		}
		if m.Bounds().Size() != image.Pt(file.Width, file.Height) {
			t.Fatalf("bounds %v, announced %d × %d", m.Bounds(), file.Width, file.Height)
		}
		m.At(m.Bounds().Max.X-1, m.Bounds().Max.Y-1)
	})
}

// allocated is the number of bytes that were ever asked for.
func allocated() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// TestSampleBytes: what the header says of the memory of a JPEG is what its samples
// take, for colours at full resolution, at half, and none.
func TestSampleBytes(t *testing.T) {
	pic := noisyPicture(image.Rect(0, 0, 64, 32), false)
	var files []string
	for name, o := range map[string]WriteOptions{
		"full.jpg": {}, "halved.jpg": {HalvedColour: true}, "low.jpg": {Quality: 80},
	} {
		files = append(files, filepath.Join(t.TempDir(), name))
		if err := Write(t.Context(), files[len(files)-1], pic, o); err != nil {
			t.Fatal(err)
		}
	}
	files = append(files, store(t, "grey.jpg", jpegBytes(t, image.NewGray(image.Rect(0, 0, 64, 32)))))
	want := map[string]int64{"full.jpg": 3 * 64 * 32, "halved.jpg": 3 * 64 * 32 / 2, "low.jpg": 3 * 64 * 32 / 2, "grey.jpg": 64 * 32}
	for _, path := range files {
		f, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		img, err := f.Decode(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var samples int64
		switch m := img.(type) {
		case *image.YCbCr:
			samples = int64(len(m.Y) + len(m.Cb) + len(m.Cr))
		case *image.Gray:
			samples = int64(len(m.Pix))
		}
		if name := filepath.Base(path); f.SampleBytes() != samples || samples != want[name] {
			t.Errorf("%s: said to take %d bytes, takes %d, want %d", name, f.SampleBytes(), samples, want[name])
		}
	}
}
