package stitch

import (
	"fmt"
	"math"
	"path/filepath"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
)

// pupil says where the lens's entrance pupil lies against the axis about which
// the camera turns, and where the ground is. A pupil off the axis moves when the
// camera turns, and what is near shifts against what is far. How near the ground
// is follows from its slope alone: it is a plane one eye's height below.
//
// Lengths are in heights of the eye above the ground: no picture tells the scale.
// The zero value is a camera that turns about its pupil.
type pupil struct {
	// right and forward are where the pupil lies from the axis, in the camera's
	// frame. A pupil above the axis moves nothing if the axis is upright.
	right, forward float64
	down           geom.Vec // unit, in the rig's world
}

// pupilUnknowns is the number of unknowns of a pupil.
const pupilUnknowns = 4

// offset is the pupil from the axis in the camera's frame.
func (p *pupil) offset() geom.Vec { return geom.Vec{X: p.right, Z: p.forward} }

// nearness returns the reciprocal of how many of the ray's lengths the ground
// lies away along a ray of a frame; 0 at the horizon and above. The pupil of one
// frame is some per cent of the eye's height nearer than that of another if the
// axis leans; that is left out.
func (p *pupil) nearness(camFromWorld geom.Rotation, rayInCam geom.Vec) float64 {
	if p.down == (geom.Vec{}) {
		return 0
	}
	return max(0, r3.Dot(camFromWorld.Apply(p.down), rayInCam))
}

// plus returns p with its four unknowns moved: right, forward, and down along its
// tangents.
func (p *pupil) plus(d []float64) pupil {
	e1, e2 := tangents(p.down)
	return pupil{
		right: p.right + d[0], forward: p.forward + d[1],
		down: unit(r3.Add(p.down, r3.Add(r3.Scale(d[2], e1), r3.Scale(d[3], e2)))),
	}
}

// derivatives sets by to what becomes of a transferred ray, as byRay shows it, by
// the four unknowns.
func (p *pupil) derivatives(by *[4]geom.Pt, near float64, bFromA, aFromWorld geom.Rotation, rayInA geom.Vec, byRay func(geom.Vec) geom.Pt) {
	shift := func(v geom.Vec) geom.Vec { return r3.Sub(bFromA.Apply(v), v) }
	by[0] = byRay(r3.Scale(near, shift(geom.Vec{X: 1})))
	by[1] = byRay(r3.Scale(near, shift(geom.Vec{Z: 1})))
	by[2], by[3] = geom.Pt{}, geom.Pt{}
	if near > 0 {
		e1, e2 := tangents(p.down)
		whole := shift(p.offset())
		by[2] = byRay(r3.Scale(r3.Dot(aFromWorld.Apply(e1), rayInA), whole))
		by[3] = byRay(r3.Scale(r3.Dot(aFromWorld.Apply(e2), rayInA), whole))
	}
}

// tangents returns two unit vectors at right angles to the unit vector v and to
// each other.
func tangents(v geom.Vec) (e1, e2 geom.Vec) {
	e1 = geom.Vec{X: 1}
	if math.Abs(v.X) > 0.7 {
		e1 = geom.Vec{Z: 1}
	}
	e1 = unit(r3.Sub(e1, r3.Scale(r3.Dot(e1, v), v)))
	return e1, cross(v, e1)
}

func unit(v geom.Vec) geom.Vec { return r3.Scale(1/r3.Norm(v), v) }

// PupilSolution says where the lens's entrance pupil lies against the axis about
// which the camera turned: what shifts near things against far ones.
type PupilSolution struct {
	// Known is false if nothing near tells, or the near things do not lie as they
	// would on level ground. All the rest is then zero.
	Known bool `json:"known"`
	// ForwardMM and RightMM are millimetres by which the pupil lies in front of
	// the axis, and to its right, if the lens was EyeM metres above the ground:
	// move the camera backward and left by as much. They grow with the eye's
	// height.
	ForwardMM float64 `json:"forward_mm"`
	RightMM   float64 `json:"right_mm"`
	// SigmaMM is the standard deviation of the two.
	SigmaMM float64 `json:"sigma_mm"`
	EyeM    float64 `json:"eye_m"`
}

// The offset is told if its standard deviation is below sureMM or sureShare of it.
const (
	sureMM    = 3.0
	sureShare = 0.1
)

// pupilSolution says what is known of the pupil.
func (a *aligner) pupilSolution() PupilSolution {
	eye := a.o.eyeM()
	mm := 1000 * eye
	p := PupilSolution{
		Known: true, EyeM: eye,
		ForwardMM: round(mm*a.pupil.forward, 100), RightMM: round(mm*a.pupil.right, 100),
		SigmaMM: round(mm*math.Hypot(a.pupilSigma[0], a.pupilSigma[1])/math.Sqrt2, 100),
	}
	if a.pupil == (pupil{}) || !(p.SigmaMM <= max(sureMM, sureShare*math.Hypot(p.ForwardMM, p.RightMM))/2) {
		return PupilSolution{}
	}
	return p
}

// says tells a photographer how far to move the camera on its rail, with what that
// rests on.
func (p *PupilSolution) says() string {
	way := func(mm float64, to, back string) string {
		if mm < 0 {
			mm, back = -mm, to
		}
		return fmt.Sprintf("%.0f mm %s", mm, back)
	}
	text := "move the camera " + way(p.ForwardMM, "forward", "back")
	if math.Abs(p.RightMM) > max(sureMM, 2*p.SigmaMM) {
		text += " and " + way(p.RightMM, "to the right", "to the left")
	}
	return fmt.Sprintf("%s on its rail (± %.0f mm, if the lens was %.2g m above level ground)", text, math.Ceil(2*p.SigmaMM), p.EyeM)
}

// A shift is worth advice from this share of the frame's width and so many pixels
// on: what is less, and has been bent, nobody would find.
const tellShift, tellShiftPx = 0.005, 2

// pupilAdvice says what near things did, and what helps the next time; empty if
// they did nothing to speak of.
func (a *aligner) pupilAdvice(sol *Solution) string {
	var worst *PairSolution
	least := max(tellShift*float64(a.rig.width), tellShiftPx)
	shifted, joined := 0, 0
	for i := range sol.Pairs {
		p := &sol.Pairs[i]
		if p.Verdict == NotJoined || p.Shift == nil {
			continue
		}
		joined++
		if p.Shift.Kind != ShiftParallax || p.Shift.LargestPx < least {
			continue
		}
		if shifted++; worst == nil || p.Shift.LargestPx > worst.Shift.LargestPx {
			worst = p
		}
	}
	if worst == nil {
		return ""
	}
	s := worst.Shift
	text := fmt.Sprintf("Near things shift by up to %.0f pixels between %s and %s", s.LargestPx,
		filepath.Base(a.frames[worst.A].Name), filepath.Base(a.frames[worst.B].Name))
	if s.NearM > 0 {
		text += fmt.Sprintf(", where something is %.1f m away", s.NearM)
	}
	if s.LeftPx < 0.7*s.LargestPx {
		text += fmt.Sprintf("; the frames are bent to meet, which leaves %.1f", s.LeftPx)
	}
	if sol.Pupil.Known {
		return text + ". For the next row " + sol.Pupil.says() + "."
	}
	if !besidePupil(shifted, joined) {
		return text + ". The camera moved there, or something near is only there: the next row leave the tripod untouched, and turn about the lens's entrance pupil."
	}
	return text + ". The next row turn about the lens's entrance pupil."
}
