package scene

import (
	"encoding/json"
	"fmt"
	"math"

	"flatfell.example/geom"
)

// Row is what the photographer and the camera do. The zero value is five
// faultless portrait frames of 800 × 1200 pixels that overlap by a third.
type Row struct {
	// Frames is the number of frames; zero means 5. FullTurn ignores it.
	Frames int
	// Width and Height in pixels; zero means 800 × 1200.
	Width, Height int
	// FocalPx is the focal length in pixels; zero means Width·23/15.6, a
	// 23 mm lens before the short side of a 23.5 × 15.6 mm sensor.
	FocalPx float64
	// Overlap is the part of its view angle that a frame shares with the
	// next, below 1; zero means 1/3.
	Overlap float64
	// FullTurn spaces the frames evenly over 360°, as many as give at least
	// Overlap.
	FullTurn bool
	// RollErr, PitchErr and YawErr are the largest errors of each frame's
	// angles, drawn uniformly from ±.
	RollErr, PitchErr, YawErr geom.Angle
	// Pitch is the common elevation of the optical axis.
	Pitch geom.Angle
	// Radial is the lens's distortion, see geom.Camera.
	Radial [3]float64
	// CentreOffsetPx moves the principal point from the frame's middle.
	CentreOffsetPx geom.Pt
	// ExposureEV is the largest exposure error, drawn uniformly from ±.
	ExposureEV float64
	// WhiteBalanceK is the largest error of the white balance about 5500 K,
	// drawn uniformly from ±; below 3000.
	WhiteBalanceK float64
	// VignettingStops is the loss of light in the frame's corners.
	VignettingStops float64
	// VignettingAt is where light falls off from, right of and below the middle
	// of the frame, as shares of its width.
	VignettingAt [2]float64
	// GraduatedStops is the loss of light at the top of a frame behind a soft
	// graduated filter, whose edge lies across the frame's middle.
	GraduatedStops float64
	// GraduatedErr is the largest error of the edge's height, as a share of
	// the frame's height, drawn uniformly from ±.
	GraduatedErr float64
	// ToneCurve applies an S-shaped curve to the encoded picture.
	ToneCurve bool
	// Noise is the standard deviation of the noise in the encoded picture, 1
	// = full scale.
	Noise float64
	// PupilOffset is the entrance pupil relative to the turning axis, in the
	// camera frame, in metres, at most MaxOrigin.
	PupilOffset geom.Vec
	// FrameSeconds is the time between frames; zero means 4.
	FrameSeconds float64
	// Supersample is the number of samples a pixel in x and in y; zero means 2.
	Supersample int
	// Seed selects the errors and the noise.
	Seed uint64
}

// withDefaults fills in what is zero.
func (r Row) withDefaults() Row {
	def := func(p *int, v int) {
		if *p == 0 {
			*p = v
		}
	}
	deff := func(p *float64, v float64) {
		if *p == 0 {
			*p = v
		}
	}
	def(&r.Frames, 5)
	def(&r.Width, 800)
	def(&r.Height, 1200)
	def(&r.Supersample, 2)
	deff(&r.FocalPx, float64(r.Width)*23/15.6)
	deff(&r.Overlap, 1.0/3)
	deff(&r.FrameSeconds, 4)
	return r
}

// Validate returns an [ErrOptions] if a field is out of range.
func (r Row) Validate() error {
	r = r.withDefaults()
	for _, c := range []struct {
		name string
		ok   bool
	}{
		{"Frames", r.Frames >= 1 && r.Frames <= 1000},
		{"Width, Height", r.Width >= 1 && r.Height >= 1 && r.Width <= 1<<16 && r.Height <= 1<<16},
		{"FocalPx", r.FocalPx > 0 && !math.IsInf(r.FocalPx, 0)},
		{"Overlap", r.Overlap > -1 && r.Overlap < 1},
		{"WhiteBalanceK", r.WhiteBalanceK >= 0 && r.WhiteBalanceK < 3000},
		{"VignettingStops", r.VignettingStops >= 0},
		{"GraduatedStops", r.GraduatedStops >= 0},
		{"Noise", r.Noise >= 0},
		{"Supersample", r.Supersample >= 1 && r.Supersample <= 64},
		{"PupilOffset", norm(r.PupilOffset) <= MaxOrigin},
	} {
		if !c.ok {
			return fmt.Errorf("%w: Row.%s", ErrOptions, c.name)
		}
	}
	return nil
}

