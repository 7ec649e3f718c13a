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

// sortedHelp describes --sorted, of which a command names the kind of set.
const sortedHelp = "take the photographs from the set of that name in `FILE`, which flatfell sort --json has printed, instead of naming them"

// input is what a command line names: the frames of a row, or positions of a
// row of brackets.
type input struct {
	positions []position // nil if there are none
	files     []string
}

// inputOf is what a command line names: files and folders, or with a file of sorted
// sets the name of one. each says that each folder is a bracket.
func inputOf(sorted string, args []string, each bool) (in input, err error) {
	if sorted != "" {
		if in.positions, err = positionsOfSet(sorted, args); err != nil {
			return in, err
		}
		if !slices.ContainsFunc(in.positions, func(p position) bool { return len(p.files) > 1 }) {
			for _, p := range in.positions {
				in.files = append(in.files, p.files...)
			}
			in.positions = nil
			return in, nil
		}
	} else if in.positions, err = positionsOf(args, each); err != nil {
		return in, err
	}
	for _, p := range in.positions {
		in.files = append(in.files, p.files...)
	}
	if in.positions == nil {
		in.files, err = photo.List(args)
	}
	return in, err
}

// inOrderOf puts what a set has into the order of a solution's frames.
func (in *input) inOrderOf(sol *stitch.Solution) (err error) {
	if in.positions == nil {
		in.files, err = framesOf(sol, in.files)
		return err
	}
	ordered := make([]position, len(sol.Frames))
	for i := range sol.Frames {
		name := sol.Frames[i].File
		k := slices.IndexFunc(in.positions, func(p position) bool { return filepath.Base(p.folder) == filepath.Base(name) })
		if k < 0 {
			return fmt.Errorf("the solution was made from %s, which the set does not have", name)
		}
		ordered[i] = in.positions[k]
	}
	in.positions = ordered
	return nil
}

// positionsOfSet are the positions of one set, called as if flatfell sort had laid
// it into folders. Of a shot in several files the TIFF counts if all of the set
// have one, else the file that was looked at.
func positionsOfSet(sorted string, names []string) ([]position, error) {
	f, err := os.Open(sorted)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be read (%w); check the name", sorted, plainPathError(err))
	}
	defer f.Close()
	res, err := card.ReadResult(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", sorted, err)
	}
	if len(names) != 1 {
		return nil, errors.New("--sorted needs the name of one set")
	}
	k := slices.IndexFunc(res.Sets, func(s card.Set) bool { return s.Name == names[0] })
	if k < 0 {
		var all []string
		for i := range res.Sets {
			if res.Sets[i].Kind != card.Single {
				all = append(all, res.Sets[i].Name)
			}
		}
		return nil, fmt.Errorf("%s: has no set %q; it has %s", sorted, names[0], strings.Join(all, ", "))
	}
	set := &res.Sets[k]
	tiff := func(files []string) int {
		return slices.IndexFunc(files, func(name string) bool {
			e := strings.ToLower(filepath.Ext(name))
			return e == ".tif" || e == ".tiff"
		})
	}
	deep := !slices.ContainsFunc(set.Shots(), func(i int) bool { return tiff(res.Shots[i].Files) < 0 })
	out := make([]position, len(set.Positions))
	for p, shots := range set.Positions {
		out[p].folder = filepath.Join(set.Name, fmt.Sprintf("position-%d", p+1))
		for _, i := range shots {
			files := res.Shots[i].Files
			file := files[0]
			if deep {
				file = files[tiff(files)]
			}
			out[p].files = append(out[p].files, file)
		}
	}
	return out, nil
}
