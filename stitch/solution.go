package stitch

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"time"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/warp"
)

// Verdict is how sure a join is.
type Verdict string

// The verdicts. A weak join has just enough evidence, or evidence that
// something is amiss (parallax, movement); look at it at full size.
const (
	Joined    Verdict = "joined"
	Weak      Verdict = "weak"
	NotJoined Verdict = "not joined"
)

// solutionVersion is the version of the file format that this code writes and
// the only one that it reads.
const solutionVersion = 1

// Solution is how the frames of a row lie, how sure that is, and where the
// picture ends up: everything that Render needs beside the frames. It is pure
// data; its JSON form is the Solution file.
type Solution struct {
	Version int             `json:"version"`
	Frames  []FrameSolution `json:"frames"`
	Pairs   []PairSolution  `json:"pairs"`
	Light   LightSolution   `json:"light"`
	// Pupil says where the lens's entrance pupil lies against the turning axis.
	Pupil PupilSolution `json:"pupil"`
	// RMSPx is the root mean square distance between the tie points and where
	// the cameras put them, in full-size pixels, outliers left out and each
	// weighted by how precisely its window can be placed at all: a window on
	// faint texture says more about its noise than about the cameras.
	RMSPx float64 `json:"rms_px"`
	// FocalSource says where the first focal length came from: "given",
	// a metadata field, or "pictures". It is refined from the pictures always.
	FocalSource string  `json:"focal_source"`
	Verdict     Verdict `json:"verdict"`
	// Advice is what the photographer may do about what was found, a sentence
	// each.
	Advice []string       `json:"advice"`
	Output OutputSolution `json:"output"`
	Stages []StageTime    `json:"stages"`
	// PeakMemoryBytes is the memory obtained from the system.
	PeakMemoryBytes uint64 `json:"peak_memory_bytes"`
}

// FrameSolution is one frame's camera and light.
type FrameSolution struct {
	File   string `json:"file"`
	Width  int    `json:"width"` // after orientation
	Height int    `json:"height"`
	// Placed is false for a frame that was left out; its camera is void.
	Placed       bool          `json:"placed"`
	FocalPx      float64       `json:"focal_px"`
	CentrePx     [2]float64    `json:"centre_px"`
	Radial       [3]float64    `json:"radial"`
	CamFromWorld [3][3]float64 `json:"cam_from_world"`
	// Gain multiplies the frame's linear red, green and blue.
	Gain [3]float64 `json:"gain"`
	// Vignetting holds a1, a2, a3 of V(r) = 1 + a1 r² + a2 r⁴ + a3 r⁶, r = 1
	// at half the diagonal from LightCentre.
	Vignetting blend.Vignetting `json:"vignetting"`
	// LightCentre is the place about which light falls off, x and y from the
	// principal point in half diagonals.
	LightCentre [2]float64 `json:"light_centre"`
	// Tone bends the response away from the frames' transfer curve, see
	// blend.Tone; the same for all frames.
	Tone blend.Tone `json:"tone"`
	// Field is a slow gain over the frame, see blend.Field.
	Field blend.Field `json:"field"`
	// Local bends the frame where near things call for it, see warp.Local; nil
	// where nothing does.
	Local *warp.Local `json:"local,omitempty"`
	// Sharpness is the root mean square of the gradient of the luma per pixel
	// of a frame reduced to about 1.5 megapixels: comparable within a row.
	Sharpness float64 `json:"sharpness"`
}

// Camera returns the frame's camera.
func (f *FrameSolution) Camera() geom.Camera {
	c := geom.Camera{
		Width: f.Width, Height: f.Height, FocalPx: f.FocalPx,
		CentrePx: geom.Pt{X: f.CentrePx[0], Y: f.CentrePx[1]}, Radial: f.Radial,
	}
	for i, row := range f.CamFromWorld {
		copy(c.CamFromWorld[3*i:], row[:])
	}
	return c
}

func (f *FrameSolution) setCamera(c geom.Camera) {
	f.FocalPx, f.Radial = c.FocalPx, c.Radial
	f.CentrePx = [2]float64{c.CentrePx.X, c.CentrePx.Y}
	for i := range f.CamFromWorld {
		copy(f.CamFromWorld[i][:], c.CamFromWorld[3*i:3*i+3])
	}
}

