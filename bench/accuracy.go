package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// AccuracyResult is what [Accuracy] measured.
type AccuracyResult struct {
	Width, Height int
	Rows          []AccuracyRow
	large         bool
}

// AccuracyRow is one stitched row.
type AccuracyRow struct {
	Seed   uint64
	Frames int
	Joined bool
	// Why not, if the row was not joined.
	Why string
	Errors
	Verdict stitch.Verdict
	RMSPx   float64
	// Seconds that Align took.
	Seconds float64
}

// Accuracy stitches rows of five or six portrait frames with a third of
// overlap, 1 % noise, errors of roll, pitch and yaw up to 1°, of exposure up
// to 0.3 EV, k1 = −0.02 and no metadata, and compares the cameras found with
// the true ones. The default is 50 rows of 800 × 1200 pixels, or 3 large ones.
//
// A row that is not joined is a figure, no error.
func Accuracy(ctx context.Context, c Config) (*AccuracyResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(50, 3, 800, 1200)
	res := &AccuracyResult{Width: c.Width, Height: c.Height, large: c.Large}
	for seed := range uint64(c.Seeds) {
		shots, err := c.photograph(ctx, c.fieldRow(seed), scene.Options{})
		if err != nil {
			return nil, err
		}
		row := AccuracyRow{Seed: seed, Frames: len(shots.frames)}
		start := time.Now()
		sol, err := stitch.Align(ctx, shots.frames, stitch.Options{Workers: c.Workers})
		row.Seconds = time.Since(start).Seconds()
		switch {
		case errors.Is(err, stitch.ErrNotJoined):
			row.Why = err.Error()
		case err != nil:
			return nil, err
		default:
			row.Joined, row.Verdict, row.RMSPx = true, sol.Verdict, sol.RMSPx
			row.Errors = Compare(sol, shots.truth)
		}
		res.Rows = append(res.Rows, row)
		c.Note(row.String())
		c.Progress(float64(seed+1) / float64(c.Seeds))
	}
	return res, nil
}

// String says what became of the row in one line.
func (a *AccuracyRow) String() string {
	if !a.Joined {
		return fmt.Sprintf("row %d refused: %s", a.Seed, a.Why)
	}
	return fmt.Sprintf("row %d: rotation %.4f°, worst frame %.4f°, focal length %+.4f %%, RMS %.3f px, tilt %.3f°",
		a.Seed, a.Median().Degrees(), a.Worst().Degrees(), 100*a.Focal, a.RMSPx, a.Tilt.Degrees())
}

// figures returns f of each joined row.
func (r *AccuracyResult) figures(f func(*AccuracyRow) float64) (v []float64) {
	for i := range r.Rows {
		if r.Rows[i].Joined {
			v = append(v, f(&r.Rows[i]))
		}
	}
	return v
}

func (r *AccuracyResult) medianFrame() []float64 {
	return r.figures(func(a *AccuracyRow) float64 { return a.Median().Degrees() })
}

func (r *AccuracyResult) worstFrame() []float64 {
	return r.figures(func(a *AccuracyRow) float64 { return a.Worst().Degrees() })
}

func (r *AccuracyResult) focalPercent() []float64 {
	return r.figures(func(a *AccuracyRow) float64 { return 100 * math.Abs(a.Focal) })
}

func (r *AccuracyResult) tilt() []float64 {
	return r.figures(func(a *AccuracyRow) float64 { return a.Tilt.Degrees() })
}

func (r *AccuracyResult) rms() []float64 {
	return r.figures(func(a *AccuracyRow) float64 { return a.RMSPx })
}

// Bars returns the figures that must hold.
func (r *AccuracyResult) Bars() []Bar {
	rot, worst, focal, rms := 0.006, 0.015, 0.03, 0.15
	if r.large {
		rot, worst, focal, rms = 0.003, 0.008, 0.02, 0.3
	}
	bars := []Bar{
		{"rows not joined", float64(len(r.Rows) - len(r.rms())), 0, ""},
		{"rotation, median frame, median row", median(r.medianFrame()), rot, "°"},
		{"rotation, worst frame, median row", median(r.worstFrame()), worst, "°"},
		{"focal length, median row", median(r.focalPercent()), focal, " %"},
		{"residual RMS, median row", median(r.rms()), rms, " px"},
	}
	if !r.large {
		bars = append(bars,
			Bar{"rotation, worst frame, in 95 % of the rows", quantile(r.worstFrame(), 0.95), 0.03, "°"},
			Bar{"focal length, in 95 % of the rows", quantile(r.focalPercent(), 0.95), 0.08, " %"})
	}
	return append(bars, Bar{"tilt left, in 95 % of the rows", quantile(r.tilt(), 0.95), 0.1, "°"})
}

// Report returns the bars, a summary and a table of the rows.
func (r *AccuracyResult) Report() Report {
	sum := &table{head: []string{"over the joined rows", "median", "95 % within", "worst"}}
	for _, s := range []struct {
		name string
		v    []float64
	}{
		{"rotation, median frame, °", r.medianFrame()},
		{"rotation, worst frame, °", r.worstFrame()},
		{"focal length, %", r.focalPercent()},
		{"residual RMS, px", r.rms()},
		{"tilt left, °", r.tilt()},
		{"bow of the horizon, px per 1000", r.figures(func(a *AccuracyRow) float64 { return 1000 * a.Bow })},
		{"seconds to align", r.figures(func(a *AccuracyRow) float64 { return a.Seconds })},
	} {
		sum.add(s.name, figure(median(s.v)), figure(quantile(s.v, 0.95)), figure(quantile(s.v, 1)))
	}
	rows := &table{head: []string{"seed", "frames", "verdict", "median °", "worst °", "focal %", "RMS px", "tilt °", "seconds"}}
	for i := range r.Rows {
		a := &r.Rows[i]
		if !a.Joined {
			rows.add(fmt.Sprint(a.Seed), fmt.Sprint(a.Frames), "refused", "–", "–", "–", "–", "–", fmt.Sprintf("%.1f", a.Seconds))
			continue
		}
		rows.add(fmt.Sprint(a.Seed), fmt.Sprint(a.Frames), string(a.Verdict),
			fmt.Sprintf("%.4f", a.Median().Degrees()), fmt.Sprintf("%.4f", a.Worst().Degrees()),
			fmt.Sprintf("%+.4f", 100*a.Focal), fmt.Sprintf("%.3f", a.RMSPx), fmt.Sprintf("%.3f", a.Tilt.Degrees()),
			fmt.Sprintf("%.1f", a.Seconds))
	}
	return report(fmt.Sprintf("Accuracy: %d rows of %d × %d pixels", len(r.Rows), r.Width, r.Height), r.Bars(), sum, rows)
}
