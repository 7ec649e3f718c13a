package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"time"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// SpeedConfig says what [Speed] runs. Program, Frames and Work are needed.
type SpeedConfig struct {
	// Program is the command that is timed, run as Program stitch ….
	Program string
	// Frames is a folder of photographs; see [MakeFrames].
	Frames string
	// Work is a folder for what is written.
	Work string
	// Ending of the output, such as .jpg; empty means .jpg.
	Ending string
	// Runs of each; zero means 5.
	Runs int
	// Reference, if not empty, is another command that does the job on the
	// same frames, run in turn with Program. In its words {frames} stands for
	// the photographs and {out} for a name without ending.
	Reference []string
	// Progress, if not nil, is told the share that is done, 0 to 1.
	Progress func(done float64)
}

// Cost is what one run took.
type Cost struct {
	Wall, CPU float64 // seconds; CPU is user and system time
	PeakMiB   float64 // of resident memory; 0 where the system doesn't tell
}

// SpeedResult is what [Speed] measured.
type SpeedResult struct {
	Frames       int
	InputPixels  float64
	OutputPixels float64
	Own, Other   []Cost
	Stages       []stitch.StageTime // of the last run
}

// With the usual lens mostTypical frames are as many as a row of less than a full
// turn has; longerLens is the focal length in frame widths with which 24 are.
const mostTypical, longerLens = 12, 2.75

// typicalRow is the row of the speed bars: six frames of a hand-held camera.
func typicalRow(frames, width, height int) scene.Row {
	focal := 0. // the usual lens
	if frames > mostTypical {
		focal = longerLens * float64(width)
	}
	return scene.Row{
		FocalPx: focal,
		Frames:  frames, Width: width, Height: height,
		RollErr: geom.Degree / 2, PitchErr: geom.Degree / 2, YawErr: geom.Degree / 2,
		Radial: [3]float64{-0.02}, ExposureEV: 0.3, VignettingStops: 1, Noise: 0.01, Supersample: 1, Seed: 7,
	}
}

// MakeFrames renders a row into a folder: so many frames of width × height
// pixels, what [Speed] is typically run on, JPEG files of quality 95 or, by the
// ending, uncompressed TIFF or PNG files of 16 bits. More than 12 are taken with a longer lens,
// with which 24 fit into a turn. Frames that are there already stay.
func MakeFrames(ctx context.Context, dir, ending string, frames, width, height, workers int, progress func(done float64)) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	row := typicalRow(frames, width, height)
	coast := scene.New(row.Seed, scene.Options{})
	plan := coast.Plan(row)
	for i := range plan.Frames {
		path := filepath.Join(dir, fmt.Sprintf("frame-%02d%s", i+1, ending))
		if _, err := os.Stat(path); err == nil {
			continue
		}
		pic, err := coast.Frame(ctx, workers, &plan, i)
		if err != nil {
			return err
		}
		// Many cameras halve the resolution of colours both ways; developers of raw files do
		// not pack TIFFs unless asked to (common practice).
		o := photo.WriteOptions{Quality: 95, HalvedColour: true, Workers: workers, Compression: photo.Uncompressed}
		if ending != ".jpg" {
			o.Bits = 16
		}
		if err := photo.Write(ctx, path, pic, o); err != nil {
			return err
		}
		if progress != nil {
			progress(float64(i+1) / float64(len(plan.Frames)))
		}
	}
	return nil
}

