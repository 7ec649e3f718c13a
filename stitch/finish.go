package stitch

import (
	"context"
	"fmt"
	"math"
	"path/filepath"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// finish levels the row, balances its light, and writes down what was found.
func (a *aligner) finish(ctx context.Context, sol *Solution) error {
	a.sets = nil // ties have taken their place
	a.kept.rest()
	progress := a.o.stage("level and light")
	if err := a.level(ctx); err != nil {
		return err
	}
	progress(0.5)
	sharp := make([]float64, len(a.frames))
	for i, plane := range a.small {
		sharp[i] = sharpness(plane)
	}
	if !a.suspect() {
		a.small = nil // nothing is measured in them any more
	}
	light, lightReport, err := a.balance(ctx)
	if err != nil {
		return err
	}
	sol.FocalSource, sol.RMSPx = a.focalSource, a.rmsPx
	sol.Frames = make([]FrameSolution, len(a.frames))
	for i, f := range a.frames {
		sol.Frames[i] = FrameSolution{
			File: f.Name, Width: f.Width, Height: f.Height,
			Gain: [3]float64{1, 1, 1}, Sharpness: sharp[i],
		}
	}
	for k, i := range a.placed {
		fs := &sol.Frames[i]
		fs.Placed = true
		fs.setCamera(a.rig.camera(k))
		fs.setLight(light, k)
	}
	if a.o.Level != nil {
		sol.Hold(*a.o.Level)
	}
	if a.o.Centre != nil {
		sol.Face(*a.o.Centre)
	}
	sol.Light = lightSolution(light, lightReport)
	sol.Pupil = a.pupilSolution()
	if err := a.bendNear(ctx, sol); err != nil {
		return err
	}
	a.writePairs(sol)
	if f := a.frames[0]; f.ProfileNote != "" { // all have the same profile
		sol.Advice = append(sol.Advice, fmt.Sprintf("%s: %s.", filepath.Base(f.Name), f.ProfileNote))
	}
	if err := planOutput(sol, a.o, 1); err != nil {
		return err
	}
	progress(1)
	return nil
}

// level turns the rig's world so that y is down and z the middle of the row: as
// the poses tell, sharpened by what the pictures show. That is so too if the
// photographer says another level, which then turns the Solution: a Solution that
// is turned later comes to the same bits.
func (a *aligner) level(ctx context.Context) error {
	a.turnWorld(rowLevel(a.rig.rot))
	luma := make([]*raster.Plane, len(a.placed))
	for k, i := range a.placed {
		luma[k] = a.small[i]
	}
	up, _, ok, err := pictureUp(ctx, luma, a.shrink, &a.rig, a.o.Workers)
	if err != nil {
		return err
	}
	if ok {
		a.turnWorld(up)
	}
	return nil
}

// turnWorld makes up the world's −y.
func (a *aligner) turnWorld(up geom.Vec) {
	levelFromWorld := turnWorld(a.rig.rot, up)
	a.rig.pupil.down = levelFromWorld.Apply(a.rig.pupil.down)
}

// writePairs fills the pairs, the verdict and the advice.
func (a *aligner) writePairs(sol *Solution) {
	sol.Verdict = Joined
	name := func(i int) string { return filepath.Base(a.frames[i].Name) }
	for _, e := range a.evidence {
		i, j := a.placed[e.a], a.placed[e.b]
		ps := PairSolution{A: i, B: j, Matches: e.tried, Inliers: e.fit, RMSPx: e.rmsPx, Overlap: e.overlap, Verdict: e.verdict, Shift: e.shift}
		ps.keepTies(e)
		sol.Pairs = append(sol.Pairs, ps)
		if e.verdict == Weak && a.neighbours(e) {
			sol.Verdict = Weak
			sol.Advice = append(sol.Advice, a.weakAdvice(e, name(i), name(j)))
		}
	}
	if text := a.pupilAdvice(sol); text != "" {
		sol.Advice = append(sol.Advice, text)
	}
	for i, f := range a.frames {
		if !sol.Frames[i].Placed {
			sol.Advice = append(sol.Advice, fmt.Sprintf("%s was left out: it does not join the row.", filepath.Base(f.Name)))
		}
	}
	for _, p := range a.pairs { // pairs with a frame that was left out
		if !sol.Frames[p.a].Placed || !sol.Frames[p.b].Placed {
			sol.Pairs = append(sol.Pairs, PairSolution{A: p.a, B: p.b, Matches: len(p.matches), Inliers: len(p.inliers), Verdict: NotJoined})
		}
	}
	if sol.Advice == nil {
		sol.Advice = []string{}
	}
}

// neighbours reports whether no other overlap joins either frame of e better:
// a thin overlap with the frame after next says little about the row.
func (a *aligner) neighbours(e evidence) bool {
	bestA, bestB := 0.0, 0.0
	for _, f := range a.evidence {
		if f.a == e.a || f.b == e.a {
			bestA = math.Max(bestA, f.overlap)
		}
		if f.a == e.b || f.b == e.b {
			bestB = math.Max(bestB, f.overlap)
		}
	}
	return e.overlap >= 0.7*math.Min(bestA, bestB)
}

func (a *aligner) weakAdvice(e evidence, nameA, nameB string) string {
	if e.spreadPx > a.weakSpreadPx() {
		return fmt.Sprintf("Look at the join of %s and %s at full size: details are off by %.1f pixels in the median, "+
			"as when the camera moved between the frames or something is near.", nameA, nameB, e.spreadPx)
	}
	return fmt.Sprintf("The join of %s and %s rests on %d details of %d tried (overlap %.0f %%); look at it at full size.",
		nameA, nameB, e.fit, e.tried, 100*e.overlap)
}

// sharpness is the root mean square of the luma's gradient per pixel.
func sharpness(p *raster.Plane) float64 {
	var sum float64
	w, h := p.Rect.Dx(), p.Rect.Dy()
	for y := range h - 1 {
		row, next := p.Row(y), p.Row(y+1)
		for x := range w - 1 {
			dx, dy := float64(row[x+1]-row[x]), float64(next[x]-row[x])
			sum += dx*dx + dy*dy
		}
	}
	return math.Sqrt(sum / math.Max(1, float64((w-1)*(h-1))))
}

// placedCameras returns the cameras of the placed frames and their indices.
func placedCameras(sol *Solution) (cams []geom.Camera, index []int) {
	for i := range sol.Frames {
		if f := &sol.Frames[i]; f.Placed {
			cams = append(cams, f.Camera())
			index = append(index, i)
		}
	}
	return cams, index
}
