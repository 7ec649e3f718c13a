package bench

import (
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
	"flatfell.example/stitch"
)

// PlacesResult is what [Places] measured.
type PlacesResult struct {
	Width, Height int
	// Clean are the rows without a flaw, Alarms the places told of each.
	Clean  int
	Alarms []int
	Flaws  []PlacesFlaw
	// False says what was told of clean rows.
	False []string
}

// PlacesFlaw is one kind of flaw, seeded into rows.
type PlacesFlaw struct {
	Name        string
	Rows, Found int
	Missed      []string
}

// placeFlaw seeds a flaw: into the plan, the rendered frames or the solution.
// where is the part of the picture that has it.
type placeFlaw struct {
	name  string
	as    []stitch.PlaceKind
	plan  func(t *scene.Truth, at int)
	paint func(pics []*raster.Picture, t *scene.Truth, at int, rng *rand.Rand)
	bend  func(sol *stitch.Solution, at int)
	// mark is the direction, in the true world, of the flaw's middle; nil means the
	// whole frame at.
	mark func(t *scene.Truth, at int) geom.Vec
}

var placeFlaws = []placeFlaw{
	{
		name: "walker in one frame", as: []stitch.PlaceKind{stitch.PlaceMoved, stitch.PlaceSeam},
		paint: func(pics []*raster.Picture, t *scene.Truth, at int, _ *rand.Rand) {
			paintFigure(pics[at], t, at, 0.035, 0.07)
		},
		mark: betweenFrames,
	},
	{
		name: "surf across an overlap in one frame", as: []stitch.PlaceKind{stitch.PlaceMoved, stitch.PlaceSeam},
		paint: func(pics []*raster.Picture, t *scene.Truth, at int, _ *rand.Rand) {
			paintFigure(pics[at], t, at, 0.25, 0.02)
		},
		mark: betweenFrames,
	},
	{
		name: "frame off by 4 pixels", as: []stitch.PlaceKind{stitch.PlaceSeam},
		bend: func(sol *stitch.Solution, at int) {
			f := &sol.Frames[at]
			turn := geom.FromYawPitchRoll(geom.Angle(4/f.FocalPx), geom.Angle(1.5/f.FocalPx), 0)
			r := turn.Mul(f.Camera().CamFromWorld)
			for i := range f.CamFromWorld {
				copy(f.CamFromWorld[i][:], r[3*i:3*i+3])
			}
		},
	},
	{
		name: "frame brighter by an eighth", as: []stitch.PlaceKind{stitch.PlaceLight},
		bend: func(sol *stitch.Solution, at int) {
			for c := range sol.Frames[at].Gain {
				sol.Frames[at].Gain[c] *= 1.125
			}
		},
	},
	{
		name: "frame out of focus", as: []stitch.PlaceKind{stitch.PlaceSoft},
		plan: func(t *scene.Truth, at int) { t.Frames[at].Lens = scene.Lens{ApertureM: 0.02, FocusM: 1.2} },
	},
	{
		name: "sky lost in all frames", as: []stitch.PlaceKind{stitch.PlaceClipped},
		paint: func(pics []*raster.Picture, t *scene.Truth, at int, rng *rand.Rand) {
			wide := geom.Angle(2+4*rng.Float64()) * geom.Degree
			mark := above(t, at)
			for i, pic := range pics {
				whiten(pic, &t.Frames[i].Camera, mark, wide)
			}
		},
		mark: above,
	},
}

// betweenFrames looks at the middle of the overlap of at and the next, somewhat
// below the horizon.
func betweenFrames(t *scene.Truth, at int) geom.Vec {
	a, b := &t.Frames[at], &t.Frames[at+1]
	return geom.FromYawPitchRoll((a.Yaw+b.Yaw)/2, -6*geom.Degree, 0).Row(2)
}

// above looks into the sky over frame at.
func above(t *scene.Truth, at int) geom.Vec {
	return geom.FromYawPitchRoll(t.Frames[at].Yaw, 17*geom.Degree, 0).Row(2)
}