// setLight takes frame k of l.
func (f *FrameSolution) setLight(l *blend.Light, k int) {
	f.Gain, f.Field = l.Frames[k].Gain, l.Frames[k].Field
	f.Vignetting, f.Tone = l.Vignetting, l.Tone
	f.LightCentre = [2]float64{l.Centre.X, l.Centre.Y}
}

// shadeAt returns the factor by which the light at a point of the frame is
// multiplied, beside Gain.
func (f *FrameSolution) shadeAt(p blend.LightPos) float64 {
	dx, dy := p.X-f.LightCentre[0], p.Y-f.LightCentre[1]
	return math.Exp(f.Field.At(p)) / f.Vignetting.At(dx*dx+dy*dy)
}

// Correct returns the function that takes the linear light of a place of the
// frame, decoded by sRGB's curve, to what it is in the picture: the mean over
// a patch around p, in pixels, that is small against what changes with p.
func (f *FrameSolution) Correct() func(p geom.Pt, lin [3]float64) [3]float64 {
	cam := f.Camera()
	dec, enc := f.Tone.Tables(nil)
	return func(p geom.Pt, lin [3]float64) [3]float64 {
		k := f.shadeAt(lightPos(&cam, p))
		for c, v := range lin {
			if f.Tone == (blend.Tone{}) {
				lin[c] = v * f.Gain[c] * k
				continue
			}
			at := min(max(blend.EncodeSRGB(v), 0), 1) * 65535
			i := min(int(at), 65534)
			l := float64(dec[i]) + (at-float64(i))*float64(dec[i+1]-dec[i])
			lin[c] = blend.DecodeSRGB(float64(enc.Encode(float32(l * f.Gain[c] * k))))
		}
		return lin
	}
}

// LightSolution says how well the frames' light is understood. Differences are
// those between two frames that show the same place, in per cent of its light.
type LightSolution struct {
	Samples int `json:"samples"` // places compared
	// Parts lists what the model has beside a gain for each channel:
	// "vignetting", "centre" (of it, off the middle of the frames), "tone",
	// "field".
	Parts []string `json:"parts"`
	// Undetermined lists parts that the overlaps call for but cannot settle.
	Undetermined []string `json:"undetermined"`
	// BeforePercent and AfterPercent are the medians of the differences with
	// the frames as they came and as they go into the picture.
	BeforePercent float64 `json:"before_percent"`
	AfterPercent  float64 `json:"after_percent"`
	// CornerStops is what the lens and its filters take from the corners; below
	// zero if they are brighter, as behind a correction that does too much.
	CornerStops float64 `json:"corner_stops"`
	// FieldPercent is the largest slow gain of a frame.
	FieldPercent float64 `json:"field_percent"`
	// Moved is the share of the places that show something else in the two
	// frames.
	Moved float64 `json:"moved"`
}

func lightSolution(l *blend.Light, r blend.LightReport) LightSolution {
	percent := func(log float64) float64 { return 100 * math.Expm1(log) }
	s := LightSolution{
		Samples: r.Samples, Parts: []string{}, Undetermined: append([]string{}, r.Undetermined...),
		BeforePercent: percent(r.Before), AfterPercent: percent(r.After),
		CornerStops:  -math.Log2(l.Vignetting.At(1)),
		FieldPercent: percent(r.LargestField), Moved: 1 - r.Inliers,
	}
	if r.Samples == 0 {
		s.Moved = 0
	}
	for _, p := range []struct {
		name string
		used bool
	}{{"vignetting", r.Vignetting}, {"centre", r.Centre}, {"tone", r.Tone}, {"field", r.Field}} {
		if p.used {
			s.Parts = append(s.Parts, p.name)
		}
	}
	return s
}

// PairSolution is the evidence that two frames join, A and B as indices into
// Frames.
type PairSolution struct {
	A       int     `json:"a"`
	B       int     `json:"b"`
	Matches int     `json:"matches"`
	Inliers int     `json:"inliers"`
	RMSPx   float64 `json:"rms_px"`
	// Overlap is the share of the frame's area that both see.
	Overlap float64 `json:"overlap"`
	Verdict Verdict `json:"verdict"`
	// Ties are some of the details found in both, whether they fit or not: x and y
	// in A, x and y in B, pixels of the frames.
	Ties [][4]float64 `json:"ties,omitempty"`
	// Shift is what lies beside where the turn puts it; nil if nothing called for a
	// closer look.
	Shift *ShiftSolution `json:"shift,omitempty"`
}

// mostTies is how many ties of a pair are kept: enough to see how they lie.
const mostTies = 60

