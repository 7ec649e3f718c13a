package bench

import (
	"context"
	"fmt"
	"image"
	"math"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

const (
	// parallaxStakes is the number of stakes in the sand.
	parallaxStakes = 20
	// farM stands for infinity, in metres.
	farM = 1e6
	// seamStep is the distance along a seam, in pixels, of the places at which its
	// break is measured.
	seamStep = 4
	// leastLinePx is the length of a line from which its bow is measured.
	leastLinePx = 150
)

// ParallaxResult is what [Parallax] measured.
type ParallaxResult struct {
	Width, Height int
	Cases         []ParallaxCase
}

// ParallaxCase is one camera.
type ParallaxCase struct {
	Name string
	// OffsetMM is how far the pupil lies in front of the axis, NearM how near the
	// ground and the first stakes are.
	OffsetMM, NearM float64
	Rows            []ParallaxRow
	Refused         int
}

// ParallaxRow is what was found of one row.
type ParallaxRow struct {
	Seed uint64
	// Break has, for each seam, the mean displacement across it, in pixels, of
	// what lies on it; Turned the same with the frames turned only. BreakAt and
	// TurnedAt have that of each place on a seam, with the hidden ones left out.
	Break, Turned, BreakAt, TurnedAt []float64
	// SSIM is that of the band along the seams against the frames that own it,
	// TurnedSSIM the same with the frames turned only.
	SSIM, TurnedSSIM float64
	// Bow has how far each post, and the horizon, is from straight, in pixels for
	// 1000 of its length; Lean how far each post is from upright, in degrees.
	Bow, Lean []float64
	// WarpPx is the root mean square of the local warp over the frames.
	WarpPx float64
	// FoundMM is the offset that the solution tells; NaN if it is unknown.
	FoundMM float64
	// Errors of the cameras.
	Errors Errors
}

func parallaxCases() []ParallaxCase {
	return []ParallaxCase{
		{Name: "20 mm", OffsetMM: 20, NearM: 1},
		{Name: "60 mm", OffsetMM: 60, NearM: 1.5},
		{Name: "0 mm", OffsetMM: 0, NearM: 1},
	}
}

// Parallax stitches rows as [Accuracy] does, from a camera whose entrance pupil
// lies in front of the axis, over textured ground and stakes that begin near, and
// measures what shows on the seams. The default is 30 rows of 800 × 1200 pixels a
// case.
func Parallax(ctx context.Context, c Config) (*ParallaxResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(30, 2, 800, 1200)
	res := &ParallaxResult{Width: c.Width, Height: c.Height, Cases: parallaxCases()}
	for k := range res.Cases {
		pc := &res.Cases[k]
		for seed := range uint64(c.Seeds) {
			row, o := c.parallaxRow(pc, seed)
			shots, err := c.photograph(ctx, row, o)
			if err != nil {
				return nil, err
			}
			if err := c.measureParallax(ctx, pc, shots, o.EyeM); err != nil {
				return nil, err
			}
			c.Progress((float64(k) + float64(seed+1)/float64(c.Seeds)) / float64(len(res.Cases)))
		}
		c.Note(pc.note())
	}
	return res, nil
}

// parallaxRow is the row of a case. The eye is so low that the ground at the
// frame's lower edge is as near as the case says.
func (c Config) parallaxRow(pc *ParallaxCase, seed uint64) (scene.Row, scene.Options) {
	row := c.fieldRow(seed)
	row.PupilOffset = geom.Vec{Z: pc.OffsetMM / 1000}
	row.FocalPx = float64(c.Width) * 23 / 15.6 // the row's default
	down := math.Atan2(float64(c.Height)/2, row.FocalPx)
	return row, scene.Options{EyeM: pc.NearM * math.Sin(down), Stakes: parallaxStakes, NearM: pc.NearM}
}

// measureParallax stitches one row.
func (c Config) measureParallax(ctx context.Context, pc *ParallaxCase, shots *photographs, eyeM float64) error {
	sol, err := c.align(ctx, shots, stitch.Options{Workers: c.Workers, EyeM: eyeM})
	if err != nil {
		return err
	}
	if sol == nil {
		pc.Refused++
		return nil
	}
	r := ParallaxRow{Seed: shots.plan.Seed, FoundMM: math.NaN(), Errors: Compare(sol, shots.truth)}
	if sol.Pupil.Known {
		r.FoundMM = sol.Pupil.ForwardMM
	}
	r.WarpPx = warpRMS(sol)
	turned := *sol
	turned.Frames = append([]stitch.FrameSolution{}, sol.Frames...)
	for i := range turned.Frames {
		turned.Frames[i].Local = nil
	}
	bent, err := c.lookAtSeams(ctx, shots, sol)
	if err != nil {
		return err
	}
	only, err := c.lookAtSeams(ctx, shots, &turned)
	if err != nil {
		return err
	}
	r.Break, r.BreakAt, r.SSIM, r.Bow, r.Lean = bent.perSeam, bent.at, bent.ssim, bent.bow, bent.lean
	r.Turned, r.TurnedAt, r.TurnedSSIM = only.perSeam, only.at, only.ssim
	pc.Rows = append(pc.Rows, r)
	return nil
}

func warpRMS(sol *stitch.Solution) float64 {
	var sq, n float64
	for i := range sol.Frames {
		f := &sol.Frames[i]
		for y := 8; y < f.Height; y += 16 {
			for x := 8; x < f.Width; x += 16 {
				n++
				if f.Local != nil {
					d := f.Local.At(geom.Pt{X: float64(x), Y: float64(y)}, f.Width, f.Height)
					sq += d.X*d.X + d.Y*d.Y
				}
			}
		}
	}
	return math.Sqrt(sq / n)
}

// seen is what a rendered solution shows: the fields of [ParallaxRow].
type seen struct {
	perSeam, at, bow, lean []float64
	ssim                   float64
}

// lookAtSeams renders a solution and measures it.
func (c Config) lookAtSeams(ctx context.Context, shots *photographs, sol *stitch.Solution) (s seen, err error) {
	var labels *blend.Labels
	pic, err := stitch.Render(ctx, sol, shots.frames, stitch.Options{Workers: c.Workers, Seams: func(l *blend.Labels) { labels = l }})
	if err != nil {
		return s, err
	}
	patches, err := unblended(ctx, c.Workers, sol, shots.frames, labels)
	if err != nil {
		return s, err
	}
	near := nearSeams(labels, pic.Rect, seamReach)
	s.ssim = measure.SSIM(luma(pic), luma(patches), func(x, y int) bool {
		i := y*pic.Rect.Dx() + x
		return near.in[i] && patches.Alpha[i] != 0
	})
	p, err := newPlaces(shots, sol)
	if err != nil {
		return s, err
	}
	s.perSeam, s.at = p.breaks(labels, pic.Rect)
	s.bow, s.lean = p.bows(labels, pic.Rect)
	return s, nil
}

// places knows where things are in the picture of a solution.
type places struct {
	shots *photographs
	sol   *stitch.Solution
	ray   func(x, y float64) (geom.Vec, bool)
}

func newPlaces(shots *photographs, sol *stitch.Solution) (*places, error) {
	view, err := sol.Output.View()
	if err != nil {
		return nil, err
	}
	return &places{shots, sol, view.RayAt}, nil
}

// inFrame returns the point of frame k that the picture shows at q.
func (p *places) inFrame(k int, q geom.Pt) (geom.Pt, bool) {
	f := &p.sol.Frames[k]
	cam := f.Camera()
	ray, ok := p.ray(q.X, q.Y)
	if !ok {
		return geom.Pt{}, false
	}
	at, ok := cam.PixelFromWorld(ray)
	if ok && f.Local != nil {
		d := f.Local.At(at, f.Width, f.Height)
		at.X, at.Y = at.X+d.X, at.Y+d.Y
	}
	return at, ok
}

// shown returns where the picture shows the point of frame k, near q.
func (p *places) shown(k int, inFrame, q geom.Pt) (geom.Pt, bool) {
	const h = 0.5
	for range 12 {
		at, ok := p.inFrame(k, q)
		r, ok1 := p.inFrame(k, geom.Pt{X: q.X + h, Y: q.Y})
		d, ok2 := p.inFrame(k, geom.Pt{X: q.X, Y: q.Y + h})
		if !ok || !ok1 || !ok2 {
			return q, false
		}
		e := inFrame.Sub(at)
		xx, yx, xy, yy := (r.X-at.X)/h, (r.Y-at.Y)/h, (d.X-at.X)/h, (d.Y-at.Y)/h
		det := xx*yy - xy*yx
		step := geom.Pt{X: (yy*e.X - xy*e.Y) / det, Y: (xx*e.Y - yx*e.X) / det}
		q.X, q.Y = q.X+step.X, q.Y+step.Y
		if step.Norm() < 1e-4 {
			return q, true
		}
	}
	return q, false
}

// seenAt returns what the photograph k shows at a point, and whether the
// photograph l shows it too and where.
func (p *places) seenAt(k, l int, inK geom.Pt) (inL geom.Pt, ok bool) {
	fk, fl := &p.shots.plan.Frames[p.shots.of[k]], &p.shots.plan.Frames[p.shots.of[l]]
	dir, ok := fk.Camera.WorldFromPixel(inK)
	if !ok {
		return inL, false
	}
	foot := 1 / fk.Camera.FocalPx
	d := math.Min(p.shots.coast.Distance(fk.Origin, dir, foot), farM)
	way := geom.Vec{X: fk.Origin.X + d*dir.X - fl.Origin.X, Y: fk.Origin.Y + d*dir.Y - fl.Origin.Y, Z: fk.Origin.Z + d*dir.Z - fl.Origin.Z}
	inL, ok = fl.Camera.PixelFromWorld(way)
	if !ok || !fl.Camera.Contains(inL, 1) {
		return inL, false
	}
	length := math.Sqrt(way.X*way.X + way.Y*way.Y + way.Z*way.Z)
	there := math.Min(p.shots.coast.Distance(fl.Origin, way, foot), farM)
	return inL, math.Abs(there-length) < 0.03*length // else hidden
}

// breaks returns the displacement across the seams: of each seam the mean, and of
// each place on any.
func (p *places) breaks(labels *blend.Labels, r image.Rectangle) (perSeam, at []float64) {
	type sum struct{ d, n float64 }
	seams := map[[2]int]*sum{}
	var order [][2]int
	any := func(int) bool { return true }
	for y := 0; y < r.Dy()-1; y += seamStep {
		before := labels.Pixel(0, y, any)
		for x := 1; x < r.Dx(); x++ {
			label := labels.Pixel(x, y, any)
			if isSeam(before, label) {
				q := geom.Pt{X: float64(x), Y: float64(y) + 0.5}
				if d, ok := p.breakAt(before, label, q); ok {
					key := [2]int{min(before, label), max(before, label)}
					if seams[key] == nil {
						seams[key] = &sum{}
						order = append(order, key)
					}
					seams[key].d += d
					seams[key].n++
					at = append(at, d)
				}
			}
			before = label
		}
	}
	for _, k := range order {
		perSeam = append(perSeam, seams[k].d/seams[k].n)
	}
	return perSeam, at
}

// breakAt returns how far apart two frames show what one of them has at q.
func (p *places) breakAt(k, l int, q geom.Pt) (float64, bool) {
	inK, ok := p.inFrame(k, q)
	if !ok {
		return 0, false
	}
	inL, ok := p.seenAt(k, l, inK)
	if !ok {
		return 0, false
	}
	other, ok := p.shown(l, inL, q)
	return other.Sub(q).Norm(), ok
}

// bows returns how far the posts and the horizon are from straight, and the posts
// from upright.
func (p *places) bows(labels *blend.Labels, r image.Rectangle) (bow, lean []float64) {
	any := func(int) bool { return true }
	line := func(k int, points []geom.Vec, upright bool) {
		f := &p.shots.plan.Frames[p.shots.of[k]]
		var u, v []float64
		for _, w := range points {
			ray := geom.Vec{X: w.X - f.Origin.X, Y: w.Y - f.Origin.Y, Z: w.Z - f.Origin.Z}
			at, ok := f.Camera.PixelFromWorld(ray)
			if !ok || !f.Camera.Contains(at, 1) {
				continue
			}
			cam := p.sol.Frames[k].Camera()
			world, _ := cam.WorldFromPixel(at)
			q, ok := p.pixelOf(world)
			if !ok {
				continue
			}
			if q, ok = p.shown(k, at, q); !ok || !image.Pt(int(q.X), int(q.Y)).In(r) || labels.Pixel(int(q.X), int(q.Y), any) != k {
				continue
			}
			if upright {
				q.X, q.Y = q.Y, q.X
			}
			u, v = append(u, q.X), append(v, q.Y)
		}
		b, slope, ok := bowOf(u, v)
		if !ok {
			return
		}
		bow = append(bow, b)
		if upright {
			lean = append(lean, math.Abs(math.Atan(slope))*180/math.Pi)
		}
	}
	var horizon []geom.Vec
	for az := -math.Pi; az < math.Pi; az += horizonStep {
		horizon = append(horizon, geom.Vec{X: farM * math.Sin(az), Z: farM * math.Cos(az)})
	}
	for k := range p.sol.Frames {
		line(k, horizon, false)
		for _, post := range p.shots.coast.Posts() {
			top := post.Top()
			points := make([]geom.Vec, 60)
			for i := range points {
				points[i] = top
				points[i].Y += post.Height * float64(i) / float64(len(points)-1)
			}
			line(k, points, true)
		}
	}
	return bow, lean
}

// pixelOf returns where the picture would show a ray with nothing bent.
func (p *places) pixelOf(world geom.Vec) (geom.Pt, bool) {
	view, err := p.sol.Output.View()
	if err != nil {
		return geom.Pt{}, false
	}
	return view.PixelOf(world)
}

// bowOf returns the largest distance of points from the straight line through
// them, for 1000 pixels of its length along u, and its slope; ok is false if it is
// too short.
func bowOf(u, v []float64) (bow, slope float64, ok bool) {
	n := float64(len(u))
	if n < 8 {
		return 0, 0, false
	}
	var su, sv, suu, suv float64
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, x := range u {
		su, sv, suu, suv = su+x, sv+v[i], suu+x*x, suv+x*v[i]
		lo, hi = min(lo, x), max(hi, x)
	}
	if hi-lo < leastLinePx {
		return 0, 0, false
	}
	slope = (n*suv - su*sv) / (n*suu - su*su)
	for i, x := range u {
		bow = max(bow, math.Abs(v[i]-sv/n-slope*(x-su/n)))
	}
	return bow * 1000 / (hi - lo), slope, true
}

// gather joins a figure of all rows.
func (pc *ParallaxCase) gather(of func(*ParallaxRow) []float64) (all []float64) {
	for i := range pc.Rows {
		all = append(all, of(&pc.Rows[i])...)
	}
	return all
}

// offBy returns how far the offsets found are off, in millimetres, and the number
// of rows of which it is unknown.
func (pc *ParallaxCase) offBy() (off []float64, unknown int) {
	for i := range pc.Rows {
		if d := math.Abs(pc.Rows[i].FoundMM - pc.OffsetMM); math.IsNaN(d) {
			unknown++
		} else {
			off = append(off, d)
		}
	}
	return off, unknown
}

func (pc *ParallaxCase) breaks() []float64 {
	return pc.gather(func(r *ParallaxRow) []float64 { return r.Break })
}

func (pc *ParallaxCase) turned() []float64 {
	return pc.gather(func(r *ParallaxRow) []float64 { return r.Turned })
}

func (pc *ParallaxCase) bow() []float64 {
	return pc.gather(func(r *ParallaxRow) []float64 { return r.Bow })
}

func (pc *ParallaxCase) ssim() (worst float64) {
	worst = math.NaN()
	for i := range pc.Rows {
		if s := pc.Rows[i].SSIM; !(worst <= s) {
			worst = s
		}
	}
	return worst
}

func (pc *ParallaxCase) note() string {
	return fmt.Sprintf("%s: break %s px at 95 %% of the seams, %s turned only", pc.Name, figure(quantile(pc.breaks(), 0.95)), figure(quantile(pc.turned(), 0.95)))
}

// Bars returns the figures that must hold.
func (r *ParallaxResult) Bars() []Bar {
	var bars []Bar
	for i, limit := range []float64{1.5, 3} {
		pc := &r.Cases[i]
		off, unknown := pc.offBy()
		bars = append(bars,
			Bar{pc.Name + ": rows not joined", float64(pc.Refused), 0, ""},
			Bar{pc.Name + ": mean break of a seam, 95 % of them within", quantile(pc.breaks(), 0.95), limit, " px"},
			Bar{pc.Name + ": 1 − SSIM along the seams, worst row", 1 - pc.ssim(), 0.07, ""},
			Bar{pc.Name + ": bow of posts and horizon over 1000 px, worst", quantile(pc.bow(), 1), 1.5, " px"},
			Bar{pc.Name + ": offset, worst row, off by", quantile(off, 1), max(3, 0.1*pc.OffsetMM), " mm"},
			Bar{pc.Name + ": offset unknown", float64(unknown), 0, ""},
		)
	}
	still := &r.Cases[2]
	var most float64
	for i := range still.Rows {
		most = max(most, still.Rows[i].WarpPx)
	}
	off, _ := still.offBy()
	return append(bars,
		Bar{still.Name + ": warp, RMS, worst row", most, 0.1, " px"},
		Bar{still.Name + ": offset, worst row, off by", quantile(off, 1), 3, " mm"})
}

// Report returns the bars and the cases.
func (r *ParallaxResult) Report() Report {
	t := &table{head: []string{"pupil before the axis", "rows", "break of a seam, 95 %", "turned only", "of a place, 95 %", "turned only", "SSIM, worst", "turned only, mean", "bow, 95 %", "worst", "lean °, 95 %", "worst", "offset found, mm", "focal %, worst", "rotation °, worst"}}
	for i := range r.Cases {
		pc := &r.Cases[i]
		var ssim, found, focal, rot []float64
		for k := range pc.Rows {
			row := &pc.Rows[k]
			ssim, found = append(ssim, row.TurnedSSIM), append(found, row.FoundMM)
			focal, rot = append(focal, 100*math.Abs(row.Errors.Focal)), append(rot, row.Errors.Worst().Degrees())
		}
		lean := pc.gather(func(r *ParallaxRow) []float64 { return r.Lean })
		at := pc.gather(func(r *ParallaxRow) []float64 { return r.BreakAt })
		turnedAt := pc.gather(func(r *ParallaxRow) []float64 { return r.TurnedAt })
		t.add(pc.Name, fmt.Sprint(len(pc.Rows)), figure(quantile(pc.breaks(), 0.95)), figure(quantile(pc.turned(), 0.95)),
			figure(quantile(at, 0.95)), figure(quantile(turnedAt, 0.95)), figure(pc.ssim()), figure(median(ssim)),
			figure(quantile(pc.bow(), 0.95)), figure(quantile(pc.bow(), 1)), figure(quantile(lean, 0.95)), figure(quantile(lean, 1)), fmt.Sprintf("%.1f to %.1f", quantile(found, 0), quantile(found, 1)),
			figure(quantile(focal, 1)), figure(quantile(rot, 1)))
	}
	return report(fmt.Sprintf("Parallax: rows of %d × %d pixels", r.Width, r.Height), r.Bars(), t)
}
