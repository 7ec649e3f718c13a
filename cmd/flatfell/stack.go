package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"flatfell.example/card"
	"flatfell.example/focus"
	"flatfell.example/internal/photo"
	pages "flatfell.example/internal/report"
	"flatfell.example/raster"
	"flatfell.example/stitch"
)

// stackCommand is the command line of flatfell stack.
type stackCommand struct {
	out, evidence, report       string
	bits                        bitsFlag
	compression                 compressionFlag
	quality, workers            countFlag
	keepOrder, overwrite, quiet bool
	json                        bool
	sorted                      string
}

func newStack() *cobra.Command {
	s := &stackCommand{quality: countFlag{limit: 100}, workers: countFlag{limit: maxWorkers}}
	cmd := &cobra.Command{
		Use:   "stack FRAMES… -o OUT [options]",
		Short: "merge a focus bracket into one picture that is sharp throughout",
		Long: `FRAMES are 2 to 40 photographs (JPEG, PNG, TIFF) of one view, or a folder of them,
focused step by step from near to far on a tripod, in any order. They are laid on
the farthest one, cut to what all cover, and merged. OUT is written as JPEG, PNG or
TIFF by its ending, only when all went well.

Exit status: 0 done, 1 failed, 2 wrong command line, 3 the frames are not one view.`,
		Example: `Merge a bracket into a 16-bit file, to edit or to join:
    flatfell stack morning/04-focus/ -o dune-grass.tif --bits 16
A bracket of a card as it was sorted, from where it lies:
    flatfell sort /media/card/DCIM --json > morning.json
    flatfell stack --sorted morning.json 04-focus-bracket -o dune-grass.tif
See which frame each part came from:
    flatfell stack morning/04-focus/ -o dune-grass.tif --evidence from.png`,
		RunE: s.run,
	}
	files := newGroup("Files")
	files.StringVarP(&s.out, "output", "o", "", "the picture to write: `FILE` ending in .jpg, .png or .tif")
	files.StringVar(&s.evidence, "evidence", "", "also write a small picture of which frame each part came from, red near to blue far, to `FILE`")
	files.StringVar(&s.report, "report", "", "also write a page about the merging to `FILE` ending in .html")
	files.BoolVar(&s.overwrite, "overwrite", false, "replace outputs that exist (photographs that are read are never replaced)")
	files.StringVar(&s.sorted, "sorted", "", sortedHelp)
	picture := newGroup("The picture")
	picture.Var(&s.bits, "bits", "bits a sample; without it 8 for JPEG, else as many as the frames have")
	picture.Var(&s.quality, "quality", "quality of a JPEG, 1 to 100; without it 95")
	picture.Var(&s.compression, "compression", "how a TIFF is packed: "+strings.Join(stitch.Compressions(), ", ")+"; without it "+stitch.Compressions()[0])
	bracket := newGroup("The bracket")
	bracket.BoolVar(&s.keepOrder, "keep-order", false, "the frames are given in the order of their focus; without it that is found from the pictures")
	running := newGroup("The run")
	running.BoolVar(&s.json, "json", false, "print what was found as JSON instead of the summary")
	running.BoolVar(&s.quiet, "quiet", false, "print errors and warnings only")
	running.Var(&s.workers, "workers", "how many processors to use; without it all; the result is the same")
	running.BoolP("help", "h", false, "print this")
	addGroups(cmd, files, picture, bracket, running)
	cobra.CheckErr(cmd.RegisterFlagCompletionFunc("compression",
		cobra.FixedCompletions(stitch.Compressions(), cobra.ShellCompDirectiveNoFileComp)))
	return cmd
}

// stackStages are the stages of merging a bracket, with a guess of their shares.
var stackStages = []stage{
	{"look", "looking at frames", 420},
	{"register", "aligning", 100},
	{"choose", "choosing frames", 80},
	{"merge", "merging", 300},
	{"write", "writing", 100},
}

func (s *stackCommand) usage(format string, a ...any) error {
	return usagef("flatfell stack", format, a...)
}

