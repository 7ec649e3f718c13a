package bench

import (
	"context"
	"fmt"
	"math"
	"strings"

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
	// clippedAt is the encoded level beyond which a patch is not compared: that
	// from which samples go over into white, as they come, and as they are
	// in the picture where both are all but white.
	clippedAt = 0.97
)

// LightResult is what [Light] measured.
type LightResult struct {
	Width, Height int
	Cases         []LightCase
}

// LightCase is one kind of camera.
type LightCase struct {
	Name string
	// Rows holds what was found of each row that was joined.
	Rows    []LightRow
	Refused int

	limits lightLimits
	change func(*scene.Row)
}

// lightLimits are the bars of a case; zero means none.
type lightLimits struct {
	median, p99           float64 // ΔE00 in the overlaps
	vignetting, gain      float64 // per cent
	scallop               float64 // L*
	psnr                  float64 // dB, from below
	seamDrop, seamLoss    float64 // dB
	unchanged             float64 // ΔE00
	noiseLeast, noiseMost float64
}

// LightRow is what was found of one row. What could not be measured is NaN.
type LightRow struct {
	Seed uint64
	// Before and After are the quantiles of ΔE00 between frames that show the
	// same place, as they came and corrected.
	Before, After LightQuantiles
	// Vignetting and Gain are the largest errors of V over the frame and of a
	// gain, the factor common to a channel removed, in per cent.
	Vignetting, Gain float64
	// Parts are those of the light model that were used.
	Parts []string
	// Scallop is the largest less the smallest difference of the sky's L* from
	// the truth along the row.
	Scallop float64
	// PSNR is that of the picture against the truth in dB, SeamDrop how much
	// lower it is within 64 pixels of the seams than elsewhere, and LevelDrop than
	// elsewhere on the same lines: seams cross over where texture hides them, so
	// that more of the shore, which has a hundred times the sky's error, lies near
	// them. AloneDrop is
	// that of a patchwork of the frames along the same lines, with their true
	// cameras and light and nothing blended: what happens to lie there, as
	// hard to resample as it is. SeamLoss is by how much the picture's is larger,
	// where no light is lost: what joining has done. These two are measured of
	// rows without noise.
	PSNR, SeamDrop, LevelDrop, AloneDrop, SeamLoss float64
	// Changed is the 99th percentile of ΔE00 between the frames as they came
	// and corrected.
	Changed float64
	// NoiseRatio is the noise of the sky on the seams over that elsewhere.
	NoiseRatio float64
}

// LightQuantiles are the median and the 99th percentile of ΔE00.
type LightQuantiles struct{ Median, P99 float64 }

// lightCases are the cases of the bars.
func lightCases() []LightCase {
	filters := func(r *scene.Row) { r.VignettingStops, r.ExposureEV, r.WhiteBalanceK = 1.5, 0.7, 300 }
	return []LightCase{
		{
			Name: "exposure ±0.3 EV", limits: lightLimits{median: 0.6},
			change: func(*scene.Row) {},
		},
		{
			Name:   "vignetting 1.5 stops, ±0.7 EV, ±300 K",
			limits: lightLimits{median: 0.4, p99: 1.2, vignetting: 1.5, gain: 1, scallop: 0.6},
			change: filters,
		},
		{
			Name: "the same with a tone curve", limits: lightLimits{median: 0.6, p99: 1.8, scallop: 1},
			change: func(r *scene.Row) { filters(r); r.ToneCurve = true },
		},
		{
			Name: "the same without noise or tone curve", limits: lightLimits{psnr: 38, seamDrop: 1, seamLoss: 0.25},
			change: func(r *scene.Row) { filters(r); r.Noise = 0 },
		},
		{
			Name: "graduated filter of 2 stops, its edge ±5 % of the height", limits: lightLimits{median: 0.6, p99: 1.8},
			change: func(r *scene.Row) { filters(r); r.GraduatedStops, r.GraduatedErr = 2, 0.05 },
		},
		{
			Name: "nothing to correct", limits: lightLimits{unchanged: 0.2, noiseLeast: 0.85, noiseMost: 1.15},
			change: func(r *scene.Row) { r.ExposureEV = 0 },
		},
		{
			Name:   "vignetting about a place 3 % of the width off the middle, ±0.7 EV, ±300 K",
			limits: lightLimits{median: 0.4, p99: 1.2, vignetting: 1.5, gain: 1, scallop: 0.6},
			change: func(r *scene.Row) {
				filters(r)
				sin, cos := math.Sincos(float64(r.Seed))
				r.VignettingAt = [2]float64{0.03 * cos, 0.03 * sin}
			},
		},
	}
}

