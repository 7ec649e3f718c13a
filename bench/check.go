package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// CheckResult is what [Check] measured.
type CheckResult struct {
	// OverlapOff is by how much the overlaps of clean rows were off, in percentage
	// points of the frame's area.
	OverlapOff []float64
	Faults     []CheckFault
	// Rows were judged and stitched; Disagree says of which the two told apart.
	Rows     int
	Disagree []string
}

// CheckFault is one kind of fault, seeded into rows; the empty name is a clean
// row.
type CheckFault struct {
	Name        string
	Rows, Found int
	Missed      []string
}

// fault is a kind of fault: what it does to a planned row, at the pair or frame
// number at, and the findings that name it.
type fault struct {
	name string
	do   func(t *scene.Truth, at int, sign float64)
	// drop says that the frame at is left out.
	drop bool
	as   []stitch.FindingKind
	// pair says that the fault lies between at − 1 and at, else at frame at.
	pair bool
}

// turnFrom turns the frames from at on by an angle.
func turnFrom(t *scene.Truth, at int, by geom.Angle) {
	for i := at; i < len(t.Frames); i++ {
		pose(&t.Frames[i], by, 0, 0)
	}
}

// pose turns one frame.
func pose(f *scene.FrameTruth, yaw, pitch, roll geom.Angle) {
	f.Yaw, f.Pitch, f.Roll = f.Yaw+yaw, f.Pitch+pitch, f.Roll+roll
	f.Camera.CamFromWorld = geom.FromYawPitchRoll(f.Yaw, f.Pitch, f.Roll)
}

// faults are the kinds of faults. Pupils and shifts are those of frames of some
// hundred pixels, where a camera's would not show.
var faults = []fault{
	{name: "gap in the row", pair: true, as: []stitch.FindingKind{stitch.FoundGap, stitch.FoundThin}, do: func(t *scene.Truth, at int, _ float64) {
		wide, _ := t.Frames[0].Camera.ViewAngles()
		turnFrom(t, at, geom.Angle(0.3*wide.Radians()))
	}},
	{name: "frame out of focus", as: []stitch.FindingKind{stitch.FoundFocus}, do: func(t *scene.Truth, at int, _ float64) {
		t.Frames[at].Lens = scene.Lens{ApertureM: 0.02, FocusM: 1.2}
	}},
	{name: "shake", as: []stitch.FindingKind{stitch.FoundBlur}, do: func(t *scene.Truth, at int, sign float64) {
		f := &t.Frames[at]
		px := 5 / f.Camera.FocalPx
		f.Lens = scene.Lens{Shake: geom.Vec{X: px * 0.8, Y: sign * px * 0.6}}
	}},
	{name: "exposure jump of 0.7 EV", as: []stitch.FindingKind{stitch.FoundExposure}, do: func(t *scene.Truth, at int, sign float64) {
		for c := range t.Frames[at].Gain {
			t.Frames[at].Gain[c] *= math.Exp2(0.7 * sign)
		}
	}},
	{name: "roll of 2°", as: []stitch.FindingKind{stitch.FoundRoll}, do: func(t *scene.Truth, at int, sign float64) {
		pose(&t.Frames[at], 0, 0, geom.Angle(2*sign)*geom.Degree)
	}},
	{name: "bumped tripod", pair: true, as: []stitch.FindingKind{stitch.FoundMoved}, do: func(t *scene.Truth, at int, sign float64) {
		for i := at; i < len(t.Frames); i++ {
			t.Frames[i].Origin.X += 0.12 * sign
			t.Frames[i].Origin.Y += 0.03
			pose(&t.Frames[i], 0, geom.Angle(1.2*sign)*geom.Degree, 0)
		}
	}},
	{name: "frame missing", drop: true, pair: true, as: []stitch.FindingKind{stitch.FoundGap, stitch.FoundMissing}},
}

