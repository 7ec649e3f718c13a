package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"flatfell.example/plan"
)

// labelWidth is where the text of a labelled line begins.
const labelWidth = 10

// sheet is the text of a plan: labelled lines, wrapped for a narrow terminal.
type sheet struct{ b strings.Builder }

// glue is a space at which no line is broken.
const glue = "\u00a0"

// line adds a labelled line; more than fits hangs below it.
func (s *sheet) line(label, format string, a ...any) {
	at, text := 0, glued(fmt.Sprintf(format, a...))
	put := func(word string) { s.b.WriteString(word); at += utf8.RuneCountInString(word) }
	put(label)
	for i, word := range strings.Split(text, " ") {
		switch {
		case i == 0:
			put(strings.Repeat(" ", max(0, labelWidth-at)))
		case at+1+utf8.RuneCountInString(word) > helpWidth:
			s.b.WriteString("\n")
			at = 0
			put(strings.Repeat(" ", labelWidth))
		default:
			put(" ")
		}
		put(strings.ReplaceAll(word, glue, " "))
	}
	s.b.WriteString("\n")
}

// unitWords are words that stay with the number before them.
var unitWords = []string{"px", "cm", "mm", "ppi", "m", "s", "min", "%", "×", "megapixels", "frames", "∞"}

// glued is a text in which numbers and their units are not parted.
func glued(text string) string {
	words := strings.Split(text, " ")
	var b strings.Builder
	b.WriteString(words[0])
	for i, word := range words[1:] {
		before := words[i]
		if before == "×" || slices.Contains(unitWords, strings.TrimRight(word, ".,:;)")) {
			b.WriteString(glue + word)
		} else {
			b.WriteString(" " + word)
		}
	}
	return b.String()
}

func (s *sheet) gap() { s.b.WriteString("\n") }

// tell prints the plan for a person: the answer first, then what it rests on.
func (p *planCommand) tell(w io.Writer, r *plan.Plan) error {
	s := &sheet{}
	p.tellRow(s, r)
	s.gap()
	p.tellPicture(s, r)
	s.gap()
	p.tellCamera(s, r)
	s.gap()
	p.tellBudgets(s, r)
	s.gap()
	for i, a := range append(append([]string{}, r.Advice...), p.notes...) {
		label := ""
		if i == 0 {
			label = "Mind"
		}
		s.line(label, "%s", a)
	}
	s.line("Care", "%s", strings.Join(plan.Cautions, " "))
	if next := p.next(r); next != "" {
		s.line("Next", "%s", next)
	}
	_, err := io.WriteString(w, s.b.String())
	return err
}

// shortestMM is about the shortest equivalent focal length of lenses that keep
// straight lines straight, 120° from side to side (common practice).
const shortestMM = 10

func held(portrait bool) string {
	if portrait {
		return "upright"
	}
	return "across"
}

func (p *planCommand) tellRow(s *sheet, r *plan.Plan) {
	if r.Frames == 1 {
		s.line("1 frame", "held %s sees %.1f° already; no row is needed.", held(r.Camera.Portrait), r.CoverageDeg)
	} else {
		wide := fmt.Sprintf("%.1f° wide", r.CoverageDeg)
		if r.Closed {
			wide = "all the way round"
		}
		s.line(fmt.Sprintf("%d frames", r.Frames), "held %s, turned by %.2f° each (%.0f %% overlap): %s.",
			held(r.Camera.Portrait), r.TurnDeg, 100*r.Overlap, wide)
	}
	s.line("Picture", "%d × %d px after the crop, %.1f megapixels (%d × %d whole).",
		r.InsidePx[0], r.InsidePx[1], r.Files.Megapixels, r.OutputPx[0], r.OutputPx[1])
	if r.Frames == 1 {
		return
	}
	marks := ""
	for i, m := range r.MarksDeg {
		if i == 12 {
			marks += fmt.Sprintf(" … %.1f°", r.MarksDeg[len(r.MarksDeg)-1])
			break
		}
		marks += fmt.Sprintf(" %.1f°", m)
	}
	if r.ClicksPerTurn > 0 {
		s.line("Turn to", "%s (%s of %.4g° each time)", strings.TrimSpace(marks), plan.Clicks(r.ClicksPerTurn), r.StopDeg)
	} else {
		s.line("Turn to", "%s (or %.1f° on a base of %d stops)", strings.TrimSpace(marks), 360/float64(r.BaseStops), r.BaseStops)
	}
}

func (p *planCommand) tellPicture(s *sheet, r *plan.Plan) {
	text := ""
	for _, f := range r.Prints {
		fills := ""
		if f.Sheet != "" {
			fills = " (fills " + f.Sheet + ")"
		}
		if f.Arm {
			text += fmt.Sprintf("sharp at arm's length up to %.0f × %.0f cm%s.", f.SizeCM[0], f.SizeCM[1], fills)
		} else {
			text += fmt.Sprintf("%.0f × %.0f cm%s at %.0f ppi; ", f.SizeCM[0], f.SizeCM[1], fills, f.PPI)
		}
	}
	s.line("Print", "%s", text)
	s.line("Files", "about %s as JPEG, up to %s as 16-bit TIFF; stitching needs about %s.",
		plan.Bytes(r.Files.JPEGBytes), plan.Bytes(r.Files.TIFFBytes), plan.Bytes(r.Files.StitchMemoryBytes))
	text = string(r.Surface)
	for _, f := range r.Surfaces {
		switch {
		case f.Surface == r.Surface:
		case !f.Fits:
			text += fmt.Sprintf("; too wide for a %s (%.0f° at most)", f.Surface, plan.MaxPlane.Degrees())
		default:
			text += fmt.Sprintf("; on a %s %d × %d px", f.Surface, f.InsidePx[0], f.InsidePx[1])
		}
	}
	s.line("Surface", "%s.", text)
}

