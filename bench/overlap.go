package bench

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"

	"flatfell.example/geom"
	pages "flatfell.example/internal/report"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// overlaps are the shares of the view angle at which Overlap looks,
// fewOverlaps those of the bars.
var (
	overlaps    = []float64{0.50, 0.40, 1.0 / 3, 0.30, 0.25, 0.20, 0.15, 0.12, 0.10, 0.08, 0.06, 0.05}
	fewOverlaps = []float64{1.0 / 3, 0.20, 0.12, 0.08}
)

// right is the largest rotation error of a row that counts as stitched right.
const right = 0.1 * geom.Degree

// condition is one way to make a row harder, on top of what every row has.
type condition struct {
	name, what string
	set        func(*scene.Row, *scene.Options)
	// lens blurs each frame, in pixels of shake.
	shakePx float64
	// known says that the frames tell their focal length, off by up to 1 % as
	// metadata are.
	known bool
}

// The conditions that have bars of their own.
const (
	rich = "rich texture"
	poor = "sky and sea"
)

// conditions are what Overlap crosses the overlap with, rich first.
var conditions = []condition{
	{name: rich, what: "sand, posts, sea and clouds; 1 % noise, ±1° of roll and pitch, ±0.3 EV, k1 = −0.02, no metadata"},
	{name: "focal length known", what: "to 1 %, as metadata tell it", known: true},
	{name: poor, what: "pitched up by 15°: two thirds sky, the rest mostly sea, no posts", set: func(r *scene.Row, o *scene.Options) {
		r.Pitch, o.Posts = 15*geom.Degree, -1
	}},
	{name: "repetitive", what: "300 posts in rows", set: func(_ *scene.Row, o *scene.Options) { o.Posts = 300 }},
	{name: "noise", what: "5 % in each frame", set: func(r *scene.Row, _ *scene.Options) { r.Noise = 0.05 }},
	{name: "blur", what: "each frame shaken over 4 pixels", shakePx: 4},
	{name: "exposure", what: "off by up to ±1.5 EV", set: func(r *scene.Row, _ *scene.Options) { r.ExposureEV = 1.5 }},
	{name: "roll", what: "off by up to ±8°", set: func(r *scene.Row, _ *scene.Options) { r.RollErr = 8 * geom.Degree }},
	{name: "distortion", what: "k1 = −0.12", set: func(r *scene.Row, _ *scene.Options) { r.Radial[0] = -0.12 }},
	{name: "parallax", what: "entrance pupil 60 mm off the axis, the nearest post 7 m away", set: func(r *scene.Row, _ *scene.Options) {
		r.PupilOffset = geom.Vec{Z: 0.06}
	}},
}

// OverlapResult is what [Overlap] measured.
type OverlapResult struct {
	Width, Height int
	Points        []OverlapPoint
}

// OverlapPoint is what became of the rows of one overlap under one condition.
type OverlapPoint struct {
	Condition string
	Overlap   float64 // share of the view angle
	// Right rows have a worst rotation error below 0.1°, Wrong ones a larger
	// one, Refused ones were not joined. Weak of the joined ones say so.
	Right, Wrong, Refused, Weak int
	// Worst is each joined row's worst rotation error.
	Worst []geom.Angle
}

// Rows returns the number of rows that were tried.
func (p *OverlapPoint) Rows() int { return p.Right + p.Wrong + p.Refused }

