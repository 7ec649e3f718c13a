package stitch

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"flatfell.example/geom"
)

// From what on something is amiss. Each was set between what clean rendered rows
// show and what seeded faults do: see flatfell bench check.
const (
	// thinOverlap is the share of the area in common below which a pair is at
	// risk: from 15 % on every row is joined (bench overlap).
	thinOverlap = 0.14
	// jumpStops is a difference of exposure that no automatic one makes between
	// frames of one light; castStops the same of red and blue.
	jumpStops, castStops = 0.45, 0.25
	// softStops is the loss of fine detail: clean rows reach 0.4, five pixels of
	// shake 0.7 and more, as much of a defocus 1.1. unevenStops is the difference
	// of the loss between near and far.
	softStops, unevenStops = 0.5, 1.3
	// streakStops is the loss of the detail that runs one way, from which blurOf
	// looks into it.
	streakStops = 0.35
	// rolledDeg is how far a frame is rolled against the others, stepDeg how far
	// the pitch or the roll steps when a tripod is touched, driftDeg how far a row
	// climbs.
	rolledDeg, stepDeg, driftDeg = 1.2, 0.6, 1.5
	// movedShare is the share of an overlap that shows something else.
	movedShare = 0.25
	// plannedShort is how far an overlap may fall short of the plan.
	plannedShort = 0.08
)

// frameSharpness chains the pairs' differences to one figure a frame: its detail
// against that of the sharper half of the frames that it is chained to.
func (c *checker) frameSharpness() {
	f := c.report.Frames
	for from := 0; from < len(f); {
		to := from
		for to+1 < len(f) && c.pairs[to].joined && c.pairs[to].blocks >= leastBlocks {
			f[to+1].SharpnessStops = f[to].SharpnessStops + c.report.Pairs[to].SharpnessStops
			to++
		}
		var all []float64
		for k := from; k <= to; k++ {
			all = append(all, f[k].SharpnessStops)
		}
		slices.Sort(all)
		base := all[len(all)*3/4]
		if len(all) < 3 { // the sharper of two
			base = all[len(all)-1]
		}
		for k := from; k <= to; k++ {
			f[k].SharpnessStops -= base
		}
		from = to + 1
	}
}

// judge turns figures into findings and the verdict.
func (c *checker) judge(ctx context.Context) error {
	c.report.Findings = []Finding{}
	c.judgeOrder()
	c.judgeOverlaps()
	if err := c.judgeSharpness(ctx); err != nil {
		return err
	}
	c.judgeMovement()
	c.judgeLight()
	c.judgeLevel()
	c.report.Verdict = Fine
	for _, f := range c.report.Findings {
		if f.Reshoot {
			c.report.Verdict = Reshoot
		}
	}
	if len(c.parts) > 1 || c.parts[0].err != nil {
		c.report.Verdict = WillNotJoin
	}
	return nil
}

func (c *checker) judgeOrder() {
	if n := len(c.order); n < c.o.Frames {
		c.found(FoundMissing, true, []int{0, n - 1}, "The plan has %d frames, %d are here; take the others, or leave it if the row is as wide as you want it.", c.o.Frames, n)
	}
	up, down := 0, 0
	for k := 1; k < len(c.order); k++ {
		if c.order[k].frame > c.order[k-1].frame {
			up++
		} else {
			down++
		}
	}
	if len(c.parts) == 1 && up > 0 && down > 0 {
		names := make([]string, len(c.order))
		all := make([]int, len(c.order))
		for k := range c.order {
			names[k], all[k] = c.base(k), k
		}
		c.found(FoundOrder, false, all, "The files are not in the row's order, which is %s; that is no fault.", strings.Join(names, ", "))
	}
}

// usualTurn is the median turn of the pairs that join, or that of a third of
// overlap; ok is false if no camera is known.
func (c *checker) usualTurn() (turn geom.Angle, regular, ok bool) {
	var turns []float64
	for k := range c.report.Pairs {
		if c.pairs[k].joined {
			turns = append(turns, c.report.Pairs[k].TurnDeg)
		}
	}
	for _, f := range c.order {
		if f.at >= 0 {
			cam := c.camera(f)
			overlap := c.o.Overlap
			if overlap == 0 {
				overlap = usualOverlap
			}
			turn, ok = turnFor(&cam, overlap), true
			break
		}
	}
	if len(turns) > 0 && c.o.Overlap == 0 {
		if m := geom.Angle(median(turns)) * geom.Degree; m < turn {
			return m, true, ok
		}
	}
	return turn, false, ok
}

