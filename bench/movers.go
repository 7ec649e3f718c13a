package bench

import (
	"context"
	"errors"
	"fmt"
	"math"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
	"flatfell.example/stitch"
)

const (
	// moversInView is the number of birds, boats, walkers and wave crests of a
	// coast.
	moversInView = 8
	// figureStep is the difference of a sample, of full scale, that a mover
	// makes to a pixel that is called its own.
	figureStep = 0.04
	// leastFigure is the number of pixels of the picture from which a figure
	// counts.
	leastFigure = 30
	// A figure is whole if the picture has wholeShare of it, absent if it has
	// absentShare at most.
	wholeShare, absentShare = 0.9, 0.1
	// aloneShare of a figure where no other frame sees makes its frame the
	// only one to take it from.
	aloneShare = 0.5
)

// MoversResult is what [Movers] measured.
type MoversResult struct {
	Width, Height int
	Rows, Refused int
	// Figures are those that reach into an overlap: a mover as one frame has
	// it. Whole and Absent are in the picture altogether or not at all.
	Figures, Whole, Absent int
	// Halved and Doubled name the others. Of a mover seen twice, one of the
	// two figures could have been left out.
	Halved, Doubled []string
}

// Movers stitches rows as [Accuracy] does, of coasts on which birds, boats,
// walkers and wave crests move from frame to frame, and counts those that the
// picture shows in part or twice. What a frame has of a mover is known from the
// same frame without it. The default is 50 rows of 480 × 720 pixels, or 1 large
// one.
func Movers(ctx context.Context, c Config) (*MoversResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(50, 1, 480, 720)
	res := &MoversResult{Width: c.Width, Height: c.Height}
	for seed := range uint64(c.Seeds) {
		row := c.fieldRow(seed)
		shots, err := c.photograph(ctx, row, scene.Options{Movers: moversInView})
		if err != nil {
			return nil, err
		}
		sol, err := stitch.Align(ctx, shots.frames, stitch.Options{Workers: c.Workers})
		switch {
		case errors.Is(err, stitch.ErrNotJoined):
			res.Refused++
		case err != nil:
			return nil, err
		default:
			res.Rows++
			if err := c.countMovers(ctx, res, shots, sol); err != nil {
				return nil, err
			}
		}
		c.Progress(float64(seed+1) / float64(c.Seeds))
	}
	return res, nil
}

// figures are what one frame has of the movers.
type figures struct {
	of    []int8 // the mover of each pixel, −1 for none
	whole []bool // the figure doesn't touch the frame's border
}

// figures compares the frames with those of the same coast without movers.
func (c Config) figures(ctx context.Context, shots *photographs) ([]figures, error) {
	still := scene.New(shots.plan.Seed, scene.Options{})
	out := make([]figures, len(shots.frames))
	for k, i := range shots.of {
		bare, err := still.Frame(ctx, c.Workers, &shots.plan, i)
		if err != nil {
			return nil, err
		}
		img, err := shots.frames[k].Image(ctx)
		if err != nil {
			return nil, err
		}
		pic, err := raster.FromImage(ctx, c.Workers, img)
		if err != nil {
			return nil, err
		}
		out[k] = figuresOf(pic, bare, &shots.plan.Frames[i])
	}
	return out, nil
}

func figuresOf(pic, bare *raster.Picture, f *scene.FrameTruth) figures {
	w, h := pic.Rect.Dx(), pic.Rect.Dy()
	out := figures{of: make([]int8, w*h), whole: make([]bool, len(f.Movers))}
	for m := range out.whole {
		out.whole[m] = true
	}
	for i := range out.of {
		out.of[i] = -1
		differs := false
		for ch := range 3 {
			d := float64(pic.Pix[3*i+ch]) - float64(bare.Pix[3*i+ch])
			differs = differs || math.Abs(d) > figureStep*0xffff
		}
		if !differs {
			continue
		}
		x, y := i%w, i/w
		best := math.Inf(1)
		for m := range f.Movers {
			mt := &f.Movers[m]
			half := mt.HalfWidthDeg * geom.Degree.Radians() * f.Camera.FocalPx
			if d := math.Hypot(float64(x)-mt.X, float64(y)-mt.Y) / half; d < best {
				best, out.of[i] = d, int8(m)
			}
		}
		if m := out.of[i]; m >= 0 && (x < 3 || y < 3 || x >= w-3 || y >= h-3) {
			out.whole[m] = false
		}
	}
	return out
}

