package plan

import (
	"fmt"
	"math"
	"strings"

	"flatfell.example/geom"
)

const (
	// thinOverlap is where rows begin to fail on plain sky and sand.
	thinOverlap = 0.25
	// missedOverlap is by how much whole clicks may miss an overlap before it is
	// told: where a third was meant, less than a quarter or nearly a half.
	missedOverlap = 0.10
	// lightSeconds is the time in which the light of a low sun falls by a third
	// of a stop, the smallest step that cameras set: 6° above the horizon (the
	// golden hour, common practice) that on level ground goes with
	// sin h · 10^(−0.4 k X), k = 0.25 magnitudes an air mass (from memory, clear
	// air at the sea) and X by Kasten and Young (Applied Optics 28, 1989), 0.75
	// stops a degree, and at 50° of latitude a sun due west sinks by 15° cos 50°
	// an hour. With a high sun it takes many times as long.
	lightSeconds = 180
	// tideSeconds is how long a row may keep someone from looking round (common
	// practice).
	tideSeconds = 600
	// polariserDeg is the width from which a polariser darkens the sky unevenly
	// (common practice).
	polariserDeg = 60
	// nearPx is how far apart two frames may show a thing for a seam to hide it.
	nearPx = 2
)

// advise adds what to mind about the row.
func (p *Plan) advise(q Request) {
	say := func(format string, a ...any) { p.Advice = append(p.Advice, fmt.Sprintf(format, a...)) }
	if t := p.Time; t != nil && t.RowSeconds > tideSeconds {
		say("All of it takes %s: the tide and the light move on in that time. Know your way back before you begin, and follow local advice.", Seconds(t.RowSeconds))
	}
	if over := p.CoverageDeg - q.Wish.Coverage.Degrees(); q.Wish.Coverage > 0 && over > 1 && p.Frames > 1 {
		say("The row is %.0f° wider than asked for: room to crop at the ends.", over)
	}
	if p.Frames > 1 && p.Overlap < thinOverlap {
		say("An overlap of %.0f %% is thin: frames of plain sky, sand or water may not join. A third is safer.", 100*p.Overlap)
	}
	if a := p.clicks(q.Wish); a != "" {
		say("%s", a)
	}
	if q.NearM > 0 {
		c := p.Parallax.Cases[0]
		switch {
		case c.AtNearPx < 0:
			say("The near point lies before the lens: measure it from the turning axis.")
		case c.AtNearPx > nearPx && !p.Parallax.Known:
			rail, beside := p.Parallax.Cases[1], ""
			if rail.AtNearPx > nearPx {
				beside = ", and keep near things away from where frames meet"
			}
			say("What is %.3g m off will shift by %.0f pixels between frames with the entrance pupil %.0f mm off the axis, as is assumed here, and by %.0f with it %.0f mm off: measure the offset, turn about the entrance pupil%s.",
				q.NearM, c.AtNearPx, c.OffsetMM, rail.AtNearPx, rail.OffsetMM, beside)
		case c.AtNearPx > nearPx && c.OffsetMM > PupilRailMM:
			say("What is %.3g m off will shift by %.0f pixels between frames: slide the camera on a rail until the entrance pupil is over the axis.", q.NearM, c.AtNearPx)
		case c.AtNearPx > nearPx:
			say("What is %.3g m off will still shift by %.0f pixels between frames: keep the near things away from where frames meet.", q.NearM, c.AtNearPx)
		}
	}
	if f := p.Focus; f != nil {
		if f.AiryPx > f.CirclePx {
			say("At f/%g diffraction spreads a point over %.1f pixels and softens everything a little; two stops wider is crisper.", f.FNumber, f.AiryPx)
		}
		if len(f.Slices) == 0 && q.NearM > 0 && q.NearM < float64(f.NearLimit) {
			say("What is %.3g m off will not be sharp together with infinity: the nearest that is, focused at %.2f m, is %.2f m. Stop down, or take a focus bracket.", q.NearM, float64(f.Hyperfocal), float64(f.NearLimit))
		}
	}
	if t := p.Time; t != nil && p.Frames > 1 && t.RowSeconds > lightSeconds {
		say("In the %s of the row the light of a low sun changes by a third of a stop and more from end to end. Quicker: %s.", Seconds(t.RowSeconds), p.quicker(q))
	}
	for _, s := range q.FilterStops {
		if s == PolariserStops && p.CoverageDeg > polariserDeg {
			say("A polariser darkens a sky wider than %d° unevenly, most at a right angle to the sun: leave it off, or turn it back.", polariserDeg)
			break
		}
	}
}

// usualStops are numbers of stops in a full turn that rotators and bases have
// (common practice).
var usualStops = [...]int{4, 5, 6, 8, 10, 12, 15, 18, 20, 24, 30, 36, 72}

// clicks says what whole clicks make of the wish for an overlap, if they miss it
// by far, and which base would not.
func (p *Plan) clicks(w Wish) string {
	wanted, asked := w.Overlap, fmt.Sprintf("An overlap of %.0f %% was asked for", 100*w.Overlap)
	if wanted == 0 {
		wanted, asked = DefaultOverlap, "A third of overlap is usual"
	}
	given := w.Turn > 0 || (w.Overlap == 0 && w.Coverage > 0 && w.Frames > 0)
	if p.ClicksPerTurn == 0 || given || math.Abs(p.Overlap-wanted) <= missedOverlap {
		return ""
	}
	across := p.Row.Camera.Across()
	overlap := func(turn geom.Angle) float64 { return 1 - float64(turn/across) }
	got := []string{fmt.Sprintf("with %s of %.4g° it is %.0f %%", Clicks(p.ClicksPerTurn), p.StopDeg, 100*p.Overlap)}
	for _, n := range []int{p.ClicksPerTurn - 1, p.ClicksPerTurn + 1} {
		switch v := overlap(geom.Angle(n) * w.Stop); {
		case n == 0:
		case v <= 0:
			got = append(got, fmt.Sprintf("with %s none", Clicks(n)))
		default:
			got = append(got, fmt.Sprintf("with %s %.0f %%", Clicks(n), 100*v))
		}
	}
	text := asked + ": " + strings.Join(got, ", ") + "."
	for _, n := range usualStops {
		turn := geom.Angle(2 * math.Pi / float64(n))
		if v := overlap(turn); v >= wanted-overlapSlack && v <= wanted+missedOverlap {
			return text + fmt.Sprintf(" A base of %d stops (%.4g°) hits it, with %.0f %%.", n, turn.Degrees(), 100*v)
		}
	}
	return text
}

// quicker lists what a row's time goes into that could be less.
func (p *Plan) quicker(q Request) string {
	t, slices := p.Time, float64(p.Exposures/p.Frames)
	much := func(seconds float64) bool { return slices*seconds > t.FrameSeconds/5 }
	var less []string
	switch {
	case len(q.FilterStops) > 0 && much(t.ShutterSeconds-t.BaseSeconds):
		less = append(less, "a weaker filter")
	case much(t.ShutterSeconds):
		less = append(less, "a shorter exposure")
	}
	if much(q.TimerSeconds) {
		less = append(less, "a cable in place of the timer")
	}
	if slices > 1 {
		less = append(less, "fewer focus slices")
	}
	if len(less) == 0 {
		return "fewer frames"
	}
	return strings.Join(less, ", ")
}

// Cautions are what no plan may leave out.
var Cautions = []string{
	"Never look at the sun through a finder, with filters or without.",
	"Know the tide and the way back up; keep off cliff edges and from under them.",
	"Nesting season, private ground and tripods have local rules.",
}