// paintFigure draws an upright ellipse of half axes rx and ry, shares of the
// frame's width, reddish where the ground is bright and bright where it is dark.
func paintFigure(pic *raster.Picture, t *scene.Truth, at int, rx, ry float64) {
	cam := &t.Frames[at].Camera
	p, ok := cam.PixelFromWorld(betweenFrames(t, at))
	if !ok {
		return
	}
	w := float64(cam.Width)
	for y := range pic.Rect.Dy() {
		row := pic.Row(y)
		for x := range pic.Rect.Dx() {
			u, v := (float64(x)+0.5-p.X)/(rx*w), (float64(y)+0.5-p.Y)/(ry*w)
			cover := min(max((1-math.Hypot(u, v))*ry*w+0.5, 0), 1)
			if cover == 0 {
				continue
			}
			colour := [3]float64{0.42, 0.1, 0.08}
			if ry < rx {
				colour = [3]float64{0.93, 0.95, 0.96}
			}
			for c := range 3 {
				row[3*x+c] = uint16((1-cover)*float64(row[3*x+c]) + cover*colour[c]*0xffff)
			}
		}
	}
}

// whiten loses the light around a direction.
func whiten(pic *raster.Picture, cam *geom.Camera, mark geom.Vec, wide geom.Angle) {
	least := math.Cos(wide.Radians())
	for y := range pic.Rect.Dy() {
		row := pic.Row(y)
		for x := range pic.Rect.Dx() {
			ray, ok := cam.WorldFromPixel(geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5})
			if ok && ray.X*mark.X+ray.Y*mark.Y+ray.Z*mark.Z > least {
				row[3*x], row[3*x+1], row[3*x+2] = 0xffff, 0xffff, 0xffff
			}
		}
	}
}

// Places joins rows with a seeded flaw each, and as many without, and looks for
// the flaws among the places that [stitch.Examine] tells. The default is 50 rows of
// each of 400 × 600 pixels.
func Places(ctx context.Context, c Config) (*PlacesResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(50, 1, 400, 600)
	res := &PlacesResult{Width: c.Width, Height: c.Height}
	for _, f := range placeFlaws {
		res.Flaws = append(res.Flaws, PlacesFlaw{Name: f.name})
	}
	for seed := range uint64(c.Seeds) {
		for _, k := range [2]int{-1, int(seed) % len(placeFlaws)} {
			if err := res.look(ctx, c, seed, k); err != nil {
				return nil, err
			}
		}
		f := &res.Flaws[int(seed)%len(placeFlaws)]
		c.Note(fmt.Sprintf("row %d: %d places without a flaw; %s: %d of %d so far", seed, res.Alarms[seed], f.Name, f.Found, f.Rows))
		c.Progress(float64(seed+1) / float64(c.Seeds))
	}
	return res, nil
}