// Check looks at rows of five frames of a careful photographer with a seeded
// fault each, and at as many without; compares the overlaps found with the true
// ones; and judges rows from easy to impossible at reduced size to compare the
// verdict with what a full run makes of them. The default is 20 rows of each
// fault of 320 × 480 pixels, and ten rows of 1120 × 1680 to stitch for each.
func Check(ctx context.Context, c Config) (*CheckResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(20, 2, 320, 480)
	res := &CheckResult{Faults: []CheckFault{{Name: "none"}}}
	for _, f := range faults {
		res.Faults = append(res.Faults, CheckFault{Name: f.name})
	}
	total := float64(c.Seeds) * float64(len(faults)+2+stitchedRows)
	done := 0.0
	step := func() {
		done++
		c.Progress(done / total)
	}
	for seed := range uint64(c.Seeds) {
		for k := -2; k < len(faults); k++ { // two clean rows a seed
			if err := res.seeded(ctx, c, seed, k); err != nil {
				return nil, err
			}
			step()
		}
	}
	for i := range c.Seeds * stitchedRows {
		if err := res.stitched(ctx, c, uint64(i)); err != nil {
			return nil, err
		}
		step()
	}
	return res, nil
}

// seeded renders and checks one row with fault k, or a clean one.
func (r *CheckResult) seeded(ctx context.Context, c Config, seed uint64, k int) error {
	coast, plan, at := c.seededRow(seed, k)
	var frames []*stitch.Frame
	for i := range plan.Frames {
		pic, err := coast.Frame(ctx, c.Workers, plan, i)
		if err != nil {
			return err
		}
		frames = append(frames, stitch.NewFrame(plan.Frames[i].File, scene.Encode8(pic)))
	}
	return r.judged(ctx, c, frames, plan, at, seed, k)
}

// seededRow plans a row with fault k at a frame.
func (c Config) seededRow(seed uint64, k int) (coast *scene.Scene, plan *scene.Truth, at int) {
	rng := rand.New(rand.NewPCG(seed, uint64(k+7)))
	row := scene.Row{
		Frames: 5, Width: c.Width, Height: c.Height, Overlap: 0.35, Seed: seed*100 + uint64(k+2),
		RollErr: 0.3 * geom.Degree, PitchErr: 0.3 * geom.Degree, YawErr: 0.8 * geom.Degree,
		Radial: [3]float64{-0.02}, ExposureEV: 0.1, VignettingStops: 0.5, Noise: 0.008,
	}
	coast = scene.New(row.Seed, scene.Options{Movers: 3})
	t := coast.Plan(row)
	at, sign := 1+rng.IntN(3), float64(1-2*rng.IntN(2))
	if k < 0 {
		return coast, &t, at
	}
	if f := &faults[k]; f.drop {
		t.Frames = slices.Delete(t.Frames, at, at+1)
	} else {
		if f.pair {
			at = 2 + rng.IntN(2)
		}
		f.do(&t, at, sign)
	}
	return coast, &t, at
}

// judged checks a rendered row.
func (r *CheckResult) judged(ctx context.Context, c Config, frames []*stitch.Frame, plan *scene.Truth, at int, seed uint64, k int) error {
	rep, err := stitch.Check(ctx, frames, stitch.CheckOptions{Workers: c.Workers})
	if err != nil {
		return err
	}
	out := &r.Faults[max(k+1, 0)] // the first counts the clean rows
	out.Rows++
	var said []string
	ok := k < 0
	for _, f := range rep.Findings {
		said = append(said, fmt.Sprintf("%s: %s", f.Kind, f.Text))
		if k < 0 {
			ok = ok && !f.Reshoot
			continue
		}
		if !slices.Contains(faults[k].as, f.Kind) {
			continue
		}
		want := []string{plan.Frames[at].File}
		if faults[k].pair {
			want = append(want, plan.Frames[at-1].File)
		}
		right := len(f.Frames) == len(want)
		for _, w := range want {
			right = right && slices.ContainsFunc(f.Frames, func(i int) bool { return rep.Frames[i].File == w })
		}
		ok = ok || right
	}
	if ok {
		out.Found++
	} else {
		out.Missed = append(out.Missed, fmt.Sprintf("seed %d, at %s: %q", seed, plan.Frames[at].File, said))
	}
	if k >= 0 {
		return nil
	}
	for _, p := range rep.Pairs {
		a, b := indexOf(plan, rep.Frames[p.A].File), indexOf(plan, rep.Frames[p.B].File)
		truth := areaInCommon(&plan.Frames[a].Camera, &plan.Frames[b].Camera)
		r.OverlapOff = append(r.OverlapOff, 100*math.Abs(p.Overlap-truth))
	}
	return nil
}

func indexOf(t *scene.Truth, file string) int {
	return slices.IndexFunc(t.Frames, func(f scene.FrameTruth) bool { return f.File == file })
}

