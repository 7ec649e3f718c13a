package stitch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"time"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// CheckOptions are the settings of [Check]. The zero value is the default.
type CheckOptions struct {
	// FocalPx, Undistorted, Workers, Seed and Progress are those of [Options].
	FocalPx     float64
	Undistorted bool
	Workers     int
	Seed        uint64
	Progress    func(stage string, done float64)
	// MaxPixels is the size to which frames are reduced, by a whole factor. Zero
	// means the size at which Align looks for corners, 1.7 megapixels, so that
	// corners and matches are those of a full run. Sharpness is always measured
	// at full size.
	MaxPixels int
	// Overlap is the share of the frame's width that two frames were to have in
	// common, such as 0.33; zero means that there was no plan, and a third is
	// taken for what to turn by.
	Overlap float64
	// Frames is the planned number of frames; zero means that there was no plan.
	Frames int
}

// Validate reports the first setting that is out of range.
func (o CheckOptions) Validate() error {
	switch {
	case o.MaxPixels < 0:
		return errors.New("stitch: MaxPixels is negative")
	case !(o.Overlap >= 0 && o.Overlap < 0.95):
		return errors.New("stitch: the planned overlap must lie between 0 and 0.95")
	case o.FocalPx < 0:
		return errors.New("stitch: the focal length is negative")
	case o.Frames < 0:
		return errors.New("stitch: the planned number of frames is negative")
	}
	return nil
}

// CheckVerdict is what to do about a row.
type CheckVerdict string

// The verdicts.
const (
	Fine         CheckVerdict = "fine"
	Reshoot      CheckVerdict = "reshoot advised"
	WillNotJoin  CheckVerdict = "will not join"
	usualOverlap              = 1.0 / 3
)

// FindingKind is what is amiss.
type FindingKind string

// The kinds of findings.
const (
	FoundGap      FindingKind = "gap"
	FoundThin     FindingKind = "thin overlap"
	FoundWeak     FindingKind = "weak join"
	FoundFocus    FindingKind = "focus"
	FoundBlur     FindingKind = "shake"
	FoundExposure FindingKind = "exposure"
	FoundColour   FindingKind = "white balance"
	FoundRoll     FindingKind = "roll"
	FoundDrift    FindingKind = "level"
	FoundMoved    FindingKind = "camera moved"
	FoundParallax FindingKind = "parallax"
	FoundMotion   FindingKind = "motion"
	FoundOrder    FindingKind = "order"
	FoundMissing  FindingKind = "frame missing"
	FoundPlan     FindingKind = "not as planned"
)

// CheckReport is what [Check] found.
type CheckReport struct {
	Verdict CheckVerdict `json:"verdict"`
	// Frames and Pairs go from left to right; each pair is of two frames that
	// follow each other there. Parts that don't join follow each other in the
	// order in which they were taken.
	Frames []CheckFrame `json:"frames"`
	// FieldDeg is how much a frame sees, across and up and down.
	FieldDeg [2]float64  `json:"field_deg"`
	Pairs    []CheckPair `json:"pairs"`
	Findings []Finding   `json:"findings"`
	// Output is the picture that the row will make; nil if it does not join.
	Output  *CheckOutput `json:"output,omitempty"`
	Seconds float64      `json:"seconds"`
}

// CheckFrame is one frame.
type CheckFrame struct {
	File string `json:"file"`
	// Part counts the groups of frames that join, from 0; a frame of a row that
	// joins has part 0.
	Part int `json:"part"`
	// YawDeg is from the part's middle, to the right; PitchDeg above the horizon;
	// RollDeg clockwise. Level is as good as a part's own shape and horizon tell.
	YawDeg   float64 `json:"yaw_deg"`
	PitchDeg float64 `json:"pitch_deg"`
	RollDeg  float64 `json:"roll_deg"`
	// SharpnessStops is log2 of the fine detail's energy over that of the row's
	// sharper half where the frames show the same; below zero is softer.
	SharpnessStops float64 `json:"sharpness_stops"`
}

