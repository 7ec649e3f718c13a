package report

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"
)

// textWidth is the width of a text card: a phone's.
const textWidth = 44

// text writes the card as plain text.
func (v *cardView) text() []byte {
	var b strings.Builder
	put := func(lead, s string) {
		hang := strings.Repeat(" ", utf8.RuneCountInString(lead))
		for i, line := range wrap(s, textWidth-utf8.RuneCountInString(lead)) {
			if i > 0 {
				lead = hang
			}
			b.WriteString(strings.TrimRight(lead+line, " ") + "\n")
		}
	}
	if v.Title != "" {
		put("", v.Title)
	}
	put("", strings.ToUpper(v.Headline))
	put("", v.Sub)
	b.WriteString("\n" + v.Drawing.text() + "\n")
	for _, f := range v.Facts {
		put(fmt.Sprintf("%-9s", f.Label), f.Text)
	}
	b.WriteString("\n")
	for _, s := range v.Steps {
		put("[ ] ", s.Name+": "+s.Text)
	}
	if len(v.Mind) > 0 {
		b.WriteString("\n")
	}
	for _, m := range v.Mind {
		put("! ", m)
	}
	b.WriteString("\n")
	for _, c := range v.Care {
		put("- ", c)
	}
	return []byte(strings.ReplaceAll(b.String(), "\u00a0", " "))
}

// text draws the frames to scale along the row, a line each, and the crop.
func (d *drawing) text() string {
	const lead = 5
	cell := d.Width / (textWidth - lead)
	bar := func(label string, x0, x1 float64, fill string) string {
		a, b := int(math.Round(x0/cell)), int(math.Round(x1/cell))
		return fmt.Sprintf("%-*s%s|%s|\n", lead, label, strings.Repeat(" ", a), strings.Repeat(fill, max(0, b-a-2)))
	}
	var s strings.Builder
	for i, f := range d.Frames {
		lo, hi := f.Outline[0].X, f.Outline[0].X
		for _, p := range f.Outline {
			lo, hi = min(lo, p.X), max(hi, p.X)
		}
		s.WriteString(bar(fmt.Sprint(i+1), lo, hi, "-"))
	}
	s.WriteString(bar("crop", d.Crop.X0, d.Crop.X1, "="))
	return s.String()
}

// wrap breaks s into lines of at most width characters, at spaces; a longer
// word is broken.
func wrap(s string, width int) (lines []string) {
	line := ""
	for word := range strings.SplitSeq(s, " ") {
		for utf8.RuneCountInString(word) > width {
			if line != "" {
				lines, line = append(lines, line), ""
			}
			r := []rune(word)
			lines, word = append(lines, string(r[:width])), string(r[width:])
		}
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= width:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}
