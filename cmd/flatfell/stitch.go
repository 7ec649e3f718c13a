package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"flatfell.example/internal/photo"
	"flatfell.example/stitch"
	"flatfell.example/warp"
)

// stitchCommand is the command line of flatfell stitch, and of flatfell crop,
// which does the second half of it.
type stitchCommand struct {
	out, solution, preview, report string
	// typed is the command line, for the report.
	typed []string
	// from is the solution that flatfell crop renders; "" means to search.
	from                      string
	small                     bool // --preview of flatfell crop
	surface                   surfaceFlag
	crop                      cropFlag
	offset                    offsetFlag
	keep                      keepFlag
	level                     levelFlag
	centre                    centreFlag
	focalMM, focalPx, eye     positiveFlag
	sensor                    sensorFlag
	bits                      bitsFlag
	compression               compressionFlag
	quality, workers          countFlag
	seed                      seedFlag
	memory                    memoryFlag
	undistorted, allowMissing bool
	brackets                  bool
	sorted                    string
	overwrite, quiet, json    bool
	// left is the number of frames that were not even tried.
	left int
}

// longRow is the number of frames beyond which memory is given back between stages: of
// a shorter row it would take a twentieth of the time, and save nothing.
const longRow = 8

// maxWorkers bounds --workers: more only waste memory on buffers.
const maxWorkers = 1024

func newStitch() *cobra.Command {
	s := &stitchCommand{
		quality: countFlag{limit: 100}, workers: countFlag{limit: maxWorkers},
	}
	cmd := &cobra.Command{
		Use:   "stitch FRAMES… -o OUT [options]",
		Short: "join the frames of a row into one wide picture",
		Long: `FRAMES are two or more photographs (JPEG, PNG, TIFF) in any order, or a folder
of them: one camera, one focal length, all held the same way. OUT is written as
JPEG, PNG or TIFF by its ending, only when all went well.

A row of focus brackets is a folder of folders, one for each position of the
camera, as flatfell sort --into lays them: each bracket is merged first. With
--sorted FRAMES is the name of a set, row or row of brackets.

Exit status: 0 done, 1 failed, 2 wrong command line, 3 the frames do not join.`,
		Example: `Join all photographs of a folder:
    flatfell stitch dunes/ -o dunes.jpg
A 16-bit file for editing, cut to the shape of a print:
    flatfell stitch dunes/*.tif -o dunes.tif --crop 5:2
Keep how the frames lie, then render another shape without searching:
    flatfell stitch dunes/ -o dunes.jpg --solution dunes.json
    flatfell crop dunes.json -o dunes-wide.jpg --crop 3:1
Take the wave at the middle of one frame's lower half from that frame:
    flatfell stitch dunes/ -o dunes.jpg --keep dunes-03.jpg:50,70,15
A row of focus brackets:
    flatfell stitch morning/05-row-of-brackets -o groyne.tif
A set of a card as it was sorted, from where it lies:
    flatfell sort /media/card/DCIM --json > morning.json
    flatfell stitch --sorted morning.json 03-row -o dunes.jpg
An old lens that tells the camera nothing:
    flatfell stitch dunes/ -o dunes.jpg --focal-mm 35 --sensor 36x24`,
		RunE: s.run,
	}
	files := newGroup("Files")
	files.StringVarP(&s.out, "output", "o", "", "the picture to write: `FILE` ending in .jpg, .png or .tif")
	files.StringVar(&s.solution, "solution", "", "also write how the frames lie and how sure that is, as JSON, to `FILE`")
	files.StringVar(&s.preview, "preview", "", "also write a small JPEG, at most 2048 pixels wide, to `FILE`")
	files.StringVar(&s.report, "report", "", "also write a page about the run, to look through in a browser, to `FILE` ending in .html; tiles of a large picture lie in FILE-tiles beside it")
	files.BoolVar(&s.overwrite, "overwrite", false, "replace outputs that exist (photographs that are read are never replaced)")
	row := newGroup("The row")
	row.Var(&s.focalMM, "focal-mm", "focal length in millimetres, if the files do not tell it or tell it wrongly")
	row.Var(&s.sensor, "sensor", "sides of the sensor in millimetres, with --focal-mm, if the files do not tell them")
	row.Var(&s.focalPx, "focal-px", "focal length in pixels of a frame, instead of --focal-mm")
	row.Var(&s.eye, "eye", fmt.Sprintf("height of the lens above the ground in metres, from which the offset of its entrance pupil is told in millimetres; without it %g", stitch.UsualEyeM))
	row.BoolVar(&s.undistorted, "undistorted", false, "the frames are free of lens distortion already, as many cameras' own JPEGs are: look for none")
	row.BoolVar(&s.brackets, "brackets", false, "each of FRAMES is a folder that holds the focus bracket of one position; not needed for a folder of such folders")
	row.StringVar(&s.sorted, "sorted", "", sortedHelp)
	row.BoolVar(&s.allowMissing, "allow-missing", false, "join the largest group and leave frames out that do not belong to it")
	row.Var(&s.seed, "seed", "a number that starts the random search; the same number gives the same bytes")
	addGroups(cmd, files, s.pictureFlags(warp.SurfaceNames()[0], ""), row, s.runFlags())
	s.complete(cmd)
	return cmd
}