func (p *planCommand) tellCamera(s *sheet, r *plan.Plan) {
	c := r.Camera
	s.line("Camera", "%.3g mm (%.3g mm equivalent), %.1f × %.1f mm, %d × %d px; sees %.1f° × %.1f°.",
		c.FocalMM, c.EquivalentMM, c.SensorMM[0], c.SensorMM[1], c.FramePx[0], c.FramePx[1], c.AcrossDeg, c.UpDeg)
	h, on := r.Held, ""
	if h.Surface != r.Surface {
		on = fmt.Sprintf(" on a %s", h.Surface)
	}
	row := func(label string, x plan.HeldRow) {
		frames := "frames"
		if x.Frames == 1 {
			frames = "frame"
		}
		s.line(label, "%d %s, %d × %d px%s, %.0f° × %.0f°", x.Frames, frames, x.InsidePx[0], x.InsidePx[1], on, x.CoverageDeg, x.UpDeg)
	}
	row("Upright", h.Portrait)
	row("Across", h.Landscape)
	same := "for the same width"
	if p.shape.w > 0 {
		same = "in the same shape"
	}
	s.line("", "Upright buys %.2f × the height and %.2f × the pixels %s: %.0f %% may be cropped before it is as low as across.",
		h.Height, h.Pixels, same, 100*h.Margin)
	one := r.Single
	if one.EquivalentMM >= shortestMM {
		s.line("One frame", "with %.1f mm (%.1f mm equivalent) would see as far; cut to this shape it has %.1f megapixels, the row %.1f × as many.",
			one.FocalMM, one.EquivalentMM, one.Megapixels, one.Gain)
	} else {
		s.line("One frame", "can't see as far; cut to this shape it has %.1f megapixels, the row %.1f × as many.", one.Megapixels, one.Gain)
	}
}

func (p *planCommand) tellBudgets(s *sheet, r *plan.Plan) {
	l := r.Level
	s.line("Level", "to %s to keep %s.", l.Leans(), l.Kept())
	lost := func(kept func(plan.LevelCase) float64) string {
		var t []string
		for _, c := range l.Cases {
			t = append(t, fmt.Sprintf("%.1f", max(0, 100*(1-kept(c)))))
		}
		return strings.Join(t, "/") + " %"
	}
	s.line("", "Lost at 0.5/1/2/3°: leaning sideways %s, forward %s, camera rolled on a level base %s.",
		lost(func(c plan.LevelCase) float64 { return c.Sideways }), lost(func(c plan.LevelCase) float64 { return c.Forward }),
		lost(func(c plan.LevelCase) float64 { return c.Camera }))
	if r.Frames > 1 {
		p.tellNear(s, r)
	}
	if f := r.Focus; f != nil {
		s.line("Focus", "f/%g: at %s for %s to ∞, at ∞ from %s on (blur %.1f px, diffraction %.1f px).",
			f.FNumber, plan.Distance(float64(f.Hyperfocal)), plan.Distance(float64(f.NearLimit)), plan.Distance(float64(f.NearAtInfinity)), f.CirclePx, f.AiryPx)
		if len(f.Slices) > 0 {
			s.line("Slices", "%d a frame, at %s: %d exposures in all.", len(f.Slices), distances(f.Slices), r.Exposures)
		}
	}
	if t := r.Time; t != nil {
		behind, ev := "", ""
		if t.FilterStops > 0 {
			behind = fmt.Sprintf(" + %.3g stops = %s", t.FilterStops, plan.Seconds(t.ShutterSeconds))
		}
		if t.EV != 0 {
			ev = fmt.Sprintf(" (EV %.1f)", t.EV)
		}
		s.line("Time", "%s%s%s; a frame %s, the row %s. The sun moves %.1f°, low clouds %s: turn the way they travel.",
			plan.Seconds(t.BaseSeconds), ev, behind, plan.Seconds(t.FrameSeconds), plan.Seconds(t.RowSeconds), t.SunDeg, r.Clouds())
	}
}

// tellNear tells how near the foreground may come.
func (p *planCommand) tellNear(s *sheet, r *plan.Plan) {
	for i, c := range r.Parallax.Cases {
		label, how := "", ""
		if i == 0 {
			label = "Near"
		}
		switch {
		case c.OffsetMM == 0:
			s.line(label, "with the pupil on the axis nothing shifts, however near.")
			continue
		case !r.Parallax.Known && i == 0:
			how = " (no rail)"
		case c.OffsetMM == plan.PupilRailMM:
			how = " (on a rail)"
		}
		at := ""
		if c.AtNearPx > 0 {
			at = fmt.Sprintf("; %.0f px at %s", c.AtNearPx, plan.Distance(p.near.value))
		}
		n := c.NearestM
		s.line(label, "shift of 1/2/3 px at %.3g/%.3g/%.3g m, pupil %.3g mm off the axis%s%s.", n[0], n[1], n[2], c.OffsetMM, how, at)
	}
}

// distances lists distances of focus.
func distances(m []plan.Metres) string {
	var t []string
	for _, d := range m {
		t = append(t, plan.Distance(float64(d)))
	}
	return strings.Join(t, ", ")
}

// next says what could be asked for beside.
func (p *planCommand) next(r *plan.Plan) string {
	var t []string
	if r.Focus == nil {
		t = append(t, "--aperture f/11 for focus")
	}
	if r.Time == nil {
		t = append(t, "--shutter 1/125 --filter ND64 for the time")
	}
	switch {
	case p.card != "":
		return "the card is in " + p.card + "."
	default:
		t = append(t, "--card row.html for a card to take along")
	}
	return strings.Join(t, "; ") + "."
}
