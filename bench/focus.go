package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"flatfell.example/focus"
	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

const (
	// edgeStep is the difference of inverse distance, 1 between the nearest
	// thing and the horizon, that makes an edge in depth.
	edgeStep = 0.15
	// edgeReach is how far the band about such an edge goes to either side, in pixels.
	edgeReach = 16
	// noiseBlock is the side of the blocks in which noise is compared, and
	// leastBlocks the number along the borders of two slices from which it is.
	noiseBlock, leastBlocks = 12, 12
)

// FocusScene is what was found of one rendered bracket.
type FocusScene struct {
	Seed    uint64
	Refused bool
	// Merged is by package focus; Plain by the larger coefficient of Laplacian
	// pyramids and Guided by guided-filter weights, of the same aligned slices;
	// Best takes for each pixel the slice that comes nearest to the truth, which
	// no merger can know.
	Merged, Plain, Guided, Best FocusQuality
	// AlignPx are the distances, in pixels, of points of the slices from where
	// they are in truth.
	AlignPx []float64
	// Noise is, for each two slices that meet in the picture, the standard
	// deviation of the noise beside their border in the nearer one over that in the
	// farther.
	Noise []float64
	// Seconds is the time to align and merge, for each megapixel of a slice.
	Seconds float64
}

// FocusQuality compares a merger with the truth: PSNR in dB, SSIM of the luma,
// and PSNR within 16 pixels of edges in depth.
type FocusQuality struct{ PSNR, SSIM, Edges float64 }

// FocusResult is what [Focus] measured.
type FocusResult struct {
	Width, Height, Slices int
	Scenes                []FocusScene
}

// focusBracket is the bracket of a seed: eight slices with as much breathing,
// wander and noise as a careful photographer has; every second one with
// exposures that vary.
func (c Config) focusBracket(seed uint64) scene.Bracket {
	b := scene.Bracket{
		Seed: seed, Width: c.Width, Height: c.Height, Slices: 8, BlurPx: 7 * float64(c.Width) / 600,
		Breathing: 0.03, ShiftPx: 1.5, Roll: 0.001, Noise: 0.005,
	}
	if seed%2 == 1 {
		b.EV = 0.1
	}
	return b
}

// Focus merges rendered focus brackets and compares them with the same view all
// in focus, and with two published mergers. The default is 20 brackets of 8
// slices of 600 × 900 pixels.
func Focus(ctx context.Context, c Config) (*FocusResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(20, 1, 600, 900)
	res := &FocusResult{Width: c.Width, Height: c.Height}
	for seed := range uint64(c.Seeds) {
		shots, err := c.shootBracket(ctx, c.focusBracket(seed))
		if err != nil {
			return nil, err
		}
		s, err := c.focusScene(ctx, shots)
		if err != nil {
			return nil, err
		}
		res.Slices = len(shots.clean)
		res.Scenes = append(res.Scenes, *s)
		c.Note(fmt.Sprintf("bracket %d: %.2f dB (plain %.2f, guided %.2f), SSIM %.4f, at edges in depth %.2f dB, alignment %.3f px",
			seed, s.Merged.PSNR, s.Plain.PSNR, s.Guided.PSNR, s.Merged.SSIM, s.Merged.Edges, median(s.AlignPx)))
		c.Progress(float64(seed+1) / float64(c.Seeds))
	}
	return res, nil
}

// bracketShots is a rendered bracket.
type bracketShots struct {
	plan  scene.Bracket
	clean []*raster.Picture // the slices without noise
	truth *raster.Picture
	near  *raster.Plane // what Bracket.Nearness returns
}

func (c Config) shootBracket(ctx context.Context, b scene.Bracket) (*bracketShots, error) {
	s := &bracketShots{plan: b}
	quiet := b
	quiet.Noise = 0
	for k := range b.Slices {
		pic, err := quiet.Slice(ctx, c.Workers, k)
		if err != nil {
			return nil, err
		}
		s.clean = append(s.clean, pic)
	}
	var err error
	if s.truth, err = b.Sharp(ctx, c.Workers, b.Slices-1); err != nil {
		return nil, err
	}
	s.near, err = b.Nearness(ctx, c.Workers)
	return s, err
}