func (s *stackCommand) run(cmd *cobra.Command, args []string) error {
	if err := s.check(cmd, args); err != nil {
		return err
	}
	ctx := cmd.Context()
	paths, err := s.files(args)
	if err != nil {
		return err
	}
	inputs := paths
	if s.sorted != "" {
		inputs = append([]string{s.sorted}, paths...)
	}
	if err := checkOutputs(s.usage, inputs, []plannedOutput{
		{"--output", s.out, photo.CheckWritable},
		{"--evidence", s.evidence, photo.CheckWritable},
		{"--report", s.report, checkReport},
	}, s.overwrite); err != nil {
		return err
	}
	frames := make([]*focus.Slice, len(paths))
	bits := 8
	for i, p := range paths {
		if frames[i], err = focus.OpenSlice(p); err != nil {
			return err
		}
		bits = max(bits, frames[i].Bits)
	}
	if ending := strings.ToLower(filepath.Ext(s.out)); ending == ".jpg" || ending == ".jpeg" {
		bits = 8
	}
	if s.bits != 0 {
		bits = int(s.bits)
	}
	progress := newProgress(cmd.ErrOrStderr(), s.quiet, stackStages)
	defer progress.end()
	o := focus.Options{KeepOrder: s.keepOrder, Workers: s.workers.n, Progress: progress.report}
	plan, err := focus.Align(ctx, frames, o)
	if errors.Is(err, focus.ErrNotOneView) {
		return &hintedError{err, "nothing was written; if this is a row, flatfell stitch joins it; flatfell sort puts each bracket into a folder of its own"}
	}
	if err != nil {
		return err
	}
	pic, err := focus.Merge(ctx, plan, frames, o)
	if err != nil {
		return err
	}
	progress.report("write", 0)
	origin, err := focus.NewOrigin(plan, frames, "flatfell "+version())
	if err != nil {
		return err
	}
	err = writeAll([]output{
		{s.out, func() error {
			return focus.WriteFile(ctx, s.out, pic, focus.WriteOptions{
				Bits: bits, Quality: s.quality.n, Compression: string(s.compression), Overwrite: s.overwrite, Origin: origin, Workers: s.workers.n,
			})
		}},
		{s.evidence, func() error {
			return focus.WriteFile(ctx, s.evidence, plan.Evidence(), focus.WriteOptions{Overwrite: s.overwrite, Workers: s.workers.n})
		}},
		{s.report, func() error { return s.writeReport(ctx, pic, plan, frames, typed(cmd, args)) }},
	})
	if err != nil {
		return err
	}
	progress.end()
	return s.tell(cmd.OutOrStdout(), plan, frames)
}

// files are the frames of the bracket.
func (s *stackCommand) files(args []string) ([]string, error) {
	if s.sorted != "" {
		return bracketOfSet(s.sorted, args[0])
	}
	if err := noSets(args, card.FocusBracket); err != nil {
		return nil, err
	}
	return photo.List(args)
}

// check refuses options that contradict each other.
func (s *stackCommand) check(cmd *cobra.Command, args []string) error {
	given := cmd.Flags().Changed
	ending := strings.ToLower(filepath.Ext(s.out))
	jpeg := ending == ".jpg" || ending == ".jpeg"
	switch {
	case len(args) == 0 && s.sorted == "":
		return s.usage("no frames given; name the photographs of a focus bracket, or a folder")
	case slices.Contains(args, ""):
		return s.usage("the name of a frame is empty")
	case s.sorted != "" && len(args) != 1:
		return s.usage("--sorted needs the name of one set and nothing else")
	case s.out == "":
		return s.usage("no output given; add -o and a file name")
	case s.bits == 16 && jpeg:
		return s.usage("a JPEG has 8 bits; let the output end in .png or .tif for 16")
	case given("quality") && !jpeg:
		return s.usage("--quality is for JPEG only")
	case given("compression") && ending != ".tif" && ending != ".tiff":
		return s.usage("--compression is for TIFF only")
	}
	return nil
}