// CheckPair is two neighbours.
type CheckPair struct {
	A       int     `json:"a"` // indices of Frames
	B       int     `json:"b"`
	Verdict Verdict `json:"verdict"`
	// Overlap is the share of the frame's area that both see, Planned that of
	// the plan, if there was one, for a turn without errors.
	Overlap float64 `json:"overlap"`
	Planned float64 `json:"overlap_planned,omitempty"`
	TurnDeg float64 `json:"turn_deg"`
	Matches int     `json:"matches"`
	Inliers int     `json:"inliers"`
	RMSPx   float64 `json:"rms_px"` // full-size pixels
	// ExposureStops is how much brighter B is than A; RedStops and BlueStops how
	// much more red and blue it is in proportion to green.
	ExposureStops float64 `json:"exposure_stops"`
	RedStops      float64 `json:"red_stops"`
	BlueStops     float64 `json:"blue_stops"`
	// SharpnessStops is log2 of B's fine detail over A's where both show the
	// same; NearStops and FarStops the same in the lower and the upper third of
	// what they share.
	SharpnessStops float64 `json:"sharpness_stops"`
	NearStops      float64 `json:"near_sharpness_stops"`
	FarStops       float64 `json:"far_sharpness_stops"`
	// ParallaxPx is by how much the part of the overlap that fits a turn of the
	// camera worst is shifted, in full-size pixels. In a row in which that is
	// noticed Shift says what it is, as in a [ShiftSolution] of the same frames.
	ParallaxPx float64   `json:"parallax_px"`
	Shift      ShiftKind `json:"shift,omitempty"`
	// Moved is the share of the compared places that show something else.
	Moved float64 `json:"moved"`
}

// CheckOutput is the picture that a row will make, cropped inside.
type CheckOutput struct {
	Width  int `json:"width"`
	Height int `json:"height"`
	// WidthCM and HeightCM are its size in print at 300 pixels an inch.
	WidthCM  float64 `json:"print_width_cm"`
	HeightCM float64 `json:"print_height_cm"`
	// LossPercent is what roll, pitch and drift take of the picture that the
	// same directions would give with a level camera.
	LossPercent float64 `json:"lost_percent"`
}

// Finding is something amiss, or worth knowing.
type Finding struct {
	Kind FindingKind `json:"kind"`
	// Frames are those concerned, as indices of Frames.
	Frames []int `json:"frames"`
	// Reshoot says that it is worth to take these frames again.
	Reshoot bool `json:"reshoot"`
	// Text says what was found and what to do, a sentence or two.
	Text string `json:"text"`
}

// WriteTo writes the report as indented JSON.
func (r *CheckReport) WriteTo(w io.Writer) (int64, error) {
	b, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return 0, err
	}
	n, err := w.Write(append(b, '\n'))
	return int64(n), err
}

// Check says whether the frames of a row will join, and what to take again
// while there is time: it runs the first half of the work at reduced size and
// compares neighbours. The frames come in the order in which they were taken,
// which is used where the pictures don't tell; that they are out of order is
// found.
//
// A row that does not join is a verdict, no error. The error wraps [ErrFrames]
// if the set can't be a row, and is the reader's own if a file can't be read.
func Check(ctx context.Context, frames []*Frame, o CheckOptions) (*CheckReport, error) {
	began := time.Now()
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := checkFrames(frames); err != nil {
		return nil, err
	}
	c := &checker{o: o, frames: frames, details: make([]*detailMap, len(frames))}
	if err := c.reduce(ctx); err != nil {
		return nil, err
	}
	if err := c.join(ctx); err != nil {
		return nil, err
	}
	if err := c.measure(ctx); err != nil {
		return nil, err
	}
	if err := c.judge(ctx); err != nil {
		return nil, err
	}
	c.report.Seconds = time.Since(began).Seconds()
	return &c.report, nil
}

// checker is one run of Check.
type checker struct {
	o       CheckOptions
	frames  []*Frame
	details []*detailMap
	shrink  int
	reduced []*Frame
	parts   []*checkPart
	// order lists, for each frame of the report, its part and its place there.
	order  []framePlace
	report CheckReport
	pairs  []pairFigures
	blurPx []float64 // of each frame of the report, 0 if it is sharp
}

// framePlace is a frame of a part: frame is its index among those given, at its
// index in the part's rig, −1 if it stands alone.
type framePlace struct{ part, frame, at int }

// checkPart is frames that join.
type checkPart struct {
	frames []int // indices among the given ones, left to right
	al     *aligner
	err    error            // why the part is not believed, though it has cameras
	shifts []*ShiftSolution // of al's evidence; nil where nothing is suspect
}

func (c *checker) stage(name string) func(float64) {
	return Options{Progress: c.o.Progress}.stage(name)
}