func norm(v geom.Vec) float64 { return math.Sqrt(v.X*v.X + v.Y*v.Y + v.Z*v.Z) }

// Truth is everything about a row that a stitcher has to find out.
type Truth struct {
	Seed       uint64       `json:"seed"`
	Frames     []FrameTruth `json:"frames"`
	Vignetting [3]float64   `json:"vignetting"` // a1, a2, a3, see Truth.Light
	// VignettingAt is the place about which light falls off, see Row.
	VignettingAt [2]float64 `json:"vignetting_at"`
	// GraduatedStops is the loss of light above each frame's GraduatedEdge.
	GraduatedStops float64    `json:"graduated_stops"`
	ToneCurve      bool       `json:"tone_curve"`
	Noise          float64    `json:"noise"`
	PupilOffset    [3]float64 `json:"pupil_offset_m"`
	Supersample    int        `json:"supersample"`
}

// FrameTruth is the truth about one frame.
type FrameTruth struct {
	// File names the frame, without a folder; photographs are named so by
	// whoever writes them.
	File   string
	Camera geom.Camera
	// Origin is the entrance pupil in the world frame, in metres.
	Origin geom.Vec
	// Gain multiplies the linear light of each channel.
	Gain [3]float64
	// GraduatedEdge is the height of the middle of a graduated filter's edge,
	// as a share of the frame's height from its top.
	GraduatedEdge    float64
	Yaw, Pitch, Roll geom.Angle
	// Seconds is when the frame was taken.
	Seconds float64
	Movers  []MoverTruth
	// Lens blurs the frame; [Scene.Plan] leaves it zero.
	Lens Lens
}

// MoverTruth says where a mover is when a frame is taken.
type MoverTruth struct {
	Kind         string  `json:"kind"`
	AzimuthDeg   float64 `json:"azimuth_deg"`   // of its middle, from the axis
	ElevationDeg float64 `json:"elevation_deg"` // of its middle, up
	HalfWidthDeg float64 `json:"half_width_deg"`
	DistanceM    float64 `json:"distance_m"`
	// X, Y is its middle in the frame in pixels, if InFrame.
	X       float64 `json:"x_px"`
	Y       float64 `json:"y_px"`
	InFrame bool    `json:"in_frame"`
}

// frameJSON is the form of a FrameTruth in a file: the names of the solution
// file, where both have them.
type frameJSON struct {
	File          string        `json:"file"`
	Width         int           `json:"width"`
	Height        int           `json:"height"`
	FocalPx       float64       `json:"focal_px"`
	CentrePx      [2]float64    `json:"centre_px"`
	Radial        [3]float64    `json:"radial"`
	CamFromWorld  [3][3]float64 `json:"cam_from_world"`
	Origin        [3]float64    `json:"origin_m"`
	Gain          [3]float64    `json:"gain"`
	GraduatedEdge float64       `json:"graduated_edge"`
	YawDeg        float64       `json:"yaw_deg"`
	PitchDeg      float64       `json:"pitch_deg"`
	RollDeg       float64       `json:"roll_deg"`
	Seconds       float64       `json:"seconds"`
	Movers        []MoverTruth  `json:"movers,omitempty"`
}

