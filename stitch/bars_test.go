package stitch

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

// TestFieldRows holds rendered rows to the accuracy bars: each row to the
// limit for 95 % of the rows, and their medians to that for medians. The
// bench package measures more of them, and how the frames' colours agree.
func TestFieldRows(t *testing.T) {
	if testing.Short() {
		t.Skip("renders full rows")
	}
	worst := measured{medianDeg: math.Inf(1), worstDeg: 0.03, focalPercent: 0.08, rmsPx: 0.17, tiltDeg: 0.1}
	medians := measured{medianDeg: 0.006, worstDeg: 0.015, focalPercent: 0.03, rmsPx: 0.15, tiltDeg: 0.1}
	within := func(m, limit measured) bool {
		return m.medianDeg <= limit.medianDeg && m.worstDeg <= limit.worstDeg && m.focalPercent <= limit.focalPercent &&
			m.rmsPx <= limit.rmsPx && m.tiltDeg <= limit.tiltDeg
	}
	var all []measured
	for seed := range uint64(6) {
		row := photograph(t, fieldRow(seed, 800, 1200), scene.Options{})
		sol := row.align(t, Options{})
		m := row.measure(sol)
		if !within(m, worst) {
			t.Errorf("seed %d: %+v, want within %+v", seed, m, worst)
		}
		if sol.Verdict != Joined || len(sol.Advice) > 0 {
			t.Errorf("seed %d: %s, %q; want joined without advice", seed, sol.Verdict, sol.Advice)
		}
		all = append(all, m)
	}
	of := func(f func(measured) float64) float64 {
		var v []float64
		for _, m := range all {
			v = append(v, f(m))
		}
		return median(v)
	}
	m := measured{
		of(func(m measured) float64 { return m.medianDeg }), of(func(m measured) float64 { return m.worstDeg }),
		of(func(m measured) float64 { return m.focalPercent }), of(func(m measured) float64 { return m.rmsPx }),
		of(func(m measured) float64 { return m.tiltDeg }),
	}
	if !within(m, medians) {
		t.Errorf("medians %+v, want within %+v", m, medians)
	}
}

// TestLevelLeft holds the tilt that is left to the bars where the picture shows
// the vertical. Where it doesn't, the bars are TestLevelByPoses's, and the
// picture must not spoil what the true poses tell.
func TestLevelLeft(t *testing.T) {
	if testing.Short() {
		t.Skip("renders rows")
	}
	bare := scene.Options{NoHorizon: true, Posts: -1}
	for _, tc := range []struct {
		name         string
		hand, pitch  geom.Angle // the hand's error; the common elevation
		o            scene.Options
		seed         uint64
		limitDegrees float64 // zero: what the poses tell
	}{
		{"tripod, horizon and posts", 0.1 * geom.Degree, 10 * geom.Degree, scene.Options{}, 1, 0.05},
		{"tripod, nothing", 0.1 * geom.Degree, -10 * geom.Degree, bare, 4, 0},
		{"hand, horizon", geom.Degree, 0, scene.Options{Posts: -1}, 1, 0.1},
		{"hand, horizon", geom.Degree, 0, scene.Options{Posts: -1}, 4, 0.1},
		{"hand, nothing", geom.Degree, 0, bare, 1, 0},
	} {
		r := fieldRow(tc.seed, 500, 750)
		r.RollErr, r.PitchErr, r.Pitch = tc.hand, tc.hand, tc.pitch
		row := photograph(t, r, tc.o)
		limit := tc.limitDegrees
		if limit == 0 {
			limit = row.levelByPoses() + 0.01
		}
		if m := row.measure(row.align(t, Options{})); !(m.tiltDeg <= limit) {
			t.Errorf("%s, seed %d: %.3f° of tilt left, want ≤ %.3f", tc.name, tc.seed, m.tiltDeg, limit)
		}
	}
}

// levelByPoses returns the tilt in degrees that the true poses leave.
func (p *photographed) levelByPoses() float64 {
	var rots []geom.Rotation
	for _, k := range p.of {
		rots = append(rots, p.truth.Frames[k].Camera.CamFromWorld)
	}
	return degreesBetween(rowLevel(rots), upVec)
}

