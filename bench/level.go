package bench

import (
	"context"
	"fmt"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
)

// LevelResult is what [Level] measured.
type LevelResult struct {
	Width, Height int
	Cases         []LevelCase
}

// LevelCase is one way to hold the camera before one kind of coast.
type LevelCase struct {
	Name string
	// Limit is the tilt that may be left in the worst row, or in the median
	// row if Blind.
	Limit geom.Angle
	// Blind says that nothing in view shows the vertical. What is left is
	// then the hand's or the tripod's own error as the poses carry it: poses
	// known exactly leave a median of 0.4° and 0.04°.
	Blind bool
	// Horizon says that a sea horizon is in view, whose bow then counts.
	Horizon bool
	Tilt    []geom.Angle // left in each row
	Bow     []float64    // see Errors.Bow
	Refused int

	row   scene.Row
	coast scene.Options
}

// levelCases are the cases of the bars.
func levelCases() []LevelCase {
	tripod := func(pitch geom.Angle) scene.Row {
		return scene.Row{RollErr: 0.1 * geom.Degree, PitchErr: 0.1 * geom.Degree, Pitch: pitch}
	}
	hand := scene.Row{RollErr: geom.Degree, PitchErr: geom.Degree}
	bare := scene.Options{NoHorizon: true, Posts: -1}
	const t, e, n = 0.05 * geom.Degree, 0.1 * geom.Degree, 0.6 * geom.Degree
	return []LevelCase{
		{Name: "tripod, pitch 0°, horizon and posts", Limit: t, Horizon: true, row: tripod(0)},
		{Name: "tripod, pitch 10°, horizon and posts", Limit: t, Horizon: true, row: tripod(10 * geom.Degree)},
		{Name: "tripod, pitch 0°, nothing to level by", Limit: t, Blind: true, row: tripod(0), coast: bare},
		{Name: "tripod, pitch −10°, nothing to level by", Limit: t, Blind: true, row: tripod(-10 * geom.Degree), coast: bare},
		{Name: "hand-held, horizon and posts", Limit: e, Horizon: true, row: hand},
		{Name: "hand-held, horizon", Limit: e, Horizon: true, row: hand, coast: scene.Options{Posts: -1}},
		{Name: "hand-held, posts", Limit: e, row: hand, coast: scene.Options{NoHorizon: true}},
		{Name: "hand-held, nothing to level by", Limit: n, Blind: true, row: hand, coast: bare},
	}
}

// Level stitches rows as [Accuracy] does, from a levelled tripod (roll and
// pitch off by up to 0.1°, one common pitch) and by hand (1°), with and
// without a sea horizon and upright posts in view, and measures the tilt that
// is left. The default is 8 rows a case, of 800 × 1200 pixels, or 1 large one.
// Where nothing shows the vertical, fewer than some 20 rows' median is luck,
// but the poses are all that counts: there it is blindRows times as many rows
// of half the size.
func Level(ctx context.Context, c Config) (*LevelResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(8, 1, 800, 1200)
	res := &LevelResult{Width: c.Width, Height: c.Height, Cases: levelCases()}
	for k := range res.Cases {
		lc := &res.Cases[k]
		c := c
		if lc.Blind {
			c.Seeds, c.Width, c.Height = blindRows*c.Seeds, c.Width/2, c.Height/2
		}
		for seed := range uint64(c.Seeds) {
			row := c.fieldRow(seed)
			row.RollErr, row.PitchErr, row.Pitch = lc.row.RollErr, lc.row.PitchErr, lc.row.Pitch
			shots, sol, err := c.join(ctx, row, lc.coast)
			switch {
			case err != nil:
				return nil, err
			case sol == nil:
				lc.Refused++
			default:
				e := Compare(sol, shots.truth)
				lc.Tilt, lc.Bow = append(lc.Tilt, e.Tilt), append(lc.Bow, e.Bow)
			}
			c.Progress((float64(k) + float64(seed+1)/float64(c.Seeds)) / float64(len(res.Cases)))
		}
		c.Note(lc.String())
	}
	return res, nil
}

// blindRows is how many times as many rows a blind case takes.
const blindRows = 3

// String says what became of the case in one line.
func (lc *LevelCase) String() string {
	d := lc.degrees()
	return fmt.Sprintf("%s: %d rows, tilt left %s° in the median, %s° at worst", lc.Name, len(d), figure(median(d)), figure(quantile(d, 1)))
}

func (lc *LevelCase) degrees() (v []float64) {
	for _, a := range lc.Tilt {
		v = append(v, a.Degrees())
	}
	return v
}

// Bars returns the figures that must hold.
func (r *LevelResult) Bars() (bars []Bar) {
	for i := range r.Cases {
		lc := &r.Cases[i]
		which, share := "worst row", 1.0
		if lc.Blind {
			which, share = "median row", 0.5
		}
		bars = append(bars, Bar{lc.Name + ": tilt left, " + which, quantile(lc.degrees(), share), lc.Limit.Degrees(), "°"})
		if lc.Horizon {
			bars = append(bars, Bar{lc.Name + ": bow, px per 1000, worst row", 1000 * quantile(lc.Bow, 1), 1, ""})
		}
	}
	return bars
}

// Report returns the bars and the cases.
func (r *LevelResult) Report() Report {
	t := &table{head: []string{"case", "rows", "refused", "tilt left °: median", "95 % within", "worst", "bow px per 1000: median", "worst"}}
	for i := range r.Cases {
		lc := &r.Cases[i]
		d := lc.degrees()
		t.add(lc.Name, fmt.Sprint(len(d)), fmt.Sprint(lc.Refused), figure(median(d)), figure(quantile(d, 0.95)), figure(quantile(d, 1)),
			figure(1000*median(lc.Bow)), figure(1000*quantile(lc.Bow, 1)))
	}
	return report(fmt.Sprintf("Level: rows of %d × %d pixels", r.Width, r.Height), r.Bars(), t)
}
