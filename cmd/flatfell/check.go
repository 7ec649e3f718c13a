package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"flatfell.example/card"
	"flatfell.example/internal/photo"
	pages "flatfell.example/internal/report"
	"flatfell.example/stitch"
)

// checkCommand is the command line of flatfell check.
type checkCommand struct {
	watch, plan, report      string
	sorted                   string
	overwrite                bool
	frames                   countFlag
	planned                  int // frames of the plan
	overlap                  percentFlag
	focalPx                  positiveFlag
	undistorted, json, quiet bool
	workers                  countFlag
	seed                     seedFlag
}

// percentFlag is a share in per cent; zero means not given.
type percentFlag float64

func (f *percentFlag) String() string {
	if *f == 0 {
		return ""
	}
	return fmt.Sprintf("%g", float64(*f))
}

func (f *percentFlag) Set(s string) error {
	v, err := numbers(strings.TrimSuffix(s, "%"), ",", 1)
	if err != nil || !(v[0] > 0 && v[0] < 95) {
		return errors.New("give per cent above 0 and below 95, such as 33")
	}
	*f = percentFlag(v[0])
	return nil
}

func (*percentFlag) Type() string { return "PERCENT" }

func newCheck() *cobra.Command {
	c := &checkCommand{frames: countFlag{limit: 1000}, workers: countFlag{limit: maxWorkers}}
	cmd := &cobra.Command{
		Use:   "check FRAMES… [options]",
		Short: "will this row join, and what must be taken again?",
		Long: `FRAMES are the photographs of one row, or a folder of them, such as a set that
flatfell sort laid; of a row of brackets one frame of each position is looked at.
Each frame is compared with its neighbour: whether they overlap, exposure and
white balance, focus, shake, level, near things that shift, and what moved.
SHIFT is how far that part of an overlap is off which fits a turn of the camera
worst: what is near, or moving, or all of it.
With --watch a folder is followed into which a camera or a card reader puts
frames, and each new one is judged against the last, until Ctrl-C.

Exit status: 0 fine, 4 reshoot advised, 3 will not join, 1 failed, 2 wrong
command line.`,
		Example: `Before you leave:
    flatfell check dunes/
The third set of a card, without copying anything:
    flatfell sort /media/card/DCIM --json > morning.json
    flatfell check --sorted morning.json 03-row
The row was planned, by flatfell plan --json or with a third of overlap:
    flatfell check dunes/ --plan dunes-plan.json
    flatfell check dunes/ --overlap 33
While you shoot with the camera on a cable:
    flatfell check --watch tethered/`,
		RunE: c.run,
	}
	row := newGroup("The row")
	row.Var(&c.overlap, "overlap", "the share of the frame's width that neighbours were to have in common")
	row.StringVar(&c.plan, "plan", "", "compare overlap and number of frames with a plan in `FILE`, as flatfell plan --json prints it")
	row.Var(&c.focalPx, "focal-px", "focal length in pixels of a frame, if the files do not tell it or tell it wrongly")
	row.BoolVar(&c.undistorted, "undistorted", false, "the frames are free of lens distortion already")
	row.StringVar(&c.sorted, "sorted", "", sortedHelp)
	row.Var(&c.seed, "seed", "a number that starts the random search; the same number gives the same verdict")
	following := newGroup("Following a folder")
	following.StringVar(&c.watch, "watch", "", "judge each photograph that appears in `DIR` against the one before")
	following.Var(&c.frames, "frames", "with --watch, end after so many new photographs, with the status of the worst verdict")
	files := newGroup("Files")
	files.StringVar(&c.report, "report", "", "also write a page about the row to `FILE` ending in .html")
	files.BoolVar(&c.overwrite, "overwrite", false, "replace a report that exists")
	running := newGroup("The run")
	running.BoolVar(&c.json, "json", false, "print the figures and findings as JSON instead of the table; with --watch a line for each frame")
	running.BoolVar(&c.quiet, "quiet", false, "print findings only")
	running.Var(&c.workers, "workers", "how many processors to use; without it all; the result is the same")
	running.BoolP("help", "h", false, "print this")
	addGroups(cmd, row, following, files, running)
	return cmd
}

