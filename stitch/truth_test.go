package stitch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
)

// fieldRow is the row of the accuracy bars: five or six hand-levelled portrait
// frames with automatic exposure and no metadata.
func fieldRow(seed uint64, w, h int) scene.Row {
	return scene.Row{
		Frames: 5 + int(seed%2), Width: w, Height: h,
		RollErr: geom.Degree, PitchErr: geom.Degree, YawErr: geom.Degree,
		Radial: [3]float64{-0.02}, ExposureEV: 0.3, Noise: 0.01, Seed: seed,
	}
}

// photographed is a row of rendered frames, 8 bits, in shuffled order.
type photographed struct {
	coast  *scene.Scene
	frames []*Frame
	truth  scene.Truth
	of     []int // of[k] is the index in truth of frames[k]
}

// photograph renders a row.
func photograph(t testing.TB, row scene.Row, o scene.Options) *photographed {
	t.Helper()
	p := &photographed{coast: scene.New(row.Seed, o)}
	p.truth = p.coast.Plan(row)
	p.of = rand.New(rand.NewPCG(row.Seed, 99)).Perm(len(p.truth.Frames))
	for _, i := range p.of {
		pic, err := p.coast.Frame(t.Context(), 0, &p.truth, i)
		if err != nil {
			t.Fatal(err)
		}
		p.frames = append(p.frames, NewFrame(fmt.Sprintf("frame%02d", i), scene.Encode8(pic)))
	}
	return p
}

// align joins the row.
func (p *photographed) align(t testing.TB, o Options) *Solution {
	t.Helper()
	sol, err := Align(t.Context(), p.frames, o)
	if err != nil {
		t.Fatal(err)
	}
	return sol
}

// rotationErrors returns each frame's rotation error after the common
// rotation, which takes the true world to the solution's, is removed.
func (p *photographed) rotationErrors(sol *Solution) (errs []geom.Angle, solFromTrue geom.Rotation) {
	var a, b []geom.Vec
	for k, i := range p.of {
		got, want := sol.Frames[k].Camera().CamFromWorld, p.truth.Frames[i].Camera.CamFromWorld
		for axis := range 3 {
			a = append(a, want.Row(axis))
			b = append(b, got.Row(axis))
		}
	}
	solFromTrue, _ = geom.FitRotation(a, b, nil)
	for k, i := range p.of {
		got, want := sol.Frames[k].Camera().CamFromWorld, p.truth.Frames[i].Camera.CamFromWorld
		errs = append(errs, got.Mul(solFromTrue).Mul(want.Inv()).Angle())
	}
	return errs, solFromTrue
}

// focalError is found over true focal length, less one.
func (p *photographed) focalError(sol *Solution) float64 {
	return sol.Frames[0].FocalPx/p.truth.Frames[0].Camera.FocalPx - 1
}

// tilt is the angle between the solution's vertical and the true one.
func tilt(solFromTrue geom.Rotation) geom.Angle {
	d := solFromTrue.Apply(geom.Vec{Y: 1})
	return geom.Angle(math.Acos(math.Min(1, r3.Dot(d, geom.Vec{Y: 1}))))
}

// measured is what the accuracy bars are about.
type measured struct {
	medianDeg, worstDeg, focalPercent, rmsPx, tiltDeg float64
}

func (p *photographed) measure(sol *Solution) measured {
	errs, solFromTrue := p.rotationErrors(sol)
	deg := make([]float64, len(errs))
	for i, e := range errs {
		deg[i] = e.Degrees()
	}
	return measured{median(deg), slices.Max(deg), 100 * math.Abs(p.focalError(sol)), sol.RMSPx, tilt(solFromTrue).Degrees()}
}

// small rows are rendered once and shared by tests, which must not change
// them.
var smallRows sync.Map // of scene.Row to func() *photographed

// smallRow is a noisy row of three frames of 300 × 450 pixels.
func smallRow(t testing.TB) *photographed {
	return sharedRow(t, scene.Row{
		Frames: 3, Width: 300, Height: 450, Seed: 2, RollErr: geom.Degree / 2, PitchErr: geom.Degree / 2,
		Radial: [3]float64{-0.02}, ExposureEV: 0.3, Noise: 0.005,
	})
}

func sharedRow(t testing.TB, row scene.Row) *photographed {
	t.Helper()
	f, _ := smallRows.LoadOrStore(row, sync.OnceValue(func() *photographed { return photograph(t, row, scene.Options{}) }))
	return f.(func() *photographed)()
}
