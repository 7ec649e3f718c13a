package bench

import (
	"fmt"
	"image"
	"strings"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/internal/shareddata"
	"flatfell.example/stitch"
)

// tiny is enough to run through.
var tiny = Config{Seeds: 1, Width: 240, Height: 360}

func TestAccuracy(t *testing.T) {
	if testing.Short() {
		t.Skip("renders rows")
	}
	var steps []float64
	c := tiny
	c.Progress = func(done float64) { steps = append(steps, done) }
	var notes []string
	c.Note = func(found string) { notes = append(notes, found) }
	res, err := Accuracy(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Rows) != 1 || !res.Rows[0].Joined || len(res.Rows[0].Rotation) != 5 {
		t.Fatalf("%+v", res)
	}
	// A pixel has 0.16°: the row is found to a fraction of it.
	if r := &res.Rows[0]; !(r.Worst() <= 0.05*geom.Degree) || !(r.Tilt <= geom.Degree) || !(r.RMSPx <= 0.2) {
		t.Errorf("%+v", r)
	}
	if fmt.Sprint(steps) != "[1]" || len(notes) != 1 || !strings.HasPrefix(notes[0], "row 0: rotation 0.0") {
		t.Errorf("progress %v, notes %q", steps, notes)
	}
	if s := res.Report().String(); !strings.Contains(s, "Accuracy: 1 rows of 240 × 360 pixels") || !strings.Contains(s, "| rows not joined") {
		t.Errorf("report:\n%s", s)
	}
}

// TestRefusedRows: a row that is not joined is counted against the bars.
func TestRefusedRows(t *testing.T) {
	res := &AccuracyResult{Rows: []AccuracyRow{{Why: "no"}}}
	for _, b := range res.Bars() {
		if b.OK() {
			t.Errorf("%+v holds of a row that was refused", b)
		}
	}
	over := &OverlapResult{Points: []OverlapPoint{
		{Condition: rich, Overlap: 1.0 / 3, Right: 7, Wrong: 1, Refused: 2},
		{Condition: rich, Overlap: 0.2, Right: 99, Refused: 1},
		{Condition: rich, Overlap: 0.05, Refused: 3},
		{Condition: poor, Overlap: 1.0 / 3, Right: 98, Wrong: 1, Refused: 1},
		{Condition: "blur", Overlap: 1.0 / 3, Refused: 3},
	}}
	var found []string
	for _, b := range over.Bars() {
		found = append(found, fmt.Sprint(b.Found, b.OK()))
	}
	if got := fmt.Sprint(found); got != "[30 false 1 true 1 false 2 true]" {
		t.Errorf("overlap bars %v", got)
	}
}

// TestPointStitch: the same frames in three outcomes.
func TestPointStitch(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a row")
	}
	row := tiny.fieldRow(0)
	row.Frames = 3
	shots, err := tiny.photograph(t.Context(), row, scene.Options{})
	if err != nil {
		t.Fatal(err)
	}
	frames, truth := shots.frames, shots.truth
	var p OverlapPoint
	if err := p.stitch(t.Context(), tiny, frames, truth); err != nil || p.Right != 1 {
		t.Errorf("%+v, %v; want it right", p, err)
	}
	swapped := []geom.Camera{truth[1], truth[0], truth[2]}
	if err := p.stitch(t.Context(), tiny, frames, swapped); err != nil || p.Wrong != 1 {
		t.Errorf("%+v, %v; want it wrong", p, err)
	}
	// The ends of the row don't overlap.
	var ends []*stitch.Frame
	for _, f := range frames {
		if f.Name != "coast-02" {
			ends = append(ends, f)
		}
	}
	if err := p.stitch(t.Context(), tiny, ends, truth[:2]); err != nil || p.Refused != 1 {
		t.Errorf("%+v, %v; want it refused", p, err)
	}
}

