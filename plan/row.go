package plan

import (
	"fmt"
	"math"

	"flatfell.example/geom"
)

// DefaultOverlap is the share of a frame's angle that it has in common with
// the next: a third, as the trade does it. Package bench measured how much
// less still joins.
const DefaultOverlap = 1.0 / 3

// maxFrames ends the search for a row of a given shape.
const maxFrames = 400

// turnSlack is by how much rounding may miss a whole number of frames or
// stops: written values such as 24.98° or 33 % are rounded themselves.
const turnSlack = 1e-6

// overlapSlack is by how much a row may miss the overlap asked for, which people
// round to whole per cents: 25° of a lens that sees 37.5° are a third.
const overlapSlack = 0.005

// Row is a row of frames from a levelled tripod, turned by the same angle from
// frame to frame.
type Row struct {
	Camera Camera
	Frames int
	// Turn is the angle from a frame to the next; zero for a single one.
	Turn geom.Angle
	// Closed says that the row goes all the way round.
	Closed bool
}

// Wish says what a row shall be. Any two of Coverage, Frames, Overlap and Turn
// give the rest; with one of Coverage, Frames and Shape alone, Overlap is
// [DefaultOverlap]. What is given beyond two is a demand that the row must meet.
type Wish struct {
	// Coverage is the least angle from the left edge of the picture to the
	// right, up to 360°. Zero means not given.
	Coverage geom.Angle
	// Frames is their number. Zero means not given.
	Frames int
	// Overlap is the least share of a frame's angle of view that it has in
	// common with the next, above 0 and below 1, to half a per cent. Zero means not
	// given.
	Overlap float64
	// Turn is the angle from frame to frame. Zero means not given.
	Turn geom.Angle
	// ShapeW and ShapeH ask for the fewest frames whose cropped picture is at
	// least as wide for its height on the surface On; empty means the cylinder.
	// Zero means not given; the shape does not count with Coverage or Frames.
	ShapeW, ShapeH float64
	On             Surface
	// Stop is the angle between two click-stops of a rotator, or marks of a
	// base, when the turn must be a whole number of them. Zero means any turn.
	Stop geom.Angle
}

// Row returns the row that the wish asks of a camera. The error says what is
// impossible about it, and what would be possible.
func (w Wish) Row(c Camera) (Row, error) {
	if err := c.Validate(); err != nil {
		return Row{}, err
	}
	if err := w.validate(c); err != nil {
		return Row{}, err
	}
	turn, err := w.turn(c)
	if err != nil {
		return Row{}, err
	}
	r := Row{Camera: c, Frames: w.Frames, Turn: turn}
	if r.Frames == 0 {
		if err := r.count(w); err != nil {
			return Row{}, err
		}
	}
	if r.Frames == 1 {
		r.Turn = 0
	}
	return r.close(w)
}

// validate refuses values out of range, one by one.
func (w Wish) validate(c Camera) error {
	h := c.Across()
	switch {
	case w.Coverage < 0 || w.Coverage > 2*math.Pi+turnSlack:
		return fmt.Errorf("plan: a coverage of %.4g°: a row covers up to 360°, all the way round", w.Coverage.Degrees())
	case w.Frames < 0 || w.Frames > maxFrames:
		return fmt.Errorf("plan: %d frames: give 1 to %d", w.Frames, maxFrames)
	case w.Overlap < 0:
		return fmt.Errorf("plan: an overlap of %.4g %%: frames that share nothing can't be joined; a third is usual", 100*w.Overlap)
	case w.Overlap >= 1:
		return fmt.Errorf("plan: an overlap of %.4g %%: at 100 %% the camera does not turn at all; a third is usual", 100*w.Overlap)
	case w.Turn < 0:
		return fmt.Errorf("plan: a turn of %.4g°: give it above zero, whichever way you turn", w.Turn.Degrees())
	case w.Turn >= h:
		return fmt.Errorf("plan: a turn of %.4g° leaves gaps: a frame sees %.1f° across; with a third of overlap turn %.1f°", w.Turn.Degrees(), h.Degrees(), (h * (1 - DefaultOverlap)).Degrees())
	case w.ShapeW < 0 || w.ShapeH < 0 || (w.ShapeW == 0) != (w.ShapeH == 0) || w.ShapeW > 100*w.ShapeH:
		return fmt.Errorf("plan: a shape of %g:%g: both numbers must be above zero and the shape below 100:1", w.ShapeW, w.ShapeH)
	case w.Stop < 0:
		return fmt.Errorf("plan: stops of %.4g°", w.Stop.Degrees())
	case w.Turn > 0 && w.Overlap > 0 && 1-float64(w.Turn/h) < w.Overlap-overlapSlack:
		return fmt.Errorf("plan: a turn of %.4g° leaves %.0f %% of overlap, not %.0f %%; turn %.1f° at most", w.Turn.Degrees(), 100*(1-float64(w.Turn/h)), 100*w.Overlap, float64(h)*(1-w.Overlap)/float64(geom.Degree))
	}
	if x := float64(w.Coverage) + w.Overlap + float64(w.Turn) + w.ShapeW + w.ShapeH + float64(w.Stop); math.IsNaN(x) || math.IsInf(x, 0) {
		return errNaN
	}
	return nil
}

