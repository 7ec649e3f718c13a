package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"flatfell.example/card"
	"flatfell.example/internal/photo"
	pages "flatfell.example/internal/report"
)

// sortCommand is the command line of flatfell sort.
type sortCommand struct {
	into, report           string
	typed                  []string
	how                    howFlag
	json, quiet, overwrite bool
	workers                countFlag
	seed                   seedFlag
}

func newSort() *cobra.Command {
	s := &sortCommand{how: howFlag(card.Copy), workers: countFlag{limit: maxWorkers}}
	cmd := &cobra.Command{
		Use:   "sort DIR… [options]",
		Short: "sort a card's photographs into rows, brackets and single frames",
		Long: `DIR is a card, or a folder of photographs (JPEG, PNG, TIFF) at any depth. Each is
looked at small, compared with its neighbours, and put into a set: a row, a focus
bracket, a row of brackets, exposure variants, repeats of one view, or a single
frame. Metadata help but are not needed. The photographs are only read; --into
copies or links them and never moves, deletes or replaces a file.

Exit status: 0 done, 1 failed, or some files could not be read, 2 wrong command
line.`,
		Example: `What is on the card?
    flatfell sort /media/card/DCIM
Copy each set into a folder of its own, with a page to look through:
    flatfell sort /media/card/DCIM --into morning --report morning.html
Sort what is on the disk already without taking room:
    flatfell sort photos/ --into sorted --how hard-link
Will the third set join? Ask before you leave:
    flatfell check morning/03-row`,
		RunE: s.run,
	}
	files := newGroup("Files")
	files.StringVar(&s.into, "into", "", "lay each set into a folder of its own below `DIR`; a run that was interrupted goes on where it stopped")
	files.Var(&s.how, "how", "how --into does it: "+strings.Join(card.Hows(), ", "))
	files.StringVar(&s.report, "report", "", "also write a contact sheet, a page with small pictures, to `FILE` ending in .html")
	files.BoolVar(&s.overwrite, "overwrite", false, "replace a contact sheet that exists (nothing else is ever replaced)")
	running := newGroup("The run")
	running.BoolVar(&s.json, "json", false, "print the sets as JSON instead of the table")
	running.BoolVar(&s.quiet, "quiet", false, "print errors and warnings only")
	running.Var(&s.seed, "seed", "a number that starts the random search; the same number gives the same sets")
	running.Var(&s.workers, "workers", "how many processors to use; without it all; the result is the same")
	running.BoolP("help", "h", false, "print this")
	addGroups(cmd, files, running)
	cobra.CheckErr(cmd.RegisterFlagCompletionFunc("how", cobra.FixedCompletions(card.Hows(), cobra.ShellCompDirectiveNoFileComp)))
	return cmd
}

// howFlag is --how.
type howFlag card.How

func (h *howFlag) String() string { return string(*h) }

func (h *howFlag) Set(s string) error {
	if !slices.Contains(card.Hows(), s) {
		return fmt.Errorf("give one of %s", strings.Join(card.Hows(), ", "))
	}
	*h = howFlag(s)
	return nil
}

func (*howFlag) Type() string { return "WAY" }

// sortStages are the stages of sorting; the shares were measured on 300 frames of
// 26 megapixels.
var sortStages = []stage{
	{"read", "looking at files", 800},
	{"compare", "comparing views", 20},
	{"match", "matching frames", 130},
	{"gather", "gathering", 50},
}

func (s *sortCommand) run(cmd *cobra.Command, args []string) error {
	s.typed = typed(cmd, args)
	if err := s.check(cmd, args); err != nil {
		return err
	}
	ctx := cmd.Context()
	progress := newProgress(cmd.ErrOrStderr(), s.quiet, sortStages)
	defer progress.end()
	res, err := card.Sort(ctx, args, card.Options{Workers: s.workers.n, Seed: uint64(s.seed), Progress: progress.report})
	if err != nil {
		return err
	}
	progress.end()
	w := cmd.OutOrStdout()
	switch {
	case s.json:
		if _, err := res.WriteTo(w); err != nil {
			return err
		}
	case !s.quiet:
		if err := sortTable(w, res); err != nil {
			return err
		}
	}
	for _, u := range res.Unread[:min(len(res.Unread), maxUnreadShown)] {
		fmt.Fprintf(cmd.ErrOrStderr(), "flatfell: warning: %s: %s\n", u.File, u.Why)
	}
	if s.report != "" {
		if err := s.writeSheet(ctx, res); err != nil {
			return err
		}
	}
	if s.into != "" {
		if err := s.lay(cmd, res); err != nil {
			return err
		}
	}
	if n := len(res.Unread); n > 0 {
		return fmt.Errorf("%d of %d files could not be read; all others are sorted", n, n+countFiles(res))
	}
	return nil
}

// maxUnreadShown is how many files that could not be read are named one by one.
const maxUnreadShown = 20