// pictureFlags are the options that say what the picture is to be. surface is what it
// is laid out on without --surface, crop what to say of no --crop.
func (s *stitchCommand) pictureFlags(surface, crop string) flagGroup {
	g := newGroup("The picture")
	g.Var(&s.surface, "surface", "what the picture is laid out on: "+strings.Join(warp.SurfaceNames(), ", ")+"; without it "+surface)
	g.Var(&s.crop, "crop", "inside: the largest full rectangle; whole: everything, transparent where nothing is; W:H: the largest of that shape"+crop)
	g.Var(&s.offset, "offset", "move a crop of a shape right and down of the middle, in per cent of all that is covered, as far as there is room")
	g.Var(&s.centre, "centre", "look so many degrees to the right of the row's middle")
	g.Var(&s.level, "level", "how the middle frame was held, in degrees: rolled clockwise, pitched up; overrides what is found")
	g.Var(&s.keep, "keep", "take what is around a place from this frame: across, down and radius in per cent, the radius of the width; may be given again")
	g.Var(&s.bits, "bits", "bits a sample; without it 8 for JPEG, else as many as the frames have")
	g.Var(&s.quality, "quality", "quality of a JPEG, 1 to 100; without it 95")
	g.Var(&s.compression, "compression", "how a TIFF is packed: "+strings.Join(stitch.Compressions(), ", ")+"; without it "+stitch.Compressions()[0])
	return g
}

// runFlags are the options that say how it is done.
func (s *stitchCommand) runFlags() flagGroup {
	g := newGroup("The run")
	g.BoolVar(&s.json, "json", false, "print the solution as JSON instead of the summary")
	g.BoolVar(&s.quiet, "quiet", false, "print errors and warnings only")
	g.Var(&s.workers, "workers", "how many processors to use; without it all; the result is the same")
	g.Var(&s.memory, "memory", "how much memory the pictures may take, such as 800MB or 4GB; without it 640 MiB, or less if GOMEMLIMIT says so; the result is the same")
	g.BoolP("help", "h", false, "print this")
	return g
}

// complete tells the shells which words the options take.
func (s *stitchCommand) complete(cmd *cobra.Command) {
	cobra.CheckErr(cmd.RegisterFlagCompletionFunc("surface",
		cobra.FixedCompletions(warp.SurfaceNames(), cobra.ShellCompDirectiveNoFileComp)))
	cobra.CheckErr(cmd.RegisterFlagCompletionFunc("compression",
		cobra.FixedCompletions(stitch.Compressions(), cobra.ShellCompDirectiveNoFileComp)))
}

// usage is a complaint about the command line.
func (s *stitchCommand) usage(format string, a ...any) error {
	if s.from != "" {
		return usagef("flatfell crop", format, a...)
	}
	return usagef("flatfell stitch", format, a...)
}

func (s *stitchCommand) run(cmd *cobra.Command, args []string) error {
	s.typed = typed(cmd, args)
	if err := s.check(cmd, args); err != nil {
		return err
	}
	_, err := s.join(cmd, args)
	return err
}

