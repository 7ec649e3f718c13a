package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/spf13/pflag"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"flatfell": main})
}

// TestScripts runs testdata/*.txtar, one file a topic.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"row":     cmdRow,
			"broken":  cmdBroken,
			"bracket": cmdBracket,
			"picture": cmdPicture,
			"files":   cmdFiles,
			"status":  cmdStatus,
		},
		Condition: func(cond string) (bool, error) {
			if cond == "root" {
				return os.Geteuid() == 0, nil
			}
			return false, fmt.Errorf("unknown condition %q", cond)
		},
	})
}

// cmdRow renders a small row: row [options] DIR writes DIR/1.jpg, 2.jpg, ….
func cmdRow(ts *testscript.TestScript, neg bool, args []string) {
	fs := pflag.NewFlagSet("row", pflag.ContinueOnError)
	seed := fs.Uint64("seed", 2, "of scene and row")
	frames := fs.Int("frames", 3, "number of frames")
	ending := fs.String("ending", "jpg", "of the files")
	bits := fs.Int("bits", 8, "of the files")
	landscape := fs.Bool("landscape", false, "held the other way")
	only := fs.Int("only", 0, "write only this frame")
	radial := fs.Float64("radial", 0, "k1 of the lens")
	overlap := fs.Float64("overlap", 0, "share that neighbours have in common")
	ts.Check(fs.Parse(args))
	if neg || fs.NArg() != 1 {
		ts.Fatalf("usage: row [options] DIR")
	}
	row := scene.Row{
		Frames: *frames, Overlap: *overlap, Width: 300, Height: 450, Seed: *seed,
		RollErr: geom.Degree / 2, PitchErr: geom.Degree / 2, ExposureEV: 0.2, Noise: 0.005,
		Radial: [3]float64{*radial},
	}
	if *landscape {
		row.Width, row.Height = row.Height, row.Width
	}
	dir := ts.MkAbs(fs.Arg(0))
	ts.Check(os.MkdirAll(dir, 0o777))
	for i := range *frames {
		if *only != 0 && *only != i+1 {
			continue
		}
		pic, err := rendered(row, i)
		ts.Check(err)
		path := filepath.Join(dir, fmt.Sprintf("%d.%s", i+1, *ending))
		ts.Check(photo.Write(context.Background(), path, pic, photo.WriteOptions{Bits: *bits, Overwrite: true}))
	}
}

// cmdBracket renders a small row of focus brackets of three slices: bracket
// [options] DIR writes DIR/position-1/1.png, 2.png, ….
func cmdBracket(ts *testscript.TestScript, neg bool, args []string) {
	fs := pflag.NewFlagSet("bracket", pflag.ContinueOnError)
	positions := fs.Int("positions", 1, "of the camera")
	ts.Check(fs.Parse(args))
	if neg || fs.NArg() != 1 {
		ts.Fatalf("usage: bracket [options] DIR")
	}
	b := scene.Bracket{
		Seed: 5, Width: 240, Height: 360, Slices: 3, BlurPx: 3, Breathing: 0.02, ShiftPx: 1, Noise: 0.005,
		Positions: *positions, Step: 22 * geom.Degree,
	}
	for ; b.Position < *positions; b.Position++ {
		dir := filepath.Join(ts.MkAbs(fs.Arg(0)), fmt.Sprintf("position-%d", b.Position+1))
		ts.Check(os.MkdirAll(dir, 0o777))
		for k := range b.Slices {
			pic, err := b.Slice(context.Background(), 0, k)
			ts.Check(err)
			ts.Check(photo.Write(context.Background(), filepath.Join(dir, fmt.Sprintf("%d.png", k+1)), pic, photo.WriteOptions{Bits: 8}))
		}
	}
}

type frameKey struct {
	row scene.Row
	i   int
}

// renders holds each frame that a script asked for: most ask for the same.
var renders sync.Map // of frameKey to func() (*raster.Picture, error)

func rendered(row scene.Row, i int) (*raster.Picture, error) {
	f, _ := renders.LoadOrStore(frameKey{row, i}, sync.OnceValues(func() (*raster.Picture, error) {
		s := scene.New(row.Seed, scene.Options{})
		truth := s.Plan(row)
		return s.Frame(context.Background(), 0, &truth, i)
	}))
	return f.(func() (*raster.Picture, error))()
}

// cmdBroken writes a bad file: broken KIND FILE. Kind half cuts an existing
// file to half of its length.
func cmdBroken(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: broken KIND FILE")
	}
	path := ts.MkAbs(args[1])
	switch args[0] {
	case "half":
		info, err := os.Stat(path)
		ts.Check(err)
		ts.Check(os.Truncate(path, info.Size()/2))
	case "empty":
		ts.Check(os.WriteFile(path, nil, 0o666))
	case "one-pixel":
		pic := raster.NewPicture(image.Rect(0, 0, 1, 1))
		ts.Check(photo.Write(context.Background(), path, pic, photo.WriteOptions{Overwrite: true}))
	case "huge-png":
		// A header that claims 60000 × 60000 pixels, and nothing behind it.
		b := bytes.NewBufferString("\x89PNG\r\n\x1a\n\x00\x00\x00\x0d")
		ihdr := []byte("IHDR\x00\x00\xea\x60\x00\x00\xea\x60\x08\x02\x00\x00\x00")
		b.Write(ihdr)
		ts.Check(binary.Write(b, binary.BigEndian, crc32.ChecksumIEEE(ihdr)))
		ts.Check(os.WriteFile(path, b.Bytes(), 0o666))
	default:
		ts.Fatalf("unknown kind %s", args[0])
	}
}

// cmdPicture checks a picture file: picture FILE FORMAT BITS [MAXWIDTH].
func cmdPicture(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 || len(args) > 4 {
		ts.Fatalf("usage: picture FILE FORMAT BITS [MAXWIDTH]")
	}
	f, err := photo.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	if got := fmt.Sprintf("%v %d", f.Format, f.Bits); got != args[1]+" "+args[2] {
		ts.Fatalf("%s is %s, want %s %s", args[0], got, args[1], args[2])
	}
	if len(args) == 4 {
		var limit int
		_, err := fmt.Sscan(args[3], &limit)
		ts.Check(err)
		if f.Width > limit || f.Width*10 < limit*9 {
			ts.Fatalf("%s is %d pixels wide, want %d or a little less", args[0], f.Width, limit)
		}
	}
	_, err = f.Decode(context.Background())
	ts.Check(err)
}

// cmdFiles checks that a folder holds exactly the named entries, hidden ones
// included: files DIR NAME….
func cmdFiles(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: files DIR NAME…")
	}
	entries, err := os.ReadDir(ts.MkAbs(args[0]))
	ts.Check(err)
	var got []string
	for _, e := range entries {
		if e.Name() != ".tmp" { // testscript's own
			got = append(got, e.Name())
		}
	}
	if want := args[1:]; fmt.Sprint(got) != fmt.Sprint(want) {
		ts.Fatalf("%s holds %q, want %q", args[0], got, want)
	}
}

// cmdStatus runs a command and checks its exit status: status N COMMAND….
func cmdStatus(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: status N COMMAND…")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		exit, ok := errors.AsType[*exec.ExitError](err)
		if !ok {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
}
