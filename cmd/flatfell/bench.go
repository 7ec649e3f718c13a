package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"flatfell.example/bench"
	"flatfell.example/internal/photo"
)

// measurement is one subcommand of flatfell bench.
type measurement struct {
	name, short, long string
	large             bool // may take --large
	places            bool // takes photographs
	fixed             bool // what is measured is given: no number of rows
	barsOnly          bool // may take --bars-only
	example           string
	run               func(context.Context, bench.Config, []string) (benchReport, error)
}

// benchReport is a result of package bench.
type benchReport interface{ Report() bench.Report }

var measurements = []measurement{
	{
		name: "accuracy", short: "rotations, focal length and residuals against the truth", large: true,
		long: `Hand-held rows of five or six frames with a third of overlap, without metadata,
are joined and compared with the cameras that took them.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) {
			return bench.Accuracy(ctx, c)
		},
	},
	{
		name: "overlap", short: "how little overlap a row needs", large: true, barsOnly: true,
		long: `Rows of three frames that overlap by 50 % down to 5 % are joined: rightly (no
rotation off by 0.1° or more), wrongly, or not at all; also such with little texture,
posts that are all alike, more noise, blur, errors of exposure and roll, distortion
or parallax. With --into there is a line in overlap.csv for each and a drawing,
overlap.svg.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) {
			return bench.Overlap(ctx, c)
		},
	},
	{
		name: "level", short: "the tilt that is left in the picture", large: true,
		long: `Rows from a tripod and from the hand, with and without a sea horizon and posts
in view, are joined and levelled.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) { return bench.Level(ctx, c) },
	},
	{
		name: "light", short: "what was found of the lens, and how well the frames then agree", large: true,
		long: `Rows from cameras with automatic exposure and white balance, dark corners and a
tone curve are joined; the frames are compared where two show the same, what was
found of the lens with what is true, and the picture with the true one.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) { return bench.Light(ctx, c) },
	},
	{
		name: "movers", short: "what moved must be whole or absent, and once at most", large: true,
		long: `Rows of a coast with birds, boats, walkers and wave crests are joined; those that
the picture takes in part or twice from the frames are counted.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) {
			return bench.Movers(ctx, c)
		},
	},
	{
		name: "parallax", short: "near ground and stakes before a pupil off the axis", large: true,
		long: `Rows whose camera turns about an axis 20 or 60 mm behind the lens's entrance pupil,
over ground and stakes from 1 or 1.5 m on, are joined; what is seen on the seams is
compared with the truth, with the frames bent and turned only.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) {
			return bench.Parallax(ctx, c)
		},
	},
	{
		name: "card", short: "a sorted card against what was photographed",
		long: `Cards of a hundred files and more are rendered and sorted, with metadata that are
partly lost and without any; the files in a wrong set are counted.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) { return bench.Card(ctx, c) },
	},
	{
		name: "check", short: "the quick look at a row against seeded faults and the full run",
		long: `Rows with a gap, a soft or shaken frame, another exposure, a roll, a bumped tripod
or a frame missing are checked, and as many without a fault; and rows from easy to
impossible are checked and stitched.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) { return bench.Check(ctx, c) },
	},
	{
		name: "focus", short: "merged focus brackets against the truth and published mergers",
		long: `Brackets of a rendered shore, with the true spread of a lens at every edge in
depth, are merged and compared with the same view all in focus.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) { return bench.Focus(ctx, c) },
	},
	{
		name: "places", short: "flaws of a picture must be among the places to look at",
		long: `Rows into which a flaw is put - a thing in one frame only, a frame out of place, too
bright or out of focus, a lost sky - are joined, and as many without; the places that
a report shows are compared with the flaws.`,
		run: func(ctx context.Context, c bench.Config, _ []string) (benchReport, error) {
			return bench.Places(ctx, c)
		},
	},
	{
		name: "unrelated", short: "frames that share nothing must not be joined", places: true,
		long: `Pairs of frames that share nothing are tried: of rendered coasts, and of PLACES,
photographs or folders of them, each showing a place that no other shows.`,
		run: func(ctx context.Context, c bench.Config, places []string) (benchReport, error) {
			return bench.Unrelated(ctx, c, places)
		},
	},
}

// pairsMeasurement needs photographs, so that it is none of all.
var pairsMeasurement = measurement{
	name: "pairs", short: "what mergers keep of pairs of photographs that differ in focus", places: true,
	long: `PLACES are folders of two photographs each, or files that are taken two by two. Each
pair is merged, also by two published mergers, and what is kept of their edges and
their information is told.`, fixed: true,
	example: "    flatfell bench pairs office/ harbour/",
	run: func(ctx context.Context, c bench.Config, places []string) (benchReport, error) {
		if len(places) == 0 {
			return nil, usagef("flatfell bench pairs", "no photographs given; name folders of two each, or files")
		}
		return bench.FocusPairs(ctx, c, places)
	},
}

// publishedMeasurement needs the photographs, too.
var publishedMeasurement = measurement{
	name: "published", short: "a row against the homographies published with it", places: true,
	long: `PLACES is the folder of the six frames of the open set goldengate (J. Brandt, CVPR
2010), 600 × 900 pixels or a whole number of times smaller. They are joined and
compared with the homographies that are published with them.`, fixed: true,
	example: "    flatfell bench published goldengate/",
	run: func(ctx context.Context, c bench.Config, places []string) (benchReport, error) {
		if len(places) == 0 {
			return nil, usagef("flatfell bench published", "no photographs given; name the folder of the set")
		}
		return bench.Published(ctx, c, places)
	},
}

func newBench() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "bench",
		Short: "measure how exact this program is",
		Long: `Rows of a rendered coast, whose cameras are known, are joined and compared with
the truth. A table goes to standard output; the status is 1 if one of its bars
does not hold.`,
		Example: `How exact are the rotations?
    flatfell bench accuracy --seeds 10
Everything but the speed, in some minutes:
    flatfell bench all --quick --into results/`,
		Args: nothingMore("flatfell bench"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := cmd.Help(); err != nil {
				return err
			}
			return usagef("flatfell bench", "say what to measure")
		},
	}
	for i := range measurements {
		cmd.AddCommand(benchCommand(measurements[i].name, &measurements[i], measurements[i:i+1]))
	}
	all := measurement{short: "all of these, one after the other", long: `All measurements are made with their own numbers of rows: half a day, or with
--quick some minutes.`, places: true}
	cmd.AddCommand(benchCommand("all", &all, measurements), benchCommand(pairsMeasurement.name, &pairsMeasurement, []measurement{pairsMeasurement}),
		benchCommand(publishedMeasurement.name, &publishedMeasurement, []measurement{publishedMeasurement}), newBenchSpeed())
	return cmd
}

// benchCommand is a command that makes measurements; about describes it.
func benchCommand(name string, about *measurement, which []measurement) *cobra.Command {
	var (
		out     benchOutput
		seeds   = countFlag{limit: 10000}
		workers = countFlag{limit: maxWorkers}
		large   bool
		quick   bool
		bars    bool
	)
	use, args := name, nothingMore("flatfell bench "+name)
	if about.places {
		use, args = name+" [PLACES]", nil
	}
	example := cmp.Or(about.example, "    flatfell bench "+name+" --quick")
	cmd := &cobra.Command{Use: use + " [options]", Short: about.short, Long: about.long, Args: args, Example: example}
	options := newGroup("Options")
	if !about.fixed {
		options.Var(&seeds, "seeds", "the number of rows; without it enough to trust the table")
		options.BoolVar(&quick, "quick", false, "a twentieth of the rows: enough to see whether something broke")
	}
	if about.large {
		options.BoolVar(&large, "large", false, "frames of 4160 × 6240 pixels: some minutes a row")
	}
	if about.barsOnly {
		options.BoolVar(&bars, "bars-only", false, "only a third of overlap and less, and only what has a bar there")
	}
	options.Var(&workers, "workers", "how many processors to use; without it all")
	out.flags(options)
	addGroups(cmd, options)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := out.check(cmd, which); err != nil {
			return err
		}
		var stages []stage
		for _, m := range which {
			words := "measuring"
			if len(which) > 1 {
				words += " " + m.name
			}
			stages = append(stages, stage{m.name, words, barLength / float64(len(which))})
		}
		progress := newProgress(cmd.ErrOrStderr(), out.quiet, stages)
		defer progress.end()
		var failed error
		for _, m := range which {
			res, err := m.run(cmd.Context(), bench.Config{
				Seeds: seeds.n, Quick: quick, Large: large, BarsOnly: bars, Workers: workers.n,
				Progress: func(done float64) { progress.report(m.name, done) },
				Note:     progress.note,
			}, args)
			if err != nil {
				return err
			}
			if len(which) == 1 {
				progress.end()
			}
			if err := out.tell(cmd, m.name, res); err != nil {
				return err
			}
			failed = cmp.Or(failed, firstBroken(res))
		}
		return failed
	}
	return cmd
}

// benchOutput is where the results go.
type benchOutput struct {
	json, quiet, overwrite bool
	into                   string
}

func (o *benchOutput) flags(options flagGroup) {
	options.StringVar(&o.into, "into", "", "write each table into this `FOLDER` too, as NAME.md and NAME.json")
	options.BoolVar(&o.overwrite, "overwrite", false, "replace files of --into that exist")
	options.BoolVar(&o.json, "json", false, "print JSON in place of the table")
	options.BoolVar(&o.quiet, "quiet", false, "print the table and errors only")
	options.BoolP("help", "h", false, "print this")
}

// check makes the folder and finds out whether files are in the way, before
// hours of work.
func (o *benchOutput) check(cmd *cobra.Command, which []measurement) error {
	if o.overwrite && o.into == "" {
		return usagef(cmd.CommandPath(), "--overwrite without --into: there is nothing to replace")
	}
	if o.into == "" {
		return nil
	}
	if err := os.MkdirAll(o.into, 0o777); err != nil {
		return err
	}
	for _, m := range which {
		for _, ending := range []string{".md", ".json", ".csv", ".svg"} {
			if err := photo.CheckWhole(filepath.Join(o.into, m.name+ending), o.overwrite); err != nil {
				return err
			}
		}
	}
	return nil
}

// tell prints a result, and writes it if asked for.
func (o *benchOutput) tell(cmd *cobra.Command, name string, res benchReport) error {
	report := res.Report()
	var err error
	if o.json {
		err = report.WriteJSON(cmd.OutOrStdout())
	} else {
		_, err = fmt.Fprint(cmd.OutOrStdout(), report)
	}
	if err != nil || o.into == "" {
		return err
	}
	var text, data, lines bytes.Buffer
	fmt.Fprint(&text, report)
	if err := report.WriteJSON(&data); err != nil {
		return err
	}
	type file struct {
		ending  string
		content io.WriterTo
	}
	files := []file{{".md", &text}, {".json", &data}}
	if r, ok := res.(interface{ WriteCSV(io.Writer) error }); ok {
		if err := r.WriteCSV(&lines); err != nil {
			return err
		}
		files = append(files, file{".csv", &lines})
	}
	if r, ok := res.(interface{ Plot() []byte }); ok {
		files = append(files, file{".svg", bytes.NewBuffer(r.Plot())})
	}
	for _, f := range files {
		if err := photo.WriteWhole(cmd.Context(), filepath.Join(o.into, name+f.ending), o.overwrite, f.content); err != nil {
			return err
		}
	}
	return nil
}

// firstBroken is an error that names the first bar that doesn't hold.
func firstBroken(res benchReport) error {
	for _, b := range res.Report().Bars {
		if !b.OK() {
			return fmt.Errorf("%s: found %.4g%s, wanted at most %.4g%s", b.What, b.Found, b.Unit, b.Limit, b.Unit)
		}
	}
	return nil
}

// nothingMore refuses arguments.
func nothingMore(command string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) > 0 {
			return usagef(command, "there is nothing called %q to measure", args[0])
		}
		return nil
	}
}
