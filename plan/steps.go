package plan

import "fmt"

// Step is one line of the tick list.
type Step struct {
	Name string // short, such as "Level"
	Text string
}

const (
	// darkStops is what a filter takes, as an ND64 does, behind which cameras no
	// longer focus by themselves and finders show nothing (common practice).
	darkStops = 6
	// noiseSeconds is the exposure from which on cameras take a second, dark one
	// against noise, as long as the first (common practice).
	noiseSeconds = 1
)

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
	switch c := p.Parallax.Cases[0]; {
	case p.Frames == 1:
	case p.Parallax.Known && c.OffsetMM > 0:
		steps = append(steps, Step{"Rail", fmt.Sprintf("camera back by %.0f mm: entrance pupil over the axis", c.OffsetMM)})
	case !p.Parallax.Known && c.AtNearPx > nearPx:
		steps = append(steps, Step{"Rail", "turn about the entrance pupil: slide until near and far keep together as you swing"})
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
	if t := p.Time; t != nil && t.FilterStops >= darkStops {
		ready := "framed, focused and locked"
		if p.Exposures > p.Frames {
			ready = "framed and the distances marked on the ring"
		}
		steps = append(steps, Step{"Filter", "on last, with all " + ready + "; cover a reflex camera's finder"})
	}
	if t := p.Time; t != nil && t.ShutterSeconds >= noiseSeconds {
		steps = append(steps, Step{"Noise", "long-exposure noise reduction off, or count every exposure twice"})
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
