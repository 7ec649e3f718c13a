package report

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"flatfell.example/geom"
	"flatfell.example/stitch"
)

// Check is the page about a row that was looked at before it is joined.
type Check struct {
	Report *stitch.CheckReport
	// Thumbnails are small pictures of the report's frames, JPEGs; they may be
	// missing.
	Thumbnails []Thumbnail
	// Command is what was typed, Version the program's.
	Command []string
	Version string
}

// Thumbnail is a small picture.
type Thumbnail struct {
	JPEG          []byte
	Width, Height int
}

// WriteTo writes the page.
func (c Check) WriteTo(w io.Writer) (int64, error) {
	r := c.Report
	name := func(k int) string { return filepath.Base(r.Frames[k].File) }
	s := sections{
		Title: "Before the row is joined", Strong: strings.ToUpper(string(r.Verdict)[:1]) + string(r.Verdict)[1:] + ".",
		Lead:    fmt.Sprintf("%d frames", len(r.Frames)),
		Command: commandLine(c.Command), Version: "flatfell " + c.Version,
	}
	for _, f := range r.Findings {
		n := note{Text: f.Text, Bad: f.Reshoot}
		if f.Reshoot {
			n.Mark = "Reshoot:"
		}
		s.Notes = append(s.Notes, n)
	}
	frames := section{Title: "The frames", Aside: "from left to right"}
	for k, t := range c.Thumbnails {
		g := group{Pictures: []captioned{{jpegURL(t.JPEG), t.Width, t.Height, r.Frames[k].File, fmt.Sprintf("%d: %s", k+1, name(k))}}}
		if k < len(r.Pairs) && r.Pairs[k].Overlap > 0 {
			g.Then = fmt.Sprintf("%.0f %%", 100*r.Pairs[k].Overlap)
		}
		frames.Groups = append(frames.Groups, g)
	}
	if p, ok := c.row(); ok {
		frames.Plot = &p
	}
	frames.Table = &grid{Head: []string{"frame", "looks to", "pitched", "rolled", "sharpness"}}
	for k, f := range r.Frames {
		frames.Table.add(fmt.Sprintf("%d: %s", k+1, name(k)), Signed("%+.1f°", f.YawDeg), Signed("%+.1f°", f.PitchDeg),
			Signed("%+.1f°", f.RollDeg), Signed("%+.1f stops", f.SharpnessStops))
	}
	pairs := section{Title: "The joins", Table: &grid{Head: []string{"frames", "verdict", "overlap", "turn", "details that fit", "exposure", "sharpness", "shift", "moved"}}}
	for _, p := range r.Pairs {
		names := name(p.A) + " – " + name(p.B)
		if p.Verdict == stitch.NotJoined && p.Matches == 0 {
			pairs.Table.add(names, string(p.Verdict), "–", "–", "–", "–", "–", "–", "–")
		} else {
			pairs.Table.add(names, string(p.Verdict), fmt.Sprintf("%.0f %%", 100*p.Overlap), fmt.Sprintf("%.1f°", p.TurnDeg), fmt.Sprintf("%d of %d", p.Inliers, p.Matches),
				Signed("%+.2f EV", p.ExposureStops), Signed("%+.1f stops", p.SharpnessStops), Shift(&p), fmt.Sprintf("%.0f %%", 100*p.Moved))
		}
		pairs.Table.Rows[len(pairs.Table.Rows)-1][1].Bad = p.Verdict != stitch.Joined
	}
	s.Sections = []section{frames, pairs}
	if o := r.Output; o != nil {
		picture := section{Title: "The picture that it will make", Text: []string{fmt.Sprintf("%d × %d pixels, %.1f megapixels%s.",
			o.Width, o.Height, float64(o.Width)*float64(o.Height)/1e6, Lost(o))}}
		picture.Table = &grid{Head: []string{"pixels an inch", "width × height", "sharp from", "fills"}}
		for _, p := range prints(o.Width, o.Height) {
			picture.Table.add(p.PPI, p.Size, p.From, p.Sheet)
		}
		s.Sections = append(s.Sections, picture)
	}
	return s.WriteTo(w)
}

// row draws the frames of a row that hangs together.
func (c Check) row() (plot, bool) {
	r := c.Report
	if r.FieldDeg[0] <= 0 {
		return plot{}, false
	}
	across, up := math.Tan(r.FieldDeg[0]/2*math.Pi/180), math.Tan(r.FieldDeg[1]/2*math.Pi/180)
	var d rowDrawing
	for _, f := range r.Frames {
		if f.Part != 0 {
			return plot{}, false
		}
		worldFromCam := geom.FromYawPitchRoll(geom.Angle(f.YawDeg)*geom.Degree, geom.Angle(f.PitchDeg)*geom.Degree, geom.Angle(f.RollDeg)*geom.Degree).Inv()
		d.add(geom.Angle(f.YawDeg)*geom.Degree, geom.Angle(f.PitchDeg)*geom.Degree, func(u, v float64) (geom.Vec, bool) {
			return worldFromCam.Apply(geom.Vec{X: (2*u - 1) * across, Y: (2*v - 1) * up, Z: 1}), true
		})
	}
	return d.plot("Degrees to the right of the middle, and above the horizon."), true
}
