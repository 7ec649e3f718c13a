package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"flatfell.example/card"
	"flatfell.example/internal/photo"
	"flatfell.example/stitch"
)

const sortedHelp = "instead of photographs name a set in `FILE`, which flatfell sort --json has printed"

// input is what a command line names: the frames of a row, or positions of a
// row of brackets.
type input struct {
	positions []position // nil if there are none
	files     []string
}

func (in *input) addPositions(positions []position) {
	in.positions = positions
	for _, p := range positions {
		in.files = append(in.files, p.files...)
	}
}

// inputOf is what the files and folders of a command line name. each says that each
// folder is a bracket.
func inputOf(args []string, each bool) (in input, err error) {
	if err := noSets(args, card.Row, card.BracketRow); err != nil {
		return in, err
	}
	positions, err := positionsOf(args, each)
	if err != nil {
		return in, err
	}
	if in.addPositions(positions); positions == nil {
		in.files, err = photo.List(args)
	}
	return in, err
}

// noSets complains about a folder into which flatfell sort has laid sets, and names one
// of the wanted kinds in it.
func noSets(args []string, wanted ...card.Kind) error {
	for _, dir := range args {
		if _, err := photo.List([]string{dir}); !errors.Is(err, photo.ErrNotAPicture) {
			continue // it holds pictures itself, or the error is told as ever
		}
		entries, err := os.ReadDir(dir)
		if err != nil {
			continue
		}
		sets, hint := 0, ""
		for _, e := range entries {
			kind, ok := card.KindOf(e.Name())
			if !ok || !e.IsDir() {
				continue
			}
			sets++
			if hint == "" && slices.Contains(wanted, kind) {
				hint = "; name one, such as " + filepath.Join(dir, e.Name())
			}
		}
		if sets > 0 {
			if hint == "" {
				hint = "; none of them is a " + string(wanted[0])
			}
			return fmt.Errorf("%s: is a folder of sorted sets%s", dir, hint)
		}
	}
	return nil
}

// rowOfSet is a set that is a row, of frames or of focus brackets.
func rowOfSet(sorted, name string) (in input, err error) {
	set, positions, err := readSet(sorted, name)
	if err != nil {
		return in, err
	}
	switch {
	case set.Kind == card.Row: // all takes of a frame shot twice are frames of the row
		in.addPositions(positions)
		in.positions = nil
	case set.Kind != card.BracketRow:
		err = wrongKind(set, "a row", "flatfell stack merges a focus bracket")
	case set.Varies == "exposure":
		err = wrongKind(set, "a row of frames or of focus brackets", "name one exposure of each position")
	default:
		in.addPositions(positions)
	}
	return in, err
}

// checkWhole complains about a position of one frame.
func (in *input) checkWhole() error {
	for _, p := range in.positions {
		if len(p.files) < 2 {
			return oneFrame(p.folder)
		}
	}
	return nil
}

// bracketOfSet is a set that is one focus bracket.
func bracketOfSet(sorted, name string) ([]string, error) {
	set, positions, err := readSet(sorted, name)
	if err != nil {
		return nil, err
	}
	if set.Kind != card.FocusBracket {
		return nil, wrongKind(set, "a focus bracket", "flatfell stitch --sorted joins a row, of brackets too")
	}
	return positions[0].files, nil
}

func wrongKind(set *card.Set, wanted, remedy string) error {
	what := string(set.Kind)
	if set.Varies != "" && set.Kind == card.BracketRow {
		what += " of " + set.Varies
	}
	return fmt.Errorf("set %s: its kind is %s, and %s is wanted; %s", set.Name, what, wanted, remedy)
}

// inOrderOf puts what a set has into the order of a solution's frames.
func (in *input) inOrderOf(sol *stitch.Solution) (err error) {
	if in.positions == nil {
		in.files, err = framesOf(sol, in.files)
		return err
	}
	ordered := make([]position, len(sol.Frames))
	for i := range sol.Frames {
		// The set's folder may lie elsewhere; what it and the position are called counts.
		called := func(path string) string {
			return filepath.Join(filepath.Base(filepath.Dir(path)), filepath.Base(path))
		}
		name := called(sol.Frames[i].File)
		k := slices.IndexFunc(in.positions, func(p position) bool { return called(p.folder) == name })
		if k < 0 {
			return fmt.Errorf("the solution was made from %s, which the set does not have; name the set that was joined", printable(name))
		}
		ordered[i] = in.positions[k]
	}
	in.positions = ordered
	return nil
}

// mostSetsNamed is how many sets are listed where one is not found.
const mostSetsNamed = 20

// readSet returns a set and its positions, called as if flatfell sort had laid
// it into folders. Of a shot in several files the TIFF counts if all of the set
// have one, else the file that was looked at. Paths are those given to flatfell sort;
// one that leads nowhere is looked for from where the list lies.
func readSet(sorted, name string) (*card.Set, []position, error) {
	f, err := os.Open(sorted)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: cannot be read (%w); check the name", sorted, plainPathError(err))
	}
	defer f.Close()
	res, err := card.ReadResult(f)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", sorted, err)
	}
	k := slices.IndexFunc(res.Sets, func(s card.Set) bool { return s.Name == name })
	if k < 0 {
		has := "single frames only"
		var all []string
		for i := range res.Sets {
			if res.Sets[i].Kind != card.Single {
				all = append(all, printable(res.Sets[i].Name))
			}
		}
		if n := len(all) - mostSetsNamed; n > 0 {
			all = append(all[:mostSetsNamed], fmt.Sprintf("and %d more", n))
		}
		if len(all) > 0 {
			has = strings.Join(all, ", ")
		}
		return nil, nil, fmt.Errorf("%s: has no set %q; it has %s", sorted, name, has)
	}
	set := &res.Sets[k]
	tiff := func(files []string) int {
		return slices.IndexFunc(files, func(name string) bool {
			e := strings.ToLower(filepath.Ext(name))
			return e == ".tif" || e == ".tiff"
		})
	}
	deep := !slices.ContainsFunc(set.Shots(), func(i int) bool { return tiff(res.Shots[i].Files) < 0 })
	positions := make([]position, len(set.Positions))
	for p, shots := range set.Positions {
		positions[p].folder = filepath.Join(set.Name, fmt.Sprintf("position-%d", p+1))
		for _, i := range shots {
			files := res.Shots[i].Files
			file := files[0]
			if deep {
				file = files[tiff(files)]
			}
			positions[p].files = append(positions[p].files, fromList(sorted, file))
		}
	}
	return set, positions, nil
}

// fromList is the path of a file that a list names.
func fromList(sorted, file string) string {
	if filepath.IsAbs(file) {
		return file
	}
	if _, err := os.Stat(file); err == nil {
		return file
	}
	beside := filepath.Join(filepath.Dir(sorted), file)
	if _, err := os.Stat(beside); err == nil {
		return beside
	}
	return file
}