// join does the job in the order in which it can fail cheaply: names, headers,
// and only then pixels.
func (s *stitchCommand) join(cmd *cobra.Command, args []string) (sol *stitch.Solution, err error) {
	ctx := cmd.Context()
	if n := s.workers.n; n > 0 {
		// A picture is drawn and encoded at the same time, by as many goroutines each.
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(min(n, runtime.GOMAXPROCS(0))))
	}
	if s.from != "" {
		if sol, err = readSolution(s.from); err != nil {
			return nil, err
		}
		if s.sorted == "" {
			if args, err = framesOf(sol, args); err != nil {
				return nil, err
			}
		}
		s.turn(sol)
	}
	in, err := s.input(sol, args)
	if err != nil {
		return nil, err
	}
	paths := in.files
	if err := s.checkOutputs(paths); err != nil {
		return nil, err
	}
	if err := s.checkTiles(paths); err != nil {
		return nil, err
	}
	var frames []*stitch.Frame
	if in.positions != nil {
		merged, err := mergeBrackets(ctx, in.positions, s.out, s.workers.n, cmd.ErrOrStderr(), s.quiet)
		if err != nil {
			return nil, err
		}
		defer merged.Close()
		frames = merged.frames
	} else {
		for _, p := range paths {
			f, err := stitch.OpenFrame(p)
			if err != nil {
				return nil, err
			}
			frames = append(frames, f)
		}
	}
	var leftOut []string
	if sol == nil {
		if frames, paths, leftOut, err = s.ofOneSize(frames, paths); err != nil {
			return nil, err
		}
	}
	o, err := s.options(paths, sol)
	if err != nil {
		return nil, err
	}
	stages := stitchStages
	if s.from != "" {
		stages = renderStages
	}
	if s.report != "" {
		stages = append(slices.Clone(stages), examineStage)
	}
	progress := newProgress(cmd.ErrOrStderr(), s.quiet, stages)
	defer progress.end()
	begin := func(stage string, done float64) {
		if done == 0 && len(frames) > longRow {
			debug.FreeOSMemory() // what the stage before had, the next may not need
		}
		progress.report(stage, done)
	}
	o.Progress = begin
	if sol == nil {
		sol, err = stitch.Align(ctx, frames, o)
		if s.allowMissing && errors.Is(err, stitch.ErrOtherSize) {
			return nil, &hintedError{err, "no two frames would be left; name the frames of one row"}
		}
		if err != nil {
			return nil, err
		}
		sol.Advice = append(sol.Advice, leftOut...)
	}
	sol.Output.File, sol.Output.Bits = s.out, s.outputBits(frames)
	o.Once = s.preview == "" && s.report == ""
	pic, err := stitch.Finish(ctx, sol, frames, o)
	if err != nil {
		return nil, err
	}
	defer pic.Close()
	origin, err := stitch.NewOrigin(sol, frames, "flatfell "+version())
	if err != nil {
		return nil, err
	}
	report := func() error { return s.writeReport(ctx, sol, frames, pic, o, insidePixels) }
	if err := s.write(ctx, pic, sol, origin, report); err != nil {
		return nil, err
	}
	progress.end()
	return sol, s.tell(cmd, sol)
}

// ofOneSize deals with frames of another size than most, which no row has: they stop the
// run, or are left out on request, with a sentence for each. A merged bracket has the
// size of the others. paths are the frames' files.
func (s *stitchCommand) ofOneSize(frames []*stitch.Frame, paths []string) (kept []*stitch.Frame, files, leftOut []string, err error) {
	odd, usual := stitch.OtherSize(frames)
	if !s.allowMissing || len(odd) == 0 || len(frames)-len(odd) < 2 {
		return frames, paths, nil, nil // Align says what is wrong
	}
	for i, f := range frames {
		if !slices.Contains(odd, i) {
			kept, files = append(kept, f), append(files, paths[i])
			continue
		}
		leftOut = append(leftOut, fmt.Sprintf("%s was left out: it is %d×%d pixels, the others are %d×%d.",
			printable(filepath.Base(f.Name)), f.Width, f.Height, usual.X, usual.Y))
	}
	s.left = len(odd)
	return kept, files, leftOut, nil
}

// input is what is to be joined, in the order of a solution if there is one.
func (s *stitchCommand) input(sol *stitch.Solution, args []string) (in input, err error) {
	if s.sorted == "" {
		// The frames of a solution are folders if brackets were merged for it.
		return inputOf(args, s.brackets || sol != nil && allFolders(args))
	}
	if in, err = rowOfSet(s.sorted, args[0]); err != nil {
		return in, err
	}
	if sol != nil {
		if err := in.inOrderOf(sol); err != nil {
			return in, err
		}
	}
	return in, in.checkWhole()
}