// focusScene merges a bracket, given out of order.
func (c Config) focusScene(ctx context.Context, shots *bracketShots) (*FocusScene, error) {
	n := len(shots.clean)
	given, quiet := make([]*focus.Slice, n), make([]*focus.Slice, n)
	for i := range n {
		k := i * 3 % n // no order
		if n%3 == 0 {
			k = n - 1 - i
		}
		pic := cut(shots.clean[k], shots.clean[k].Rect)
		shots.plan.AddNoise(pic, k)
		given[i], quiet[i] = focus.NewSlice(fmt.Sprint(k), pic), focus.NewSlice(fmt.Sprint(k), shots.clean[k])
	}
	res := &FocusScene{Seed: shots.plan.Seed}
	o := focus.Options{Workers: c.Workers}
	began := time.Now()
	p, err := focus.Align(ctx, given, o)
	if errors.Is(err, focus.ErrNotOneView) {
		res.Refused = true
		return res, nil
	}
	if err != nil {
		return nil, err
	}
	res.AlignPx = alignPx(p, given, shots)
	pic, err := focus.Merge(ctx, p, given, o)
	if err != nil {
		return nil, err
	}
	res.Seconds = time.Since(began).Seconds() / (float64(n*p.Width*p.Height) / 1e6)
	truth := cut(shots.truth, p.Crop)
	edges := shots.depthEdges(p)
	res.Merged = qualityOf(pic, truth, edges)

	aligned := make([]*raster.Picture, n)
	for k := range aligned {
		if aligned[k], err = alignedSlice(ctx, p, given, k, o); err != nil {
			return nil, err
		}
	}
	res.Plain = qualityOf(plainLaplacian(aligned), truth, edges)
	res.Guided = qualityOf(guidedWeights(aligned), truth, edges)
	res.Best = qualityOf(nearestToTruth(aligned, truth), truth, edges)

	still, err := focus.Merge(ctx, p, quiet, o)
	if err != nil {
		return nil, err
	}
	res.Noise = borderNoise(p, pic, still)
	return res, nil
}

// alignedSlice is one slice of a plan as it lies in the picture.
func alignedSlice(ctx context.Context, p *focus.Plan, given []*focus.Slice, k int, o focus.Options) (*raster.Picture, error) {
	q, labels := *p, *p.Labels
	labels.L = slices.Repeat([]int16{int16(k)}, len(labels.L))
	q.Labels = &labels
	q.Frames = slices.Clone(p.Frames)
	for j := range q.Frames {
		q.Frames[j].Share = 0
	}
	q.Frames[k].Share = 1
	return focus.Merge(ctx, &q, given, o)
}

// alignPx compares the poses with the truth at points of the reference.
func alignPx(p *focus.Plan, given []*focus.Slice, shots *bracketShots) (off []float64) {
	truth := shots.plan.Shots()
	ref := &truth[len(truth)-1].Camera
	at := p.Frames[len(p.Frames)-1].Index
	for k := range p.Frames[:len(p.Frames)-1] {
		f := &p.Frames[k]
		var number int
		fmt.Sscan(given[f.Index].Name, &number)
		cam, want := f.Pose.Camera(p.Width, p.Height), truth[number].Camera
		for y := p.Crop.Min.Y; y < p.Crop.Max.Y; y += p.Height / 16 {
			for x := p.Crop.Min.X; x < p.Crop.Max.X; x += p.Width / 16 {
				ray, _ := ref.WorldFromPixel(geom.Pt{X: float64(x), Y: float64(y)})
				got, _ := cam.PixelFromWorld(ray)
				exp, _ := want.PixelFromWorld(ray)
				off = append(off, math.Hypot(got.X-exp.X, got.Y-exp.Y))
			}
		}
	}
	if given[at].Name != fmt.Sprint(len(truth)-1) {
		return []float64{math.Inf(1)} // another reference: the order is wrong
	}
	return off
}

