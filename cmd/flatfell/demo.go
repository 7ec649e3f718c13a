package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"flatfell.example/bench"
	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// demoCommand is the command line of flatfell demo.
type demoCommand struct {
	seed             seedFlag
	overwrite, quiet bool
	workers          countFlag
}

func newDemo() *cobra.Command {
	d := &demoCommand{seed: 2, workers: countFlag{limit: maxWorkers}}
	cmd := &cobra.Command{
		Use:   "demo DIR [options]",
		Short: "render a row of frames on a tidal coast and join it",
		Long: `A coast of dunes, groynes and sea stacks is rendered as a hand-held row with
automatic exposure, and joined like any other. Because the cameras are known,
the result is compared with the truth. DIR is created; what it holds then:
    frames/         the photographs
    row.jpg         the wide picture, small.jpg a small copy of it
    solution.json   how the frames were found to lie
    truth.json      how they do lie`,
		Example: `    flatfell demo demo-row`,
		Args:    exactlyOne("flatfell demo", "the folder for the demonstration"),
		RunE:    d.run,
	}
	options := newGroup("Options")
	options.Var(&d.seed, "seed", "a number that chooses the coast and the photographer's errors")
	options.BoolVar(&d.overwrite, "overwrite", false, "use a folder that is not empty, replacing the files named above")
	options.BoolVar(&d.quiet, "quiet", false, "print errors and warnings only")
	options.Var(&d.workers, "workers", "how many processors to use; without it all")
	options.BoolP("help", "h", false, "print this")
	addGroups(cmd, options)
	return cmd
}

// demoRow is a careful photographer's row, with what a hand and an automatic
// camera do to it.
var demoRow = scene.Row{
	Frames: 5, Width: 1000, Height: 1500,
	RollErr: geom.Degree / 2, PitchErr: geom.Degree / 2, YawErr: geom.Degree,
	Radial: [3]float64{-0.02}, ExposureEV: 0.3, VignettingStops: 0.1, Noise: 0.008,
}

func (d *demoCommand) run(cmd *cobra.Command, args []string) error {
	dir := args[0]
	if err := d.prepare(dir); err != nil {
		return err
	}
	s := &stitchCommand{
		out: filepath.Join(dir, "row.jpg"), preview: filepath.Join(dir, "small.jpg"),
		solution:  filepath.Join(dir, "solution.json"),
		overwrite: d.overwrite, quiet: d.quiet, workers: d.workers,
	}
	joined := []string{s.out, s.preview, s.solution}
	progress := newProgress(cmd.ErrOrStderr(), d.quiet, demoStages)
	defer progress.end()
	coast, truth := d.plan()
	rendered := d.render(cmd.Context(), dir, coast, truth, progress)
	made := pathsOf(rendered)
	if err := writeAll(rendered); err != nil {
		return after(nil, slices.Concat(made, joined), err)
	}
	progress.end()

	// By name, as a folder that was used before may hold other pictures, too.
	sol, err := s.join(cmd, made[:len(truth.Frames)])
	if err != nil {
		return after(made, joined, err)
	}
	if d.quiet {
		return nil
	}
	return compareWithTruth(cmd.OutOrStdout(), dir, sol, truth)
}

// prepare makes the folder, which must be empty unless it may be overwritten.
func (d *demoCommand) prepare(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return fmt.Errorf("%s: cannot be used as a folder (%w); give another name", dir, plainPathError(err))
	case len(entries) > 0 && !d.overwrite:
		return &photo.Error{Path: dir, Kind: photo.ErrExists, What: "is a folder that is not empty", Remedy: "give another name or allow to overwrite the demonstration in it"}
	}
	if err := os.MkdirAll(filepath.Join(dir, "frames"), 0o777); err != nil {
		return fmt.Errorf("%s: cannot be created (%w); give another name", dir, plainPathError(err))
	}
	return nil
}

// plan is the coast, and where the photographer stood.
func (d *demoCommand) plan() (*scene.Scene, *scene.Truth) {
	row := demoRow
	row.Seed = uint64(d.seed)
	coast := scene.New(row.Seed, scene.Options{})
	truth := coast.Plan(row)
	for i := range truth.Frames {
		truth.Frames[i].File = fmt.Sprintf("frames/coast-%d.jpg", i+1)
	}
	return coast, &truth
}

// render photographs the coast when its outputs are written: the frames, then
// truth.json.
func (d *demoCommand) render(ctx context.Context, dir string, coast *scene.Scene, truth *scene.Truth, p *progress) (outputs []output) {
	for i := range truth.Frames {
		path := filepath.Join(dir, truth.Frames[i].File)
		outputs = append(outputs, output{path, func() error {
			p.report("render", float64(i)/float64(len(truth.Frames)))
			pic, err := coast.Frame(ctx, d.workers.n, truth, i)
			if err != nil {
				return err
			}
			return photo.Write(ctx, path, pic, photo.WriteOptions{Quality: 95, Overwrite: d.overwrite, Workers: d.workers.n})
		}})
	}
	path := filepath.Join(dir, "truth.json")
	return append(outputs, output{path, func() error {
		return photo.WriteWhole(ctx, path, d.overwrite, indented{truth})
	}})
}

// indented writes a value as indented JSON.
type indented struct{ v any }

func (j indented) WriteTo(w io.Writer) (int64, error) {
	b, err := json.MarshalIndent(j.v, "", "  ")
	if err != nil {
		return 0, err
	}
	n, err := w.Write(append(b, '\n'))
	return int64(n), err
}

// compareWithTruth prints how far the solution is from the cameras that the
// frames were rendered with.
func compareWithTruth(w io.Writer, dir string, sol *stitch.Solution, truth *scene.Truth) error {
	e := bench.Compare(sol, truth.Cameras())
	found, given := sol.Frames[0].FocalPx, truth.Frames[0].Camera.FocalPx
	_, err := fmt.Fprintf(w, `
Against the truth: rotations off by %.4f° at most, the vertical by %.3f°,
the focal length by %+.3f %% (%.2f instead of %.2f pixels).
Look at the frames in %s and at the picture %s.
`, e.Worst().Degrees(), e.Tilt.Degrees(), 100*e.Focal, found, given,
		filepath.Join(dir, "frames"), sol.Output.File)
	return err
}
