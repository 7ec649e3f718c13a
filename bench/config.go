package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// Config says how much is measured. The zero value is each measurement's
// default.
type Config struct {
	// Seeds is the number of coasts, with seeds from 0. Zero means as many as
	// the function says; more take more time and tell more of rare cases.
	Seeds int
	// Large renders frames of 4160 × 6240 pixels, as of a camera, instead of
	// the function's small ones: minutes a row.
	Large bool
	// Quick takes a twentieth of the function's default seeds, one at least: enough to
	// see whether something broke.
	Quick bool
	// BarsOnly keeps [Overlap] to a third of overlap and less, and to what has a bar
	// there.
	BarsOnly bool
	// Width and Height of the frames in pixels override Large; zero means not.
	Width, Height int
	// Workers is the number of goroutines; zero means one a processor.
	Workers int
	// Progress, if not nil, is told the share that is done, 0 to 1.
	Progress func(done float64)
	// Note, if not nil, is told what each finished part found, a line each.
	Note func(found string)
}

// Validate reports the first setting that is out of range.
func (c Config) Validate() error {
	switch {
	case c.Seeds < 0 || c.Seeds > 10000:
		return fmt.Errorf("bench: %d seeds: give 1 to 10000", c.Seeds)
	case (c.Width == 0) != (c.Height == 0) || c.Width < 0 || c.Height < 0 || c.Width > 1<<16 || c.Height > 1<<16:
		return fmt.Errorf("bench: frames of %d × %d pixels", c.Width, c.Height)
	}
	return nil
}

// withDefaults fills in what is zero.
func (c Config) withDefaults(seeds, largeSeeds, width, height int) Config {
	if c.Large {
		seeds, width, height = largeSeeds, 4160, 6240
	}
	if c.Seeds == 0 && c.Quick {
		c.Seeds = max(seeds/20, min(1, seeds))
	}
	if c.Seeds == 0 {
		c.Seeds = seeds
	}
	if c.Width == 0 {
		c.Width, c.Height = width, height
	}
	if c.Progress == nil {
		c.Progress = func(float64) {}
	}
	if c.Note == nil {
		c.Note = func(string) {}
	}
	return c
}

// fieldRow is the row of the accuracy bars: five or six portrait frames, held
// level by hand, with automatic exposure and a lens that is not free of
// distortion.
func (c Config) fieldRow(seed uint64) scene.Row {
	return scene.Row{
		Frames: 5 + int(seed%2), Width: c.Width, Height: c.Height,
		RollErr: geom.Degree, PitchErr: geom.Degree, YawErr: geom.Degree,
		Radial: [3]float64{-0.02}, ExposureEV: 0.3, Noise: 0.01, Seed: seed,
	}
}

// photographs are a rendered row: 8-bit frames without metadata, in shuffled
// order, and how they were taken.
type photographs struct {
	coast  *scene.Scene
	plan   scene.Truth
	frames []*stitch.Frame
	of     []int         // frames[k] is plan.Frames[of[k]]
	truth  []geom.Camera // truth[k] took frames[k]
}

// photograph renders a row.
func (c Config) photograph(ctx context.Context, row scene.Row, o scene.Options) (*photographs, error) {
	return c.photographBlurred(ctx, row, o, 0)
}

// photographBlurred renders a row whose frames were each shaken over so many
// pixels, each another way.
func (c Config) photographBlurred(ctx context.Context, row scene.Row, o scene.Options, shakePx float64) (*photographs, error) {
	p := &photographs{coast: scene.New(row.Seed, o)}
	p.plan = p.coast.Plan(row)
	if shakePx > 0 {
		rng := rand.New(rand.NewPCG(row.Seed, 98))
		for i := range p.plan.Frames {
			f := &p.plan.Frames[i]
			sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
			f.Lens.Shake = geom.Vec{X: cos * shakePx / f.Camera.FocalPx, Y: sin * shakePx / f.Camera.FocalPx}
		}
	}
	p.of = rand.New(rand.NewPCG(row.Seed, 99)).Perm(len(p.plan.Frames))
	for _, i := range p.of {
		pic, err := p.coast.Frame(ctx, c.Workers, &p.plan, i)
		if err != nil {
			return nil, err
		}
		p.frames = append(p.frames, stitch.NewFrame(p.plan.Frames[i].File, scene.Encode8(pic)))
		p.truth = append(p.truth, p.plan.Frames[i].Camera)
	}
	return p, nil
}

// join renders a row and aligns it. sol is nil if the frames don't join, which
// is a figure, no error.
func (c Config) join(ctx context.Context, row scene.Row, o scene.Options) (shots *photographs, sol *stitch.Solution, err error) {
	shots, err = c.photograph(ctx, row, o)
	if err != nil {
		return nil, nil, err
	}
	sol, err = c.align(ctx, shots, stitch.Options{Workers: c.Workers})
	return shots, sol, err
}

// align aligns a row; sol is nil if the frames don't join.
func (c Config) align(ctx context.Context, shots *photographs, o stitch.Options) (*stitch.Solution, error) {
	sol, err := stitch.Align(ctx, shots.frames, o)
	if errors.Is(err, stitch.ErrNotJoined) {
		return nil, nil
	}
	return sol, err
}