// depthEdges tells for each pixel of the picture whether it lies near an edge in
// depth.
func (s *bracketShots) depthEdges(p *focus.Plan) []bool {
	w, h := p.Crop.Dx(), p.Crop.Dy()
	out := make([]bool, w*h)
	for y := p.Crop.Min.Y; y < p.Crop.Max.Y-1; y++ {
		for x := p.Crop.Min.X; x < p.Crop.Max.X-1; x++ {
			v := s.near.At(x, y)
			if math.Abs(float64(v-s.near.At(x+1, y))) < edgeStep && math.Abs(float64(v-s.near.At(x, y+1))) < edgeStep {
				continue
			}
			cx, cy := x-p.Crop.Min.X, y-p.Crop.Min.Y
			for v := max(0, cy-edgeReach); v < min(h, cy+edgeReach); v++ {
				for u := max(0, cx-edgeReach); u < min(w, cx+edgeReach); u++ {
					out[v*w+u] = true
				}
			}
		}
	}
	return out
}

func qualityOf(pic, truth *raster.Picture, edges []bool) FocusQuality {
	return FocusQuality{
		PSNR: measure.PSNR(pic, truth, nil), SSIM: measure.SSIM(luma(pic), luma(truth), nil),
		Edges: measure.PSNR(pic, truth, func(i int) bool { return edges[i] }),
	}
}

// nearestToTruth takes for each pixel the slice that comes nearest to the truth
// over 5 × 5 pixels.
func nearestToTruth(aligned []*raster.Picture, truth *raster.Picture) *raster.Picture {
	out := raster.NewPicture(truth.Rect)
	least := raster.NewPlane(truth.Rect)
	for k, s := range aligned {
		d := raster.NewPlane(truth.Rect)
		for i := range d.Pix {
			for c := range 3 {
				e := (float32(s.Pix[3*i+c]) - float32(truth.Pix[3*i+c])) / 0xffff
				d.Pix[i] += e * e
			}
		}
		d = boxMean(d, 2)
		for i, v := range d.Pix {
			if k == 0 || v < least.Pix[i] {
				least.Pix[i] = v
				copy(out.Pix[3*i:][:3], s.Pix[3*i:][:3])
			}
		}
	}
	return out
}

// borderNoise compares the noise, which is what a merger has over that of the
// slices without noise, in blocks of which one lies in one slice and its neighbour
// in another.
func borderNoise(p *focus.Plan, pic, still *raster.Picture) []float64 {
	n := len(p.Frames)
	type pair struct {
		near, far float64
		blocks    int
	}
	pairs := make([]pair, n*n)
	bw, bh := pic.Rect.Dx()/noiseBlock, pic.Rect.Dy()/noiseBlock
	label, power := make([]int, bw*bh), make([]float64, bw*bh)
	for i := range label {
		x0, y0 := i%bw*noiseBlock, i/bw*noiseBlock
		count := make([]int, n)
		for y := y0; y < y0+noiseBlock; y++ {
			for x := x0; x < x0+noiseBlock; x++ {
				if l := p.Labels.Pixel(x, y, func(int) bool { return true }); l >= 0 {
					count[l]++
				}
				for c := range 3 {
					at := 3*(y*pic.Rect.Dx()+x) + c
					d := float64(pic.Pix[at]) - float64(still.Pix[at])
					power[i] += d * d
				}
			}
		}
		label[i] = -1
		for l, m := range count {
			if m*10 >= noiseBlock*noiseBlock*9 {
				label[i] = l
			}
		}
	}
	meet := func(i, j int) {
		a, b := label[i], label[j]
		if a < 0 || b < 0 || a == b {
			return
		}
		if a > b {
			a, b, i, j = b, a, j, i
		}
		q := &pairs[a*n+b]
		q.near += power[i]
		q.far += power[j]
		q.blocks++
	}
	for y := range bh {
		for x := range bw {
			// The block between two has the border.
			if x+2 < bw {
				meet(y*bw+x, y*bw+x+2)
			}
			if y+2 < bh {
				meet(y*bw+x, (y+2)*bw+x)
			}
		}
	}
	var out []float64
	for _, q := range pairs {
		if q.blocks >= leastBlocks {
			out = append(out, math.Sqrt(q.near/q.far))
		}
	}
	return out
}

