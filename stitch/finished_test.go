package stitch

import (
	"context"
	"errors"
	"image"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"

	"flatfell.example/internal/photo"
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
	if all.file != nil || little.file == nil {
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
