package main

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"flatfell.example/geom"
	"flatfell.example/stitch"
	"flatfell.example/warp"
)

// printPPI is the resolution of a print that is looked at from near; common
// practice. It is noted in the file.
const printPPI = 300

// tell prints what came out: the solution for a program, or a summary for a
// person, or no more than what is amiss.
func (s *stitchCommand) tell(cmd *cobra.Command, sol *stitch.Solution) error {
	switch {
	case s.json:
		_, err := sol.WriteTo(cmd.OutOrStdout())
		return err
	case s.quiet:
		for _, a := range slices.Concat(sol.Advice, s.heldBack(sol)) {
			fmt.Fprintf(cmd.ErrOrStderr(), "flatfell: warning: %s\n", lowerFirst(strings.TrimSuffix(a, ".")))
		}
		return nil
	}
	return s.summary(cmd.OutOrStdout(), sol)
}

// summary tells a person what came out and what to do next.
func (s *stitchCommand) summary(w io.Writer, sol *stitch.Solution) error {
	out := &sol.Output
	first, placed := (*stitch.FrameSolution)(nil), 0
	for i := range sol.Frames {
		if f := &sol.Frames[i]; f.Placed {
			placed++
			if first == nil {
				first = f
			}
		}
	}
	size := func(width, height float64) string {
		const cm = 2.54 // an inch
		return fmt.Sprintf("%.0f × %.0f pixels (%.1f megapixels), %.0f × %.0f cm in print at %d pixels an inch",
			width, height, width*height/1e6, width/printPPI*cm, height/printPPI*cm, printPPI)
	}
	width, height := float64(out.Width), float64(out.Height)
	// At full size the picture has the scale of the frames.
	full := first.FocalPx / out.PxPerRadian
	reduced := s.small && full*width > cropPreviewWidth
	if reduced {
		fmt.Fprintf(w, "%s: a preview of %d × %d pixels; the full picture has about %s.\n", out.File, out.Width, out.Height, size(full*width, full*height))
	} else {
		fmt.Fprintf(w, "%s: %s.\n", out.File, size(width, height))
	}
	cam := first.Camera()
	across, up := cam.ViewAngles()
	fmt.Fprintf(w, "%s: %d of %d frames, which agree to %.2f pixels. The focal length is %.1f pixels (%s), so a frame sees %.1f° × %.1f°.\n",
		verdictText(sol.Verdict), placed, len(sol.Frames)+s.left, sol.RMSPx, first.FocalPx, focalText(sol.FocalSource), across.Degrees(), up.Degrees())
	if l := &sol.Light; l.Samples > 0 {
		fmt.Fprintf(w, "Light: where the frames overlap they differed by %.1f %%, and by %.1f %% now%s.\n", l.BeforePercent, l.AfterPercent, lightText(l))
	}
	for _, a := range slices.Concat(sol.Advice, s.heldBack(sol)) {
		fmt.Fprintf(w, "%s\n", a)
	}
	next := s.nextStep(sol)
	if reduced {
		next = "if the crop is right, the same without --preview."
	}
	_, err := fmt.Fprintf(w, "Next: %s\n", next)
	return err
}

// heldBack says if --offset asked for more than there was room for.
func (s *stitchCommand) heldBack(sol *stitch.Solution) (advice []string) {
	if s.offset == (offsetFlag{}) {
		return nil
	}
	out := &sol.Output
	surface, err := warp.SurfaceByName(out.Surface)
	if err != nil {
		return nil
	}
	var cams []geom.Camera
	for i := range sol.Frames {
		if f := &sol.Frames[i]; f.Placed {
			cams = append(cams, f.Camera())
		}
	}
	all, _ := warp.Bounds(warp.View{Surface: surface, PxPerRadian: out.PxPerRadian}, cams)
	for _, way := range []struct {
		wanted, moved float64 // shares of all that is covered
		there, back   string
	}{
		{s.offset.right, (float64(out.Width)/2 - out.OriginPx[0]) / float64(all.Dx()), "right", "left"},
		{s.offset.down, (float64(out.Height)/2 - out.OriginPx[1]) / float64(all.Dy()), "down", "up"},
	} {
		if way.wanted < 0 {
			way.wanted, way.moved, way.there = -way.wanted, -way.moved, way.back
		}
		if way.wanted > 0 && way.wanted-way.moved > offsetShort {
			advice = append(advice, fmt.Sprintf("The crop moved %s by %.0f %% only, not %.3g %%: there is no room beyond.", way.there, 100*max(0, way.moved), 100*way.wanted))
		}
	}
	return advice
}

// offsetShort is how much less than asked for a crop may move without a word: a place is
// found to a thousandth, and what is covered is not quite even about the middle.
const offsetShort = 0.01

// lightText says what was corrected beside the exposures.
func lightText(l *stitch.LightSolution) string {
	var parts []string
	for _, p := range l.Parts {
		switch p {
		case "vignetting":
			if l.CornerStops >= 0 {
				parts = append(parts, fmt.Sprintf("the corners had lost %.1f stops", l.CornerStops))
			} else {
				parts = append(parts, fmt.Sprintf("the corners were %.1f stops too bright", -l.CornerStops))
			}
		case "centre":
			parts = append(parts, "about a place off the middle of the frames")
		case "tone":
			parts = append(parts, "the camera's tone curve is allowed for")
		case "field":
			parts = append(parts, fmt.Sprintf("a slow change of light of up to %.0f %% within a frame is taken up", l.FieldPercent))
		}
	}
	switch {
	case !slices.Contains(l.Undetermined, "vignetting"):
	case slices.Contains(l.Parts, "vignetting"):
		parts = append(parts, "too little overlaps to tell well what the corners lose")
	default:
		parts = append(parts, "too little overlaps to tell what the corners lose")
	}
	if len(parts) == 0 {
		return ""
	}
	return "; " + strings.Join(parts, "; ")
}

func verdictText(v stitch.Verdict) string {
	switch v {
	case stitch.Joined:
		return "Joined"
	case stitch.Weak:
		return "Joined, but weakly"
	}
	return upperFirst(string(v))
}

// focalText says what the focal length rests on.
func focalText(source string) string {
	switch source {
	case "pictures":
		return "found from the pictures alone"
	case "given":
		return "refined from the one given"
	}
	return "refined from the metadata's " + source
}

// nextStep is what the photographer would want to do now.
func (s *stitchCommand) nextStep(sol *stitch.Solution) string {
	switch {
	case sol.Verdict == stitch.Weak:
		return fmt.Sprintf("look at %s at full size at the joins named above.", s.out)
	case s.solution == "" && s.from == "":
		return "look at it at full size; with --solution FILE you keep how the frames lie, to render other shapes quickly."
	case s.solution != "":
		return fmt.Sprintf("look at it at full size; another shape: flatfell crop %s --crop 3:1 -o %s", s.solution, filepath.Join(filepath.Dir(s.out), "other.jpg"))
	}
	return "look at it at full size."
}

func upperFirst(s string) string { return mapFirst(s, unicode.ToUpper) }
func lowerFirst(s string) string { return mapFirst(s, unicode.ToLower) }

func mapFirst(s string, f func(rune) rune) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(f(r)) + s[n:]
}