// tell prints what was found.
func (s *stackCommand) tell(w io.Writer, p *focus.Plan, frames []*focus.Slice) error {
	var b bytes.Buffer
	switch {
	case s.json:
		type frame struct {
			File     string     `json:"file"`
			Pose     focus.Pose `json:"pose"`
			Gain     [3]float64 `json:"gain"`
			Likeness float64    `json:"likeness"`
			Share    float64    `json:"share"`
		}
		out := struct {
			Output string    `json:"output"`
			Width  int       `json:"width"`
			Height int       `json:"height"`
			Crop   [4]int    `json:"crop_px"`
			BlurPx []float64 `json:"blur_px"`
			Frames []frame   `json:"frames"`
		}{Output: s.out, Width: p.Crop.Dx(), Height: p.Crop.Dy(), Crop: [4]int{p.Crop.Min.X, p.Crop.Min.Y, p.Crop.Max.X, p.Crop.Max.Y}, BlurPx: p.BlurPx}
		for _, f := range p.Frames {
			out.Frames = append(out.Frames, frame{frames[f.Index].Name, f.Pose, f.Gain, f.Likeness, f.Share})
		}
		e := json.NewEncoder(&b)
		e.SetIndent("", "  ")
		if err := e.Encode(out); err != nil {
			return err
		}
	case !s.quiet:
		near, far := p.Frames[0], p.Frames[len(p.Frames)-1]
		cut := ""
		if p.Crop.Dx() < p.Width || p.Crop.Dy() < p.Height {
			cut = fmt.Sprintf(", the part of %d × %d that all frames see", p.Width, p.Height)
		}
		fmt.Fprintf(&b, "%s: %d × %d pixels (%.1f megapixels)%s.\n", s.out, p.Crop.Dx(), p.Crop.Dy(), float64(p.Crop.Dx())*float64(p.Crop.Dy())/1e6, cut)
		fmt.Fprintf(&b, "Merged: %d frames, near to far %s … %s%s.\n", len(p.Frames),
			printable(filepath.Base(frames[near.Index].Name)), printable(filepath.Base(frames[far.Index].Name)), breathing(near.Pose.Scale))
		for _, f := range p.Frames {
			fmt.Fprintf(&b, "  %3.0f %% from %s\n", 100*f.Share, printable(filepath.Base(frames[f.Index].Name)))
		}
		next := "look at near edges at full size; with --evidence FILE you see which frame each part came from."
		if s.evidence != "" {
			next = fmt.Sprintf("look at near edges at full size; %s shows which frame each part came from.", s.evidence)
		}
		fmt.Fprintf(&b, "Next: %s\n", next)
	}
	_, err := w.Write(b.Bytes())
	return err
}

// breathing says by how much the view grew from the nearest slice, whose picture is
// larger than the farthest's by scale; nothing if that rounds to nothing.
func breathing(scale float64) string {
	way := "grew"
	if scale < 0 {
		way = "shrank"
	}
	percent := fmt.Sprintf("%.2f %%", 100*math.Abs(scale))
	if !strings.ContainsAny(percent, "123456789") {
		return ""
	}
	return fmt.Sprintf("; the view %s by %s over the bracket (focus breathing)", way, percent)
}

// stackOverview is the least length in pixels of the longer side of the picture on the
// page.
const stackOverview = 1400

// writeReport writes the page about the merging.
func (s *stackCommand) writeReport(ctx context.Context, pic *raster.Picture, plan *focus.Plan, frames []*focus.Slice, typed []string) (err error) {
	page := pages.Stack{File: s.out, Width: pic.Rect.Dx(), Height: pic.Rect.Dy(), Plan: plan, Command: typed, Version: version()}
	for _, f := range frames {
		page.Names = append(page.Names, f.Name)
	}
	if page.Overview, err = thumbnail(ctx, pic, stackOverview); err != nil {
		return err
	}
	if page.From, err = thumbnail(ctx, plan.Evidence(), stackOverview); err != nil {
		return err
	}
	return photo.WriteWhole(ctx, s.report, s.overwrite, page)
}