func (r *FocusResult) figures(f func(*FocusScene) float64) (v []float64) {
	for i := range r.Scenes {
		if !r.Scenes[i].Refused {
			v = append(v, f(&r.Scenes[i]))
		}
	}
	return v
}

// Bars returns the figures that must hold.
func (r *FocusResult) Bars() []Bar {
	refused := len(r.Scenes) - len(r.figures(func(*FocusScene) float64 { return 0 }))
	var offs, noise []float64
	for i := range r.Scenes {
		offs = append(offs, r.Scenes[i].AlignPx...)
		noise = append(noise, r.Scenes[i].Noise...)
	}
	worst := func(f func(*FocusScene) float64) float64 { return quantile(r.figures(f), 1) }
	return []Bar{
		{"brackets refused", float64(refused), 0, ""},
		// A bar is an upper limit.
		{"mean square error, worst bracket", worst(func(s *FocusScene) float64 { return -s.Merged.PSNR }), -36, " dB"},
		{"1 − SSIM, worst bracket", worst(func(s *FocusScene) float64 { return 1 - s.Merged.SSIM }), 0.03, ""},
		{"mean square error over plain selection's, worst bracket", worst(func(s *FocusScene) float64 { return s.Plain.PSNR - s.Merged.PSNR }), -2, " dB"},
		{"mean square error near edges in depth, worst bracket", worst(func(s *FocusScene) float64 { return -s.Merged.Edges }), -30, " dB"},
		{"alignment, median", median(offs), 0.1, " px"},
		{"noise beside a border, nearer over farther, 95 %", quantile(noise, 0.95), 1.1, ""},
		{"noise beside a border, farther over nearer, 95 %", 1 / quantile(noise, 0.05), 1.1, ""},
	}
}

// Report is the bars and the brackets.
func (r *FocusResult) Report() Report {
	t := &table{head: []string{"bracket", "PSNR dB", "plain", "guided", "best", "SSIM", "plain", "guided", "at edges dB", "plain", "guided", "best", "alignment px: median", "worst", "noise: least", "most", "s a MP"}}
	for i := range r.Scenes {
		s := &r.Scenes[i]
		if s.Refused {
			t.add(fmt.Sprint(s.Seed), "refused")
			continue
		}
		db := func(v float64) string { return fmt.Sprintf("%.2f", v) }
		four := func(v float64) string { return fmt.Sprintf("%.4f", v) }
		t.add(fmt.Sprint(s.Seed), db(s.Merged.PSNR), db(s.Plain.PSNR), db(s.Guided.PSNR), db(s.Best.PSNR),
			four(s.Merged.SSIM), four(s.Plain.SSIM), four(s.Guided.SSIM),
			db(s.Merged.Edges), db(s.Plain.Edges), db(s.Guided.Edges), db(s.Best.Edges),
			figure(median(s.AlignPx)), figure(quantile(s.AlignPx, 1)), figure(quantile(s.Noise, 0)), figure(quantile(s.Noise, 1)), fmt.Sprintf("%.2f", s.Seconds))
	}
	return report(fmt.Sprintf("Focus: %d brackets of %d slices of %d × %d pixels", len(r.Scenes), r.Slices, r.Width, r.Height), r.Bars(), t)
}
