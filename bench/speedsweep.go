package bench

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
)

// sweepPixels are the sizes of the pictures of a sweep in megapixels, about.
var sweepPixels = []float64{6, 12, 25, 50, 100, 200}

// SweepResult is what [SpeedSweep] measured.
type SweepResult struct {
	Sizes []*SpeedResult
	// Exponents of the picture's pixels in the wall time and the processor time.
	Wall, CPU float64
}

// SpeedSweep times rows of six frames of growing size, which it renders into
// folders in c.Frames, of files of an ending. made is told the share of the
// frames that are rendered.
func SpeedSweep(ctx context.Context, c SpeedConfig, ending string, made func(done float64)) (*SweepResult, error) {
	const frames = 6
	res := &SweepResult{}
	dirs := make([]string, len(sweepPixels))
	for i, size := range sweepPixels {
		dirs[i] = filepath.Join(c.Frames, fmt.Sprintf("%g", size))
		width := 2 * int(math.Round(4160*math.Sqrt(size/102)/2)) // see typicalRow: 4160 pixels give 102
		err := MakeFrames(ctx, dirs[i], ending, frames, width, width*3/2, 0, func(done float64) {
			if made != nil {
				made((float64(i) + done) / float64(len(sweepPixels)))
			}
		})
		if err != nil {
			return nil, err
		}
	}
	progress := c.Progress
	for i, dir := range dirs {
		c.Frames = dir
		c.Progress = func(done float64) {
			if progress != nil {
				progress((float64(i) + done) / float64(len(dirs)))
			}
		}
		r, err := Speed(ctx, c)
		if err != nil {
			return nil, err
		}
		res.Sizes = append(res.Sizes, r)
	}
	pixels, wall, cpu := make([]float64, len(dirs)), make([]float64, len(dirs)), make([]float64, len(dirs))
	for i, r := range res.Sizes {
		pixels[i], wall[i], cpu[i] = r.OutputPixels, r.median(wallOf), r.median(cpuOf)
	}
	res.Wall, res.CPU = exponent(pixels, wall), exponent(pixels, cpu)
	return res, nil
}

// exponent returns the slope of log y over log x, by least squares.
func exponent(x, y []float64) float64 {
	var n, sx, sy, sxx, sxy float64
	for i := range x {
		u, v := math.Log(x[i]), math.Log(y[i])
		n, sx, sy, sxx, sxy = n+1, sx+u, sy+v, sxx+u*u, sxy+u*v
	}
	return (n*sxy - sx*sy) / (n*sxx - sx*sx)
}

// Bars returns what must hold.
func (r *SweepResult) Bars() []Bar {
	return []Bar{{"the power of the picture's size that the time grows with", r.Wall, 1.05, ""}}
}

// Report returns the bars and tables.
func (r *SweepResult) Report() Report {
	sizes := &table{head: []string{"megapixels out, medians", "wall s", "processor s", "peak MiB", "ns a pixel"}}
	stages := &table{head: []string{"stage, ns a pixel of the picture"}}
	for _, s := range r.Sizes {
		mega := fmt.Sprintf("%.1f", s.OutputPixels/1e6)
		sizes.add(mega, fmt.Sprintf("%.2f", s.median(wallOf)), fmt.Sprintf("%.2f", s.median(cpuOf)), fmt.Sprintf("%.0f", s.median(peakOf)),
			fmt.Sprintf("%.0f", 1e9*s.median(wallOf)/s.OutputPixels))
		stages.head = append(stages.head, mega)
	}
	for i, stage := range r.Sizes[0].Stages {
		row := []string{stage.Name}
		for _, s := range r.Sizes {
			row = append(row, fmt.Sprintf("%.1f", 1e9*s.Stages[i].Seconds/s.OutputPixels))
		}
		stages.add(row...)
	}
	sizes.add("power of the size", fmt.Sprintf("%.3f", r.Wall), fmt.Sprintf("%.3f", r.CPU), "", "")
	return report(fmt.Sprintf("Speed by size: %d frames, %d runs of each", r.Sizes[0].Frames, len(r.Sizes[0].Own)), r.Bars(), sizes, stages)
}
