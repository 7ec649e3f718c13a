package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"flatfell.example/bench"
)

// measurement is one subcommand of flatfell bench.
type measurement struct {
	name, short, long string
	large             bool // may take --large
	places            bool // takes photographs
	run               func(context.Context, bench.Config, []string) (benchReport, error)
}

// benchReport is a result of package bench.
type benchReport interface {
	fmt.Stringer
	Bars() []bench.Bar
}

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
		name: "overlap", short: "how little overlap a row needs", large: true,
		long: `Rows of three frames that overlap by 50 % down to 5 % are joined: rightly (no
rotation off by 0.1° or more), wrongly, or not at all.`,
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
		name: "unrelated", short: "frames that share nothing must not be joined", places: true,
		long: `Pairs of frames that share nothing are tried: of rendered coasts, and of PLACES,
photographs or folders of them, each showing a place that no other shows.`,
		run: func(ctx context.Context, c bench.Config, places []string) (benchReport, error) {
			return bench.Unrelated(ctx, c, places)
		},
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
    flatfell bench accuracy --seeds 10`,
		Args: nothingMore("flatfell bench"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := cmd.Help(); err != nil {
				return err
			}
			return usagef("flatfell bench", "say what to measure")
		},
	}
	for i := range measurements {
		cmd.AddCommand(measurements[i].command())
	}
	cmd.AddCommand(newBenchSpeed())
	return cmd
}

func (m *measurement) command() *cobra.Command {
	var (
		seeds   = countFlag{limit: 10000}
		workers = countFlag{limit: maxWorkers}
		large   bool
		quiet   bool
	)
	use, args := m.name, nothingMore("flatfell bench "+m.name)
	if m.places {
		use, args = m.name+" [PLACES]", nil
	}
	cmd := &cobra.Command{
		Use: use + " [options]", Short: m.short, Long: m.long, Args: args,
		Example: "    flatfell bench " + m.name + " --seeds 2",
	}
	options := newGroup("Options")
	options.Var(&seeds, "seeds", "the number of rows; without it enough to trust the table")
	if m.large {
		options.BoolVar(&large, "large", false, "frames of 4160 × 6240 pixels: some minutes a row")
	}
	options.BoolVar(&quiet, "quiet", false, "print the table and errors only")
	options.Var(&workers, "workers", "how many processors to use; without it all")
	options.BoolP("help", "h", false, "print this")
	addGroups(cmd, options)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		progress := newProgress(cmd.ErrOrStderr(), quiet, []stage{{m.name, "measuring", barLength}})
		defer progress.end()
		res, err := m.run(cmd.Context(), bench.Config{
			Seeds: seeds.n, Large: large, Workers: workers.n,
			Progress: func(done float64) { progress.report(m.name, done) },
			Note:     progress.note,
		}, args)
		if err != nil {
			return err
		}
		progress.end()
		return tellBench(cmd, res)
	}
	return cmd
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