// look renders, joins and examines a row with flaw k, or a clean one.
func (r *PlacesResult) look(ctx context.Context, c Config, seed uint64, k int) error {
	rng := rand.New(rand.NewPCG(seed, 17))
	row := scene.Row{
		Frames: 4, Width: c.Width, Height: c.Height, Overlap: 0.35, Seed: 900 + seed,
		RollErr: 0.5 * geom.Degree, PitchErr: 0.5 * geom.Degree, YawErr: 0.8 * geom.Degree,
		Radial: [3]float64{-0.02}, ExposureEV: 0.2, VignettingStops: 0.7, Noise: 0.008,
	}
	coast := scene.New(row.Seed, scene.Options{})
	plan := coast.Plan(row)
	at := 1 + rng.IntN(2)
	flaw := placeFlaw{}
	if k >= 0 {
		flaw = placeFlaws[k]
	}
	if flaw.plan != nil {
		flaw.plan(&plan, at)
	}
	pics := make([]*raster.Picture, len(plan.Frames))
	for i := range pics {
		var err error
		if pics[i], err = coast.Frame(ctx, c.Workers, &plan, i); err != nil {
			return err
		}
	}
	if flaw.paint != nil {
		flaw.paint(pics, &plan, at, rng)
	}
	var frames []*stitch.Frame
	for i, pic := range pics {
		frames = append(frames, stitch.NewFrame(plan.Frames[i].File, scene.Encode8(pic)))
	}
	o := stitch.Options{Workers: c.Workers}
	sol, err := stitch.Align(ctx, frames, o)
	if err != nil {
		return err
	}
	if flaw.bend != nil {
		flaw.bend(sol, at)
	}
	pic, err := stitch.Finish(ctx, sol, frames, o)
	if err != nil {
		return err
	}
	defer pic.Close()
	ev, err := stitch.Examine(ctx, sol, frames, pic, o)
	if err != nil {
		return err
	}
	if k < 0 {
		r.Clean++
		r.Alarms = append(r.Alarms, len(ev.Places))
		for _, p := range ev.Places {
			r.False = append(r.False, fmt.Sprintf("seed %d: %s %v %.2f: %s", seed, p.Kind, p.Rect, p.Severity, p.Text))
		}
		return nil
	}
	out := &r.Flaws[k]
	out.Rows++
	where, err := flaw.where(sol, &plan, at, c.Width)
	if err != nil {
		return err
	}
	var said []string
	for _, p := range ev.Places {
		if slices.Contains(flaw.as, p.Kind) && p.Rect.Overlaps(where) && (flaw.mark != nil || strings.Contains(p.Text, plan.Frames[at].File)) {
			out.Found++
			return nil
		}
		said = append(said, fmt.Sprintf("%s %v %.2f", p.Kind, p.Rect, p.Severity))
	}
	out.Missed = append(out.Missed, fmt.Sprintf("seed %d, at %v of %d × %d: %q", seed, where, sol.Output.Width, sol.Output.Height, said))
	return nil
}

// where is the part of the picture that has the flaw.
func (f *placeFlaw) where(sol *stitch.Solution, t *scene.Truth, at, width int) (image.Rectangle, error) {
	if f.mark == nil {
		return image.Rect(0, 0, sol.Output.Width, sol.Output.Height), nil
	}
	view, err := sol.Output.View()
	if err != nil {
		return image.Rectangle{}, err
	}
	// By the frame, as the solution's world is not the true one.
	p, _ := t.Frames[at].Camera.PixelFromWorld(f.mark(t, at))
	cam := sol.Frames[at].Camera()
	ray, _ := cam.WorldFromPixel(p)
	q, _ := view.PixelOf(ray)
	side := width / 20
	return image.Rect(int(q.X)-side, int(q.Y)-side, int(q.X)+side, int(q.Y)+side), nil
}

// Bars returns the figures that must hold.
func (r *PlacesResult) Bars() []Bar {
	rows, missed, alarms, worst := 0, 0, 0, 0
	for _, f := range r.Flaws {
		rows += f.Rows
		missed += f.Rows - f.Found
	}
	for _, n := range r.Alarms {
		alarms += n
		worst = max(worst, n)
	}
	return []Bar{
		{"seeded flaws that are not told", 100 * float64(missed) / float64(max(1, rows)), 5, " %"},
		{"places told of a clean row, mean", float64(alarms) / float64(max(1, r.Clean)), 1, ""},
		{"places told of a clean row, worst", float64(worst), 1, ""},
	}
}

// Report returns the bars, the flaws and what went wrong.
func (r *PlacesResult) Report() Report {
	t := &table{head: []string{"flaw", "rows", "told"}}
	w := &table{head: []string{"what went wrong"}}
	for _, f := range r.Flaws {
		t.add(f.Name, fmt.Sprint(f.Rows), fmt.Sprint(f.Found))
		for _, m := range f.Missed {
			w.add(f.Name + ", " + m)
		}
	}
	for _, m := range r.False {
		w.add("clean, " + m)
	}
	tables := []*table{t}
	if len(w.rows) > 0 {
		tables = append(tables, w)
	}
	return report(fmt.Sprintf("Places: %d clean rows and as many with a flaw, frames of %d × %d pixels", r.Clean, r.Width, r.Height), r.Bars(), tables...)
}