// Light stitches rows as [Accuracy] does, from cameras that record light in
// several ways, and compares the frames where they overlap, on patches of a
// fiftieth of the frame's width; what was found with what is true; and the
// picture with the true one. Rows of odd seeds have a clear sky. The default
// is 10 rows a case, of 800 × 1200 pixels, or 2 large ones.
func Light(ctx context.Context, c Config) (*LightResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(10, 2, 800, 1200)
	res := &LightResult{Width: c.Width, Height: c.Height, Cases: lightCases()}
	for k := range res.Cases {
		lc := &res.Cases[k]
		for seed := range uint64(c.Seeds) {
			row := c.fieldRow(seed)
			lc.change(&row)
			var o scene.Options
			if seed%2 == 1 {
				o.Clouds = -1
			}
			shots, sol, err := c.join(ctx, row, o)
			switch {
			case err != nil:
				return nil, err
			case sol == nil:
				lc.Refused++
			default:
				r, err := c.lightRow(ctx, shots, sol, o.Clouds < 0)
				if err != nil {
					return nil, err
				}
				lc.Rows = append(lc.Rows, r)
			}
			c.Progress((float64(k) + float64(seed+1)/float64(c.Seeds)) / float64(len(res.Cases)))
		}
	}
	return res, nil
}

// lightRow measures one row.
func (c Config) lightRow(ctx context.Context, shots *photographs, sol *stitch.Solution, clear bool) (LightRow, error) {
	r := LightRow{Seed: shots.plan.Seed, Parts: sol.Light.Parts}
	before, after, changed, err := overlapDeltaE(ctx, c.Workers, sol, shots.frames)
	if err != nil {
		return r, err
	}
	r.Before = LightQuantiles{median(before), quantile(before, 0.99)}
	r.After = LightQuantiles{median(after), quantile(after, 0.99)}
	r.Changed = quantile(changed, 0.99)
	r.Vignetting, r.Gain = lightErrors(shots, sol)
	var labels *blend.Labels
	pic, err := stitch.Render(ctx, sol, shots.frames, stitch.Options{Workers: c.Workers, Seams: func(l *blend.Labels) { labels = l }})
	if err != nil {
		return r, err
	}
	truth, err := shots.picture(ctx, c.Workers, sol)
	if err != nil {
		return r, err
	}
	near := nearSeams(labels, pic.Rect, seamReach)
	is := comparePictures(pic, truth, near)
	r.PSNR, r.SeamDrop, r.LevelDrop = is.all, is.rest-is.near, is.level-is.near
	r.AloneDrop, r.SeamLoss = math.NaN(), math.NaN()
	if shots.plan.Noise == 0 {
		patches, err := shots.patchwork(ctx, c.Workers, sol, labels)
		if err != nil {
			return r, err
		}
		alone := comparePictures(patches, truth, near)
		r.AloneDrop = alone.rest - alone.near
		same := *pic
		same.Alpha = patches.Alpha
		is = comparePictures(&same, truth, near)
		r.SeamLoss = is.rest - is.near - r.AloneDrop
	}
	r.Scallop, r.NoiseRatio = math.NaN(), math.NaN()
	if clear {
		sky := skyAbove(sol, skyElevation)
		r.Scallop = scallop(pic, truth, sky, shots.plan.ToneCurve)
		r.NoiseRatio = noiseRatio(pic, labels, sky, near)
	}
	return r, nil
}

// lightErrors returns the largest errors of V and of the gains in per cent.
func lightErrors(shots *photographs, sol *stitch.Solution) (vignetting, gain float64) {
	const steps = 40
	f, cam := &sol.Frames[0], sol.Frames[0].Camera()
	half := math.Hypot(float64(cam.Width), float64(cam.Height)) / 2
	for i := range (steps + 1) * (steps + 1) {
		p := geom.Pt{X: float64(cam.Width) * float64(i%(steps+1)) / steps, Y: float64(cam.Height) * float64(i/(steps+1)) / steps}
		x, y := (p.X-cam.CentrePx.X)/half-f.LightCentre[0], (p.Y-cam.CentrePx.Y)/half-f.LightCentre[1]
		vignetting = max(vignetting, 100*math.Abs(f.Vignetting.At(x*x+y*y)/shots.plan.Light(&cam, p)-1))
	}
	for ch := range 3 {
		var mean float64
		var logs []float64
		for k, i := range shots.of {
			l := math.Log(sol.Frames[k].Gain[ch] * shots.plan.Frames[i].Gain[ch])
			logs = append(logs, l)
			mean += l / float64(len(shots.of))
		}
		for _, l := range logs {
			gain = max(gain, 100*math.Abs(math.Expm1(l-mean)))
		}
	}
	return vignetting, gain
}

// overlapDeltaE returns ΔE00 of each patch that two placed frames share, as
// they came and corrected, and that between the two states of one.
func overlapDeltaE(ctx context.Context, workers int, sol *stitch.Solution, frames []*stitch.Frame) (before, after, changed []float64, err error) {
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
		return nil, nil, nil, err
	}
	for i := range frames {
		for j := range i {
			if sol.Frames[i].Placed && sol.Frames[j].Placed {
				b, a, c := pairDeltaE(&sol.Frames[i], &sol.Frames[j], pics[i], pics[j])
				before, after, changed = append(before, b...), append(after, a...), append(changed, c...)
			}
		}
	}
	return before, after, changed, nil
}

