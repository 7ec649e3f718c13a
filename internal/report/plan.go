package report

import (
	"fmt"
	"io"
	"strings"

	"flatfell.example/geom"
	"flatfell.example/plan"
)

// Plan is the page about a planned row: all that the pocket card has no room for.
type Plan struct {
	Plan *plan.Plan
	// Title names the place or the kit; it may be empty.
	Title string
	// Command is what was typed, Version the program's.
	Command []string
	Version string
}

// WriteTo writes the page.
func (p Plan) WriteTo(w io.Writer) (int64, error) {
	r := p.Plan
	v := Card{Plan: r, Title: p.Title}.view()
	s := sections{Title: v.Headline, Lead: v.Sub, Command: commandLine(p.Command), Version: "flatfell " + p.Version}
	if p.Title != "" {
		s.Title = p.Title + ": " + v.Headline
	}
	for _, a := range v.Mind {
		s.Notes = append(s.Notes, note{Text: a, Bad: true})
	}
	row := section{Title: "The row", Plot: p.row(), Facts: v.Facts}
	order := section{Title: "In this order"}
	for _, st := range v.Steps {
		order.Steps = append(order.Steps, step{st.Name, st.Text})
	}
	px := func(v [2]int) string { return fmt.Sprintf("%d × %d", v[0], v[1]) }
	prints := section{Title: "In print", Table: &grid{Head: []string{"pixels an inch", "width × height", "fills"}}}
	for _, f := range r.Prints {
		sheet := f.Sheet
		if sheet == "" {
			sheet = "–"
		}
		prints.Table.add(fmt.Sprintf("%.0f", f.PPI), fmt.Sprintf("%.1f × %.1f cm", f.SizeCM[0], f.SizeCM[1]), sheet)
	}
	surfaces := section{Title: "Surfaces", Table: &grid{Head: []string{"surface", "in all, pixels", "inside, pixels"}}}
	for _, f := range r.Surfaces {
		if f.Fits {
			surfaces.Table.add(string(f.Surface), px(f.OutputPx), px(f.InsidePx))
		} else {
			surfaces.Table.add(string(f.Surface), "the row is too wide", "–")
		}
	}
	level := section{Title: "Level", Table: &grid{Head: []string{"off by", "sideways", "forward", "camera rolled"}}}
	level.Text = []string{fmt.Sprintf("The height that is left after the crop; leaning by %s leaves %s.", r.Level.Leans(), r.Level.Kept())}
	for _, c := range r.Level.Cases {
		share := func(v float64) string { return fmt.Sprintf("%.1f %%", 100*v) }
		level.Table.add(fmt.Sprintf("%.2g°", c.Deg), share(c.Sideways), share(c.Forward), share(c.Camera))
	}
	s.Sections = []section{row, order, prints, surfaces, level}
	care := section{Title: "Take care"}
	for _, c := range v.Care {
		care.Notes = append(care.Notes, note{Text: c})
	}
	s.Sections = append(s.Sections, care)
	return s.WriteTo(w)
}

// row draws the planned frames by direction, with the degrees to turn to.
func (p Plan) row() *plot {
	r := p.Plan.Row
	var d rowDrawing
	f := r.Camera.FocalPx()
	across, up := float64(r.Camera.Width())/2/f, float64(r.Camera.Height())/2/f
	for i := range r.Frames {
		yaw := r.Turn * geom.Angle(float64(i)-float64(r.Frames-1)/2)
		worldFromCam := geom.FromYawPitchRoll(yaw, 0, 0).Inv()
		d.add(yaw, 0, func(u, v float64) (geom.Vec, bool) {
			return worldFromCam.Apply(geom.Vec{X: (2*u - 1) * across, Y: (2*v - 1) * up, Z: 1}), true
		})
	}
	out := d.plot("Degrees to the right of the middle, and above the horizon. Turn to " + strings.Join(marks(p.Plan), ", ") + ".")
	return &out
}

// marks are the degrees to turn to, from the first frame.
func marks(p *plan.Plan) (out []string) {
	for _, m := range p.MarksDeg {
		out = append(out, fmt.Sprintf("%.1f°", m))
	}
	return out
}
