package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/image/tiff"

	"flatfell.example/raster"
)

// roundTrip writes pic and reads it back as 16-bit samples.
func roundTrip(t *testing.T, name string, pic *raster.Picture, o WriteOptions) (*raster.Picture, *File) {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := Write(t.Context(), path, pic, o); err != nil {
		t.Fatal(err)
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	m, err := f.Decode(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	p, err := raster.FromImage(t.Context(), 0, m)
	if err != nil {
		t.Fatal(err)
	}
	return p, f
}

// TestWriteLossless: PNG and TIFF keep each sample; 8 bits are those of one
// rounding. Bounds that start elsewhere, one pixel, one line, many strips.
func TestWriteLossless(t *testing.T) {
	for _, r := range []image.Rectangle{
		image.Rect(-7, 3, 40, 30), image.Rect(0, 0, 1, 1), image.Rect(5, 5, 45_000, 6), image.Rect(0, 0, 120, 900),
	} {
		for _, alpha := range []bool{false, true} {
			pic := noisyPicture(r, alpha)
			if r.Dx() == 1 && alpha {
				pic.Alpha[0] = 0x1234
			}
			for _, bits := range []int{0, 8, 16} {
				for _, name := range []string{"a.png", "a.tif", "a.TIFF"} {
					got, f := roundTrip(t, name, pic, WriteOptions{Bits: bits})
					if want := max(bits, 8); f.Bits != want || f.Gray {
						t.Errorf("%s %v: %d bits, want %d", name, r, f.Bits, want)
					}
					if (got.Alpha != nil) != alpha {
						t.Errorf("%s %v: has alpha %t, want %t", name, r, got.Alpha != nil, alpha)
						continue
					}
					same := func(what string, got, want []uint16) {
						for i, v := range want {
							if bits != 16 {
								v = uint16((uint64(v)*255+32767)/65535) * 257
							}
							if got[i] != v {
								t.Errorf("%s %v, %d bits, %s %d: %d, want %d", name, r, bits, what, i, got[i], v)
								return
							}
						}
					}
					if alpha { // PNG readers may drop colours below alpha 0; ours must not
						same("alpha", got.Alpha, pic.Alpha)
					}
					same("sample", got.Pix, pic.Pix)
				}
			}
		}
	}
}

// TestTo8 against the definition: the nearest 8-bit value, and 257·v exact.
func TestTo8(t *testing.T) {
	for v := range 65536 {
		got := int(to8(uint16(v)))
		if d := got*257 - v; d > 128 || d < -128 {
			t.Fatalf("to8(%d) = %d is %d steps away", v, got, d)
		}
	}
}

func TestWriteJPEG(t *testing.T) {
	src := smooth(90, 61)
	pic, err := raster.FromImage(t.Context(), 0, src)
	if err != nil {
		t.Fatal(err)
	}
	worst := map[int]int{}
	sizes := map[int]int64{}
	for _, q := range []int{0, 20, 95, 100} {
		got, f := roundTrip(t, "a.jpeg", pic, WriteOptions{Quality: q, PPI: 300})
		worst[q], sizes[q] = maxDifference(got, src)/257, f.size
	}
	t.Logf("largest difference of 255 by quality: %v; bytes: %v", worst, sizes)
	if worst[0] != worst[95] || sizes[0] != sizes[95] {
		t.Error("quality 0 is not 95")
	}
	if !(worst[100] <= 4) || !(sizes[20] < sizes[95] && sizes[95] < sizes[100]) {
		t.Errorf("differences %v, sizes %v", worst, sizes)
	}
}

// TestWritePPI reads the fields at their places in the three formats.
func TestWritePPI(t *testing.T) {
	pic, dir := noisyPicture(image.Rect(0, 0, 9, 5), false), t.TempDir()
	read := func(name string, o WriteOptions) []byte {
		path := filepath.Join(dir, name)
		o.Overwrite = true
		if err := Write(t.Context(), path, pic, o); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	if b := read("a.jpg", WriteOptions{PPI: 300}); !bytes.HasPrefix(b[2:], []byte("\xff\xe0\x00\x10JFIF\x00\x01\x02\x01\x01\x2c\x01\x2c\x00\x00")) {
		t.Errorf("JFIF segment % x", b[2:20])
	}
	// 300 pixels per inch are 11811 per metre.
	if b := read("a.png", WriteOptions{PPI: 300}); string(b[37:41]) != "pHYs" || binary.BigEndian.Uint32(b[41:]) != 11811 || b[49] != 1 {
		t.Errorf("pHYs chunk % x", b[33:54])
	}
	if b := read("b.png", WriteOptions{}); bytes.Contains(b, []byte("pHYs")) {
		t.Error("pHYs without a resolution")
	}
	read("a.tif", WriteOptions{PPI: 240})
	f, err := os.Open(filepath.Join(dir, "a.tif"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b, _ := newTIFFBlock(f, 0)
	if v, ok := b.find(b.ifd0, 296); !ok || b.uint(v) != 2 {
		t.Error("ResolutionUnit is not inch")
	}
	// A rational is read here by hand: entry 282, offset, 240000/1000.
	raw, err := os.ReadFile(f.Name())
	if err != nil {
		t.Fatal(err)
	}
	le := binary.LittleEndian
	for at := int(b.ifd0) + 2; ; at += 12 {
		if le.Uint16(raw[at:]) == 282 {
			off := le.Uint32(raw[at+8:])
			if n, d := le.Uint32(raw[off:]), le.Uint32(raw[off+4:]); n != 240*d || d == 0 {
				t.Errorf("XResolution %d/%d", n, d)
			}
			break
		}
	}
}

// TestWriteSameBytes: the number of workers changes no byte.
func TestWriteSameBytes(t *testing.T) {
	pic, dir := noisyPicture(image.Rect(0, 0, 700, 900), true), t.TempDir()
	for name, o := range map[string]WriteOptions{
		"a.tif": {Bits: 16}, "b.tif": {Compression: LZW}, "a.png": {Bits: 16}, "b.png": {}, "a.jpg": {}, "b.jpg": {Quality: 80},
	} {
		pic := *pic
		if formatOf(name) == JPEG {
			pic.Alpha = nil
		}
		var first []byte
		for _, workers := range []int{1, 2, 5} {
			path := filepath.Join(dir, name)
			o.Workers, o.Overwrite = workers, true
			if err := Write(t.Context(), path, &pic, o); err != nil {
				t.Fatal(err)
			}
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if first == nil {
				first = b
			}
			if !bytes.Equal(b, first) {
				t.Errorf("%s: %d workers write other bytes than 1", name, workers)
			}
		}
	}
}

// TestTIFFReadableByOthers: without our own reader in between.
func TestTIFFReadableByOthers(t *testing.T) {
	pic := noisyPicture(image.Rect(0, 0, 33, 21), false)
	path := filepath.Join(t.TempDir(), "a.tif")
	if err := Write(t.Context(), path, pic, WriteOptions{Bits: 16}); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := tiff.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := m.(*image.RGBA64); !ok || maxDifference(m, pic) != 0 {
		t.Errorf("%T differs from what was written", m)
	}
}

func TestWriteRefuses(t *testing.T) {
	dir := t.TempDir()
	pic, clear := noisyPicture(image.Rect(0, 0, 4, 4), false), noisyPicture(image.Rect(0, 0, 4, 4), true)
	wide := noisyPicture(image.Rect(0, 0, 65536, 1), false)
	old := filepath.Join(dir, "old.png")
	if err := os.WriteFile(old, []byte("old"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(dir, "nowhere"), filepath.Join(dir, "dead.png")); err != nil {
		t.Skip(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "dir.png"), 0o777); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		pic  *raster.Picture
		o    WriteOptions
		want error
		says string
	}{
		{"a.webp", pic, WriteOptions{}, ErrEnding, ".jpg, .jpeg, .png, .tif or .tiff"},
		{"a", pic, WriteOptions{}, ErrEnding, ".jpg"},
		{"none/a.png", pic, WriteOptions{}, ErrNotWritable, "create the folder"},
		{"old.png/a.png", pic, WriteOptions{}, ErrNotWritable, "no folder"},
		{"old.png", pic, WriteOptions{}, ErrExists, "there already"},
		{"dead.png", pic, WriteOptions{Overwrite: true}, ErrNotWritable, "link"},
		{"dir.png", pic, WriteOptions{Overwrite: true}, ErrNotWritable, "no ordinary file"},
		{"a.jpg", wide, WriteOptions{}, ErrTooLarge, ".png or .tif"},
		{"a.jpg", clear, WriteOptions{}, ErrUnsupported, "transparent"},
		{"a.jpg", pic, WriteOptions{Bits: 16}, ErrUnsupported, "16 bits"},
		{"a.png", raster.NewPicture(image.Rect(3, 3, 3, 9)), WriteOptions{}, ErrUnsupported, "no pixels"},
	} {
		err := Write(t.Context(), filepath.Join(dir, c.name), c.pic, c.o)
		var e *Error
		if !errors.As(err, &e) || !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %v that says %q", c.name, err, c.want, c.says)
		}
	}
	for _, o := range []WriteOptions{{Bits: 12}, {Quality: 101}, {Quality: -1}, {PPI: -1}, {PPI: 1e9}, {Compression: "tar"}} {
		if err := Write(t.Context(), filepath.Join(dir, "a.png"), pic, o); err == nil {
			t.Errorf("%+v was accepted", o)
		}
	}
	wantFiles(t, dir, "old.png: old", "dead.png", "dir.png")
}

func TestCheckWritable(t *testing.T) {
	dir := t.TempDir()
	old := filepath.Join(dir, "old.png")
	if err := os.WriteFile(old, []byte("old"), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		path      string
		overwrite bool
		want      error
	}{
		{old, true, nil},
		{old, false, ErrExists},
		{filepath.Join(dir, "new.tif"), false, nil},
		{filepath.Join(dir, "new.gif"), false, ErrEnding},
		{filepath.Join(dir, "none", "new.tif"), false, ErrNotWritable},
	} {
		if err := CheckWritable(c.path, c.overwrite); !errors.Is(err, c.want) {
			t.Errorf("%s, overwrite %t: %v, want %v", c.path, c.overwrite, err, c.want)
		}
	}
	wantFiles(t, dir, "old.png: old")
	if os.Getuid() != 0 { // root may write anywhere
		if err := os.Chmod(dir, 0o555); err != nil {
			t.Fatal(err)
		}
		defer os.Chmod(dir, 0o777)
		if err := CheckWritable(filepath.Join(dir, "new.tif"), false); !errors.Is(err, ErrNotWritable) {
			t.Errorf("read-only folder: %v", err)
		}
	}
}

// TestOverwriteThroughLink replaces the file and keeps the link.
func TestOverwriteThroughLink(t *testing.T) {
	dir := t.TempDir()
	real, link := filepath.Join(dir, "real.png"), filepath.Join(dir, "link.png")
	if err := os.WriteFile(real, []byte("old"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(real, link); err != nil {
		t.Skip(err)
	}
	if err := Write(t.Context(), link, noisyPicture(image.Rect(0, 0, 4, 4), false), WriteOptions{Overwrite: true}); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("the link is gone: %v, %v", info, err)
	}
	if _, err := Open(real); err != nil {
		t.Error(err)
	}
}

// wantFiles checks what a folder holds: names, or "name: contents".
func wantFiles(t *testing.T, dir string, want ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	left := map[string]bool{}
	for _, e := range entries {
		left[e.Name()] = true
	}
	for _, w := range want {
		name, contents, has := strings.Cut(w, ": ")
		if !left[name] {
			t.Errorf("%s is missing", name)
		}
		delete(left, name)
		if b, err := os.ReadFile(filepath.Join(dir, name)); has && (err != nil || string(b) != contents) {
			t.Errorf("%s holds %q, %v", name, b, err)
		}
	}
	for name := range left {
		t.Errorf("%s is left behind", name)
	}
}

var errFault = errors.New("injected fault")

// faultyFS fails its n-th operation and counts all.
type faultyFS struct {
	fileSystem
	n, count int
	ops      []string
}

func (f *faultyFS) step(op string) error {
	f.count++
	f.ops = append(f.ops, op)
	if f.count == f.n {
		return fmt.Errorf("%s: %w", op, errFault)
	}
	return nil
}

func (f *faultyFS) create(name string) (tempFile, error) {
	if err := f.step("create"); err != nil {
		return nil, err
	}
	file, err := f.fileSystem.create(name)
	if err != nil {
		return nil, err
	}
	return &faultyFile{file, f}, nil
}

func (f *faultyFS) rename(from, to string) error {
	if err := f.step("rename"); err != nil {
		return err
	}
	return f.fileSystem.rename(from, to)
}

type faultyFile struct {
	tempFile
	fs *faultyFS
}

func (f *faultyFile) Write(p []byte) (int, error) {
	if err := f.fs.step("write"); err != nil {
		n, _ := f.tempFile.Write(p[:len(p)/2]) // a full disk takes a part
		return n, err
	}
	return f.tempFile.Write(p)
}

func (f *faultyFile) WriteAt(p []byte, off int64) (int, error) {
	if err := f.fs.step("write at"); err != nil {
		return 0, err
	}
	return f.tempFile.WriteAt(p, off)
}

func (f *faultyFile) Sync() error {
	if err := f.fs.step("sync"); err != nil {
		return err
	}
	return f.tempFile.Sync()
}

func (f *faultyFile) Close() error {
	err := f.tempFile.Close()
	if fault := f.fs.step("close"); fault != nil {
		return fault
	}
	return err
}

// TestWriteFaults fails each step of writing once, by a counter: no output and
// no temporary file is left, and an old output is as it was.
func TestWriteFaults(t *testing.T) {
	pic := noisyPicture(image.Rect(0, 0, 800, 700), false) // several bands
	for _, name := range []string{"a.jpg", "a.png", "a.tif"} {
		for _, overwrite := range []bool{false, true} {
			var seen []string
			for n := 1; ; n++ {
				dir := t.TempDir()
				path := filepath.Join(dir, name)
				var want []string
				if overwrite {
					want = []string{name + ": old"}
					if err := os.WriteFile(path, []byte("old"), 0o666); err != nil {
						t.Fatal(err)
					}
				}
				f := &faultyFS{fileSystem: osFS{}, n: n}
				err := writer{f}.write(t.Context(), path, picturePixels(pic), WriteOptions{Overwrite: overwrite})
				if f.count < n { // every step has had its turn
					if err != nil {
						t.Errorf("%s without a fault: %v", name, err)
					}
					wantFiles(t, dir, name)
					seen = f.ops
					break
				}
				if !errors.Is(err, errFault) || !errors.Is(err, ErrNotWritable) {
					t.Errorf("%s, fault %d (%s): %v", name, n, f.ops[n-1], err)
				}
				wantFiles(t, dir, want...)
			}
			for _, op := range []string{"create", "write", "sync", "close", "rename"} {
				if !strings.Contains(strings.Join(seen, ","), op) {
					t.Errorf("%s: no step %q among %v", name, op, seen)
				}
			}
		}
	}
}

// TestWriteAppearsMeanwhile: an output that appears while the picture is
// being written is not replaced.
func TestWriteAppearsMeanwhile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.png")
	w := writer{&appearingFS{osFS{}, path}}
	err := w.write(t.Context(), path, picturePixels(noisyPicture(image.Rect(0, 0, 9, 9), false)), WriteOptions{})
	if !errors.Is(err, ErrExists) {
		t.Errorf("err = %v, want %v", err, ErrExists)
	}
	wantFiles(t, dir, "a.png: theirs")
}

// appearingFS has somebody else create path after our first file.
type appearingFS struct {
	fileSystem
	path string
}

func (a *appearingFS) create(name string) (tempFile, error) {
	f, err := a.fileSystem.create(name)
	if name != a.path && err == nil {
		err = os.WriteFile(a.path, []byte("theirs"), 0o666)
	}
	return f, err
}

// TestWriteCancelled looks away n times, for each n until it succeeds.
func TestWriteCancelled(t *testing.T) {
	pic := noisyPicture(image.Rect(0, 0, 400, 200), false)
	for _, name := range []string{"a.jpg", "a.png", "a.tif"} {
		for n := 0; ; n++ {
			dir := t.TempDir()
			path := filepath.Join(dir, name)
			if err := os.WriteFile(path, []byte("old"), 0o666); err != nil {
				t.Fatal(err)
			}
			o := WriteOptions{Overwrite: true, Workers: 1}
			err := Write(&cancelAfter{Context: context.Background(), n: n}, path, pic, o)
			if err == nil {
				if n < 3 {
					t.Errorf("%s looks at the context only %d times", name, n)
				}
				wantFiles(t, dir, name)
				break
			}
			if !errors.Is(err, context.Canceled) {
				t.Fatalf("%s, cancelled after %d looks: %v", name, n, err)
			}
			wantFiles(t, dir, name+": old")
			n += n / 8 // the later ones are much alike
		}
	}
}