func pairDeltaE(fa, fb *stitch.FrameSolution, pa, pb *raster.Picture) (before, after, changed []float64) {
	ca, cb := fa.Camera(), fb.Camera()
	correctA, correctB := fa.Correct(), fb.Correct()
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
			asA, asB := correctA(p, la), correctB(q, lb)
			if max(asA[0], asA[1], asA[2], asB[0], asB[1], asB[2]) > clippedAt {
				continue // both are white in the picture
			}
			rawA, rawB := blend.LabFromLinear(la), blend.LabFromLinear(lb)
			labA, labB := blend.LabFromLinear(asA), blend.LabFromLinear(asB)
			before = append(before, blend.DeltaE(rawA, rawB))
			after = append(after, blend.DeltaE(labA, labB))
			changed = append(changed, blend.DeltaE(rawA, labA))
		}
	}
	return before, after, changed
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

func (lc *LightCase) figures(f func(*LightRow) float64) (v []float64) {
	for i := range lc.Rows {
		if x := f(&lc.Rows[i]); !math.IsNaN(x) {
			v = append(v, x)
		}
	}
	return v
}

// The figures of a row.
func deltaMedian(r *LightRow) float64 { return r.After.Median }
func delta99(r *LightRow) float64     { return r.After.P99 }
func vignetting(r *LightRow) float64  { return r.Vignetting }
func gain(r *LightRow) float64        { return r.Gain }
func skyScallop(r *LightRow) float64  { return r.Scallop }
func noise(r *LightRow) float64       { return r.NoiseRatio }

// Bars returns the figures that must hold, each for the worst row.
func (r *LightResult) Bars() (bars []Bar) {
	for i := range r.Cases {
		lc := &r.Cases[i]
		l := &lc.limits
		bars = append(bars, Bar{lc.Name + ": rows not joined", float64(lc.Refused), 0, ""})
		add := func(what string, found func(*LightRow) float64, limit float64, unit string) {
			if limit > 0 {
				bars = append(bars, Bar{lc.Name + ": " + what, quantile(lc.figures(found), 1), limit, unit})
			}
		}
		add("median ΔE00 in the overlaps", deltaMedian, l.median, "")
		add("99 % of ΔE00 in the overlaps", delta99, l.p99, "")
		add("vignetting off by", vignetting, l.vignetting, " %")
		add("a gain off by", gain, l.gain, " %")
		add("scallop of the clear sky, L*", skyScallop, l.scallop, "")
		if l.psnr > 0 { // a bar is an upper limit
			bars = append(bars, Bar{lc.Name + ": mean square error of the picture", quantile(lc.figures(func(r *LightRow) float64 { return -r.PSNR }), 1), -l.psnr, " dB"})
		}
		add("PSNR near the seams lower by", func(r *LightRow) float64 { return r.SeamDrop }, l.seamDrop, " dB")
		add("the same against the rest of the same lines", func(r *LightRow) float64 { return r.LevelDrop }, l.seamDrop, " dB")
		add("by joining, not by what lies there", func(r *LightRow) float64 { return r.SeamLoss }, l.seamLoss, " dB")
		add("frames changed by ΔE00, 99 %", func(r *LightRow) float64 { return r.Changed }, l.unchanged, "")
		add("noise on the seams over that beside them", noise, l.noiseMost, "")
		if l.noiseLeast > 0 {
			add("noise beside the seams over that on them", func(r *LightRow) float64 { return 1 / r.NoiseRatio }, 1/l.noiseLeast, "")
		}
	}
	return bars
}

// Report returns the bars and the rows.
func (r *LightResult) Report() Report {
	tables := make([]*table, 0, len(r.Cases))
	for i := range r.Cases {
		lc := &r.Cases[i]
		t := &table{head: []string{
			lc.Name, "ΔE00 before", "after", "99 %", "V off %", "gain off %", "scallop L*", "PSNR dB", "drop dB", "level dB", "alone dB", "loss dB", "changed", "noise ratio", "parts",
		}}
		for k := range lc.Rows {
			row := &lc.Rows[k]
			t.add(fmt.Sprint("seed ", row.Seed), figure(row.Before.Median), figure(row.After.Median), figure(row.After.P99),
				figure(row.Vignetting), figure(row.Gain), figure(row.Scallop), figure(row.PSNR), figure(row.SeamDrop), figure(row.LevelDrop), figure(row.AloneDrop), figure(row.SeamLoss),
				figure(row.Changed), figure(row.NoiseRatio), strings.Join(row.Parts, ", "))
		}
		if lc.Refused > 0 {
			t.add(fmt.Sprintf("%d rows refused", lc.Refused))
		}
		tables = append(tables, t)
	}
	return report(fmt.Sprintf("Light: rows of %d × %d pixels", r.Width, r.Height), r.Bars(), tables...)
}