// MarshalJSON implements json.Marshaler; angles are in degrees.
func (f FrameTruth) MarshalJSON() ([]byte, error) {
	c := &f.Camera
	j := frameJSON{
		File: f.File, Width: c.Width, Height: c.Height, FocalPx: c.FocalPx,
		CentrePx: [2]float64{c.CentrePx.X, c.CentrePx.Y}, Radial: c.Radial,
		Origin: [3]float64{f.Origin.X, f.Origin.Y, f.Origin.Z}, Gain: f.Gain, GraduatedEdge: f.GraduatedEdge,
		YawDeg: f.Yaw.Degrees(), PitchDeg: f.Pitch.Degrees(), RollDeg: f.Roll.Degrees(),
		Seconds: f.Seconds, Movers: f.Movers,
	}
	for i, v := range c.CamFromWorld {
		j.CamFromWorld[i/3][i%3] = v
	}
	return json.Marshal(j)
}

// UnmarshalJSON implements json.Unmarshaler.
func (f *FrameTruth) UnmarshalJSON(b []byte) error {
	var j frameJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	*f = FrameTruth{
		File: j.File,
		Camera: geom.Camera{
			Width: j.Width, Height: j.Height, FocalPx: j.FocalPx,
			CentrePx: geom.Pt{X: j.CentrePx[0], Y: j.CentrePx[1]}, Radial: j.Radial,
		},
		Origin: geom.Vec{X: j.Origin[0], Y: j.Origin[1], Z: j.Origin[2]}, Gain: j.Gain, GraduatedEdge: j.GraduatedEdge,
		Yaw: geom.Angle(j.YawDeg) * geom.Degree, Pitch: geom.Angle(j.PitchDeg) * geom.Degree,
		Roll: geom.Angle(j.RollDeg) * geom.Degree, Seconds: j.Seconds, Movers: j.Movers,
	}
	for i := range f.Camera.CamFromWorld {
		f.Camera.CamFromWorld[i] = j.CamFromWorld[i/3][i%3]
	}
	return nil
}

// Cameras returns the cameras of all frames.
func (t *Truth) Cameras() []geom.Camera {
	cs := make([]geom.Camera, len(t.Frames))
	for i := range cs {
		cs[i] = t.Frames[i].Camera
	}
	return cs
}

// Light returns the factor V = 1 + a1 r² + a2 r⁴ + a3 r⁶ by which the lens
// dims a pixel of a frame of camera c; r is the distance from VignettingAt,
// 1 = half the frame's diagonal.
func (t *Truth) Light(c *geom.Camera, p geom.Pt) float64 {
	w, h := float64(c.Width), float64(c.Height)
	dx, dy := p.X-c.CentrePx.X-w*t.VignettingAt[0], p.Y-c.CentrePx.Y-w*t.VignettingAt[1]
	r2 := 4 * (dx*dx + dy*dy) / (w*w + h*h)
	a := &t.Vignetting
	return 1 + r2*(a[0]+r2*(a[1]+r2*a[2]))
}

// graduatedSoftness is the part of a frame's height over which a soft
// graduated filter goes from clear to dark (common practice: about half the
// filter's height for a soft edge).
const graduatedSoftness = 0.4

// filter returns the part of the light that a graduated filter lets through to
// line y of frame f.
func (t *Truth) filter(f *FrameTruth, y float64) float64 {
	if t.GraduatedStops == 0 {
		return 1
	}
	below := y/float64(f.Camera.Height) - f.GraduatedEdge
	return math.Exp2(-t.GraduatedStops * (1 - step(-graduatedSoftness/2, graduatedSoftness/2, below)))
}