func (c *checker) judgeOverlaps() {
	turn, _, known := c.usualTurn()
	for k := range c.report.Pairs {
		p, fig := &c.report.Pairs[k], &c.pairs[k]
		a, b := c.base(k), c.base(k+1)
		both := []int{k, k + 1}
		switch {
		case !fig.joined && p.Overlap >= thinOverlap && p.Matches > 0:
			c.found(FoundGap, true, both, "%s and %s do not join, though they overlap by %.0f %%: only %d of %d details agree. Something near or moving fills the overlap, or the camera moved; "+
				"reshoot the two from one place, turning about the lens's entrance pupil.", a, b, 100*p.Overlap, p.Inliers, p.Matches)
		case !fig.joined:
			what := "reshoot between the two with a third of overlap"
			if known {
				what = fmt.Sprintf("reshoot between the two, turning by %.0f° from frame to frame", turn.Degrees())
			}
			c.found(FoundGap, true, both, "Nothing shows that %s and %s overlap: the camera was turned too far, or a frame is missing; %s.", a, b, what)
			if missing, ok := missingNumbers(a, b); ok {
				c.found(FoundMissing, true, both, "%s between %s and %s is not among the files; look for it before you reshoot.", missing, a, b)
			}
		case p.Overlap < thinOverlap:
			c.found(FoundThin, true, both, "%s and %s overlap by %.0f %% only; reshoot between %s and %s, turn %.0f° less.",
				a, b, 100*p.Overlap, a, b, max(1, p.TurnDeg-turn.Degrees()))
		case fig.weak != "" && !c.shifted(k):
			c.found(FoundWeak, true, both, "%s Reshoot the two if you can.", fig.weak)
		}
		if fig.joined && p.Planned > 0 && p.Overlap < p.Planned-plannedShort && p.Overlap >= thinOverlap {
			c.found(FoundPlan, false, both, "%s and %s overlap by %.0f %%, %.0f %% were planned; turn %.0f° less next time.",
				a, b, 100*p.Overlap, 100*p.Planned, max(1, p.TurnDeg-turn.Degrees()))
		}
		if fig.joined && c.report.Pairs[k].Overlap >= thinOverlap && fig.lit && p.Moved > movedShare {
			c.found(FoundMotion, false, both, "%.0f %% of what %s and %s share has moved between them; if it is not the sea, wait and take %s again.", 100*p.Moved, a, b, b)
		}
	}
	if missing := c.skipped(); missing >= 0 {
		c.found(FoundMissing, true, []int{missing, missing + 1}, "The camera turned twice as far between %s and %s as elsewhere: a frame is missing there; reshoot it.", c.base(missing), c.base(missing+1))
	}
}

// skipped returns the pair whose turn is about twice that of all others, −1 if
// there is none.
func (c *checker) skipped() int {
	var turns []float64
	for k := range c.report.Pairs {
		if !c.pairs[k].joined {
			return -1
		}
		turns = append(turns, c.report.Pairs[k].TurnDeg)
	}
	if len(turns) < 2 {
		return -1
	}
	sorted := slices.Clone(turns)
	slices.Sort(sorted)
	usual, most := sorted[(len(sorted)-1)/2], sorted[len(sorted)-1]
	if second := sorted[len(sorted)-2]; most > 1.7*usual && most > 1.5*second {
		return slices.Index(turns, most)
	}
	return -1
}

// missingNumbers names the files that the numbers of two names leave out.
func missingNumbers(a, b string) (string, bool) {
	split := func(s string) (prefix string, digits string, rest string) {
		end := strings.LastIndexAny(s, "0123456789") + 1
		start := end
		for start > 0 && s[start-1] >= '0' && s[start-1] <= '9' {
			start--
		}
		return s[:start], s[start:end], s[end:]
	}
	// The ending may hold a digit.
	cut := func(s string) string {
		if i := strings.LastIndexByte(s, '.'); i > 0 {
			return s[:i]
		}
		return s
	}
	pa, da, ra := split(cut(a))
	pb, db, rb := split(cut(b))
	var x, y int
	if _, err := fmt.Sscan(strings.TrimLeft(da, "0")+" "+strings.TrimLeft(db, "0"), &x, &y); err != nil || pa != pb || ra != rb {
		return "", false
	}
	if x > y {
		x, y = y, x
	}
	name := func(n int) string { return fmt.Sprintf("%s%0*d%s", pa, len(da), n, ra) }
	switch {
	case y-x == 2:
		return name(x + 1), true
	case y-x > 2 && y-x <= 5:
		return name(x+1) + " to " + name(y-1), true
	}
	return "", false
}

// shifted reports whether a band of the overlap contradicts a turn of the camera, by
// more than what moved there or a thing or two. A camera that was moved over level
// ground shifts all of an overlap alike, as a wrong model does.
func (c *checker) shifted(k int) bool {
	if !c.pairs[k].joined {
		return false
	}
	p := &c.report.Pairs[k]
	al := c.parts[c.order[k].part].al
	return p.Shift != ShiftMovement && p.Shift != ShiftNone && p.ParallaxPx > float64(c.shrink)*al.weakSpreadPx()
}

