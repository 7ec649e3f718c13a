package bench

import (
	"context"
	"errors"
	"fmt"
	"math"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
	"flatfell.example/stitch"
)

const (
	// patchStep is the distance of the patches that are compared, and
	// patchRadius half their side, in shares of the frame's width: 16 and 8
	// pixels at 800. A patch averages noise away.
	patchStep, patchRadius = 1.0 / 50, 1.0 / 100
	// clippedAt is the encoded level beyond which a patch is not compared:
	// its exposure is lost.
	clippedAt = 0.985
)

// LightResult is what [Light] measured.
type LightResult struct {
	Width, Height int
	Cases         []LightCase
}

// LightCase is one kind of camera.
type LightCase struct {
	Name string
	// Before and After hold, for each row, the quantiles of ΔE00 between the
	// frames that share a place, with gains of one and with those found.
	Before, After []LightQuantiles
	Refused       int
	// bar says that the median bar holds for this case.
	bar bool
	ev  float64
	wb  float64
}

// LightQuantiles are the median and the 99th percentile of ΔE00.
type LightQuantiles struct{ Median, P99 float64 }

// Light stitches rows as [Accuracy] does and compares the colours of the
// frames where they overlap, on patches of a fiftieth of the frame's width,
// through the cameras and gains found. The default is 10 rows a case, of 800
// × 1200 pixels, or 1 large one.
func Light(ctx context.Context, c Config) (*LightResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(10, 1, 800, 1200)
	res := &LightResult{Width: c.Width, Height: c.Height, Cases: []LightCase{
		{Name: "exposure ±0.3 EV", ev: 0.3, bar: true},
		{Name: "and white balance ±400 K", ev: 0.3, wb: 400, bar: true},
		{Name: "exposure ±1 EV", ev: 1},
	}}
	for k := range res.Cases {
		lc := &res.Cases[k]
		for seed := range uint64(c.Seeds) {
			row := c.fieldRow(seed)
			row.ExposureEV, row.WhiteBalanceK = lc.ev, lc.wb
			frames, _, err := c.photograph(ctx, row, scene.Options{})
			if err != nil {
				return nil, err
			}
			sol, err := stitch.Align(ctx, frames, stitch.Options{Workers: c.Workers})
			switch {
			case errors.Is(err, stitch.ErrNotJoined):
				lc.Refused++
			case err != nil:
				return nil, err
			default:
				before, after, err := overlapDeltaE(ctx, c.Workers, sol, frames)
				if err != nil {
					return nil, err
				}
				lc.Before = append(lc.Before, LightQuantiles{median(before), quantile(before, 0.99)})
				lc.After = append(lc.After, LightQuantiles{median(after), quantile(after, 0.99)})
			}
			c.Progress((float64(k) + float64(seed+1)/float64(c.Seeds)) / float64(len(res.Cases)))
		}
	}
	return res, nil
}

// overlapDeltaE returns ΔE00 of each patch that two placed frames share, with
// gains of one and with the solution's.
func overlapDeltaE(ctx context.Context, workers int, sol *stitch.Solution, frames []*stitch.Frame) (before, after []float64, err error) {
	pics := make([]*raster.Picture, len(frames))
	err = par.Do(ctx, workers, len(frames), func(i int) error {
		img, err := frames[i].Image(ctx)
		if err != nil {
			return err
		}
		pics[i], err = raster.FromImage(ctx, 1, img)
		return err
	})
	if err != nil {
		return nil, nil, err
	}
	for i := range frames {
		for j := range i {
			if sol.Frames[i].Placed && sol.Frames[j].Placed {
				b, a := pairDeltaE(&sol.Frames[i], &sol.Frames[j], pics[i], pics[j])
				before, after = append(before, b...), append(after, a...)
			}
		}
	}
	return before, after, nil
}

func pairDeltaE(fa, fb *stitch.FrameSolution, pa, pb *raster.Picture) (before, after []float64) {
	ca, cb := fa.Camera(), fb.Camera()
	step, radius := patchStep*float64(ca.Width), patchRadius*float64(ca.Width)
	margin := radius + 1
	for y := step / 2; y < float64(ca.Height); y += step {
		for x := step / 2; x < float64(ca.Width); x += step {
			p := geom.Pt{X: x, Y: y}
			w, ok := ca.WorldFromPixel(p)
			if !ok || !ca.Contains(p, margin) {
				continue
			}
			q, ok := cb.PixelFromWorld(w)
			if !ok || !cb.Contains(q, margin) {
				continue
			}
			la, okA := patch(pa, p, radius)
			lb, okB := patch(pb, q, radius)
			if !okA || !okB {
				continue
			}
			before = append(before, blend.DeltaE(blend.LabFromLinear(la), blend.LabFromLinear(lb)))
			for c := range 3 {
				la[c] *= fa.Gain[c]
				lb[c] *= fb.Gain[c]
			}
			after = append(after, blend.DeltaE(blend.LabFromLinear(la), blend.LabFromLinear(lb)))
		}
	}
	return before, after
}

// patch returns the mean linear light of the square of 2·radius pixels around
// p, the pixels at its edge weighted by their part in it; ok is false if a
// sample is clipped.
func patch(pic *raster.Picture, p geom.Pt, radius float64) (lin [3]float64, ok bool) {
	dec := blend.SRGBDecodeTable()
	part := func(i int, middle float64) float64 {
		return math.Min(float64(i+1), middle+radius) - math.Max(float64(i), middle-radius)
	}
	var sum float64
	for y := int(p.Y - radius); float64(y) < p.Y+radius; y++ {
		row, wy := pic.Row(y), part(y, p.Y)
		for x := int(p.X - radius); float64(x) < p.X+radius; x++ {
			w := wy * part(x, p.X)
			sum += w
			for c, v := range row[3*x : 3*x+3] {
				if float64(v) > clippedAt*0xffff {
					return lin, false
				}
				lin[c] += w * float64(dec[v])
			}
		}
	}
	for c := range lin {
		lin[c] /= sum
	}
	return lin, true
}

func of(q []LightQuantiles, f func(LightQuantiles) float64) (v []float64) {
	for _, e := range q {
		v = append(v, f(e))
	}
	return v
}

func medianOf(q LightQuantiles) float64 { return q.Median }
func p99Of(q LightQuantiles) float64    { return q.P99 }

// Bars returns the figures that must hold.
func (r *LightResult) Bars() (bars []Bar) {
	for i := range r.Cases {
		if lc := &r.Cases[i]; lc.bar {
			bars = append(bars, Bar{lc.Name + ": median ΔE00, worst row", quantile(of(lc.After, medianOf), 1), 0.6, ""})
		}
	}
	return bars
}

// String returns the bars and the cases in Markdown.
func (r *LightResult) String() string {
	t := &table{head: []string{"case", "rows", "refused", "ΔE00 before: median", "after: median", "worst row", "after: 99 %", "worst row"}}
	for i := range r.Cases {
		lc := &r.Cases[i]
		med, p99 := of(lc.After, medianOf), of(lc.After, p99Of)
		t.add(lc.Name, fmt.Sprint(len(med)), fmt.Sprint(lc.Refused), figure(median(of(lc.Before, medianOf))),
			figure(median(med)), figure(quantile(med, 1)), figure(median(p99)), figure(quantile(p99, 1)))
	}
	return report(fmt.Sprintf("Light: the frames' colours where they overlap, rows of %d × %d pixels", r.Width, r.Height), r.Bars(), t)
}