// keepTies takes some of the ties, evenly, to a hundredth of a pixel.
func (p *PairSolution) keepTies(e evidence) {
	hundredth := func(v float64) float64 { return math.Round(100*v) / 100 }
	n := min(mostTies, len(e.ties))
	for k := range n {
		t := &e.ties[k*len(e.ties)/n]
		a, b := t.inA, t.inB
		if t.a != e.a {
			a, b = b, a
		}
		p.Ties = append(p.Ties, [4]float64{hundredth(a.X), hundredth(a.Y), hundredth(b.X), hundredth(b.Y)})
	}
}

// OutputSolution is where the picture lies on its surface.
type OutputSolution struct {
	File        string  `json:"file"`
	Width       int     `json:"width"`
	Height      int     `json:"height"`
	Surface     string  `json:"surface"`
	PxPerRadian float64 `json:"px_per_radian"`
	// OriginPx is where θ = 0, h = 0 falls in the written file.
	OriginPx [2]float64 `json:"origin_px"`
	// CropPx is the written part of the covered area: x0, y0, x1, y1, where
	// (0, 0) is the upper left corner of all that the frames cover.
	CropPx [4]int `json:"crop_px"`
	Bits   int    `json:"bits"`
}

// StageTime is the wall time of one stage.
type StageTime struct {
	Name    string  `json:"name"`
	Seconds float64 `json:"seconds"`
}

// clock adds stages to a solution.
type clock struct {
	sol  *Solution
	last time.Time
}

func newClock(s *Solution) *clock { return &clock{s, time.Now()} }

// lap ends a stage.
func (c *clock) lap(name string) {
	now := time.Now()
	c.sol.Stages = append(c.sol.Stages, StageTime{name, now.Sub(c.last).Seconds()})
	c.last = now
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	c.sol.PeakMemoryBytes = max(c.sol.PeakMemoryBytes, m.Sys)
}

// WriteTo writes the Solution file: indented JSON.
func (s *Solution) WriteTo(w io.Writer) (int64, error) {
	b, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return 0, err
	}
	n, err := w.Write(append(b, '\n'))
	return int64(n), err
}

// ReadSolution reads a Solution file and checks that it can be rendered.
func ReadSolution(r io.Reader) (*Solution, error) {
	var s Solution
	if err := json.NewDecoder(r).Decode(&s); err != nil {
		return nil, fmt.Errorf("not a Solution file: %w", err)
	}
	if s.Version != solutionVersion {
		return nil, fmt.Errorf("the Solution file has version %d, this program reads version %d; run stitch again", s.Version, solutionVersion)
	}
	if err := s.validate(); err != nil {
		return nil, fmt.Errorf("the Solution file is damaged: %w; run stitch again", err)
	}
	return &s, nil
}

// mostGain is the largest factor of light that a Solution may hold, far beyond
// what makes a picture: ten stops.
const mostGain = 1024

func (s *Solution) validate() error {
	if len(s.Frames) == 0 {
		return errors.New("it has no frames")
	}
	for i := range s.Frames {
		f := &s.Frames[i]
		if !f.Placed {
			continue
		}
		if f.Width < 1 || f.Height < 1 || !(f.FocalPx > 0) {
			return fmt.Errorf("frame %s has no size or focal length", f.File)
		}
		r := f.Camera().CamFromWorld
		p := r.Mul(r.Inv())
		for k := range p {
			if d := p[k] - geom.Identity[k]; !(d < 1e-6 && d > -1e-6) {
				return fmt.Errorf("frame %s has no rotation", f.File)
			}
		}
		for _, g := range f.Gain {
			if !(g >= 1/mostGain && g <= mostGain) {
				return fmt.Errorf("frame %s has a gain of %g", f.File, g)
			}
		}
		for i := range 21 {
			for j := range 21 {
				p := blend.LightPos{X: float64(i-10) / 10, Y: float64(j-10) / 10}
				if k := f.shadeAt(p); math.Hypot(p.X, p.Y) <= 1 && !(k >= 1/mostGain && k <= mostGain) {
					return fmt.Errorf("frame %s has its light changed %g times at a place", f.File, k)
				}
			}
		}
		if f.Local != nil {
			if err := f.Local.Validate(f.Width, f.Height); err != nil {
				return fmt.Errorf("frame %s can't be bent: %w", f.File, err)
			}
		}
		if !f.Tone.Rises() {
			return fmt.Errorf("frame %s has a tone curve that falls", f.File)
		}
	}
	return nil
}
