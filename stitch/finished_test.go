package stitch

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

// TestMemory: the same pixels from frames that are read once and kept as from
// frames that are read again and again, and from a picture in memory as from
// one in a file; nothing is left of the file.
func TestMemory(t *testing.T) {
	row := smallRow(t)
	dir, temp := t.TempDir(), t.TempDir()
	var reads atomic.Int64
	open := func() (frames []*Frame) {
		for _, f := range row.frames {
			img, err := f.Image(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			g := NewFrame(f.Name, img)
			g.given = false // as if decoded from a file
			decode := g.decode
			g.decode = func(ctx context.Context) (image.Image, error) {
				reads.Add(1)
				return decode(ctx)
			}
			frames = append(frames, g)
		}
		return frames
	}
	run := func(o Options, bits int) (*Finished, []uint16) {
		frames := open()
		sol, err := Align(t.Context(), frames, o)
		if err != nil {
			t.Fatal(err)
		}
		sol.Output.Bits = bits
		o.TempDir = temp
		out, err := Finish(t.Context(), sol, frames, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range frames {
			if f.heldBytes() != 0 {
				t.Errorf("memory %d: %s is kept", o.Memory, f.Name)
			}
		}
		w, h := out.Size()
		rows := make([]uint16, 3*w*h)
		if err := out.Rows16(t.Context(), rows, 0, h); err != nil {
			t.Fatal(err)
		}
		return out, rows
	}
	all, want := run(Options{}, 16)
	defer all.Close()
	once := reads.Swap(0)
	if once != int64(len(row.frames)) {
		t.Errorf("%d reads of %d frames", once, len(row.frames))
	}
	little, got := run(Options{Memory: 1000, Workers: 2}, 16)
	if again := reads.Swap(0); again < 2*once {
		t.Errorf("%d reads with little memory", again)
	}
	if all.pixels.(*tiles).file != nil || little.pixels.(*tiles).file == nil {
		t.Error("the pictures are not where they should be")
	}
	if !slices.Equal(got, want) {
		t.Error("little memory changes the pixels")
	}
	// Render, in memory, has the same; and 8 bits are the 16 rounded, to a step
	// where both round.
	frames := open()
	sol, err := Align(t.Context(), frames, Options{})
	if err != nil {
		t.Fatal(err)
	}
	pic, err := Render(t.Context(), sol, frames, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(pic.Pix, want) {
		t.Error("Render and Finish differ")
	}
	eight, rows := run(Options{Memory: 1000}, 8)
	for i, v := range rows {
		if d := int(v) - int(want[i]); d < -130 || d > 130 {
			t.Fatalf("sample %d: %d in 8 bits, %d in 16", i, v, want[i])
		}
	}
	// Files of the two, from lines of either depth.
	for name, f := range map[string]*Finished{"all.png": all, "little.png": little} {
		if err := f.Write(t.Context(), filepath.Join(dir, name), WriteOptions{Bits: 16}); err != nil {
			t.Fatal(err)
		}
	}
	a, err1 := os.ReadFile(filepath.Join(dir, "all.png"))
	b, err2 := os.ReadFile(filepath.Join(dir, "little.png"))
	if err1 != nil || err2 != nil || !slices.Equal(a, b) {
		t.Errorf("the files differ: %v, %v", err1, err2)
	}
	small, err := eight.Shrink(t.Context(), 3)
	if err != nil {
		t.Fatal(err)
	}
	w, _ := eight.Size()
	var sum int
	for i := range 9 {
		sum += int(rows[(i/3*w+6+i%3)*3+1])
	}
	if got, want := int(small.Pix[3*2+1]), (sum+4)/9; got != want {
		t.Errorf("a block of the small picture is %d, want %d", got, want)
	}
	for _, f := range []*Finished{little, eight} {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
	if left, err := os.ReadDir(temp); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestNoTempDir: a picture that finds no room says where.
func TestNoTempDir(t *testing.T) {
	row := smallRow(t)
	sol := row.align(t, Options{})
	_, err := Finish(t.Context(), sol, row.frames, Options{Memory: 1, TempDir: filepath.Join(t.TempDir(), "missing")})
	if e, ok := errors.AsType[*photo.Error](err); !ok || e.Remedy == "" {
		t.Errorf("error %v, want a photo.Error with a remedy", err)
	}
}

// TestUnreadableOnTheWay: a frame that can't be read again ends the run with its
// error.
func TestUnreadableOnTheWay(t *testing.T) {
	row := smallRow(t)
	sol := row.align(t, Options{})
	gone := errors.New("the card was pulled")
	frames := slices.Clone(row.frames)
	for i, f := range frames {
		img, err := f.Image(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		g := NewFrame(f.Name, img)
		g.given = false
		n := 0
		g.decode = func(context.Context) (image.Image, error) {
			if n++; n > 1 {
				return nil, gone
			}
			return img, nil
		}
		frames[i] = g
	}
	if _, err := Finish(t.Context(), sol, frames, Options{Memory: 1, TempDir: t.TempDir()}); !errors.Is(err, gone) {
		t.Errorf("error %v", err)
	}
}

// TestUnreadableWhileWritten: the same of a frame in a file, of which parts are
// read while the picture is written.
func TestUnreadableWhileWritten(t *testing.T) {
	row := smallRow(t)
	sol := row.align(t, Options{})
	gone := errors.New("the card was pulled")
	frames := slices.Clone(row.frames)
	var pulled atomic.Bool
	for i, f := range frames {
		pic := pictureOf(t, f)
		b := make([]byte, 2*len(pic.Pix))
		raster.EncodeWords(b, pic.Pix)
		file := readerAt(func(p []byte, at int64) (int, error) {
			if pulled.Load() {
				return 0, gone
			}
			return copy(p, b[at:]), nil
		})
		h := pic.Rect.Dy()
		frames[i] = NewFrame(f.Name, raster.NewStored(file, raster.StoredLayout{
			Width: pic.Rect.Dx(), Height: h, Samples: 3, Bytes: 2, Strips: []int64{0}, PerStrip: h,
		}))
	}
	f, err := Finish(t.Context(), sol, frames, Options{Once: true})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	pulled.Store(true)
	path := filepath.Join(t.TempDir(), "row.png")
	if err := f.Write(t.Context(), path, WriteOptions{}); !errors.Is(err, gone) {
		t.Errorf("error %v", err)
	}
	if _, err := os.Stat(path); err == nil {
		t.Error("there is a picture")
	}
}

// pictureOf returns a frame's pixels in 16 bits.
func pictureOf(t *testing.T, f *Frame) *raster.Picture {
	t.Helper()
	img, err := f.Image(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	pic, err := raster.FromImage(t.Context(), 1, img)
	if err != nil {
		t.Fatal(err)
	}
	return pic
}

type readerAt func(p []byte, at int64) (int, error)

func (r readerAt) ReadAt(p []byte, at int64) (int, error) { return r(p, at) }

// TestOnce: a picture that is drawn while it is written has the bytes of one that
// is held, from frames in memory and from frames in files, with and without
// transparent parts.
func TestOnce(t *testing.T) {
	// Tall enough for parts of all frames to be less than the frames.
	row := sharedRow(t, scene.Row{Frames: 3, Width: 200, Height: 1300, FocalPx: 1200, Seed: 2, PitchErr: geom.Degree / 4, ExposureEV: 0.3, Noise: 0.005})
	dir := t.TempDir()
	var paths []string
	for i, f := range row.frames {
		pic := pictureOf(t, f)
		paths = append(paths, filepath.Join(dir, fmt.Sprintf("frame-%d.tif", i)))
		if err := WriteFile(t.Context(), paths[i], pic, WriteOptions{Bits: 16, Compression: Compressions()[i%3]}); err != nil {
			t.Fatal(err)
		}
	}
	files := func() (frames []*Frame) {
		for _, p := range paths {
			f, err := OpenFrame(p)
			if err != nil {
				t.Fatal(err)
			}
			frames = append(frames, f)
		}
		return frames
	}
	sol := row.align(t, Options{})
	const little = 9 << 20 // less than the frames take
	write := func(name string, frames []*Frame, o Options, bits int) []byte {
		t.Helper()
		s := *sol
		s.Output.Bits = bits
		f, err := Finish(t.Context(), &s, frames, o)
		if err != nil {
			t.Fatal(err)
		}
		if _, passes := f.pixels.(*passing); passes != o.Once {
			t.Errorf("%s: drawn while it is written: %v", name, passes)
		}
		if o.Memory == little && !newCache(frames, o).aside {
			t.Errorf("%s: the frames fit into memory", name)
		}
		path := filepath.Join(dir, name)
		if err := f.Write(t.Context(), path, WriteOptions{Bits: bits, Workers: o.Workers, Overwrite: true}); err != nil {
			t.Fatal(err)
		}
		names := []string{}
		for _, st := range s.Stages[len(sol.Stages):] {
			names = append(names, st.Name)
		}
		if want := []string{"read", "seams", "blend", "write"}; !slices.Equal(names, want) {
			t.Errorf("%s: stages %v, want %v", name, names, want)
		}
		if o.Once {
			if err := f.Write(t.Context(), filepath.Join(dir, "again.png"), WriteOptions{}); !errors.Is(err, errPassed) {
				t.Errorf("%s: written a second time: %v", name, err)
			}
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for _, c := range []struct {
		name   string
		frames func() []*Frame
		bits   int
		o      Options
	}{
		{"row.jpg", func() []*Frame { return row.frames }, 8, Options{}},
		{"whole.png", func() []*Frame { return row.frames }, 16, Options{Crop: Crop{Whole: true}, Workers: 3}},
		{"files.tif", files, 16, Options{Memory: little}},
		{"whole-files.png", files, 8, Options{Memory: little, Crop: Crop{Whole: true}, Workers: 1}},
	} {
		if testing.Short() && c.bits == 8 {
			continue // the others reach as much
		}
		want := write(c.name, c.frames(), c.o, c.bits)
		c.o.Once = true
		if got := write(c.name, c.frames(), c.o, c.bits); !bytes.Equal(got, want) {
			t.Errorf("%s: other bytes if it is drawn while it is written", c.name)
		}
		if c.o.Memory == 0 {
			continue
		}
		c.o.Memory = 0
		if got := write(c.name, c.frames(), c.o, c.bits); !bytes.Equal(got, want) {
			t.Errorf("%s: other bytes with all frames in memory", c.name)
		}
	}
	// A strip waits for those above it to be read. The one who waits for it is told
	// to stop.
	s := *sol
	f, err := Finish(t.Context(), &s, row.frames, Options{Once: true})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, _ := f.Size()
	ctx, cancel := context.WithCancel(t.Context())
	stopped := make(chan error)
	go func() { stopped <- f.Rows8(ctx, make([]byte, 3*w), 1000, 1) }()
	cancel()
	if err := <-stopped; !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled while waiting: %v", err)
	}
}

// TestOnceGivenUp: a picture that is not written, or no further, ends its drawing.
func TestOnceGivenUp(t *testing.T) {
	row := smallRow(t)
	sol := row.align(t, Options{})
	finish := func(ctx context.Context) *Finished {
		s := *sol
		f, err := Finish(ctx, &s, row.frames, Options{Once: true})
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	if err := finish(t.Context()).Close(); err != nil {
		t.Error(err)
	}
	// Nothing but writing.
	f := finish(t.Context())
	if _, err := f.JPEG(t.Context(), image.Rect(0, 300, 10, 310), 90); !errors.Is(err, errPassed) {
		t.Errorf("a part of it: %v", err)
	}
	if _, err := f.Shrink(t.Context(), 4); !errors.Is(err, errPassed) {
		t.Errorf("a reduced one: %v", err)
	}
	// A name that is taken costs nothing; after Close it is too late.
	taken := filepath.Join(t.TempDir(), "taken.png")
	if err := os.WriteFile(taken, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := f.Write(t.Context(), taken, WriteOptions{}); err == nil {
		t.Error("written over another file")
	}
	if err := f.Write(t.Context(), filepath.Join(t.TempDir(), "row.png"), WriteOptions{}); err != nil {
		t.Error(err)
	}
	f.Close()
	f = finish(t.Context())
	f.Close()
	if err := f.Write(t.Context(), filepath.Join(t.TempDir(), "row.png"), WriteOptions{}); !errors.Is(err, errPassed) {
		t.Errorf("written after Close: %v", err)
	}
	// Nobody asks for more than the first lines.
	f = finish(t.Context())
	w, _ := f.Size()
	if err := f.Rows8(t.Context(), make([]byte, 3*w), 0, 1); err != nil {
		t.Error(err)
	}
	if err := f.Close(); err != nil {
		t.Error(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	f = finish(ctx)
	cancel()
	path := filepath.Join(t.TempDir(), "row.png")
	if err := f.Write(t.Context(), path, WriteOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if err := f.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(path); err == nil {
		t.Error("cancelled, and there is a file")
	}
}