// check refuses options that contradict each other.
func (s *stitchCommand) check(cmd *cobra.Command, args []string) error {
	given := cmd.Flags().Changed
	ending := strings.ToLower(filepath.Ext(s.out))
	jpeg := ending == ".jpg" || ending == ".jpeg"
	switch {
	case len(args) == 0 && s.from == "" && s.sorted == "":
		return s.usage("no frames given; name two or more photographs, or a folder")
	case slices.Contains(args, ""):
		return s.usage("the name of a frame is empty")
	case s.sorted != "" && (len(args) != 1 || s.brackets):
		return s.usage("--sorted needs the name of one set and nothing else")
	case s.out == "":
		return s.usage("no output given; add -o and a file name")
	case s.crop.Whole && jpeg:
		return s.usage("--crop whole leaves transparent parts, which a JPEG can't hold; let the output end in .png or .tif")
	case s.bits == 16 && jpeg:
		return s.usage("a JPEG has 8 bits; let the output end in .png or .tif for 16")
	case s.offset != (offsetFlag{}) && s.crop.AspectW == 0:
		return s.usage("--offset moves a crop of a shape; add one, such as --crop 2:1")
	case given("quality") && !jpeg:
		return s.usage("--quality is for JPEG only")
	case given("compression") && ending != ".tif" && ending != ".tiff":
		return s.usage("--compression is for TIFF only")
	case given("focal-mm") && given("focal-px"):
		return s.usage("give --focal-mm or --focal-px, not both")
	case given("sensor") && !given("focal-mm"):
		return s.usage("--sensor needs --focal-mm")
	}
	return nil
}

// options are the settings of the two halves of the run.
func (s *stitchCommand) options(paths []string, sol *stitch.Solution) (stitch.Options, error) {
	o := stitch.Options{
		Surface: string(s.surface), Crop: stitch.Crop(s.crop), Keep: s.keep, Level: s.level.level, Centre: s.centre.angle,
		FocalPx: float64(s.focalPx), EyeM: float64(s.eye), Undistorted: s.undistorted, AllowMissing: s.allowMissing,
		Workers: s.workers.n, Memory: s.memory.bytes(), TempDir: filepath.Dir(s.out), Seed: uint64(s.seed),
	}
	o.Crop.OffsetX, o.Crop.OffsetY = s.offset.right, s.offset.down
	if s.small {
		o.MaxWidth = cropPreviewWidth
	}
	if sol != nil && s.surface == "" {
		o.Surface = sol.Output.Surface
	}
	if s.focalMM > 0 {
		px, err := s.focalFromMM(paths[0])
		if err != nil {
			return o, err
		}
		o.FocalPx = px
	}
	return o, o.Validate()
}

// focalFromMM turns --focal-mm into pixels by --sensor, or by what the first
// frame's metadata say about the sensor.
func (s *stitchCommand) focalFromMM(path string) (px float64, err error) {
	f, err := photo.Open(path)
	if err != nil {
		return 0, err
	}
	m := photo.Meta{FocalMM: float64(s.focalMM), SensorLongMM: f.Meta.SensorLongMM}
	if s.sensor.w > 0 {
		m.SensorLongMM = max(s.sensor.w, s.sensor.h)
	}
	px, _, ok := m.FocalPx(f.Width, f.Height)
	if !ok {
		return 0, s.usage("%s does not say how large the camera's sensor is; add --sensor, such as --sensor 36x24", path)
	}
	return px, nil
}

// outputBits is --bits, or what suits the output's format and the frames.
func (s *stitchCommand) outputBits(frames []*stitch.Frame) int {
	if s.bits != 0 {
		return int(s.bits)
	}
	bits := 8
	if e := strings.ToLower(filepath.Ext(s.out)); e == ".png" || e == ".tif" || e == ".tiff" {
		for _, f := range frames {
			bits = max(bits, f.Bits)
		}
	}
	return bits
}

// write writes the picture, its preview, its report and its solution.
func (s *stitchCommand) write(ctx context.Context, pic *stitch.Finished, sol *stitch.Solution, origin *stitch.Origin, report func() error) error {
	return writeAll([]output{
		{s.out, func() error {
			return pic.Write(ctx, s.out, stitch.WriteOptions{
				Bits: sol.Output.Bits, Quality: s.quality.n, Compression: string(s.compression),
				Overwrite: s.overwrite, PPI: printPPI, Origin: origin, Workers: s.workers.n,
			})
		}},
		{s.preview, func() error { return writePreview(ctx, s.preview, pic, origin, s.overwrite, s.workers.n) }},
		{s.report, report},
		{s.solution, func() error { return photo.WriteWhole(ctx, s.solution, s.overwrite, sol) }},
	})
}
