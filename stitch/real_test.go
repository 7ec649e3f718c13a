package stitch

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/internal/shareddata"
)

// openSet opens the frames of a set of real photographs.
func openSet(t testing.TB, set string) (frames []*Frame) {
	t.Helper()
	files, err := photo.List([]string{shareddata.Dir(t, set, "frames")})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		frame, err := OpenFrame(f)
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, frame)
	}
	return frames
}

// roughFit is an independent rough fit of a set, kept beside it.
type roughFit struct {
	Fit struct {
		FocalPx float64 `json:"f_px"`
	} `json:"rotation_fit"`
	Angles []struct {
		RotVec [3]float64 `json:"rotvec"`
	} `json:"angles"`
}

func readFit(t testing.TB, set string) (fit roughFit) {
	t.Helper()
	b, err := os.ReadFile(shareddata.Dir(t, set, "measured.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &fit); err != nil || fit.Fit.FocalPx == 0 {
		t.Fatalf("%s: no fit: %v", set, err)
	}
	return fit
}

// TestRealRows: every real row joins whole, with a focal length near that of
// an independent rough fit, or of the metadata where that fit had run into
// the limit of its distortion (which makes it no check).
func TestRealRows(t *testing.T) {
	if testing.Short() {
		t.Skip("reads full rows")
	}
	for _, tc := range []struct {
		set      string
		percent  float64 // how far the focal length may be from the fit's
		metadata bool    // or from the metadata's
		verdict  Verdict
	}{
		{set: "rows/petra", percent: 1, verdict: Joined},
		{set: "rows/petra-portrait-row", percent: 1, verdict: Joined},
		{set: "rows/arches-fin", percent: 1, verdict: Joined},
		{set: "rows/arches-ridge", percent: 3, verdict: Joined},
		{set: "rows/yosemite", percent: 8, metadata: true, verdict: Joined},
		// Parallax and motion: must say so. Its metadata's focal plane is not
		// to be trusted; the fit is rough.
		{set: "rows/kayak", percent: 5, verdict: Weak},
		{set: "rows/halfdome-quarter", percent: 3, verdict: Joined},
		{set: "pairs/uttower-pair", percent: 12, verdict: Joined},
		{set: "pairs/roll-mountain", percent: 3, verdict: Joined},
	} {
		sol, err := alignSet(t, tc.set)
		if err != nil {
			t.Errorf("%s: %v", tc.set, err)
			continue
		}
		want := readFit(t, tc.set).Fit.FocalPx
		if tc.metadata {
			want = openSet(t, tc.set)[0].FocalPx
		}
		if off := 100 * (sol.Frames[0].FocalPx/want - 1); !(math.Abs(off) <= tc.percent) {
			t.Errorf("%s: focal length %.1f px, %+.1f %% from %.1f", tc.set, sol.Frames[0].FocalPx, off, want)
		}
		// Advice comes with a weak join, and with near things that shift enough to
		// be told; else there is none.
		near := slices.ContainsFunc(sol.Pairs, func(p PairSolution) bool {
			return p.Shift != nil && p.Shift.Kind == ShiftParallax && p.Shift.LargestPx >= max(tellShift*float64(sol.Frames[0].Width), tellShiftPx)
		})
		if sol.Verdict != tc.verdict || (sol.Verdict == Weak || near) != (len(sol.Advice) > 0) {
			t.Errorf("%s: %s, want %s; near things %v; advice %q", tc.set, sol.Verdict, tc.verdict, near, sol.Advice)
		}
		if sol.Pupil.Known && math.Hypot(sol.Pupil.ForwardMM, sol.Pupil.RightMM) > 20 {
			t.Errorf("%s: an entrance pupil %.0f mm before the axis, which nothing calls for", tc.set, sol.Pupil.ForwardMM)
		}
	}
}

// alignSet joins a set of real photographs, once for all tests.
func alignSet(t testing.TB, set string) (*Solution, error) {
	t.Helper()
	frames := openSet(t, set)
	f, _ := alignedSets.LoadOrStore(set, sync.OnceValues(func() (*Solution, error) {
		return Align(t.Context(), frames, Options{})
	}))
	return f.(func() (*Solution, error))()
}

var alignedSets sync.Map // of the set's name to func() (*Solution, error)

// bFromA returns the rotation between two frames of a solution.
func bFromA(sol *Solution, a, b int) geom.Rotation {
	return sol.Frames[b].Camera().CamFromWorld.Mul(sol.Frames[a].Camera().CamFromWorld.Inv())
}

// TestOrientedFrames: the same three photographs as shot, a column, and upright
// by their orientation tag, a row, have the same lens and the same turns.
func TestOrientedFrames(t *testing.T) {
	if testing.Short() {
		t.Skip("reads full rows")
	}
	column, err := alignSet(t, "rows/petra")
	if err != nil {
		t.Fatal(err)
	}
	row, err := alignSet(t, "rows/petra-portrait-row")
	if err != nil {
		t.Fatal(err)
	}
	if got, want := row.Frames[0].FocalPx, column.Frames[0].FocalPx; !(math.Abs(got/want-1) <= 2e-4) {
		t.Errorf("focal length %.2f px upright, %.2f as shot", got, want)
	}
	for b := 1; b < 3; b++ {
		got, want := bFromA(row, 0, b).Angle(), bFromA(column, 0, b).Angle()
		if !(math.Abs((got - want).Degrees()) <= 0.005) {
			t.Errorf("frame %d turned by %.4f° upright, %.4f° as shot", b, got.Degrees(), want.Degrees())
		}
	}
}

// TestRolledFrames: frames of one view, the camera rolled by about 90°, 45°
// and −45°, have the rolls of an independent rough fit.
func TestRolledFrames(t *testing.T) {
	if testing.Short() {
		t.Skip("reads full rows")
	}
	const set = "pairs/roll-mountain"
	sol, err := alignSet(t, set)
	if err != nil {
		t.Fatal(err)
	}
	fit := readFit(t, set)
	for b, angles := range fit.Angles {
		// The fit's rotations go the other way.
		want := geom.Exp(geom.Vec{X: angles.RotVec[0], Y: angles.RotVec[1], Z: angles.RotVec[2]}).Inv()
		if off := bFromA(sol, 0, b).Mul(want.Inv()).Angle(); !(off <= 2*geom.Degree) {
			t.Errorf("frame %d is off by %v from the fit's %v", b, off, want.Angle())
		}
	}
	if got := bFromA(sol, 0, 1).Angle().Degrees(); !(math.Abs(got-90) <= 2) {
		t.Errorf("the quarter turn has %.2f°", got)
	}
}

// TestRealPairs: what may be joined and what must not.
func TestRealPairs(t *testing.T) {
	if testing.Short() {
		t.Skip("reads full frames")
	}
	if _, err := alignSet(t, "pairs/exposure-pair"); err != nil { // 2.3 EV apart
		t.Error(err)
	}
	for _, set := range []string{"pairs/cave-pair", "pairs/roofs-pair"} { // the camera moved
		sol, err := alignSet(t, set)
		if !errors.Is(err, ErrNotJoined) && !(err == nil && sol.Verdict == Weak) {
			t.Errorf("%s: %v; want it refused or weak", set, err)
		}
	}
}

// TestParallaxNamed: where a camera that moved is the cause, it is named.
func TestParallaxNamed(t *testing.T) {
	for _, set := range []string{"pairs/cave-pair", "pairs/roofs-pair"} {
		sol, err := alignSet(t, set)
		var says string
		if err != nil {
			says = err.Error()
		} else {
			says = strings.Join(sol.Advice, " ")
		}
		if !strings.Contains(says, "camera moved") {
			t.Errorf("%s: %q doesn't say that the camera moved", set, says)
		}
	}
}

// TestGoldengateBends: the homographies published with the set know no distortion
// (see bench.Published, which holds the row to them), and with none the focal length
// is theirs. But the frames have some: with k1 the residuals fall by a half, and
// the focal length is a tenth less, as for a rendered row of that lens, whose
// focal length comes out as the published one if none is looked for.
func TestGoldengateBends(t *testing.T) {
	if testing.Short() {
		t.Skip("a long one, and nothing in it runs at once that others do not run")
	}
	frames := openSet(t, "rows/goldengate-quarter")
	bent := refined(t, frames, Options{})
	sol, err := Align(t.Context(), frames, Options{Undistorted: true})
	if err != nil {
		t.Fatal(err)
	}
	lens := bent.rig.camera(0)
	if !(math.Abs(lens.FocalPx/300-1) <= 0.02) || !(math.Abs(lens.Radial[0]+0.077) <= 0.01) || !(bent.rmsPx < sol.RMSPx) {
		t.Errorf("with distortion: focal length %.1f px, k %.3f, RMS %.3f px and %.3f without", lens.FocalPx, lens.Radial, bent.rmsPx, sol.RMSPx)
	}
	coast := scene.New(1, scene.Options{})
	plan := coast.Plan(scene.Row{
		Frames: 6, Width: lens.Width, Height: lens.Height, FocalPx: 300, Radial: [3]float64{-0.077}, Overlap: 0.56, Noise: 0.005, Seed: 1,
	})
	var twin []*Frame
	for i := range plan.Frames {
		pic, err := coast.Frame(t.Context(), 0, &plan, i)
		if err != nil {
			t.Fatal(err)
		}
		twin = append(twin, NewFrame(plan.Frames[i].File, scene.Encode8(pic)))
	}
	for _, tc := range []struct {
		o     Options
		focal float64
	}{{Options{}, 300}, {Options{Undistorted: true}, sol.Frames[0].FocalPx}} {
		if f := refined(t, twin, tc.o).rig.focalPx; !(math.Abs(f/tc.focal-1) <= 0.015) {
			t.Errorf("rendered twin, undistorted %v: focal length %.1f px, want %.1f", tc.o.Undistorted, f, tc.focal)
		}
	}
}

// refined goes as far as the cameras of a row are known.
func refined(t testing.TB, frames []*Frame, o Options) *aligner {
	t.Helper()
	a := newAligner(frames, o)
	for _, step := range []func() error{
		func() error { return a.look(t.Context()) },
		func() error { return a.match(t.Context()) },
		a.join,
		func() error { return a.refine(t.Context()) },
	} {
		if err := step(); err != nil {
			t.Fatal(err)
		}
	}
	return a
}