// countMovers adds one row.
func (c Config) countMovers(ctx context.Context, res *MoversResult, shots *photographs, sol *stitch.Solution) error {
	figs, err := c.figures(ctx, shots)
	if err != nil {
		return err
	}
	var labels *blend.Labels
	_, err = stitch.Render(ctx, sol, shots.frames, stitch.Options{Workers: c.Workers, Seams: func(l *blend.Labels) { labels = l }})
	if err != nil {
		return err
	}
	view, err := sol.Output.View()
	if err != nil {
		return err
	}
	type count struct{ total, taken, alone int }
	frames, movers := len(figs), len(figs[0].whole)
	lines := make([][]count, view.Rect.Dy())
	cams := make([]geom.Camera, frames)
	for k := range cams {
		cams[k] = sol.Frames[k].Camera()
	}
	any := func(int) bool { return true }
	err = par.Do(ctx, c.Workers, len(lines), func(y int) error {
		n := make([]count, frames*movers)
		seen := make([]int, frames) // the mover of each frame at the pixel
		for x := range view.Rect.Dx() {
			ray, ok := view.RayAt(float64(x)+0.5, float64(y)+0.5)
			if !ok {
				continue
			}
			covered := 0
			for k := range cams {
				seen[k] = -1
				if p, ok := cams[k].PixelFromWorld(ray); ok && cams[k].Contains(p, 0) {
					covered++
					seen[k] = int(figs[k].of[int(p.Y)*cams[k].Width+int(p.X)])
				}
			}
			label := labels.Pixel(x, y, any)
			for k, m := range seen {
				if m < 0 {
					continue
				}
				t := &n[k*movers+m]
				t.total++
				if label == k {
					t.taken++
				}
				if covered == 1 {
					t.alone++
				}
			}
		}
		lines[y] = n
		return nil
	})
	if err != nil {
		return err
	}
	sums := make([]count, frames*movers)
	for _, n := range lines {
		for i := range sums {
			sums[i].total += n[i].total
			sums[i].taken += n[i].taken
			sums[i].alone += n[i].alone
		}
	}
	for m := range movers {
		shown, forced := 0, 0
		for k := range frames {
			s := sums[k*movers+m]
			if s.total < leastFigure {
				continue
			}
			share := float64(s.taken) / float64(s.total)
			if share > 0.5 {
				shown++
				if float64(s.alone) >= aloneShare*float64(s.total) {
					forced++
				}
			}
			if s.alone == s.total || !figs[k].whole[m] {
				continue
			}
			res.Figures++
			switch {
			case share >= wholeShare:
				res.Whole++
			case share <= absentShare:
				res.Absent++
			default:
				res.Halved = append(res.Halved, fmt.Sprintf("seed %d, %s %d of frame %d: %.0f %%",
					shots.plan.Seed, shots.plan.Frames[0].Movers[m].Kind, m, shots.of[k]+1, 100*share))
			}
		}
		if shown > max(1, forced) {
			res.Doubled = append(res.Doubled, fmt.Sprintf("seed %d, %s %d: %d times", shots.plan.Seed, shots.plan.Frames[0].Movers[m].Kind, m, shown))
		}
	}
	return nil
}

// Bars returns the figures that must hold.
func (r *MoversResult) Bars() []Bar {
	return []Bar{
		{"rows not joined", float64(r.Refused), 0, ""},
		{"movers shown in part", float64(len(r.Halved)), 0, ""},
		{"movers shown twice", float64(len(r.Doubled)), 0, ""},
	}
}

// String returns the bars and the movers in Markdown.
func (r *MoversResult) String() string {
	t := &table{head: []string{"rows", "figures that reach into an overlap", "whole", "absent", "in part", "movers twice"}}
	t.add(fmt.Sprint(r.Rows), fmt.Sprint(r.Figures), fmt.Sprint(r.Whole), fmt.Sprint(r.Absent), fmt.Sprint(len(r.Halved)), fmt.Sprint(len(r.Doubled)))
	tables := []*table{t}
	for _, l := range []struct {
		name string
		list []string
	}{{"shown in part", r.Halved}, {"shown twice", r.Doubled}} {
		if len(l.list) > 0 {
			u := &table{head: []string{l.name}}
			for _, s := range l.list {
				u.add(s)
			}
			tables = append(tables, u)
		}
	}
	return report(fmt.Sprintf("Movers: %d rows of %d × %d pixels", r.Rows, r.Width, r.Height), r.Bars(), tables...)
}