func countFiles(r *card.Result) (n int) {
	for i := range r.Shots {
		n += len(r.Shots[i].Files)
	}
	return n
}

// check refuses what can't be done before anything is read.
func (s *sortCommand) check(cmd *cobra.Command, args []string) error {
	usage := func(format string, a ...any) error { return usagef("flatfell sort", format, a...) }
	switch {
	case len(args) == 0:
		return usage("no folder given; name the card or a folder of photographs")
	case slices.Contains(args, ""):
		return usage("the name of a folder is empty")
	case cmd.Flags().Changed("how") && s.into == "":
		return usage("--how needs --into")
	}
	if s.into != "" {
		into, err := filepath.Abs(s.into)
		if err != nil {
			return err
		}
		for _, dir := range args {
			// A folder within the sorted one would be sorted again next time.
			abs, err := filepath.Abs(dir)
			if err != nil {
				return err
			}
			if rel, err := filepath.Rel(abs, into); err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
				return usage("--into %s lies in %s, which is sorted; give a folder outside it", s.into, dir)
			}
		}
	}
	return checkOutputs(usage, nil, []plannedOutput{{"--report", s.report, checkReport}}, s.overwrite)
}

// sortTable prints the sets for a person.
func sortTable(w io.Writer, r *card.Result) error {
	name, kind := 4, 4
	for k := range r.Sets {
		name, kind = max(name, len(r.Sets[k].Name)), max(kind, len(r.Sets[k].Kind))
	}
	fmt.Fprintf(w, "%-*s  %-*s  %5s  %9s  %s\n", name, "SET", kind, "KIND", "SHOTS", "POSITIONS", "FILES")
	count := map[card.Kind]int{}
	for k := range r.Sets {
		s := &r.Sets[k]
		shots := s.Shots()
		count[s.Kind]++
		first, last := r.Shots[shots[0]].Files[0], r.Shots[shots[len(shots)-1]].Files[0]
		files := printable(filepath.Base(first))
		if len(shots) > 1 {
			files += " … " + printable(filepath.Base(last))
		}
		if s.Direction != "" {
			files += ", " + s.Direction
		}
		if t := r.Shots[shots[0]].Time; !t.IsZero() {
			files += t.Format(", 15:04")
		}
		fmt.Fprintf(w, "%-*s  %-*s  %5d  %9d  %s\n", name, s.Name, kind, s.Kind, len(shots), len(s.Positions), files)
		for _, n := range s.Notes {
			fmt.Fprintf(w, "%*s  %s\n", name, "", n)
		}
	}
	var parts []string
	for _, k := range []struct {
		kind      card.Kind
		one, many string
	}{
		{card.Row, "row", "rows"},
		{card.FocusBracket, "focus bracket", "focus brackets"},
		{card.BracketRow, "row of brackets", "rows of brackets"},
		{card.Exposures, "set of exposure variants", "sets of exposure variants"},
		{card.Repeats, "set of repeats", "sets of repeats"},
		{card.Single, "single frame", "single frames"},
	} {
		if n := count[k.kind]; n > 0 {
			parts = append(parts, pages.Counted(n, k.one, k.many))
		}
	}
	_, err := fmt.Fprintf(w, "%s in %s: %s.\n", pages.Counted(len(r.Shots), "photograph", "photographs"),
		pages.Counted(countFiles(r), "file", "files"), strings.Join(parts, ", "))
	return err
}

// printable is a file name that does nothing to a terminal.
func printable(name string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7f || r >= 0x80 && r < 0xa0 || r == '\uFFFD' {
			return '?'
		}
		return r
	}, name)
}

func (s *sortCommand) writeSheet(ctx context.Context, res *card.Result) error {
	var page bytes.Buffer
	if err := pages.Sheet(ctx, &page, res, s.typed, version()); err != nil {
		return err
	}
	return photo.WriteWhole(ctx, s.report, s.overwrite, &page)
}

func (s *sortCommand) lay(cmd *cobra.Command, res *card.Result) error {
	progress := newProgress(cmd.ErrOrStderr(), s.quiet, []stage{{"lay", "laying the sets", barLength}})
	defer progress.end()
	laid, err := card.Lay(cmd.Context(), res, s.into, card.How(s.how), func(done float64) { progress.report("lay", done) })
	progress.end()
	if err != nil {
		if laid != nil && laid.New > 0 && !errors.Is(err, context.Canceled) {
			return fmt.Errorf("%s laid, then: %w; the same command goes on from there", pages.Counted(laid.New, "file", "files"), err)
		}
		return err
	}
	if !s.quiet && !s.json {
		old := ""
		if laid.Old > 0 {
			old = fmt.Sprintf(", %d there already", laid.Old)
		}
		_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s laid into %s%s.\n", pages.Counted(laid.New, "file", "files"), s.into, old)
	}
	return err
}