// turn is the angle from frame to frame, on a stop if there are stops.
func (w Wish) turn(c Camera) (geom.Angle, error) {
	h := c.Across()
	var turn geom.Angle
	ceil := false
	switch {
	case w.Turn > 0:
		turn = w.Turn
	case w.Overlap > 0:
		turn = h * geom.Angle(1-w.Overlap)
	case w.Coverage > 0 && w.Frames > 1:
		if w.Coverage >= 2*math.Pi-turnSlack {
			turn = w.Coverage / geom.Angle(w.Frames)
		} else {
			turn = (w.Coverage - h) / geom.Angle(w.Frames-1)
		}
		switch {
		case turn <= 0:
			return 0, fmt.Errorf("plan: a single frame sees %.1f° across already, more than the %.4g° asked for; ask for more coverage or for one frame", h.Degrees(), w.Coverage.Degrees())
		case turn >= h:
			return 0, w.tooFew(c)
		}
		ceil = true // both are fixed: rather more coverage than less
	case w.Coverage == 0 && w.Frames == 0 && w.ShapeW == 0:
		return 0, fmt.Errorf("plan: how wide shall the row be? Give a coverage (120deg), a number of frames, or a shape (3:1)")
	default:
		turn = h * (1 - DefaultOverlap)
	}
	if w.Stop == 0 {
		return turn, nil
	}
	most := turn
	if w.Turn == 0 {
		most += overlapSlack * h
	}
	stops := math.Floor(float64(most/w.Stop) + turnSlack)
	if ceil {
		stops = math.Ceil(float64(turn/w.Stop) - turnSlack)
	}
	snapped := geom.Angle(stops) * w.Stop
	switch {
	case w.Turn > 0 && math.Abs(float64(snapped-w.Turn)) > 1e-4:
		return 0, fmt.Errorf("plan: a turn of %.4g° is no whole number of stops of %.4g°; leave one of the two out", w.Turn.Degrees(), w.Stop.Degrees())
	case stops < 1:
		return 0, fmt.Errorf("plan: one stop turns %.4g°, but with that overlap the camera may turn %.1f° only: take a base with %.0f stops or more, or turn by the scale",
			w.Stop.Degrees(), turn.Degrees(), math.Ceil(2*math.Pi/float64(turn)-turnSlack))
	case snapped >= h:
		return 0, w.tooFew(c)
	}
	return snapped, nil
}

// tooFew says that the frames can't cover what was asked for.
func (w Wish) tooFew(c Camera) error {
	enough := Wish{Coverage: w.Coverage, Stop: w.Stop}
	r, err := enough.Row(c)
	if err != nil {
		return err
	}
	return fmt.Errorf("plan: %d frames can't cover %.4g°: each sees %.1f° and they must overlap; with %.0f %% of overlap it takes %d",
		w.Frames, w.Coverage.Degrees(), c.Across().Degrees(), 100*r.Overlap(), r.Frames)
}

// count sets the number of frames for the wish's coverage or shape, and for a
// full turn the turn that divides it evenly.
func (r *Row) count(w Wish) error {
	h := r.Camera.Across()
	switch {
	case w.Coverage >= 2*math.Pi-turnSlack:
		r.Frames = int(math.Ceil(2*math.Pi/float64(r.Turn) - turnSlack))
		if w.Stop == 0 && w.Turn == 0 {
			r.Turn = 2 * math.Pi / geom.Angle(r.Frames)
		}
	case w.Coverage > 0:
		r.Frames = 1 + int(max(0, math.Ceil(float64((w.Coverage-h)/r.Turn)-turnSlack)))
	default:
		for r.Frames = 1; r.Frames <= maxFrames; r.Frames++ {
			if r.Coverage() >= 2*math.Pi-turnSlack {
				return fmt.Errorf("plan: no row of this lens is as wide as %g:%g: all the way round it is %.1f:1; a longer lens makes narrower strips", w.ShapeW, w.ShapeH, 2*math.Pi*r.Camera.FocalPx()/(float64(r.Camera.Height())*math.Cos(float64(r.Turn)/2)))
			}
			if _, _, err := r.Outer(w.On); err != nil {
				return fmt.Errorf("%w; a row of %g:%g is wider", err, w.ShapeW, w.ShapeH)
			}
			c := r.Inside(w.On, Tilt{}, 0, 0)
			if c.Width() >= w.ShapeW/w.ShapeH*c.Height() {
				return nil
			}
		}
	}
	if r.Frames > maxFrames {
		return fmt.Errorf("plan: that takes %d frames; above %d no row is planned", r.Frames, maxFrames)
	}
	return nil
}