// Speed times whole runs of the program on a folder of photographs, in turn
// with the reference if there is one.
func Speed(ctx context.Context, c SpeedConfig) (*SpeedResult, error) {
	if c.Runs == 0 {
		c.Runs = 5
	}
	if c.Ending == "" {
		c.Ending = ".jpg"
	}
	paths, err := photo.List([]string{c.Frames})
	if err != nil {
		return nil, err
	}
	if len(paths) < 2 {
		return nil, fmt.Errorf("bench: %s holds no row; make frames there first", c.Frames)
	}
	res := &SpeedResult{Frames: len(paths)}
	for _, p := range paths {
		f, err := photo.Open(p)
		if err != nil {
			return nil, err
		}
		res.InputPixels += float64(f.Width) * float64(f.Height)
	}
	solution := filepath.Join(c.Work, "speed.json")
	own := slices.Concat([]string{c.Program, "stitch"}, paths,
		[]string{"-o", filepath.Join(c.Work, "speed"+c.Ending), "--solution", solution, "--overwrite", "--quiet"})
	var other []string
	for _, word := range c.Reference {
		switch word {
		case "{frames}":
			other = append(other, paths...)
		case "{out}":
			other = append(other, filepath.Join(c.Work, "reference"))
		default:
			other = append(other, word)
		}
	}
	for i := range c.Runs {
		if other != nil {
			cost, err := timed(ctx, other)
			if err != nil {
				return nil, err
			}
			res.Other = append(res.Other, cost)
		}
		cost, err := timed(ctx, own)
		if err != nil {
			return nil, err
		}
		res.Own = append(res.Own, cost)
		if c.Progress != nil {
			c.Progress(float64(i+1) / float64(c.Runs))
		}
	}
	text, err := os.ReadFile(solution)
	if err != nil {
		return nil, err
	}
	var sol stitch.Solution
	if err := json.Unmarshal(text, &sol); err != nil {
		return nil, err
	}
	res.Stages, res.OutputPixels = sol.Stages, float64(sol.Output.Width)*float64(sol.Output.Height)
	return res, nil
}

// timed runs a command.
func timed(ctx context.Context, words []string) (Cost, error) {
	cmd := exec.CommandContext(ctx, words[0], words[1:]...)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	began := time.Now()
	err := cmd.Run()
	wall := time.Since(began).Seconds()
	if ctx.Err() != nil {
		return Cost{}, ctx.Err()
	}
	if err != nil {
		return Cost{}, errors.Join(fmt.Errorf("bench: %s: %w", words[0], err), errors.New(complaints.String()))
	}
	s := cmd.ProcessState
	return Cost{Wall: wall, CPU: (s.UserTime() + s.SystemTime()).Seconds(), PeakMiB: peakMiB(s)}, nil
}

// ratios returns the median of the run-by-run ratios of a figure.
func (r *SpeedResult) ratio(f func(Cost) float64) float64 {
	var v []float64
	for i := range r.Other {
		v = append(v, f(r.Own[i])/f(r.Other[i]))
	}
	return median(v)
}

// median returns the median of a figure of the own runs.
func (r *SpeedResult) median(f func(Cost) float64) float64 { return medianOf(r.Own, f) }

func medianOf(costs []Cost, f func(Cost) float64) float64 {
	var v []float64
	for _, c := range costs {
		v = append(v, f(c))
	}
	return median(v)
}

func wallOf(c Cost) float64 { return c.Wall }
func cpuOf(c Cost) float64  { return c.CPU }
func peakOf(c Cost) float64 { return c.PeakMiB }

// Bars returns the figures that must hold against the reference; none without.
func (r *SpeedResult) Bars() []Bar {
	if len(r.Other) == 0 {
		return nil
	}
	return []Bar{
		{"wall time, times the reference", r.ratio(wallOf), 0.6, ""},
		{"processor time, times the reference", r.ratio(cpuOf), 0.65, ""},
		{"peak memory, times the reference", r.ratio(peakOf), 0.25, ""},
	}
}

// Report returns the bars and tables.
func (r *SpeedResult) Report() Report {
	runs := &table{head: []string{"medians", "wall s", "processor s", "peak MiB", "ns a pixel of the picture"}}
	add := func(name string, costs []Cost) {
		if len(costs) == 0 {
			return
		}
		of := func(f func(Cost) float64) float64 { return medianOf(costs, f) }
		runs.add(name, fmt.Sprintf("%.2f", of(wallOf)), fmt.Sprintf("%.2f", of(cpuOf)), fmt.Sprintf("%.0f", of(peakOf)),
			fmt.Sprintf("%.0f", 1e9*of(wallOf)/r.OutputPixels))
	}
	add("this program", r.Own)
	add("the reference", r.Other)
	stages := &table{head: []string{"stage of the last run", "wall s", "ns a pixel of the picture"}}
	for _, s := range r.Stages {
		stages.add(s.Name, fmt.Sprintf("%.2f", s.Seconds), fmt.Sprintf("%.1f", 1e9*s.Seconds/r.OutputPixels))
	}
	return report(fmt.Sprintf("Speed: %d frames, %.0f megapixels in, %.0f out, %d runs",
		r.Frames, r.InputPixels/1e6, r.OutputPixels/1e6, len(r.Own)), r.Bars(), runs, stages)
}
