package report

import (
	"fmt"
	"path/filepath"
	"strings"

	"flatfell.example/geom"
	"flatfell.example/plan"
)

// Card is the pocket page of a planned row: its numbers, a drawing to scale,
// and the work in its order to tick off.
type Card struct {
	Plan *plan.Plan
	// Title names the place or the kit; it may be empty.
	Title string
}

// The formats of a card.
const (
	formatHTML = "html"
	formatPDF  = "pdf"
	formatText = "txt"
)

// CardFormat returns the format that a file's name asks for, "" if none.
func CardFormat(path string) string {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".html", ".htm":
		return formatHTML
	case ".pdf":
		return formatPDF
	case ".txt":
		return formatText
	}
	return ""
}

// Bytes returns the card in a format of [CardFormat]: the same bytes for the
// same plan.
func (c Card) Bytes(format string) ([]byte, error) {
	v := c.view()
	switch format {
	case formatHTML:
		return v.html()
	case formatPDF:
		return v.pdf()
	case formatText:
		return v.text(), nil
	}
	return nil, fmt.Errorf("report: no card of format %q", format)
}

// cardView is what the card says, whatever it is written as.
type cardView struct {
	Title, Headline, Sub string
	Facts                []fact
	Steps                []plan.Step
	Mind, Care           []string
	Drawing              drawing
}

// SmallNumbers says that the frames leave little room for their numbers.
func (v *cardView) SmallNumbers() bool { return len(v.Drawing.Frames) > mostMarks }

// fact is a labelled line.
type fact struct{ Label, Text string }

func (c Card) view() *cardView {
	p := c.Plan
	v := &cardView{
		Title: c.Title, Steps: p.Steps(), Mind: p.Advice, Care: plan.Cautions,
		Drawing: draw(p),
	}
	held := "upright"
	if !p.Camera.Portrait {
		held = "across"
	}
	switch {
	case p.Frames == 1:
		v.Headline = "1 frame, " + held
		v.Sub = fmt.Sprintf("%.0f° wide", p.CoverageDeg)
	default:
		v.Headline = fmt.Sprintf("%d frames, turn %.1f°", p.Frames, p.TurnDeg)
		if p.ClicksPerTurn > 0 {
			v.Headline = fmt.Sprintf("%d frames, turn %s", p.Frames, plan.Clicks(p.ClicksPerTurn))
		}
		v.Sub = fmt.Sprintf("%.0f° wide, %.0f %% overlap, held %s", p.CoverageDeg, 100*p.Overlap, held)
	}
	v.facts(p)
	return v
}

func (v *cardView) say(label, format string, a ...any) {
	v.Facts = append(v.Facts, fact{label, glued.Replace(fmt.Sprintf(format, a...))})
}

// glued keeps numbers and their units on one line.
var glued = strings.NewReplacer(" × ", "\u00a0×\u00a0", " px", "\u00a0px", " mm", "\u00a0mm", " m", "\u00a0m", " cm", "\u00a0cm", " s", "\u00a0s", "to ∞", "to\u00a0∞")

// sheetNote names the sheet that a print fills.
func sheetNote(f plan.PrintFacts) string {
	if f.Sheet == "" {
		return ""
	}
	return ", fills " + f.Sheet
}

