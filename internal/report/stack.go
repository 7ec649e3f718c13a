package report

import (
	"fmt"
	"io"
	"path/filepath"

	"flatfell.example/focus"
	"flatfell.example/geom"
)

// Stack is the page about a merged focus bracket.
type Stack struct {
	// File is the picture's, Width and Height its size in pixels.
	File          string
	Width, Height int
	Plan          *focus.Plan
	Names         []string // of the slices as they were given
	// Overview is the picture made small, From which frame each part came from.
	Overview Thumbnail
	From     Thumbnail
	// Command is what was typed, Version the program's.
	Command []string
	Version string
}

// WriteTo writes the page.
func (k Stack) WriteTo(w io.Writer) (int64, error) {
	s := sections{
		Title: filepath.Base(k.File), Lead: fmt.Sprintf("%d × %d pixels, %.1f megapixels", k.Width, k.Height, float64(k.Width)*float64(k.Height)/1e6),
		Strong:  fmt.Sprintf("Merged of %d frames.", len(k.Plan.Frames)),
		Command: commandLine(k.Command), Version: "flatfell " + k.Version,
	}
	picture := section{Title: "The picture", Picture: &laid{
		jpegURL(k.Overview.JPEG), jpegURL(k.From.JPEG), k.Overview.Width, k.Overview.Height,
		fmt.Sprintf("The merged picture, %d by %d pixels", k.Width, k.Height),
	}, Text: []string{"Red parts come from the nearest frame, blue ones from the farthest. Look at the borders between them at full size: what lies within the blur of a near edge is soft in every frame."}}
	frames := section{Title: "The frames", Aside: "from near to far", Table: &grid{Head: []string{"frame", "of the picture", "scale", "turned", "shifted", "brightened", "blur to the next"}}}
	for i, f := range k.Plan.Frames {
		blur := "–"
		if i < len(k.Plan.BlurPx) {
			blur = fmt.Sprintf("%.1f px", k.Plan.BlurPx[i])
		}
		frames.Table.add(filepath.Base(k.Names[f.Index]), fmt.Sprintf("%.0f %%", 100*f.Share), fmt.Sprintf("%+.3f %%", 100*f.Pose.Scale),
			fmt.Sprintf("%+.3f°", geom.Angle(f.Pose.Turn).Degrees()), fmt.Sprintf("%+.1f, %+.1f px", f.Pose.Shift[0], f.Pose.Shift[1]), fmt.Sprintf("%+.1f %%", 100*(f.Gain[1]-1)), blur)
	}
	s.Sections = []section{picture, frames}
	return s.WriteTo(w)
}
