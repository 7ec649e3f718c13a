package plan

import "fmt"

const (
	// thinOverlap is where rows begin to fail on plain sky and sand.
	thinOverlap = 0.25
	// sunDeg is the sun's own diameter.
	sunDeg = 0.53
	// polariserDeg is the width from which a polariser darkens the sky unevenly
	// (common practice).
	polariserDeg = 60
	// nearPx is how far apart two frames may show a thing for a seam to hide it.
	nearPx = 2
)

// advise adds what to mind about the row.
func (p *Plan) advise(q Request) {
	say := func(format string, a ...any) { p.Advice = append(p.Advice, fmt.Sprintf(format, a...)) }
	if over := p.CoverageDeg - q.Wish.Coverage.Degrees(); q.Wish.Coverage > 0 && over > 1 && p.Frames > 1 {
		say("The row is %.0f° wider than asked for: room to crop at the ends.", over)
	}
	if p.Frames > 1 && p.Overlap < thinOverlap {
		say("An overlap of %.0f %% is thin: frames of plain sky, sand or water may not join. A third is safer.", 100*p.Overlap)
	}
	if p.Parallax.Known && q.NearM > 0 {
		c := p.Parallax.Cases[0]
		switch {
		case c.AtNearPx < 0:
			say("The near point lies before the lens: measure it from the turning axis.")
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
	if t := p.Time; t != nil {
		if t.SunDeg > sunDeg/2 {
			say("Within the row the sun moves by %.1f°, its own width being 0.5°: the light changes from end to end. Fewer filters or a shorter delay help.", t.SunDeg)
		}
	}
	for _, s := range q.FilterStops {
		if s == PolariserStops && p.CoverageDeg > polariserDeg {
			say("A polariser darkens a sky wider than %d° unevenly, most at a right angle to the sun: leave it off, or turn it back.", polariserDeg)
			break
		}
	}
}

// Cautions are what no plan may leave out.
var Cautions = []string{
	"Never look at the sun through a finder, with filters or without.",
	"Know the tide and the way back up; keep off cliff edges and from under them.",
	"Nesting season, private ground and tripods have local rules.",
}

// Step is one line of the tick list.
type Step struct {
	Name string // short, such as "Level"
	Text string
}

// Steps are the work in its order, with this row's numbers.
func (p *Plan) Steps() []Step {
	hold := "landscape format"
	if p.Camera.Portrait {
		hold = "upright"
	}
	steps := []Step{
		{"Level", "the base, not the camera, to " + Lean(p.Level.EnoughDeg) + " sideways"},
		{"Hold", hold + ", horizon through the middle"},
	}
	if p.Parallax.Known && p.Parallax.Cases[0].OffsetMM > 0 {
		steps = append(steps, Step{"Rail", fmt.Sprintf("camera back by %.0f mm: entrance pupil over the axis", p.Parallax.Cases[0].OffsetMM)})
	}
	meter := "the brightest frame; manual, fixed white balance"
	if t := p.Time; t != nil {
		meter += ", " + Seconds(t.ShutterSeconds)
		if t.FilterStops > 0 {
			meter += fmt.Sprintf(" behind %.3g stops", t.FilterStops)
		}
	}
	steps = append(steps, Step{"Meter", meter})
	switch f := p.Focus; {
	case f == nil:
		steps = append(steps, Step{"Focus", "and lock: manual, the same for all frames"})
	case len(f.Slices) > 1:
		steps = append(steps, Step{"Focus", fmt.Sprintf("f/%g, manual, %d distances a frame as listed", f.FNumber, len(f.Slices))})
	case len(f.Slices) == 1:
		steps = append(steps, Step{"Focus", fmt.Sprintf("f/%g at %s, then lock", f.FNumber, Distance(float64(f.Slices[0])))})
	default:
		steps = append(steps, Step{"Focus", fmt.Sprintf("f/%g at %s, then lock", f.FNumber, Distance(float64(f.Hyperfocal)))})
	}
	shoot := "the first frame; a hand before the lens marks the start"
	if p.Frames == 1 {
		shoot = "the frame"
	}
	steps = append(steps, Step{"Timer", "or cable, stabiliser off on a tripod"}, Step{"Shoot", shoot})
	if p.Frames > 1 {
		turn := fmt.Sprintf("%.1f°", p.TurnDeg)
		if p.ClicksPerTurn > 0 {
			turn = fmt.Sprintf("%s (%s)", Clicks(p.ClicksPerTurn), turn)
		}
		steps = append(steps, Step{"Turn", turn + ", the way the clouds travel; wait until still"},
			Step{"Repeat", fmt.Sprintf("to frame %d", p.Frames)})
	}
	return append(steps, Step{"Check", "first and last for sharpness and level; again if in doubt"})
}
