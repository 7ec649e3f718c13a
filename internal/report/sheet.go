package report

import (
	"context"
	"fmt"
	"io"
	"path/filepath"

	"flatfell.example/card"
)

// Sheet writes a contact sheet of a sorted card: each set under its name, a
// picture a shot, those of one position together.
func Sheet(ctx context.Context, w io.Writer, r *card.Result, command []string, version string) error {
	page := sections{Title: "Contact sheet", Command: commandLine(command), Version: "flatfell " + version}
	singles := section{Title: "singles"}
	sets := 0
	for k := range r.Sets {
		s := &r.Sets[k]
		if s.Kind == card.Single { // all singles in one section, at the end
			g, err := sheetGroup(ctx, r, s.Positions[0])
			if err != nil {
				return err
			}
			singles.Groups = append(singles.Groups, g)
			continue
		}
		set := section{Title: s.Name}
		shots := 0
		for i, position := range s.Positions {
			g, err := sheetGroup(ctx, r, position)
			if err != nil {
				return err
			}
			shots += len(position)
			if i < len(s.Overlaps) {
				g.Then = fmt.Sprintf("%.0f %%", 100*s.Overlaps[i])
			}
			set.Groups = append(set.Groups, g)
		}
		set.Aside = fmt.Sprintf("%s, %s, %s", s.Kind, Counted(len(s.Positions), "position", "positions"), Counted(shots, "shot", "shots"))
		if s.Direction != "" {
			set.Aside += ", " + s.Direction
		}
		for _, n := range s.Notes {
			set.Notes = append(set.Notes, note{Text: n, Bad: true})
		}
		page.Sections = append(page.Sections, set)
		sets++
	}
	page.Lead = fmt.Sprintf("%s, %s, %s", Counted(len(r.Shots), "photograph", "photographs"), Counted(sets, "set", "sets"),
		Counted(len(singles.Groups), "single frame", "single frames"))
	if n := len(singles.Groups); n > 0 {
		singles.Aside = Counted(n, "frame", "frames") + " that nothing else goes with"
		page.Sections = append(page.Sections, singles)
	}
	if n := len(r.Unread); n > 0 {
		page.Lead += ", " + Counted(n, "file", "files") + " that could not be read"
		unread := section{Title: "not read"}
		for _, u := range r.Unread {
			unread.Notes = append(unread.Notes, note{Text: u.File + ": " + u.Why, Bad: true})
		}
		page.Sections = append(page.Sections, unread)
	}
	_, err := page.WriteTo(w)
	return err
}

// sheetGroup is the shots of one position.
func sheetGroup(ctx context.Context, r *card.Result, shots []int) (g group, err error) {
	for _, i := range shots {
		s := &r.Shots[i]
		b, err := r.Thumbnail(ctx, i)
		if err != nil {
			return g, err
		}
		c := captioned{
			URL: jpegURL(b), W: s.Small.Rect.Dx(), H: s.Small.Rect.Dy(),
			Alt: fmt.Sprintf("%s, %d × %d pixels", s.Files[0], s.Width, s.Height), Caption: filepath.Base(s.Files[0]),
		}
		if len(s.Files) > 1 {
			c.Caption += fmt.Sprintf(" +%d", len(s.Files)-1)
		}
		if !s.Time.IsZero() {
			c.Alt += s.Time.Format(", 15:04:05")
		}
		g.Pictures = append(g.Pictures, c)
	}
	return g, nil
}