// Overlap stitches rows of three frames with 50 % down to 5 % of overlap,
// otherwise as [Accuracy] but without errors of yaw; and, at fewer overlaps and
// for half as many seeds, rows of little texture, repetitive ones, and ones with
// more noise, blur, errors of exposure and roll, distortion or parallax. The
// default is 20 rows an overlap, of 600 × 900 pixels, or 1 large one, and more
// where there is a bar at a third of overlap or less: 200 rows of rich texture, 100
// of sky and sea. Quick makes 3 and 1 of these, keeps to the overlaps of the bars, and
// to one of them under the conditions.
func Overlap(ctx context.Context, c Config) (*OverlapResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	sure := 1
	switch {
	case c.Seeds != 0 || c.Large:
	case c.Quick:
		sure = 3
	default:
		sure = 10
	}
	c = c.withDefaults(20, 1, 600, 900)
	res := &OverlapResult{Width: c.Width, Height: c.Height}
	all, done := 0, 0
	for _, count := range []bool{true, false} {
		for k := range conditions {
			shares, usual := c.crossing(k)
			for _, share := range shares {
				p := OverlapPoint{Condition: conditions[k].name, Overlap: share}
				seeds := usual
				if _, ok := p.limit(); ok && slices.Contains(fewOverlaps, share) {
					if seeds = sure * c.Seeds; k > 0 && sure > 1 {
						seeds /= 2
					}
				} else if c.BarsOnly {
					continue
				}
				if count {
					all += seeds
					continue
				}
				for seed := range uint64(seeds) {
					if err := p.row(ctx, c, &conditions[k], seed); err != nil {
						return nil, err
					}
					done++
					c.Progress(float64(done) / float64(all))
				}
				res.Points = append(res.Points, p)
				c.Note(fmt.Sprintf("%s, overlap %.0f %%: %d of %d right, %d wrong, %d refused", p.Condition, 100*share, p.Right, p.Rows(), p.Wrong, p.Refused))
			}
		}
	}
	return res, nil
}

// crossing returns at which overlaps and with how many seeds condition number k
// is looked at.
func (c Config) crossing(k int) (shares []float64, seeds int) {
	switch {
	case k == 0 && c.Quick:
		return fewOverlaps, c.Seeds
	case k == 0:
		return overlaps, c.Seeds
	case c.Quick && conditions[k].name == poor:
		return fewOverlaps[:1], (c.Seeds + 1) / 2
	case c.Quick:
		return fewOverlaps[2:3], (c.Seeds + 1) / 2
	}
	return fewOverlaps, (c.Seeds + 1) / 2
}

// row renders and stitches one row.
func (p *OverlapPoint) row(ctx context.Context, c Config, cond *condition, seed uint64) error {
	row, coast := c.fieldRow(seed), scene.Options{}
	row.Frames, row.Overlap, row.YawErr = 3, p.Overlap, 0
	if cond.set != nil {
		cond.set(&row, &coast)
	}
	shots, err := c.photographBlurred(ctx, row, coast, cond.shakePx)
	if err != nil {
		return err
	}
	if cond.known {
		off := 1 + 0.01*(2*rand.New(rand.NewPCG(seed, 7)).Float64()-1)
		for j, f := range shots.frames {
			f.FocalPx, f.FocalSource = shots.truth[j].FocalPx*off, "metadata"
		}
	}
	return p.stitch(ctx, c, shots.frames, shots.truth)
}

func (p *OverlapPoint) stitch(ctx context.Context, c Config, frames []*stitch.Frame, truth []geom.Camera) error {
	sol, err := stitch.Align(ctx, frames, stitch.Options{Workers: c.Workers})
	if errors.Is(err, stitch.ErrNotJoined) {
		p.Refused++
		return nil
	}
	if err != nil {
		return err
	}
	e := Compare(sol, truth)
	p.Worst = append(p.Worst, e.Worst())
	if e.Worst() < right {
		p.Right++
	} else {
		p.Wrong++
	}
	if sol.Verdict == stitch.Weak {
		p.Weak++
	}
	return nil
}

// Interval returns the bounds within which the true share of successes lies in
// 95 % of all experiments that find hits of n: the score interval of Wilson
// (Probable inference, the law of succession, and statistical inference, J.
// Am. Stat. Assoc. 22, 1927). Of nothing it is all, 0 to 1.
func Interval(hits, n int) (low, high float64) {
	if n == 0 {
		return 0, 1
	}
	const z = 1.959964 // the normal distribution's 97.5 % quantile
	p, m := float64(hits)/float64(n), float64(n)
	mid := p + z*z/(2*m)
	half := z * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	return max(0, (mid-half)/(1+z*z/m)), min(1, (mid+half)/(1+z*z/m))
}

