package stitch

import (
	"bytes"
	"image"
	"math"
	"slices"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/scene"
)

// TestTurned: a Solution that is levelled, turned and cropped later is that of a
// run with the same options, to the bit, and its picture too.
func TestTurned(t *testing.T) {
	if testing.Short() {
		t.Skip("joins rows")
	}
	row := photograph(t, scene.Row{
		Frames: 3, Width: 200, Height: 300, Seed: 4, RollErr: geom.Degree, PitchErr: geom.Degree,
	}, scene.Options{})
	centre := geom.Angle(-5) * geom.Degree
	level := Level{Roll: 0.4 * geom.Degree, Pitch: -2 * geom.Degree}
	crop := Crop{AspectW: 3, AspectH: 4, OffsetX: 0.1}
	once := Options{Level: &level, Centre: &centre, Crop: crop}
	want := row.align(t, once)
	wantPic, err := Render(t.Context(), want, row.frames, once)
	if err != nil {
		t.Fatal(err)
	}
	var file bytes.Buffer
	if _, err := row.align(t, Options{}).WriteTo(&file); err != nil {
		t.Fatal(err)
	}
	got, err := ReadSolution(&file)
	if err != nil {
		t.Fatal(err)
	}
	got.Hold(level)
	got.Face(centre)
	gotPic, err := Render(t.Context(), got, row.frames, Options{Crop: crop})
	if err != nil {
		t.Fatal(err)
	}
	for i := range want.Frames {
		if got.Frames[i].CamFromWorld != want.Frames[i].CamFromWorld {
			t.Errorf("frame %d is turned otherwise", i)
		}
	}
	if got.Output != want.Output {
		t.Errorf("output %+v, want %+v", got.Output, want.Output)
	}
	if gotPic.Rect != wantPic.Rect || !slices.Equal(gotPic.Pix, wantPic.Pix) {
		t.Error("other pixels")
	}
	// The middle frame is held as was said, and the world's middle is where it
	// should be.
	yaw, pitch, roll := got.Frames[row.middle()].Camera().CamFromWorld.YawPitchRoll()
	if d := math.Abs((pitch - level.Pitch).Degrees()); !(d < 1e-9) {
		t.Errorf("pitched by %.12f°", pitch.Degrees())
	}
	if d := math.Abs((roll - level.Roll).Degrees()); !(d < 1e-9) {
		t.Errorf("rolled by %.12f°", roll.Degrees())
	}
	if d := math.Abs((yaw + centre).Degrees()); !(d < 1e-9) {
		t.Errorf("the middle frame is %.12f° to the right, want 5°", yaw.Degrees())
	}
}

// middle is the frame in the middle of the row by its true azimuth.
func (p *photographed) middle() int {
	at := make([]int, len(p.of))
	for i := range at {
		at[i] = i
	}
	sortBy(at, func(i int) float64 { return p.truth.Frames[p.of[i]].Yaw.Radians() })
	return at[len(at)/2]
}

// TestOffset: a crop of a shape goes where it is asked to, and keeps its size.
func TestOffset(t *testing.T) {
	truth := scene.New(1, scene.Options{}).Plan(scene.Row{Frames: 3})
	sol := &Solution{Version: solutionVersion, Frames: make([]FrameSolution, len(truth.Frames))}
	for i := range sol.Frames {
		cam := truth.Frames[i].Camera
		sol.Frames[i] = FrameSolution{Width: cam.Width, Height: cam.Height, Placed: true, Gain: [3]float64{1, 1, 1}}
		sol.Frames[i].setCamera(cam)
	}
	plan := func(x, y float64) image.Rectangle {
		if err := planOutput(sol, Options{Crop: Crop{AspectW: 1, AspectH: 2, OffsetX: x, OffsetY: y}}, 1); err != nil {
			t.Fatal(err)
		}
		c := sol.Output.CropPx
		return image.Rect(c[0], c[1], c[2], c[3])
	}
	middle, right, far := plan(0, 0), plan(0.1, 0), plan(1, 0)
	if right.Size() != middle.Size() || far.Size() != middle.Size() {
		t.Errorf("sizes %v, %v, %v", middle.Size(), right.Size(), far.Size())
	}
	if !(middle.Min.X < right.Min.X && right.Min.X < far.Min.X) {
		t.Errorf("%v, %v, %v do not go to the right", middle, right, far)
	}
}

// TestMaxWidth: a small picture is the large one made small.
func TestMaxWidth(t *testing.T) {
	if testing.Short() {
		t.Skip("joins a row")
	}
	row := photograph(t, scene.Row{Frames: 3, Width: 400, Height: 600, Seed: 5, VignettingStops: 1}, scene.Options{})
	sol := row.align(t, Options{})
	if _, err := Render(t.Context(), sol, row.frames, Options{}); err != nil {
		t.Fatal(err)
	}
	full := sol.Output
	for _, width := range []int{full.Width + 1, full.Width / 3, 300} {
		pic, err := Render(t.Context(), sol, row.frames, Options{MaxWidth: width})
		if err != nil {
			t.Fatal(err)
		}
		w := pic.Rect.Dx()
		if want := min(width, full.Width); w > want || w < want*49/50 {
			t.Errorf("%d pixels wide, want %d", w, want)
		}
		if shape := float64(w) * float64(full.Height) / float64(full.Width) / float64(pic.Rect.Dy()); !(math.Abs(shape-1) < 0.02) {
			t.Errorf("%v, not the shape of %d × %d", pic.Rect, full.Width, full.Height)
		}
		if sol.Output.Width != w || sol.Frames[0].Width != 400 {
			t.Errorf("output %+v of frames %d wide", sol.Output, sol.Frames[0].Width)
		}
		if db := measure.PSNR(pic, row.truthOf(t, sol), nil); !(db >= 30) {
			t.Errorf("%d pixels wide: %.1f dB from the truth", w, db)
		}
	}
}