func (v *cardView) facts(p *plan.Plan) {
	v.say("Lens", "%.3g mm (%.3g mm equivalent), %d × %d px a frame", p.Camera.FocalMM, p.Camera.EquivalentMM, p.Camera.FramePx[0], p.Camera.FramePx[1])
	if p.ClicksPerTurn > 0 {
		v.say("Turn", "%s of %.4g°: %.1f°", plan.Clicks(p.ClicksPerTurn), p.StopDeg, p.TurnDeg)
	}
	v.say("Picture", "%d × %d px, %.0f megapixels", p.InsidePx[0], p.InsidePx[1], p.Files.Megapixels)
	big, small := p.Prints[0], p.Prints[1]
	v.say("Print", "%.0f × %.0f cm at %.0f ppi%s; %.0f × %.0f cm at %.0f%s",
		big.SizeCM[0], big.SizeCM[1], big.PPI, sheetNote(big), small.SizeCM[0], small.SizeCM[1], small.PPI, sheetNote(small))
	v.say("Level", "leaning %s leaves %s", p.Level.Leans(), p.Level.Kept())
	if p.Frames > 1 {
		var near []string
		for _, c := range p.Parallax.Cases {
			if c.OffsetMM == 0 {
				near = append(near, "anything, pupil on the axis")
				continue
			}
			near = append(near, fmt.Sprintf("%s with the pupil %.3g mm off", plan.Distance(c.NearestM[1]), c.OffsetMM))
		}
		v.say("Nearest", "%s (2 px)", strings.Join(near, ", "))
	}
	if f := p.Focus; f != nil {
		if len(f.Slices) > 0 {
			var s []string
			for _, d := range f.Slices {
				s = append(s, plan.Distance(float64(d)))
			}
			v.say("Focus", "f/%g at %s: %d exposures in all", f.FNumber, strings.Join(s, ", "), p.Exposures)
		} else {
			v.say("Focus", "f/%g at %s: sharp from %s to ∞", f.FNumber, plan.Distance(float64(f.Hyperfocal)), plan.Distance(float64(f.NearLimit)))
		}
	}
	if t := p.Time; t != nil {
		shutter := plan.Seconds(t.BaseSeconds)
		if t.FilterStops > 0 {
			shutter = fmt.Sprintf("%s + %.3g stops = %s", shutter, t.FilterStops, plan.Seconds(t.ShutterSeconds))
		}
		v.say("Time", "%s; a frame %s, the row %s", shutter, plan.Seconds(t.FrameSeconds), plan.Seconds(t.RowSeconds))
		v.say("Drift", "sun %.1f° in all, low clouds %s", t.SunDeg, p.Clouds())
	}
}

// drawing is the row on the cylinder, to scale, in units of a thousandth of
// its longest possible width: x right, y down from its own top left corner.
type drawing struct {
	Width, Height float64
	Frames        []drawnFrame
	Crop          plan.Rect
	// HorizonY is the height of the horizon.
	HorizonY float64
	Alt      string
}

// drawnFrame is one frame's outline and where its number and mark stand; they
// are empty where there is no room for them.
type drawnFrame struct {
	Number  string
	Outline []geom.Pt
	MiddleX float64
	Mark    string
}

const (
	drawWidth  = 1000
	drawHeight = 420 // of a row that is not wide
	// There is room for so many numbers and marks.
	mostNumbers, mostMarks = 24, 9
)

// every returns s for each so many-th frame, that at most most are written.
func every(i, frames, most int, s string) string {
	if i%((frames+most-1)/most) != 0 {
		return ""
	}
	return s
}

func draw(p *plan.Plan) drawing {
	r := p.Row
	f := r.Camera.FocalPx()
	w, h := f*(float64(r.Camera.Across())+float64(r.Turn)*float64(r.Frames-1)), float64(r.Camera.Height())
	scale := min(drawWidth/w, drawHeight/h)
	at := func(q geom.Pt) geom.Pt { return geom.Pt{X: scale * (q.X + w/2), Y: scale * (q.Y + h/2)} }
	d := drawing{Width: scale * w, Height: scale * h, HorizonY: scale * h / 2}
	for i := range r.Frames {
		o := r.Outline(i)
		for k := range o {
			o[k] = at(o[k])
		}
		middle := f * float64(r.Turn) * (float64(i) - float64(r.Frames-1)/2)
		d.Frames = append(d.Frames, drawnFrame{
			every(i, r.Frames, mostNumbers, fmt.Sprint(i+1)), o, at(geom.Pt{X: middle}).X,
			every(i, r.Frames, mostMarks, fmt.Sprintf("%.0f°", p.MarksDeg[i])),
		})
	}
	// The crop is drawn where the row is, on the cylinder.
	crop := p.Crop
	if p.Surface != plan.Cylinder {
		crop = r.Inside(plan.Cylinder, plan.Tilt{}, 0, 0)
	}
	a, b := at(geom.Pt{X: crop.X0, Y: crop.Y0}), at(geom.Pt{X: crop.X1, Y: crop.Y1})
	d.Crop = plan.Rect{X0: a.X, Y0: a.Y, X1: b.X, Y1: b.Y}
	d.Alt = fmt.Sprintf("%d frames side by side, to scale, each sharing %.0f %% with the next; the dashed line is the crop.", p.Frames, 100*p.Overlap)
	return d
}