// reduce reads each frame once, measures its detail and keeps it small.
func (c *checker) reduce(ctx context.Context) error {
	w, h := c.frames[0].Width, c.frames[0].Height
	limit := float64(c.o.MaxPixels)
	if limit == 0 {
		limit = workingPixels
	}
	c.shrink = max(1, int(math.Ceil(math.Sqrt(float64(w)*float64(h)/limit))))
	c.reduced = make([]*Frame, len(c.frames))
	done := newCounter(len(c.frames), c.stage("look"))
	return par.Do(ctx, c.o.Workers, len(c.frames), func(i int) error {
		f := c.frames[i]
		img, err := f.Image(ctx)
		if err != nil {
			return err
		}
		defer f.Release()
		if c.details[i], err = newDetailMap(ctx, img); err != nil {
			return err
		}
		small := img
		if c.shrink > 1 {
			if small, err = raster.Shrink(ctx, 1, img, c.shrink); err != nil {
				return err
			}
		}
		r := NewFrame(f.Name, small)
		r.FocalPx, r.FocalSource = f.FocalPx/float64(c.shrink), f.FocalSource
		r.ExposureEV, r.Exposed, r.Time = f.ExposureEV, f.Exposed, f.Time
		c.reduced[i] = r
		done()
		return nil
	})
}

// join finds the parts that hang together. The whole row is tried first, just
// as Align does; what Align refuses is taken apart.
func (c *checker) join(ctx context.Context) error {
	o := Options{
		FocalPx: c.o.FocalPx / float64(c.shrink), Undistorted: c.o.Undistorted,
		Workers: c.o.Workers, Seed: c.o.Seed, Progress: c.o.Progress,
	}
	a := newAligner(c.reduced, o)
	if err := a.look(ctx); err != nil {
		return err
	}
	if err := a.match(ctx); err != nil {
		return err
	}
	all := make([]int, len(c.frames))
	for i := range all {
		all[i] = i
	}
	whole := a.only(all)
	err := whole.join()
	if err == nil {
		err = whole.refine(ctx)
	}
	switch {
	case err == nil:
		return c.addPart(ctx, whole, all, nil)
	case !errors.Is(err, ErrNotJoined):
		return err
	}
	return c.takeApart(ctx, a, all)
}

// takeApart adds the largest group of the given frames that hangs together, and
// then those of the rest.
func (c *checker) takeApart(ctx context.Context, a *aligner, idx []int) error {
	for len(idx) > 0 {
		sub := a.only(idx)
		sub.o.AllowMissing = true
		if err := sub.join(); errors.Is(err, ErrNotJoined) {
			for _, i := range idx { // no two of them join
				c.parts = append(c.parts, &checkPart{frames: []int{i}})
			}
			return nil
		} else if err != nil {
			return err
		}
		in := make([]int, len(sub.placed))
		for k, i := range sub.placed {
			in[k] = idx[i]
		}
		err := sub.refine(ctx)
		if err != nil && !errors.Is(err, ErrNotJoined) {
			return err
		}
		if err := c.addPart(ctx, sub, in, err); err != nil {
			return err
		}
		idx = slices.DeleteFunc(slices.Clone(idx), func(i int) bool { return slices.Contains(in, i) })
	}
	return nil
}

// only returns an aligner of the given frames, with its own copies of what
// joining changes.
func (a *aligner) only(idx []int) *aligner {
	b := &aligner{o: a.o, shrink: a.shrink, start: a.start, knowFocal: a.knowFocal, focalSource: a.focalSource}
	at := map[int]int{}
	for k, i := range idx {
		at[i] = k
		b.frames = append(b.frames, a.frames[i])
		b.sets, b.small = append(b.sets, a.sets[i]), append(b.small, a.small[i])
	}
	b.kept = newCache(b.frames, b.o)
	for _, p := range a.pairs {
		x, okX := at[p.a]
		y, okY := at[p.b]
		if !okX || !okY {
			continue
		}
		q := *p
		q.a, q.b = x, y
		b.pairs = append(b.pairs, &q)
		if q.accepted {
			b.accepted = append(b.accepted, &q)
		}
	}
	return b
}

// addPart levels a part and lists its frames from left to right.
func (c *checker) addPart(ctx context.Context, a *aligner, idx []int, why error) error {
	if err := a.level(ctx); err != nil {
		return err
	}
	p := &checkPart{al: a, err: why}
	for _, k := range leftToRight(a.rig.rot, geom.Vec{Y: -1}) {
		p.frames = append(p.frames, idx[k])
	}
	c.parts = append(c.parts, p)
	return nil
}

// camera returns the camera of a frame at full size.
func (c *checker) camera(f framePlace) geom.Camera {
	return c.parts[f.part].al.rig.camera(f.at).Scaled(float64(c.shrink))
}