// judgeMovement tells a touch of the tripod, which shows between two frames,
// from a lens that turns beside its entrance pupil, which shows between all.
func (c *checker) judgeMovement() {
	var shifted, joined []int
	for k := range c.report.Pairs {
		if c.pairs[k].joined {
			joined = append(joined, k)
		}
		// A streak has no middle: what seems to shift by less is no shift.
		if c.shifted(k) && c.report.Pairs[k].ParallaxPx > max(c.blurPx[k], c.blurPx[k+1]) {
			shifted = append(shifted, k)
		}
	}
	step := c.poseStep()
	if step >= 0 && !slices.Contains(shifted, step) {
		c.found(FoundMoved, true, []int{step, step + 1}, "The camera's tilt changes between %s and %s and stays so: the tripod or the head was moved; check its level and reshoot from %s on.",
			c.base(step), c.base(step+1), c.after(step))
	}
	if besidePupil(len(shifted), len(joined)) {
		var worst float64
		for _, k := range shifted {
			worst = max(worst, c.report.Pairs[k].ParallaxPx)
		}
		all := make([]int, len(c.order))
		for k := range all {
			all[k] = k
		}
		c.found(FoundParallax, true, all, "Near things shift by up to %.1f pixels against the distance between all frames: the camera does not turn about the lens's entrance pupil. "+
			"%s, or step back from what is near, and reshoot.", worst, c.pupilRemedy(shifted[0]))
		return
	}
	for _, k := range shifted {
		c.found(FoundMoved, true, []int{k, k + 1}, "Near things shift by %.1f pixels against the distance between %s and %s: the camera moved there, or something near is only there; reshoot from %s on, the tripod untouched and the camera turned about the lens's entrance pupil.",
			c.report.Pairs[k].ParallaxPx, c.base(k), c.base(k+1), c.after(k))
	}
}

// besidePupil reports whether shifts in so many of the overlaps mean that the camera
// turns beside the lens's entrance pupil: a touch of the tripod shows in one.
func besidePupil(shifted, joined int) bool { return shifted > 1 && 2*shifted > joined }

// after names the frame of pair k that was taken later: the row may have been taken
// from the right.
func (c *checker) after(k int) string {
	if c.order[k].frame > c.order[k+1].frame {
		return c.base(k)
	}
	return c.base(k + 1)
}

// pupilRemedy says how to move the camera on its rail.
func (c *checker) pupilRemedy(k int) string {
	p := c.parts[c.order[k].part].al.pupilSolution()
	if !p.Known {
		return "Move it on its rail"
	}
	text := p.says()
	return strings.ToUpper(text[:1]) + text[1:]
}

// poseStep returns the pair between which pitch or roll steps, compared with
// how they scatter on either side; −1 if there is none. Two frames on either
// side at least make a step.
func (c *checker) poseStep() int {
	if len(c.parts) != 1 {
		return -1
	}
	f := c.report.Frames
	best, at := 0.0, -1
	for k := 1; k+2 < len(f); k++ {
		for _, v := range []func(*CheckFrame) float64{func(x *CheckFrame) float64 { return x.PitchDeg }, func(x *CheckFrame) float64 { return x.RollDeg }} {
			var lo, hi [2]float64
			for side, part := range [][]CheckFrame{f[:k+1], f[k+1:]} {
				lo[side], hi[side] = math.Inf(1), math.Inf(-1)
				for i := range part {
					lo[side], hi[side] = min(lo[side], v(&part[i])), max(hi[side], v(&part[i]))
				}
			}
			gap := max(lo[1]-hi[0], lo[0]-hi[1])
			scatter := max(hi[0]-lo[0], hi[1]-lo[1])
			if gap > stepDeg && gap > 2*scatter && gap > best {
				best, at = gap, k
			}
		}
	}
	return at
}

func (c *checker) judgeSharpness(ctx context.Context) error {
	f := c.report.Frames
	c.blurPx = make([]float64, len(f))
	for k := range f {
		if f[k].SharpnessStops > -softStops && !c.streaked(k) {
			continue
		}
		name := c.base(k)
		b, ok, err := c.blurOf(ctx, k)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		c.blurPx[k] = b.px
		if b.line {
			c.found(FoundBlur, true, []int{k}, "%s is blurred in one direction, by %.0f pixels: the camera shook, or the wind did; reshoot it, with a delay and the tripod low.", name, b.px)
			continue
		}
		c.found(FoundFocus, true, []int{k}, "%s is soft all over against its neighbours, by %.0f pixels: out of focus; focus as in the others and reshoot it.", name, b.px)
	}
	for k := range c.report.Pairs {
		p := &c.report.Pairs[k]
		if c.blurPx[k] > 0 || c.blurPx[k+1] > 0 || !c.pairs[k].joined || math.Abs(p.NearStops-p.FarStops) <= unevenStops {
			continue
		}
		nearer, other := c.base(k), c.base(k+1)
		if p.NearStops > p.FarStops {
			nearer, other = other, nearer
		}
		c.found(FoundFocus, true, []int{k, k + 1}, "%s is focused nearer than %s: not the same distance is sharp where they join; set the focus once and reshoot one of them.", nearer, other)
	}
	return nil
}

