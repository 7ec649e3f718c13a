package stitch

import (
	"math"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/scene"
)

// TestFullTurn: a row all the way round closes on itself.
func TestFullTurn(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a full turn")
	}
	row := photograph(t, scene.Row{
		FullTurn: true, Width: 300, Height: 450, Seed: 3, RollErr: geom.Degree / 2, PitchErr: geom.Degree / 2,
		Radial: [3]float64{-0.02}, ExposureEV: 0.2,
	}, scene.Options{})
	n := len(row.frames)
	sol := row.align(t, Options{})
	m := row.measure(sol)
	// Nothing is left to the focal length when the turn must come to 360°.
	if !(m.focalPercent <= 0.01 && m.worstDeg <= 0.01) {
		t.Errorf("%+v, want a focal length within 0.01 %% and rotations within 0.01°", m)
	}
	joins := 0
	for _, p := range sol.Pairs {
		if d := (row.of[p.A] - row.of[p.B] + n) % n; (d == 1 || d == n-1) && p.Verdict == Joined {
			joins++
		}
	}
	if joins != n {
		t.Errorf("%d of %d neighbours are joined, the last and the first included", joins, n)
	}

	pic, err := Render(t.Context(), sol, row.frames, Options{})
	if err != nil {
		t.Fatal(err)
	}
	w, h := pic.Rect.Dx(), pic.Rect.Dy()
	if turn := 2 * math.Pi * sol.Output.PxPerRadian; !(math.Abs(turn-float64(w)) <= 1e-6) {
		t.Errorf("the picture is %d pixels wide, a turn has %.3f", w, turn)
	}
	truth := row.truthOf(t, sol)
	if db := measure.PSNR(pic, truth, nil); !(db >= leastPSNR-1) {
		t.Errorf("%.1f dB from the truth", db)
	}
	// The step between two columns, against the true one: at the join it must
	// be as inside the picture.
	step := func(x0, x1 int) float64 {
		var sum float64
		for y := range h {
			got, want := pic.Row(y), truth.Row(y)
			for c := range 3 {
				sum += math.Abs(float64(got[3*x1+c]) - float64(got[3*x0+c]) - float64(want[3*x1+c]) + float64(want[3*x0+c]))
			}
		}
		return sum / float64(3*h) / 0xffff
	}
	var inside []float64
	for x := range w - 1 {
		inside = append(inside, step(x, x+1))
	}
	if join := step(w-1, 0); !(join <= 2*median(inside)) {
		t.Errorf("the step at the join differs from the true one by %.5f, inside by %.5f", join, median(inside))
	}
}
