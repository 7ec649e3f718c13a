package stitch

import (
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// powerProfile is an ICC profile whose curves are the power of exponent
// gamma/256.
func powerProfile(name string, gamma uint16) []byte {
	be := binary.BigEndian
	b := make([]byte, 128, 512)
	copy(b[12:], "mntrRGB XYZ ")
	copy(b[36:], "acsp")
	b = be.AppendUint32(b, 4)
	body := be.AppendUint32([]byte("desc\x00\x00\x00\x00"), uint32(len(name)+1))
	body = append(append(body, name...), make([]byte, 80-len(name))...)
	at, size := uint32(128+4+4*12), uint32(len(body))
	b = be.AppendUint32(be.AppendUint32(append(b, "desc"...), at), size)
	for _, tag := range []string{"rTRC", "gTRC", "bTRC"} {
		b = be.AppendUint32(be.AppendUint32(append(b, tag...), at+size), 14)
	}
	b = append(b, body...)
	b = be.AppendUint16(append(b, "curv\x00\x00\x00\x00\x00\x00\x00\x01"...), gamma)
	be.PutUint32(b, uint32(len(b)))
	return b
}

// handMade is a solution of two frames side by side.
func handMade(frames []*Frame, gain float64) *Solution {
	sol := &Solution{Version: solutionVersion}
	for i, f := range frames {
		fs := FrameSolution{File: f.Name, Width: f.Width, Height: f.Height, Placed: true, Gain: [3]float64{gain, gain, gain}}
		c := geom.Camera{
			Width: f.Width, Height: f.Height, FocalPx: 80, CentrePx: geom.Pt{X: float64(f.Width) / 2, Y: float64(f.Height) / 2},
			CamFromWorld: geom.FromYawPitchRoll(geom.Angle(2*i-1)*12*geom.Degree, 0, 0),
		}
		fs.setCamera(c)
		sol.Frames = append(sol.Frames, fs)
	}
	return sol
}

// TestGreyStaysGrey: a flat grey of frames with a colour profile comes back in
// the picture's file: within a level at 16 bits and as it was at 8, whether the
// light is touched or not, and with the profile whole.
func TestGreyStaysGrey(t *testing.T) {
	if testing.Short() {
		t.Skip("nothing in it runs at once that others do not run")
	}
	dir := t.TempDir()
	data := powerProfile("dune 2.2", 0x0233)
	parsed, err := photo.ParseProfile(data)
	if err != nil {
		t.Fatal(err)
	}
	write := func(path string, v uint16, bits int) {
		pic := raster.NewPicture(image.Rect(0, 0, 48, 64))
		for i := range pic.Pix {
			pic.Pix[i] = v
		}
		o := photo.WriteOptions{Bits: bits, Overwrite: true, Embed: &photo.Embedded{Profile: parsed}}
		if err := photo.Write(t.Context(), path, pic, o); err != nil {
			t.Fatal(err)
		}
	}
	var worst int
	for bits, kind := range map[int]string{8: ".png", 16: ".tif"} {
		for step := 0; step <= 255; step += 15 {
			v := uint16(step * 257)
			if step%2 == 1 {
				v += uint16(step) / 3 // between the levels of 8 bits
			}
			var frames []*Frame
			for i := range 2 {
				path := filepath.Join(dir, fmt.Sprintf("in%d%s", i, kind))
				write(path, v, bits)
				f, err := OpenFrame(path)
				if err != nil {
					t.Fatal(err)
				}
				if f.Transfer() == nil {
					t.Fatal("the frame's light is taken as sRGB's")
				}
				frames = append(frames, f)
			}
			for _, gain := range []float64{1, 1 + 1e-9} { // as it is, and through the tables
				sol := handMade(frames, gain)
				pic, err := Render(t.Context(), sol, frames, Options{})
				if err != nil {
					t.Fatal(err)
				}
				origin, err := NewOrigin(sol, frames, "test")
				if err != nil {
					t.Fatal(err)
				}
				path := filepath.Join(dir, "out"+kind)
				if err := WriteFile(t.Context(), path, pic, WriteOptions{Bits: bits, Overwrite: true, Origin: origin}); err != nil {
					t.Fatal(err)
				}
				f, err := photo.Open(path)
				if err != nil {
					t.Fatal(err)
				}
				if f.Profile == nil || string(f.Profile.Data) != string(data) {
					t.Fatal("the profile is not in the picture")
				}
				img, err := f.Decode(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				want, tol := int(v), 1
				if bits == 8 {
					want, tol = int((uint32(v)*255+32767)/65535)*257, 0
				}
				for _, p := range []image.Point{{5, 5}, {f.Width / 2, f.Height / 2}, {f.Width - 6, 20}} {
					got := color.NRGBA64Model.Convert(img.At(p.X, p.Y)).(color.NRGBA64)
					for _, g := range []uint16{got.R, got.G, got.B} {
						d := int(g) - want
						worst = max(worst, d, -d)
						if d > tol || d < -tol {
							t.Fatalf("%s, %d bits, gain %g: grey %d comes back as %v at %v", kind, bits, gain, want, got, p)
						}
					}
				}
			}
		}
	}
	t.Logf("largest difference: %d of 65535", worst)
}

// TestGainByProfile: a gain acts on the light that the profile tells.
func TestGainByProfile(t *testing.T) {
	img := image.NewNRGBA64(image.Rect(0, 0, 48, 64))
	for i := range img.Pix {
		img.Pix[i] = 0x80
	}
	for i := 6; i < len(img.Pix); i += 8 {
		img.Pix[i], img.Pix[i+1] = 0xff, 0xff
	}
	frames := []*Frame{NewFrame("a", img), NewFrame("b", img)}
	for _, f := range frames {
		f.Profile = powerProfile("dune 1.8", 461) // 1.8 but for rounding
	}
	pic, err := Render(t.Context(), handMade(frames, 0.5), frames, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := float64(0x8080) * math.Pow(0.5, 256./461)
	if got := float64(pic.Row(20)[3*20]); !(math.Abs(got-want) < 2) {
		t.Errorf("half the light of %d is %g, want %.1f", 0x8080, got, want)
	}
}

// TestProfilesDiffer: frames of different profiles are refused, and the message
// names them.
func TestProfilesDiffer(t *testing.T) {
	frames := make([]*Frame, 4)
	for i := range frames {
		frames[i] = NewFrame(fmt.Sprintf("coast/dune-%d.tif", i+1), image.NewRGBA(image.Rect(0, 0, 48, 64)))
		frames[i].Profile = powerProfile("one", 512)
	}
	frames[1].Profile = powerProfile("one", 512)
	copy(frames[1].Profile[24:], "2026") // another date, the same colours
	if err := checkFrames(frames); err != nil {
		t.Errorf("equal colours: %v", err)
	}
	frames[2].Profile = powerProfile("two", 512)
	_, err := Align(t.Context(), frames, Options{})
	if !errors.Is(err, ErrFrames) || !strings.Contains(err.Error(), `dune-3.tif has the colour profile "two", dune-1.tif has the colour profile "one"`) {
		t.Errorf("%v", err)
	}
	frames[2].Profile = nil
	if _, err := Align(t.Context(), frames, Options{}); !errors.Is(err, ErrFrames) || !strings.Contains(err.Error(), "dune-3.tif has no colour profile") {
		t.Errorf("%v", err)
	}
}