// streaked reports whether frame k has lost detail that runs some way against
// each neighbour that has any: a shake along the horizon leaves most of a beach
// as it was.
func (c *checker) streaked(k int) bool {
	for way := range ways {
		lost, told := true, false
		for _, side := range []struct {
			pair int
			sign float64
		}{{k - 1, -1}, {k, 1}} {
			if side.pair < 0 || side.pair >= len(c.pairs) || !c.pairs[side.pair].joined || c.pairs[side.pair].blocks < leastBlocks {
				continue
			}
			if loss := side.sign * c.pairs[side.pair].byWay[way]; !math.IsNaN(loss) {
				told = true
				lost = lost && loss > streakStops
			}
		}
		if told && lost {
			return true
		}
	}
	return false
}

func (c *checker) judgeLight() {
	for k := 0; k < len(c.report.Pairs); k++ {
		p := &c.report.Pairs[k]
		if !c.pairs[k].lit {
			continue
		}
		if e := p.ExposureStops; math.Abs(e) > jumpStops {
			// A single frame that is off jumps back.
			frames, what := []int{k, k + 1}, fmt.Sprintf("from %s on", c.after(k))
			switch {
			case k+1 < len(c.report.Pairs) && c.pairs[k+1].lit && -e*c.report.Pairs[k+1].ExposureStops > jumpStops*jumpStops:
				frames, what = []int{k + 1}, c.base(k+1)
			case k == 0 && len(c.report.Pairs) > 1:
				frames, what = []int{0}, c.base(0)
			case k == len(c.report.Pairs)-1 && k > 0:
				frames, what = []int{k + 1}, c.base(k+1)
			}
			c.found(FoundExposure, true, frames, "The exposure jumps by %.1f EV between %s and %s; set it by hand, the same for all, and reshoot %s.", math.Abs(e), c.base(k), c.base(k+1), what)
			if len(frames) == 1 && frames[0] == k+1 {
				k++ // the way back is the same finding
				continue
			}
		}
		if cast := max(math.Abs(p.RedStops), math.Abs(p.BlueStops)); cast > castStops {
			c.found(FoundColour, false, []int{k, k + 1}, "The white balance changes between %s and %s by %.1f stops of red or blue; the join evens it out, but set it by hand.", c.base(k), c.base(k+1), cast)
		}
	}
}

func (c *checker) judgeLevel() {
	if len(c.parts) != 1 {
		return
	}
	f := c.report.Frames
	loss := 0.0
	if c.report.Output != nil {
		loss = c.report.Output.LossPercent
	}
	for k := range f {
		if c.touched(k) {
			continue // a row whose camera moved cannot be levelled to a degree
		}
		var others []float64
		for i := range f {
			if i != k {
				others = append(others, f[i].RollDeg)
			}
		}
		if d := f[k].RollDeg - median(others); math.Abs(d) > rolledDeg && len(others) > 1 {
			which := "clockwise"
			if d < 0 {
				which = "anticlockwise"
			}
			c.found(FoundRoll, true, []int{k}, "%s is rolled %.1f° %s against the others; level the camera and reshoot it. The crop takes %.0f %% of the picture now.", c.base(k), math.Abs(d), which, loss)
		}
	}
	if n := len(f); n > 2 {
		if climb := f[n-1].PitchDeg - f[0].PitchDeg; math.Abs(climb) > driftDeg && c.poseStep() < 0 && monotone(f, climb > 0) {
			way := "climbs"
			if climb < 0 {
				way = "sinks"
			}
			c.found(FoundDrift, loss > 12, []int{0, n - 1}, "The row %s by %.1f° from left to right: the tripod is not level, and the crop takes %.0f %% of the picture; level it before the next row.", way, math.Abs(climb), loss)
		}
	}
}

// touched reports whether a finding says that the camera moved beside frame k.
func (c *checker) touched(k int) bool {
	return slices.ContainsFunc(c.report.Findings, func(f Finding) bool {
		return f.Kind == FoundMoved && slices.Contains(f.Frames, k)
	})
}

func monotone(f []CheckFrame, up bool) bool {
	for k := 1; k < len(f); k++ {
		if d := f[k].PitchDeg - f[k-1].PitchDeg; up && d < -0.1 || !up && d > 0.1 {
			return false
		}
	}
	return true
}