// areaInCommon is the share of a's pixels that b sees, pixel by pixel.
func areaInCommon(a, b *geom.Camera) float64 {
	in := 0
	for y := range a.Height {
		for x := range a.Width {
			w, _ := a.WorldFromPixel(geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5})
			if q, ok := b.PixelFromWorld(w); ok && b.Contains(q, 0) {
				in++
			}
		}
	}
	return float64(in) / float64(a.Width*a.Height)
}

const (
	// stitchedRows is the number of rows that are stitched for each seed.
	stitchedRows = 10
	// stitchedWidth and stitchedHeight are a little more than what Align looks for
	// corners at, so that it reduces them by two, and so does Check, as both
	// reduce a camera's frames by four.
	stitchedWidth, stitchedHeight = 1120, 1680
)

// stitched judges one row of three frames at reduced size and stitches it.
func (r *CheckResult) stitched(ctx context.Context, c Config, seed uint64) error {
	rng := rand.New(rand.NewPCG(seed, 31))
	in := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	hard := float64(seed%10) / 9 // from easy to impossible
	row := scene.Row{
		Frames: 3, Width: stitchedWidth, Height: stitchedHeight, Seed: seed + 5000, Supersample: 1,
		Overlap: in(0.3, 0.45) - 0.45*hard*in(0.5, 1), RollErr: geom.Angle(1+3*hard) * geom.Degree, PitchErr: geom.Degree,
		Radial: [3]float64{-0.02}, ExposureEV: 0.2 + hard, Noise: 0.005 + 0.03*hard*in(0, 1), VignettingStops: in(0, 1),
	}
	if rng.Float64() < hard {
		row.PupilOffset = geom.Vec{X: in(-0.1, 0.1), Z: in(0, 0.3)}
	}
	coast := scene.Options{Movers: int(12 * hard)}
	if rng.IntN(3) == 0 {
		coast.Posts, coast.Clouds = -1, -1
	}
	shots, err := c.photograph(ctx, row, coast)
	if err != nil {
		return err
	}
	_, err = stitch.Align(ctx, shots.frames, stitch.Options{Workers: c.Workers})
	if err != nil && !errors.Is(err, stitch.ErrNotJoined) {
		return err
	}
	rep, checkErr := stitch.Check(ctx, shots.frames, stitch.CheckOptions{Workers: c.Workers})
	if checkErr != nil {
		return checkErr
	}
	r.Rows++
	if joins := rep.Verdict != stitch.WillNotJoin; joins != (err == nil) {
		r.Disagree = append(r.Disagree, fmt.Sprintf("row %d, overlap %.0f %%, noise %.1f %%: check says %s, stitch %v", seed, 100*row.Overlap, 100*row.Noise, rep.Verdict, err))
	}
	return nil
}

// Bars returns the figures that must hold.
func (r *CheckResult) Bars() []Bar {
	percent := func(n, of int) float64 { return 100 * float64(n) / float64(max(of, 1)) }
	missed, rows := 0, 0
	for _, f := range r.Faults[1:] {
		missed += f.Rows - f.Found
		rows += f.Rows
	}
	clean := &r.Faults[0]
	return []Bar{
		{"overlap, worst of the clean rows' pairs, off by", quantile(r.OverlapOff, 1), 1, " points"},
		{"seeded faults not found or not named", percent(missed, rows), 2, " %"},
		{"clean rows with a false alarm", percent(clean.Rows-clean.Found, clean.Rows), 2, " %"},
		{"rows of which check and stitch disagree", percent(len(r.Disagree), r.Rows), 2, " %"},
	}
}

// Report returns the bars, the faults and what went wrong.
func (r *CheckResult) Report() Report {
	t := &table{head: []string{"fault", "rows", "right"}}
	w := &table{head: []string{"what went wrong"}}
	for _, f := range r.Faults {
		t.add(f.Name, fmt.Sprint(f.Rows), fmt.Sprint(f.Found))
		for _, m := range f.Missed {
			w.add(f.Name + ", " + m)
		}
	}
	for _, d := range r.Disagree {
		w.add(d)
	}
	tables := []*table{t}
	if len(w.rows) > 0 {
		tables = append(tables, w)
	}
	return report(fmt.Sprintf("Check: %d rows stitched and checked, %d overlaps", r.Rows, len(r.OverlapOff)), r.Bars(), tables...)
}