// checkStages are the stages of checking; the shares are those of six frames of
// 26 megapixels.
var checkStages = []stage{
	{"look", "reading frames", 520},
	{"find corners", "finding details", 150},
	{"match", "matching frames", 80},
	{"refine", "measuring joins", 200},
	{"compare", "comparing frames", 50},
}

func (c *checkCommand) run(cmd *cobra.Command, args []string) error {
	usage := func(format string, a ...any) error { return usagef("flatfell check", format, a...) }
	switch {
	case c.plan != "" && c.overlap > 0:
		return usage("give --plan or --overlap, not both")
	case c.watch != "" && len(args) > 0:
		return usage("give frames or --watch, not both")
	case c.watch != "" && c.report != "":
		return usage("--report is about a row that is there; check it when --watch has ended")
	case c.watch == "" && c.frames.n > 0:
		return usage("--frames needs --watch")
	case len(args) == 0 && c.watch == "" && c.sorted == "":
		return usage("no frames given; name two or more photographs, or a folder")
	case slices.Contains(args, ""):
		return usage("the name of a frame is empty")
	case c.sorted != "" && (len(args) != 1 || c.watch != ""):
		return usage("--sorted needs the name of one set and nothing else")
	}
	if err := c.readPlan(); err != nil {
		return err
	}
	if c.watch != "" {
		c.planned = 0 // two frames at a time
		return c.follow(cmd)
	}
	paths, err := rowFiles(c.sorted, args)
	if err != nil {
		return err
	}
	if err := checkOutputs(usage, paths, []plannedOutput{{"--report", c.report, checkReport}}, c.overwrite); err != nil {
		return err
	}
	progress := newProgress(cmd.ErrOrStderr(), c.quiet || c.json, checkStages)
	defer progress.end()
	rep, err := c.check(cmd.Context(), paths, progress.report)
	if err != nil {
		return err
	}
	progress.end()
	if c.report != "" {
		if err := c.writeReport(cmd.Context(), rep, typed(cmd, args)); err != nil {
			return err
		}
	}
	w := cmd.OutOrStdout()
	if c.json {
		_, err = rep.WriteTo(w)
	} else {
		err = c.tell(w, rep)
	}
	if err != nil {
		return err
	}
	return verdictError(rep.Verdict)
}

// readPlan takes from --plan what a row is compared with.
func (c *checkCommand) readPlan() error {
	if c.plan == "" {
		return nil
	}
	b, err := os.ReadFile(c.plan)
	if err != nil {
		return fmt.Errorf("%s: cannot be read (%w); check the name", c.plan, plainPathError(err))
	}
	var plan struct {
		Frames  int     `json:"frames"`
		Overlap float64 `json:"overlap"`
	}
	if err := json.Unmarshal(b, &plan); err != nil || plan.Frames < 1 || !(plan.Overlap > 0 && plan.Overlap < 0.95) {
		return fmt.Errorf("%s: is no plan of a row; make one with flatfell plan --json", c.plan)
	}
	c.overlap, c.planned = percentFlag(100*plan.Overlap), plan.Frames
	return nil
}

// rowFiles lists the frames: those given, those of a folder or a set, or the middle
// one of each position of a row of brackets.
func rowFiles(sorted string, args []string) ([]string, error) {
	if sorted != "" {
		in, err := rowOfSet(sorted, args[0])
		if err != nil || in.positions == nil {
			return in.files, err
		}
		return middles(in.positions), nil
	}
	if err := noSets(args, card.Row, card.BracketRow); err != nil {
		return nil, err
	}
	if len(args) == 1 {
		if laid, _ := filepath.Glob(filepath.Join(globEscaped(args[0]), "position-*")); len(laid) > 1 {
			positions := make([]position, len(laid))
			for k := range laid {
				files, err := photo.List([]string{filepath.Join(args[0], fmt.Sprintf("position-%d", k+1))})
				if err != nil {
					return nil, err
				}
				positions[k].files = files
			}
			return middles(positions), nil
		}
	}
	return photo.List(args)
}

// middles are the middle frames of positions.
func middles(positions []position) (out []string) {
	for _, p := range positions {
		out = append(out, p.files[len(p.files)/2])
	}
	return out
}

// globEscaped is a path that stands for itself in a pattern.
func globEscaped(path string) string {
	if filepath.Separator == '\\' {
		return path
	}
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(path)
}

