package bench

import (
	"context"
	"fmt"
	"math"
	"slices"

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
	// borderShare of a frame's width along its border is where a seam has no
	// room, and the frame does not count as showing what is there.
	borderShare = 0.05
)

// MoversResult is what [Movers] measured: which frame the parts of the picture
// are taken from.
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
// walkers and wave crests move from frame to frame, and counts those of which
// the picture takes a part from the frames, or two. What a frame has of a mover
// is known from the same frame without it. The default is 50 rows of 480 × 720 pixels, or 1 large
// one.
func Movers(ctx context.Context, c Config) (*MoversResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(50, 1, 480, 720)
	res := &MoversResult{Width: c.Width, Height: c.Height}
	for seed := range uint64(c.Seeds) {
		shots, sol, err := c.join(ctx, c.fieldRow(seed), scene.Options{Movers: moversInView})
		switch {
		case err != nil:
			return nil, err
		case sol == nil:
			res.Refused++
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

// tall is the height of a mover over its width.
var tall = map[string]float64{"walker": 3, "boat": 1, "bird": 0.6, "crest": 0.15}

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
			dx, dy := math.Abs(float64(x)-mt.X)/half, math.Abs(float64(y)-mt.Y)/(half*tall[mt.Kind])
			if d := max(dx, dy); d < best {
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
	frames, movers := len(figs), len(figs[0].whole)
	cams := make([]geom.Camera, frames)
	for k := range cams {
		cams[k] = sol.Frames[k].Camera()
	}
	border := borderShare * float64(cams[0].Width)
	lines := make([][]figureCount, view.Rect.Dy())
	any := func(int) bool { return true }
	err = par.Do(ctx, c.Workers, len(lines), func(y int) error {
		n := make([]figureCount, frames*movers)
		seen := make([]int, frames)     // the mover of each frame at the pixel
		clear := make([]int, 0, frames) // the frames that show what is behind
		for x := range view.Rect.Dx() {
			ray, ok := view.RayAt(float64(x)+0.5, float64(y)+0.5)
			if !ok {
				continue
			}
			clear = clear[:0]
			for k := range cams {
				seen[k] = -1
				if p, ok := cams[k].PixelFromWorld(ray); ok && cams[k].Contains(p, 0) {
					seen[k] = int(figs[k].of[int(p.Y)*cams[k].Width+int(p.X)])
					if seen[k] < 0 && cams[k].Contains(p, border) {
						clear = append(clear, k)
					}
				}
			}
			label := labels.Pixel(x, y, any)
			for k, m := range seen {
				if m < 0 {
					continue
				}
				t := &n[k*movers+m]
				t.total++
				shown := label >= 0 && seen[label] == m
				if shown {
					t.shown++
				}
				if !slices.ContainsFunc(clear, func(l int) bool { return l != k }) {
					t.alone++
				}
				t.with = append(t.with, make([]int, frames-len(t.with))...)
				others := 0
				for l, o := range seen {
					if o == m && l != k {
						t.with[l]++
						others++
					}
				}
				if others == 0 {
					t.own++
					if shown {
						t.ownShown++
					}
				}
			}
		}
		lines[y] = n
		return nil
	})
	if err != nil {
		return err
	}
	sums := make([]figureCount, frames*movers)
	for i := range sums {
		s := &sums[i]
		s.with = make([]int, frames)
		for _, n := range lines {
			s.total += n[i].total
			s.shown += n[i].shown
			s.alone += n[i].alone
			s.own += n[i].own
			s.ownShown += n[i].ownShown
			for l, v := range n[i].with {
				s.with[l] += v
			}
		}
	}
	for m := range movers {
		res.judge(shots, m, figs, func(k int) *figureCount { return &sums[k*movers+m] })
	}
	return nil
}

// figureCount counts the pixels of a figure in the picture's area.
type figureCount struct {
	total int
	shown int   // where the picture has the mover
	alone int   // where no other frame sees well
	with  []int // where another frame has the same mover too
	// Where no other frame has it, and what of that the picture has.
	own, ownShown int
}

// judge adds what became of one mover.
func (r *MoversResult) judge(shots *photographs, m int, figs []figures, of func(k int) *figureCount) {
	name := func() string {
		return fmt.Sprintf("seed %d, %s %d", shots.plan.Seed, shots.plan.Frames[0].Movers[m].Kind, m)
	}
	// Of a mover that two frames have to show in part, neither can be left out.
	torn := 0
	for k := range figs {
		if s := of(k); s.total >= leastFigure && s.alone > 0 && s.alone < s.total {
			torn++
		}
	}
	var apart []int // figures that the picture shows in different places
	forced := 0
	for k := range figs {
		s := of(k)
		if s.total < leastFigure {
			continue
		}
		share := float64(s.shown) / float64(s.total)
		if share > 0.5 && !slices.ContainsFunc(apart, func(l int) bool { return s.with[l] > 0 }) {
			apart = append(apart, k)
			if s.alone > 0 {
				forced++
			}
		}
		if s.alone == s.total || !figs[k].whole[m] || torn > 1 {
			continue
		}
		r.Figures++
		switch {
		case share >= wholeShare:
			r.Whole++
		case float64(s.ownShown) <= absentShare*float64(s.own):
			r.Absent++
		default:
			r.Halved = append(r.Halved, fmt.Sprintf("%s of frame %d: %.0f %%", name(), shots.of[k]+1, 100*share))
		}
	}
	if len(apart) > max(1, forced) {
		r.Doubled = append(r.Doubled, fmt.Sprintf("%s: %d times", name(), len(apart)))
	}
}

// Bars returns the figures that must hold.
func (r *MoversResult) Bars() []Bar {
	return []Bar{
		{"rows not joined", float64(r.Refused), 0, ""},
		{"movers shown in part", float64(len(r.Halved)), 0, ""},
		{"movers shown twice", float64(len(r.Doubled)), 0, ""},
	}
}

// Report returns the bars and the movers.
func (r *MoversResult) Report() Report {
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
