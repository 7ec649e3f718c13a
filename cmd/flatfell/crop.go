package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"flatfell.example/internal/photo"
	"flatfell.example/stitch"
)

// cropPreviewWidth is the width of what flatfell crop --preview writes, in
// pixels: enough to judge a crop by.
const cropPreviewWidth = 2000

func newCrop() *cobra.Command {
	s := &stitchCommand{
		quality: countFlag{limit: 100}, workers: countFlag{limit: maxWorkers},
	}
	cmd := &cobra.Command{
		Use:   "crop SOLUTION [FRAMES…] -o OUT [options]",
		Short: "render a joined row again: another crop, level, surface or centre",
		Long: `SOLUTION is what flatfell stitch --solution wrote. Nothing is searched again, and
the pixels are those that flatfell stitch would write with the same options.
FRAMES are named only if they have moved, in any order or as a folder; brackets that
were merged from a sorted set are named by --sorted and the set.
With --preview the picture is at most 2000 pixels wide, to try crops quickly.

Exit status: 0 done, 1 failed, 2 wrong command line.`,
		Example: `A square, tried small and then at full size:
    flatfell crop dunes.json -o try.jpg --crop 1:1 --preview
    flatfell crop dunes.json -o square.tif --crop 1:1
The same further to the right, and the horizon turned by half a degree:
    flatfell crop dunes.json -o try.jpg --crop 1:1 --offset 15,0 --level 0.5,0 --preview --overwrite
Straight lines stay straight, looking 10 degrees left of the middle:
    flatfell crop dunes.json -o hut.jpg --surface plane --centre -10
The frames are elsewhere now:
    flatfell crop dunes.json archive/dunes/ -o dunes.jpg`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 || args[0] == "" {
				return usagef("flatfell crop", "no solution given; flatfell stitch --solution FILE writes one")
			}
			s.from = args[0]
			return s.run(cmd, args[1:])
		},
	}
	files := newGroup("Files")
	files.StringVarP(&s.out, "output", "o", "", "the picture to write: `FILE` ending in .jpg, .png or .tif")
	files.BoolVar(&s.small, "preview", false, "write it at most 2000 pixels wide, which takes seconds")
	files.StringVar(&s.sorted, "sorted", "", sortedHelp)
	files.StringVar(&s.solution, "solution", "", "also write where the picture lies now, as JSON, to `FILE`")
	files.BoolVar(&s.overwrite, "overwrite", false, "replace outputs that exist (photographs that are read are never replaced)")
	addGroups(cmd, files, s.pictureFlags("that of the solution", "; without it inside, whatever the solution was cut to"), s.runFlags())
	s.complete(cmd)
	return cmd
}

// turn levels and turns a solution that is there as the options say.
func (s *stitchCommand) turn(sol *stitch.Solution) {
	if l := s.level.level; l != nil {
		sol.Hold(*l)
	}
	if c := s.centre.angle; c != nil {
		sol.Face(*c)
	}
}

func readSolution(path string) (*stitch.Solution, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be read (%w); check the name", path, plainPathError(err))
	}
	defer f.Close()
	sol, err := stitch.ReadSolution(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return sol, nil
}

// framesOf returns the files of a solution's frames in its order: those that
// were recorded, or those of the same names among the given files and folders.
func framesOf(sol *stitch.Solution, given []string) ([]string, error) {
	paths := make([]string, len(sol.Frames))
	if len(given) == 0 {
		for i := range sol.Frames {
			paths[i] = sol.Frames[i].File
		}
		return paths, nil
	}
	files, err := photo.List(given)
	if err != nil {
		return nil, err
	}
	// In JSON a byte that is no UTF-8 has become the replacement character.
	stored := func(path string) string { return string([]rune(filepath.Base(path))) }
	byName := map[string]string{}
	for _, f := range files {
		name := stored(f)
		if other, taken := byName[name]; taken && !photo.SameFile(other, f) {
			return nil, fmt.Errorf("two given frames are called %s, %s and %s; give one of them", name, other, f)
		}
		byName[name] = f
	}
	for i := range sol.Frames {
		name := stored(sol.Frames[i].File)
		path, ok := byName[name]
		if !ok {
			return nil, fmt.Errorf("the solution was made from %s, which is not among the given frames", name)
		}
		paths[i] = path
	}
	return paths, nil
}