func (c *checkCommand) check(ctx context.Context, paths []string, progress func(string, float64)) (*stitch.CheckReport, error) {
	frames := make([]*stitch.Frame, len(paths))
	for i, p := range paths {
		var err error
		if frames[i], err = stitch.OpenFrame(p); err != nil {
			return nil, err
		}
	}
	return stitch.Check(ctx, frames, stitch.CheckOptions{
		FocalPx: float64(c.focalPx), Undistorted: c.undistorted, Workers: c.workers.n, Seed: uint64(c.seed),
		Overlap: float64(c.overlap) / 100, Frames: c.planned, Progress: progress,
	})
}

// checkThumbnail is the least length in pixels of the longer side of a frame on the
// page.
const checkThumbnail = 240

// writeReport writes the page about a row.
func (c *checkCommand) writeReport(ctx context.Context, rep *stitch.CheckReport, typed []string) error {
	page := pages.Check{Report: rep, Command: typed, Version: version()}
	for i := range rep.Frames {
		f, err := photo.Open(rep.Frames[i].File)
		if err != nil {
			return err
		}
		g, err := f.Glance(ctx, checkThumbnail)
		if err != nil {
			return err
		}
		t, err := thumbnail(ctx, g.Image, checkThumbnail)
		if err != nil {
			return err
		}
		page.Thumbnails = append(page.Thumbnails, t)
	}
	return photo.WriteWhole(ctx, c.report, c.overwrite, page)
}

// What a check may find, other than that all is fine: no failures, so nothing is said
// beside the findings.
var (
	errReshoot     = errors.New("reshoot advised")
	errWillNotJoin = errors.New("the row will not join")
)

// verdictError is the error whose status a verdict has.
func verdictError(v stitch.CheckVerdict) error {
	switch v {
	case stitch.WillNotJoin:
		return errWillNotJoin
	case stitch.Reshoot:
		return errReshoot
	}
	return nil
}

// tell prints the table and the findings for a person.
func (c *checkCommand) tell(w io.Writer, rep *stitch.CheckReport) error {
	name := func(k int) string { return printable(filepath.Base(rep.Frames[k].File)) }
	if !c.quiet {
		wide := len("PAIR")
		pairs := make([]string, len(rep.Pairs))
		for k, p := range rep.Pairs {
			pairs[k] = name(p.A) + " – " + name(p.B)
			wide = max(wide, len([]rune(pairs[k])))
		}
		fmt.Fprintf(w, "%-*s  %-10s  %7s  %6s  %8s  %9s  %13s  %5s\n", wide, "PAIR", "VERDICT", "OVERLAP", "TURN", "EXPOSURE", "SHARPNESS", "SHIFT", "MOVED")
		for k, p := range rep.Pairs {
			pad := strings.Repeat(" ", wide-len([]rune(pairs[k])))
			if p.Verdict == stitch.NotJoined && p.Matches == 0 {
				fmt.Fprintf(w, "%s%s  %-10s  %7s  %6s  %8s  %9s  %13s  %5s\n", pairs[k], pad, p.Verdict, "–", "–", "–", "–", "–", "–")
				continue
			}
			fmt.Fprintf(w, "%s%s  %-10s  %5.0f %%  %5.1f°  %s EV  %s  %13s  %3.0f %%\n",
				pairs[k], pad, p.Verdict, 100*p.Overlap, p.TurnDeg, pages.Signed("%+5.2f", p.ExposureStops), pages.Signed("%+9.1f", p.SharpnessStops), pages.Shift(&p), 100*p.Moved)
		}
		if o := rep.Output; o != nil {
			fmt.Fprintf(w, "The picture: %d × %d pixels (%.1f megapixels), %.0f × %.0f cm in print at %d pixels an inch%s.\n",
				o.Width, o.Height, float64(o.Width)*float64(o.Height)/1e6, o.WidthCM, o.HeightCM, printPPI, pages.Lost(o))
		}
	}
	for _, f := range rep.Findings {
		if c.quiet && !f.Reshoot {
			continue
		}
		mark := "note: "
		if f.Reshoot {
			mark = "reshoot: "
		}
		fmt.Fprintf(w, "%s%s\n", mark, printable(f.Text))
	}
	if c.quiet || rep.Verdict == stitch.Reshoot { // the findings have said so
		return nil
	}
	_, err := fmt.Fprintf(w, "%s.\n", upperFirst(string(rep.Verdict)))
	return err
}