// line puts the parts into one line: by the order in which they were taken,
// from the right if that is how the parts run.
func (c *checker) line() {
	rightward, leftward := 0, 0
	for _, p := range c.parts {
		for k := 1; k < len(p.frames); k++ {
			if p.frames[k] > p.frames[k-1] {
				rightward++
			} else {
				leftward++
			}
		}
	}
	slices.SortStableFunc(c.parts, func(a, b *checkPart) int {
		d := slices.Min(a.frames) - slices.Min(b.frames)
		if leftward > rightward {
			return -d
		}
		return d
	})
	for k, p := range c.parts {
		for _, i := range p.frames {
			at := -1
			if p.al != nil {
				at = slices.IndexFunc(p.al.placed, func(j int) bool { return p.al.frames[j] == c.reduced[i] })
			}
			c.order = append(c.order, framePlace{k, i, at})
		}
	}
}

// fullOverlap is overlapShare on a grid fine enough for a figure that people
// read.
func fullOverlap(a, b *geom.Camera) float64 {
	const nx, ny = 200, 40
	in := 0
	for i := range nx * ny {
		p := geom.Pt{X: (float64(i%nx) + 0.5) / nx * float64(a.Width), Y: (float64(i/nx) + 0.5) / ny * float64(a.Height)}
		if w, ok := a.WorldFromPixel(p); ok {
			if q, ok := b.PixelFromWorld(w); ok && b.Contains(q, 0) {
				in++
			}
		}
	}
	return float64(in) / (nx * ny)
}

// measure fills the report's frames, pairs and output.
func (c *checker) measure(ctx context.Context) error {
	c.line()
	c.report.Frames = make([]CheckFrame, len(c.order))
	for k, f := range c.order {
		cf := &c.report.Frames[k]
		cf.File, cf.Part = c.frames[f.frame].Name, f.part
		if f.at >= 0 {
			cam := c.camera(f)
			yaw, pitch, roll := cam.CamFromWorld.YawPitchRoll()
			across, up := cam.ViewAngles()
			c.report.FieldDeg = [2]float64{across.Degrees(), up.Degrees()}
			cf.YawDeg, cf.PitchDeg, cf.RollDeg = yaw.Degrees(), pitch.Degrees(), roll.Degrees()
		}
	}
	for _, p := range c.parts {
		if p.al == nil || !p.al.suspect() {
			continue
		}
		per, err := p.al.displacements(ctx)
		if err != nil {
			return err
		}
		for _, ds := range per {
			p.shifts = append(p.shifts, p.al.shiftOf(ds))
		}
	}
	n := max(0, len(c.order)-1)
	c.report.Pairs, c.pairs = make([]CheckPair, n), make([]pairFigures, n)
	done := newCounter(n, c.stage("compare"))
	if err := par.Do(ctx, c.o.Workers, n, func(k int) error {
		defer done()
		return c.measurePair(ctx, k)
	}); err != nil {
		return err
	}
	c.frameSharpness()
	return c.predict()
}

// predict plans the picture that the row will make.
func (c *checker) predict() error {
	if len(c.parts) != 1 || c.parts[0].err != nil {
		return nil
	}
	sol := &Solution{Frames: make([]FrameSolution, len(c.order))}
	var level Solution
	var pitch float64
	for _, f := range c.report.Frames {
		pitch += f.PitchDeg / float64(len(c.report.Frames))
	}
	for k, f := range c.order {
		s := &sol.Frames[k]
		s.Placed, s.Width, s.Height = true, c.frames[f.frame].Width, c.frames[f.frame].Height
		cam := c.camera(f)
		s.setCamera(cam)
		ideal := *s
		cam.CamFromWorld = geom.FromYawPitchRoll(geom.Angle(c.report.Frames[k].YawDeg)*geom.Degree, geom.Angle(pitch)*geom.Degree, 0)
		ideal.setCamera(cam)
		level.Frames = append(level.Frames, ideal)
	}
	if err := planOutput(sol, Options{}, 1); err != nil {
		return nil // no rectangle inside: the joins are judged all the same
	}
	const cm = 2.54 / 300
	out := &CheckOutput{Width: sol.Output.Width, Height: sol.Output.Height}
	out.WidthCM, out.HeightCM = cm*float64(out.Width), cm*float64(out.Height)
	if planOutput(&level, Options{}, 1) == nil {
		a, b := float64(out.Width)*float64(out.Height), float64(level.Output.Width)*float64(level.Output.Height)
		out.LossPercent = max(0, 100*(1-a/b))
	}
	c.report.Output = out
	return nil
}

// base is what a frame of the report is called.
func (c *checker) base(k int) string { return filepath.Base(c.report.Frames[k].File) }

func (c *checker) found(kind FindingKind, reshoot bool, frames []int, format string, a ...any) {
	c.report.Findings = append(c.report.Findings, Finding{Kind: kind, Frames: frames, Reshoot: reshoot, Text: fmt.Sprintf(format, a...)})
}