// TestLightPair: a frame at twice the exposure differs until its gain halves
// it.
func TestLightPair(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a row")
	}
	c := tiny
	row := c.fieldRow(0)
	row.Frames, row.ExposureEV, row.WhiteBalanceK, row.Noise = 2, 0.5, 300, 0
	shots, err := c.photograph(t.Context(), row, scene.Options{})
	if err != nil {
		t.Fatal(err)
	}
	sol := solutionOf(shots.truth)
	for k, i := range shots.of {
		for ch, g := range shots.plan.Frames[i].Gain {
			sol.Frames[k].Gain[ch] = 1 / g
		}
	}
	before, after, _, err := overlapDeltaE(t.Context(), 0, sol, shots.frames)
	if err != nil {
		t.Fatal(err)
	}
	if len(before) < 100 || len(after) != len(before) {
		t.Fatalf("%d patches before, %d after", len(before), len(after))
	}
	// With the true gains what is left is 8 bits and the sampling.
	if b, a := median(before), median(after); !(b >= 2) || !(a <= 0.15) {
		t.Errorf("median ΔE00 %.2f before, %.2f after", b, a)
	}
}

// TestUnrelated checks the choice of pairs and a few of them.
func TestUnrelated(t *testing.T) {
	var shots []shot
	for place := range 4 {
		for part := range coastFrames {
			shots = append(shots, shot{name: fmt.Sprint(place, part), place: place, source: place, part: part})
		}
	}
	within := withinSource(shots)
	if len(within) != 4*6 { // of five frames, six pairs are no neighbours
		t.Errorf("%d pairs within a row", len(within))
	}
	two := twoCoasts(shots)
	if len(two) != 6 {
		t.Errorf("%d pairs of two coasts", len(two))
	}
	for _, p := range append(two, within...) {
		if p.a == p.b || p.a.place == p.b.place && p.b.part-p.a.part < 2 {
			t.Errorf("%s and %s may share something", p.a.name, p.b.name)
		}
	}
	if testing.Short() {
		return
	}
	place := shareddata.Dir(t, "rows", "arches-fin", "frames")
	res, err := Unrelated(t.Context(), Config{Seeds: 2, Width: 240, Height: 360}, []string{place, shareddata.Dir(t, "scenes", "Ashim_DSilva.jpg")})
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range res.Kinds {
		if k.Tried == 0 || len(k.Joined) > 0 {
			t.Errorf("%s: %d tried, %q joined", k.Name, k.Tried, k.Joined)
		}
	}
}

// TestCutSources: the parts are inside the photographs and share nothing.
func TestCutSources(t *testing.T) {
	sources, err := listSources([]string{shareddata.Dir(t, "scenes", "Ashim_DSilva.jpg")})
	if err != nil {
		t.Fatal(err)
	}
	shots, err := cutSources(t.Context(), 0, sources, image.Pt(300, 450))
	if err != nil {
		t.Fatal(err)
	}
	if len(shots) == 0 || len(shots) > 2 || shots[0].pic.Bounds() != image.Rect(0, 0, 300, 450) {
		t.Errorf("%d shots", len(shots))
	}
	if shots, err := cutSources(t.Context(), 0, sources, image.Pt(30000, 45000)); err != nil || len(shots) != 0 {
		t.Errorf("cuts larger than the photograph: %d, %v", len(shots), err)
	}
}

func TestConfig(t *testing.T) {
	for _, c := range []Config{{Seeds: -1}, {Seeds: 20000}, {Width: 100}, {Width: -1, Height: -1}, {Width: 1, Height: 1 << 20}} {
		if err := c.Validate(); err == nil {
			t.Errorf("%+v is valid", c)
		}
	}
	if c := (Config{}).withDefaults(50, 3, 800, 1200); c.Seeds != 50 || c.Width != 800 || c.Height != 1200 {
		t.Errorf("%+v", c)
	}
	if c, one := (Config{Quick: true}).withDefaults(50, 3, 800, 1200), (Config{Quick: true}).withDefaults(8, 1, 800, 1200); c.Seeds != 2 || one.Seeds != 1 {
		t.Errorf("quick: %d of 50 and %d of 8 rows", c.Seeds, one.Seeds)
	}
	if c := (Config{Large: true}).withDefaults(50, 3, 800, 1200); c.Seeds != 3 || c.Width != 4160 || c.Height != 6240 {
		t.Errorf("%+v", c)
	}
}

// TestPlaces: a flaw is found, a clean row is left alone.
func TestPlaces(t *testing.T) {
	if testing.Short() {
		t.Skip("renders rows")
	}
	res, err := Places(t.Context(), Config{Seeds: 3, Width: 300, Height: 450})
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range res.Bars() {
		if !b.OK() {
			t.Errorf("%s: %g%s", b.What, b.Found, b.Unit)
		}
	}
	if t.Failed() {
		t.Log(res.Report())
	}
}
