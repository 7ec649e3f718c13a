package stitch

import (
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
)

// fieldRow is the row of the accuracy bars: five hand-levelled portrait
// frames with automatic exposure and no metadata.
func fieldRow(seed uint64, w, h int) scene.Row {
	return scene.Row{
		Frames: 5 + int(seed%2), Width: w, Height: h,
		RollErr: geom.Degree, PitchErr: geom.Degree, YawErr: geom.Degree,
		Radial: [3]float64{-0.02}, ExposureEV: 0.3, Noise: 0.01, Seed: seed,
	}
}

// renderRow renders a row's frames as 8-bit pictures in shuffled order and
// returns for each the index of its truth.
func renderRow(t testing.TB, seed uint64, row scene.Row, o scene.Options) (frames []*Frame, truth scene.Truth, of []int) {
	t.Helper()
	s := scene.New(seed, o)
	truth = s.Plan(row)
	of = rand.New(rand.NewPCG(seed, 99)).Perm(len(truth.Frames))
	for _, i := range of {
		pic, err := s.Frame(t.Context(), 0, &truth, i)
		if err != nil {
			t.Fatal(err)
		}
		var img image.Image = scene.Encode8(pic)
		frames = append(frames, NewFrame(fmt.Sprintf("frame%02d", i), img))
	}
	return frames, truth, of
}

// rotationErrors returns each frame's rotation error after the common
// rotation is removed.
func rotationErrors(sol *Solution, truth *scene.Truth, of []int) (errs []geom.Angle, common geom.Rotation) {
	var a, b []geom.Vec
	for k, i := range of {
		got, want := sol.Frames[k].Camera().CamFromWorld, truth.Frames[i].Camera.CamFromWorld
		for axis := range 3 {
			a = append(a, want.Row(axis))
			b = append(b, got.Row(axis))
		}
	}
	common, _ = geom.FitRotation(a, b, nil) // gotWorldFromTrueWorld
	for k, i := range of {
		got, want := sol.Frames[k].Camera().CamFromWorld, truth.Frames[i].Camera.CamFromWorld
		errs = append(errs, got.Mul(common).Mul(want.Inv()).Angle())
	}
	return errs, common
}

// tilt is the angle between the solution's vertical and the true one.
func tilt(common geom.Rotation) geom.Angle {
	d := common.Apply(geom.Vec{Y: 1})
	return geom.Angle(math.Acos(math.Min(1, r3.Dot(d, geom.Vec{Y: 1}))))
}

// TestFieldRows holds rendered rows to the worst-case bars: rotation 0.03°,
// focal length 0.08 %, 0.1° of tilt with a sea horizon in view.
func TestFieldRows(t *testing.T) {
	if testing.Short() {
		t.Skip("renders full rows")
	}
	for seed := range uint64(2) {
		frames, truth, of := renderRow(t, seed, fieldRow(seed, 800, 1200), scene.Options{})
		sol, err := Align(t.Context(), frames, Options{})
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		errs, common := rotationErrors(sol, &truth, of)
		for i, e := range errs {
			if !(e.Degrees() <= 0.03) {
				t.Errorf("seed %d frame %d: rotation off by %.4f°", seed, i, e.Degrees())
			}
		}
		f := 100 * (sol.Frames[0].FocalPx/truth.Frames[0].Camera.FocalPx - 1)
		if !(math.Abs(f) <= 0.08) || !(tilt(common).Degrees() <= 0.1) || !(sol.RMSPx <= 0.17) {
			t.Errorf("seed %d: focal %+.4f %%, tilt %.3f°, rms %.3f px", seed, f, tilt(common).Degrees(), sol.RMSPx)
		}
	}
}