// Plan returns the cameras, gains and movers of a row without rendering it.
// It panics if row is not valid.
func (s *Scene) Plan(row Row) Truth {
	if err := row.Validate(); err != nil {
		panic(err.Error())
	}
	row = row.withDefaults()
	n := row.Frames
	view := 2 * math.Atan2(float64(row.Width)/2, row.FocalPx)
	turn := view * (1 - row.Overlap)
	if row.FullTurn {
		n = int(math.Ceil(2*math.Pi/turn - 1e-9))
		turn = 2 * math.Pi / float64(n)
	}
	loss := math.Exp2(-row.VignettingStops) - 1
	t := Truth{
		Seed: row.Seed, Frames: make([]FrameTruth, n),
		// Nearly the shape of cos⁴, scaled to the loss in the corner.
		Vignetting:     [3]float64{0.55 * loss, 0.55 * loss, -0.1 * loss},
		VignettingAt:   row.VignettingAt,
		GraduatedStops: row.GraduatedStops, ToneCurve: row.ToneCurve, Noise: row.Noise, Supersample: row.Supersample,
		PupilOffset: [3]float64{row.PupilOffset.X, row.PupilOffset.Y, row.PupilOffset.Z},
	}
	st := newStream(row.Seed, 7)
	for i := range t.Frames {
		f := &t.Frames[i]
		f.File = fmt.Sprintf("coast-%02d", i+1)
		f.Yaw = geom.Angle((float64(i)-float64(n-1)/2)*turn + st.sym(1)*row.YawErr.Radians())
		f.Pitch = row.Pitch + geom.Angle(st.sym(1)*row.PitchErr.Radians())
		f.Roll = geom.Angle(st.sym(1) * row.RollErr.Radians())
		f.Camera = geom.Camera{
			Width: row.Width, Height: row.Height, FocalPx: row.FocalPx,
			CentrePx: geom.Pt{
				X: float64(row.Width)/2 + row.CentreOffsetPx.X,
				Y: float64(row.Height)/2 + row.CentreOffsetPx.Y,
			},
			Radial:       row.Radial,
			CamFromWorld: geom.FromYawPitchRoll(f.Yaw, f.Pitch, f.Roll),
		}
		f.Origin = f.Camera.CamFromWorld.Inv().Apply(row.PupilOffset)
		ev := math.Exp2(st.sym(1) * row.ExposureEV)
		wb := whiteBalance(5500 + st.sym(1)*row.WhiteBalanceK)
		for c := range f.Gain {
			f.Gain[c] = ev * wb[c]
		}
		f.GraduatedEdge = 0.5
		if row.GraduatedErr > 0 { // last, so that it changes nothing else
			own := newStream(row.Seed, 8+uint64(i))
			f.GraduatedEdge += own.sym(1) * row.GraduatedErr
		}
		f.Seconds = float64(i) * row.FrameSeconds
		f.Movers = s.moverTruth(f)
	}
	return t
}

// whiteBalance returns the gains of a camera that is set to a light of the
// given colour temperature while the light has 5500 K, green = 1: ratios of
// Planck's law at 610, 545 and 465 nm.
func whiteBalance(kelvin float64) [3]float64 {
	planck := func(nm, t float64) float64 { // up to a factor that cancels
		return 1 / (math.Exp(1.438777e7/(nm*t)) - 1)
	}
	var g [3]float64
	for c, nm := range [3]float64{610, 545, 465} {
		g[c] = planck(nm, 5500) / planck(nm, kelvin)
	}
	return [3]float64{g[0] / g[1], 1, g[2] / g[1]}
}

func (s *Scene) moverTruth(f *FrameTruth) []MoverTruth {
	var ms []MoverTruth
	for i := range s.movers {
		m := &s.movers[i]
		v := m.middle(f.Seconds)
		mt := MoverTruth{
			Kind: string(m.kind), DistanceM: m.dist,
			AzimuthDeg:   m.azimuth(f.Seconds).Degrees(),
			ElevationDeg: geom.Angle(math.Atan2(-v.Y, m.dist)).Degrees(),
			HalfWidthDeg: geom.Angle(m.size / m.dist).Degrees(),
		}
		ray := geom.Vec{X: v.X - f.Origin.X, Y: v.Y - f.Origin.Y, Z: v.Z - f.Origin.Z}
		if p, ok := f.Camera.PixelFromWorld(ray); ok {
			mt.X, mt.Y, mt.InFrame = p.X, p.Y, f.Camera.Contains(p, 0)
		}
		ms = append(ms, mt)
	}
	return ms
}