// Report returns the bars and a table of the points.
func (r *OverlapResult) Report() Report {
	t := &table{head: []string{"condition", "overlap", "rows", "right", "95 % interval of right", "wrong", "refused", "said weak", "worst frame °, median row", "worst row"}}
	for i := range r.Points {
		p := &r.Points[i]
		low, high := Interval(p.Right, p.Rows())
		var worst []float64
		for _, a := range p.Worst {
			worst = append(worst, a.Degrees())
		}
		t.add(p.Condition, fmt.Sprintf("%.0f %%", 100*p.Overlap), fmt.Sprint(p.Rows()), fmt.Sprint(p.Right),
			fmt.Sprintf("%.1f–%.1f %%", 100*low, 100*high), fmt.Sprint(p.Wrong), fmt.Sprint(p.Refused), fmt.Sprint(p.Weak),
			figure(median(worst)), figure(quantile(worst, 1)))
	}
	about := &table{head: []string{"condition", "what it is"}}
	for _, c := range conditions {
		about.add(c.name, c.what)
	}
	return report(fmt.Sprintf("Overlap: rows of three frames of %d × %d pixels", r.Width, r.Height), r.Bars(), t, about)
}

// WriteCSV writes a line for each point: the condition, the overlap as a share,
// how many rows were tried, stitched right, wrongly and refused, the bounds of
// [Interval] for the right ones and for the wrong ones, and the median row's
// worst rotation error in degrees, empty if none was joined.
func (r *OverlapResult) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	lines := [][]string{{
		"condition", "overlap", "rows", "right", "wrong", "refused",
		"right_low", "right_high", "wrong_low", "wrong_high", "worst_frame_degrees",
	}}
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }
	for i := range r.Points {
		p := &r.Points[i]
		low, high := Interval(p.Right, p.Rows())
		wrongLow, wrongHigh := Interval(p.Wrong, p.Rows())
		worst := ""
		if len(p.Worst) > 0 {
			var v []float64
			for _, a := range p.Worst {
				v = append(v, a.Degrees())
			}
			worst = number(median(v))
		}
		lines = append(lines, []string{
			p.Condition, number(p.Overlap), fmt.Sprint(p.Rows()), fmt.Sprint(p.Right), fmt.Sprint(p.Wrong), fmt.Sprint(p.Refused),
			number(low), number(high), number(wrongLow), number(wrongHigh), worst,
		})
	}
	return c.WriteAll(lines)
}

// limit is the share of rows in per cent that may not be stitched right; ok is
// false if none is set.
func (p *OverlapPoint) limit() (percent float64, ok bool) {
	switch share := math.Round(100 * p.Overlap); {
	case p.Condition == poor && share == 33:
		return 3, true
	case p.Condition != rich:
	case share >= 33:
		return 0, true
	case share == 20:
		return 1, true
	case share == 12:
		return 5, true
	case share == 8:
		return 20, true
	}
	return 0, false
}

// Bars returns the figures that must hold.
func (r *OverlapResult) Bars() (bars []Bar) {
	for i := range r.Points {
		p := &r.Points[i]
		limit, ok := p.limit()
		if !ok {
			continue
		}
		if p.Condition == poor {
			bars = append(bars, Bar{poor + ", overlap 33 %: wrongly stitched", percentOf(p.Wrong, p.Rows()), 0, " %"})
		}
		bars = append(bars, Bar{fmt.Sprintf("%s, overlap %.0f %%: not stitched right", p.Condition, 100*p.Overlap), percentOf(p.Rows()-p.Right, p.Rows()), limit, " %"})
	}
	return bars
}

func percentOf(k, n int) float64 { return 100 * float64(k) / float64(n) }

// Plot draws the points as an SVG document, a panel for each condition.
func (r *OverlapResult) Plot() []byte {
	var panels []pages.CurvePanel
	for i := len(r.Points) - 1; i >= 0; i-- { // from the smallest overlap on
		p := &r.Points[i]
		if len(panels) == 0 || panels[0].Name != p.Condition {
			panels = append([]pages.CurvePanel{{Name: p.Condition}}, panels...)
		}
		low, high := Interval(p.Right, p.Rows())
		panels[0].Points = append(panels[0].Points, pages.CurvePoint{
			X: p.Overlap, Right: float64(p.Right) / float64(p.Rows()), Low: low, High: high, Wrong: float64(p.Wrong) / float64(p.Rows()),
		})
	}
	return pages.Curves(fmt.Sprintf("Rows of three frames of %d × %d pixels", r.Width, r.Height),
		"overlap of neighbours", "stitched right, 95 % interval", "stitched wrong", 0.5, panels)
}