const (
	// watchEvery is how often a followed folder is looked at.
	watchEvery = 300 * time.Millisecond
	// settled is how long a file must not have grown to be taken as whole.
	settled = 600 * time.Millisecond
)

// follow judges each new photograph of a folder against the one before. What is
// there at the start counts as seen: the last of it is the first to compare with.
func (c *checkCommand) follow(cmd *cobra.Command) error {
	ctx, w := cmd.Context(), cmd.OutOrStdout()
	seen := map[string]bool{}
	last := ""
	now, err := os.ReadDir(c.watch)
	if err != nil {
		return fmt.Errorf("%s: cannot be followed (%w); give a folder", c.watch, plainPathError(err))
	}
	for _, e := range now {
		if watched(e) {
			seen[e.Name()] = true
		}
	}
	if files, err := photo.List([]string{c.watch}); err == nil && len(files) > 0 {
		last = files[len(files)-1]
	}
	if !c.json {
		fmt.Fprintf(w, "Following %s; Ctrl-C ends it.\n", c.watch)
	}
	type growing struct {
		size  int64
		since time.Time
	}
	open := map[string]growing{}
	done := 0
	var worst error
	for {
		entries, err := os.ReadDir(c.watch)
		if err != nil {
			return fmt.Errorf("%s: cannot be read any more (%w); put the card or the cable back and start again", c.watch, plainPathError(err))
		}
		for _, e := range entries {
			if !watched(e) || seen[e.Name()] {
				continue
			}
			info, err := e.Info()
			if err != nil {
				continue // gone again
			}
			g, known := open[e.Name()]
			if !known || g.size != info.Size() {
				open[e.Name()] = growing{info.Size(), time.Now()}
				continue
			}
			if time.Since(g.since) < settled || info.Size() == 0 {
				continue
			}
			seen[e.Name()] = true
			delete(open, e.Name())
			path := filepath.Join(c.watch, e.Name())
			usable, err := c.newFrame(ctx, w, cmd.ErrOrStderr(), last, path)
			if usable {
				last = path
			}
			if err != nil && !errors.Is(worst, errWillNotJoin) {
				worst = err
			}
			if done++; done == c.frames.n {
				return worst
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(watchEvery):
		}
	}
}

func watched(e os.DirEntry) bool {
	return !e.IsDir() && !strings.HasPrefix(e.Name(), ".") && photo.IsPictureName(e.Name())
}

// newFrame judges a frame against the last and reports whether it can be one to
// compare the next with, and the error whose status its verdict has.
func (c *checkCommand) newFrame(ctx context.Context, w, stderr io.Writer, last, path string) (usable bool, verdict error) {
	name := printable(filepath.Base(path))
	if last == "" {
		if _, err := stitch.OpenFrame(path); err != nil {
			fmt.Fprintf(stderr, "flatfell: warning: %s\n", plain(err))
			return false, nil
		}
		fmt.Fprintf(w, "%s: the first; go on.\n", name)
		return true, nil
	}
	rep, err := c.check(ctx, []string{last, path}, nil)
	switch {
	case errors.Is(err, stitch.ErrFrames):
		fmt.Fprintf(w, "%s: %s. It is taken as the start of another row.\n", name, plain(err))
		return true, nil
	case err != nil:
		fmt.Fprintf(stderr, "flatfell: warning: %s\n", plain(err))
		return false, nil
	}
	if c.json {
		if b, err := json.Marshal(rep); err == nil {
			fmt.Fprintf(w, "%s\n", b)
		}
		return true, verdictError(rep.Verdict)
	}
	p := rep.Pairs[0]
	if rep.Verdict != stitch.WillNotJoin {
		fmt.Fprintf(w, "%s: %s, overlap %.0f %%, turned by %.1f°.\n", name, rep.Verdict, 100*p.Overlap, p.TurnDeg)
	} else {
		fmt.Fprintf(w, "%s: %s.\n", name, rep.Verdict)
	}
	for _, f := range rep.Findings {
		fmt.Fprintf(w, "    %s\n", printable(f.Text))
	}
	return true, verdictError(rep.Verdict)
}
