package main

import (
	"os"
	"strings"

	"github.com/spf13/cobra"

	"flatfell.example/bench"
)

// newBenchSpeed is flatfell bench speed.
func newBenchSpeed() *cobra.Command {
	var (
		makeFrames, sweep       bool
		out                     benchOutput
		frames                  = countFlag{n: 6, limit: 100}
		width                   = countFlag{n: 4160, limit: 20000}
		runs                    = countFlag{limit: 1000}
		ending, made, reference string
	)
	cmd := &cobra.Command{
		Use: "speed DIR [options]", Short: "how long the job takes, and how much memory",
		Long: `The photographs in DIR are stitched by whole runs of this program, and the time,
processor time, memory and each stage reported. With --make-frames DIR is first
filled with a rendered row. With --reference another command does the same job
in turn with this program, and the ratios are judged.

With --sweep rows of six frames are rendered into folders in DIR, for pictures of
about 6 to 200 megapixels; a power of their size is fitted to the time, and judged.`,
		Example: `Six frames of 26 megapixels, as of a camera:
    flatfell bench speed frames/ --make-frames
16-bit output:
    flatfell bench speed frames/ --ending .tif
16 bits all through:
    flatfell bench speed deep/ --make-frames --made .tif --ending .tif
Does a long row take more memory than a short one?
    flatfell bench speed six/ --make-frames --width 2080
    flatfell bench speed long/ --make-frames --frames 24 --width 2080
How does the time grow with the picture?
    flatfell bench speed sizes/ --sweep --runs 3`,
		Args: cobra.ExactArgs(1),
	}
	options := newGroup("Options")
	options.BoolVar(&makeFrames, "make-frames", false, "render the frames that DIR lacks: half a minute each")
	options.BoolVar(&sweep, "sweep", false, "render and time rows of six sizes")
	options.StringVar(&made, "made", ".jpg", "the `ENDING` of the frames to render: .jpg, or .tif or .png of 16 bits")
	options.Var(&frames, "frames", "how many to render; from 13 on with a longer lens")
	options.Var(&width, "width", "their width in pixels; the height is half as much again")
	options.Var(&runs, "runs", "how often to run; without it 5 times")
	options.StringVar(&ending, "ending", ".jpg", "the `ENDING` of the picture: .jpg, .png or .tif")
	options.StringVar(&reference, "reference", "", "`COMMAND` to compare with; in it {frames} stands for the photographs and {out} for an output without ending")
	out.flags(options)
	addGroups(cmd, options)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := out.check(cmd, []measurement{{name: "speed"}}); err != nil {
			return err
		}
		progress := newProgress(cmd.ErrOrStderr(), out.quiet, []stage{{"frames", "rendering frames", barLength}, {"speed", "measuring", barLength}})
		defer progress.end()
		if made != ".jpg" && made != ".tif" && made != ".png" {
			return usagef("flatfell bench speed", "--made is .jpg, .tif or .png")
		}
		if makeFrames && !sweep {
			err := bench.MakeFrames(cmd.Context(), args[0], made, frames.n, width.n, width.n*3/2, 0, func(done float64) { progress.report("frames", done) })
			if err != nil {
				return err
			}
		}
		program, err := os.Executable()
		if err != nil {
			return err
		}
		work, err := os.MkdirTemp("", "flatfell-speed-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(work)
		config := bench.SpeedConfig{
			Program: program, Frames: args[0], Work: work, Ending: ending, Runs: runs.n, Reference: strings.Fields(reference),
			Progress: func(done float64) { progress.report("speed", done) },
		}
		var res benchReport
		if sweep {
			res, err = bench.SpeedSweep(cmd.Context(), config, made, func(done float64) { progress.report("frames", done) })
		} else {
			res, err = bench.Speed(cmd.Context(), config)
		}
		if err != nil {
			return err
		}
		progress.end()
		if err := out.tell(cmd, "speed", res); err != nil {
			return err
		}
		return firstBroken(res)
	}
	return cmd
}