// close finds out whether the row goes all the way round, and holds it against
// the wish.
func (r Row) close(w Wish) (Row, error) {
	full := geom.Angle(2 * math.Pi)
	if r.Frames > 1 && r.Turn*geom.Angle(r.Frames-1) >= full-turnSlack {
		return Row{}, fmt.Errorf("plan: %d frames of a turn of %.1f° go round more than once; %.0f close the circle", r.Frames, r.Turn.Degrees(), math.Ceil(float64(full/r.Turn)-turnSlack))
	}
	open := r.Camera.Across() + r.Turn*geom.Angle(r.Frames-1)
	r.Closed = open >= full-turnSlack
	if got := r.Coverage(); w.Coverage > 0 && got < w.Coverage-0.05*geom.Degree {
		need := w
		need.Frames = 0
		more, err := need.Row(r.Camera)
		if err != nil {
			return Row{}, err
		}
		how := fmt.Sprintf("that overlap by %.0f %%", 100*r.Overlap())
		if w.Stop > 0 {
			how = fmt.Sprintf("turned by whole stops, %.4g°,", r.Turn.Degrees())
		}
		return Row{}, fmt.Errorf("plan: %d frames %s cover %.1f°, not %.4g°; it takes %d",
			r.Frames, how, got.Degrees(), w.Coverage.Degrees(), more.Frames)
	}
	if r.Frames > 1 && w.Overlap > 0 && r.Overlap() < w.Overlap-overlapSlack {
		return Row{}, fmt.Errorf("plan: %d frames over %.4g° overlap by %.0f %%, not %.0f %%", r.Frames, w.Coverage.Degrees(), 100*r.Overlap(), 100*w.Overlap)
	}
	return r, nil
}

// Coverage is the angle from the left edge of the first frame to the right edge
// of the last, at most a full turn.
func (r Row) Coverage() geom.Angle {
	return min(2*math.Pi, r.Camera.Across()+r.Turn*geom.Angle(r.Frames-1))
}

// Overlap is the share of a frame's angle of view that it has in common with
// the next, 0 for a single frame.
func (r Row) Overlap() float64 {
	if r.Frames < 2 {
		return 0
	}
	return 1 - float64(r.Turn/r.Camera.Across())
}

// Marks are the angles of the frames on a scale that reads 0 at the first.
func (r Row) Marks() []geom.Angle {
	m := make([]geom.Angle, r.Frames)
	for i := range m {
		m[i] = r.Turn * geom.Angle(i)
	}
	return m
}

// BaseStops is the smallest number of even stops in a full turn of which one,
// from frame to frame, leaves at least this row's overlap.
func (r Row) BaseStops() int { return int(math.Ceil(2*math.Pi/float64(r.Turn) - turnSlack)) }

// Tilt is how far the setup is out of level.
type Tilt struct {
	// AxisRoll leans the turning axis sideways, seen along the row's middle,
	// AxisPitch forward (the camera then looks up in the middle if positive).
	AxisRoll, AxisPitch geom.Angle
	// CameraRoll turns the camera about its own axis on a level base, the same
	// in every frame.
	CameraRoll geom.Angle
}

// Cameras returns the frames' cameras, from left to right, in a world whose z
// axis is the middle of the row.
func (r Row) Cameras(t Tilt) []geom.Camera {
	base := geom.FromYawPitchRoll(0, t.AxisPitch, t.AxisRoll) // baseFromWorld
	cams := make([]geom.Camera, r.Frames)
	for i := range cams {
		w, h := r.Camera.Width(), r.Camera.Height()
		yaw := r.Turn * geom.Angle(float64(i)-float64(r.Frames-1)/2)
		cams[i] = geom.Camera{
			Width: w, Height: h, FocalPx: r.Camera.FocalPx(),
			CentrePx:     geom.Pt{X: float64(w) / 2, Y: float64(h) / 2},
			CamFromWorld: geom.FromYawPitchRoll(yaw, 0, t.CameraRoll).Mul(base),
		}
	}
	return cams
}