// TestLevelByPoses: with nothing to level by in the picture, poses known
// exactly leave, in the median of 200 rows of five or six frames, 0.41° of
// rows held by hand within 1° and 0.04° of rows from a tripod, whatever its
// pitch. That is the hand's doing: each frame's roll and pitch tell of it, and these are off.
func TestLevelByPoses(t *testing.T) {
	coast := scene.New(0, scene.Options{})
	for _, tc := range []struct {
		hand, pitch  geom.Angle
		limitDegrees float64
	}{
		{geom.Degree, 0, 0.6},
		{0.1 * geom.Degree, 0, 0.05},
		{0.1 * geom.Degree, 10 * geom.Degree, 0.05},
		{0.1 * geom.Degree, -10 * geom.Degree, 0.05},
	} {
		var left []float64
		for seed := range uint64(200) {
			r := fieldRow(seed, 800, 1200)
			r.RollErr, r.PitchErr, r.Pitch = tc.hand, tc.hand, tc.pitch
			row := photographed{truth: coast.Plan(r)}
			for i := range row.truth.Frames {
				row.of = append(row.of, i)
			}
			left = append(left, row.levelByPoses())
		}
		if m := median(left); !(m <= tc.limitDegrees) {
			t.Errorf("hand %v, pitch %v: median tilt %.3f°, want ≤ %g", tc.hand, tc.pitch, m, tc.limitDegrees)
		}
	}
}

// TestWorkersDoNotMatter: any number of workers gives the same Solution and the
// same pixels.
func TestWorkersDoNotMatter(t *testing.T) {
	row := smallRow(t)
	var sols [][]byte
	var pics []*raster.Picture
	for _, workers := range []int{1, 2, 8} {
		o := Options{Workers: workers, Crop: Crop{Whole: true}}
		sol := row.align(t, o)
		pic, err := Render(t.Context(), sol, row.frames, o)
		if err != nil {
			t.Fatal(err)
		}
		sol.Stages, sol.PeakMemoryBytes = nil, 0
		var b bytes.Buffer
		if _, err := sol.WriteTo(&b); err != nil {
			t.Fatal(err)
		}
		sols, pics = append(sols, b.Bytes()), append(pics, pic)
	}
	for i := 1; i < len(sols); i++ {
		if !bytes.Equal(sols[i], sols[0]) {
			t.Errorf("the Solution depends on the number of workers:\n%s\n%s", sols[0], sols[i])
		}
		if pics[i].Rect != pics[0].Rect || !slices.Equal(pics[i].Pix, pics[0].Pix) || !slices.Equal(pics[i].Alpha, pics[0].Alpha) {
			t.Error("the pixels depend on the number of workers")
		}
	}
}

// TestUnrelatedPairs: frames that share nothing are never joined: those of
// other coasts, with and without posts, clouds and a horizon, those of one
// coast that do not overlap, and real ones. The bench package tries far more.
func TestUnrelatedPairs(t *testing.T) {
	if testing.Short() {
		t.Skip("a long one, and nothing in it runs at once that others do not run")
	}
	const w, h = 240, 360
	var shots []*Frame
	coasts := []scene.Options{{}, {Posts: -1}, {Clouds: -1}, {NoHorizon: true}}
	for seed := range uint64(4) {
		coast := scene.New(seed, coasts[seed])
		row := fieldRow(seed, w, h)
		row.Frames, row.YawErr = 5, 0
		truth := coast.Plan(row)
		for i := 0; i < 5; i += 2 { // neighbours share a third
			pic, err := coast.Frame(t.Context(), 0, &truth, i)
			if err != nil {
				t.Fatal(err)
			}
			shots = append(shots, NewFrame(fmt.Sprintf("coast %d frame %d", seed, i), scene.Encode8(pic)))
		}
	}
	if !testing.Short() {
		for _, set := range []string{"rows/arches-fin", "rows/arches-ridge", "rows/yosemite", "pairs/uttower-pair"} {
			img, err := openSet(t, set)[0].Image(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			pic, err := raster.FromImage(t.Context(), 0, img)
			if err != nil {
				t.Fatal(err)
			}
			pic.Rect = image.Rect(0, 0, w, h) // its upper left corner
			shots = append(shots, NewFrame(set, pic))
		}
	}
	every := 2 // of the pairs
	if testing.Short() {
		every = 6
	}
	for i, a := range shots {
		for j, b := range shots[:i] {
			if (i+j)%every != 0 {
				continue
			}
			if _, err := Align(t.Context(), []*Frame{b, a}, Options{}); !errors.Is(err, ErrNotJoined) {
				t.Errorf("%s and %s: %v, want not joined", b.Name, a.Name, err)
			}
		}
	}
}
