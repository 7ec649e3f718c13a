package stitch

import (
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
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

func TestAccuracyProbe(t *testing.T) {
	n, _ := strconv.Atoi(os.Getenv("PROBE"))
	if n == 0 {
		t.Skip()
	}
	w, h := 800, 1200
	if os.Getenv("PROBE_LARGE") != "" {
		w, h = 4160, 6240
	}
	for seed := range uint64(n) {
		frames, truth, of := renderRow(t, seed, fieldRow(seed, w, h), scene.Options{})
		sol, err := Align(t.Context(), frames, Options{})
		if err != nil {
			t.Errorf("seed %d: %v", seed, err)
			continue
		}
		errs, common := rotationErrors(sol, &truth, of)
		e := make([]float64, len(errs))
		for i := range e {
			e[i] = errs[i].Degrees()
		}
		worst := 0.0
		for _, v := range e {
			worst = max(worst, v)
		}
		f := truth.Frames[0].Camera.FocalPx
		fmt.Printf("seed %2d: rot median %.4f worst %.4f  focal %+.4f%%  rms %.3f  tilt %.3f  k1 %.4f %v %v\n", seed, median(e), worst,
			100*(sol.Frames[0].FocalPx/f-1), sol.RMSPx, tilt(common).Degrees(), sol.Frames[0].Radial[0], sol.Frames[0].Radial[1:], sol.Frames[0].CentrePx)
		for _, p := range sol.Pairs {
			fmt.Printf("   %+v\n", p)
		}
		fmt.Println(sol.Stages, sol.Advice, sol.Frames[0].Gain)
	}
}

var _ = raster.NewPlane
