package bench

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// overlaps are the shares of the view angle at which Overlap looks.
var overlaps = []float64{0.50, 0.40, 1.0 / 3, 0.30, 0.25, 0.20, 0.15, 0.12, 0.10, 0.08, 0.06, 0.05}

// right is the largest rotation error of a row that counts as stitched right.
const right = 0.1 * geom.Degree

// OverlapResult is what [Overlap] measured.
type OverlapResult struct {
	Width, Height, Seeds int
	Points               []OverlapPoint
}

// OverlapPoint is what became of the rows of one overlap.
type OverlapPoint struct {
	Overlap float64 // share of the view angle
	// Known says that the frames tell their focal length, off by up to 1 % as
	// metadata are.
	Known bool
	// Right rows have a worst rotation error below 0.1°, Wrong ones a larger
	// one, Refused ones were not joined. Weak of the joined ones say so.
	Right, Wrong, Refused, Weak int
	// Worst is each joined row's worst rotation error.
	Worst []geom.Angle
}

// Overlap stitches rows of three frames with 50 % down to 5 % of overlap,
// otherwise as [Accuracy] but without errors of yaw, with and without a focal
// length in the metadata. The default is 10 rows an overlap, of 600 × 900
// pixels, or 1 large one.
func Overlap(ctx context.Context, c Config) (*OverlapResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(10, 1, 600, 900)
	res := &OverlapResult{Width: c.Width, Height: c.Height, Seeds: c.Seeds}
	for k, share := range overlaps {
		points := []OverlapPoint{{Overlap: share}, {Overlap: share, Known: true}}
		for seed := range uint64(c.Seeds) {
			row := c.fieldRow(seed)
			row.Frames, row.Overlap, row.YawErr = 3, share, 0
			shots, err := c.photograph(ctx, row, scene.Options{})
			if err != nil {
				return nil, err
			}
			for i := range points {
				p := &points[i]
				if p.Known {
					off := 1 + 0.01*(2*rand.New(rand.NewPCG(seed, 7)).Float64()-1)
					for j, f := range shots.frames {
						f.FocalPx, f.FocalSource = shots.truth[j].FocalPx*off, "metadata"
					}
				}
				if err := p.stitch(ctx, c, shots.frames, shots.truth); err != nil {
					return nil, err
				}
			}
			c.Progress((float64(k) + float64(seed+1)/float64(c.Seeds)) / float64(len(overlaps)))
		}
		res.Points = append(res.Points, points...)
		c.Note(fmt.Sprintf("overlap %.0f %%: %d of %d right, %d with the focal length known",
			100*share, points[0].Right, c.Seeds, points[1].Right))
	}
	return res, nil
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

// String returns the table in Markdown.
func (r *OverlapResult) String() string {
	t := &table{head: []string{"overlap", "focal length", "right", "wrong", "refused", "said weak", "worst frame °, median row", "worst row"}}
	for i := range r.Points {
		p := &r.Points[i]
		from := "from the pictures"
		if p.Known {
			from = "known to 1 %"
		}
		var worst []float64
		for _, a := range p.Worst {
			worst = append(worst, a.Degrees())
		}
		t.add(fmt.Sprintf("%.0f %%", 100*p.Overlap), from, fmt.Sprint(p.Right), fmt.Sprint(p.Wrong), fmt.Sprint(p.Refused), fmt.Sprint(p.Weak),
			figure(median(worst)), figure(quantile(worst, 1)))
	}
	return report(fmt.Sprintf("Overlap: %d rows of three frames of %d × %d pixels each", r.Seeds, r.Width, r.Height), r.Bars(), t)
}

// Bars returns the figures that must hold: at a third of overlap and more,
// every row is stitched right.
func (r *OverlapResult) Bars() []Bar {
	bad := 0
	for i := range r.Points {
		if p := &r.Points[i]; p.Overlap > 0.33 {
			bad += p.Wrong + p.Refused
		}
	}
	return []Bar{{"rows of a third of overlap or more not stitched right", float64(bad), 0, ""}}
}
