package plan

import (
	"encoding/json"
	"fmt"
	"math"

	"flatfell.example/geom"
)

// Plan is the answer to a [Request]: pure data, whose JSON form is what
// flatfell plan --json prints. Sizes are [width, height].
type Plan struct {
	Frames int `json:"frames"`
	// TurnDeg is the angle from frame to frame, 0 for a single one.
	TurnDeg float64 `json:"turn_deg"`
	// CoverageDeg is the angle from edge to edge.
	CoverageDeg float64 `json:"coverage_deg"`
	// Overlap is the share of a frame's angle in common with the next.
	Overlap float64 `json:"overlap"`
	Surface Surface `json:"surface"`
	// OutputPx is everything that the level row covers on the surface, InsidePx
	// what is left after the crop.
	OutputPx [2]int `json:"output_px"`
	InsidePx [2]int `json:"inside_px"`
	// Closed says that the row goes all the way round.
	Closed bool `json:"closed"`
	// MarksDeg are the frames' angles on a scale that reads 0 at the first.
	MarksDeg []float64 `json:"marks_deg"`
	// ClicksPerTurn is the number of stops between frames, if StopDeg is given.
	StopDeg       float64 `json:"stop_deg,omitempty"`
	ClicksPerTurn int     `json:"clicks_per_turn,omitempty"`
	// BaseStops is the smallest number of stops in a full turn of a base on
	// which one stop a frame keeps the overlap.
	BaseStops int `json:"base_stops,omitempty"`

	Camera    CameraFacts    `json:"camera"`
	Surfaces  []SurfaceFacts `json:"surfaces"`
	Prints    []PrintFacts   `json:"prints"`
	Files     FileFacts      `json:"files"`
	Held      HeldFacts      `json:"held"`
	Single    SingleFacts    `json:"single_frame"`
	Level     LevelFacts     `json:"level"`
	Parallax  ParallaxFacts  `json:"parallax"`
	Focus     *FocusFacts    `json:"focus,omitempty"`
	Time      *TimeFacts     `json:"time,omitempty"`
	Exposures int            `json:"exposures"` // frames × slices
	// Advice is what to mind about this row, a sentence each.
	Advice []string `json:"advice"`

	// Row is the row that is planned, Crop what is left of it on Surface.
	Row  Row  `json:"-"`
	Crop Rect `json:"-"`
}

// Metres is a distance; infinity is null in JSON.
type Metres float64

// MarshalJSON implements json.Marshaler.
func (m Metres) MarshalJSON() ([]byte, error) {
	if math.IsInf(float64(m), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(m))
}

// CameraFacts are the camera's as it is held.
type CameraFacts struct {
	FocalMM      float64    `json:"focal_mm"`
	EquivalentMM float64    `json:"equivalent_35mm"`
	FocalPx      float64    `json:"focal_px"`
	SensorMM     [2]float64 `json:"sensor_mm"` // the longer side first
	FramePx      [2]int     `json:"frame_px"`  // as held
	Portrait     bool       `json:"portrait"`
	AcrossDeg    float64    `json:"across_deg"`
	UpDeg        float64    `json:"up_deg"`
	DiagonalDeg  float64    `json:"diagonal_deg"`
}

// SurfaceFacts is the picture on one surface.
type SurfaceFacts struct {
	Surface Surface `json:"surface"`
	// Fits is false where the row is too wide for it; the sizes are 0 then.
	Fits     bool   `json:"fits"`
	OutputPx [2]int `json:"output_px"`
	InsidePx [2]int `json:"inside_px"`
}

// PrintFacts is the cropped picture in print at one resolution.
type PrintFacts struct {
	PPI    float64    `json:"ppi"`
	SizeCM [2]float64 `json:"size_cm"`
	// Sheet is the largest of ISO 216 that it covers to all edges, if any.
	Sheet string `json:"sheet,omitempty"`
	// Arm marks the resolution that the eye can't exceed at arm's length.
	Arm bool `json:"arms_length,omitempty"`
}

// FileFacts are sizes in bytes.
type FileFacts struct {
	Megapixels float64 `json:"megapixels"`
	JPEGBytes  int64   `json:"jpeg_bytes"`
	TIFFBytes  int64   `json:"tiff_16_bit_bytes"`
	// StitchMemoryBytes is the memory that joining the row takes.
	StitchMemoryBytes int64 `json:"stitch_memory_bytes"`
}

const (
	// jpegBytesPerPixel is that of a detailed landscape at quality 95: 0.34 to
	// 0.51 for real rows, less for much sky and mist.
	jpegBytesPerPixel = 0.5
	// tiffBytesPerPixel is that of 3 × 16 bits uncompressed.
	tiffBytesPerPixel = 6
	// stitchBytes and stitchBytesPerPixel, of the frames, are what package
	// stitch takes: 0.34, 0.38 and 0.54 GB for 5.5, 18 and 156 megapixels of
	// JPEG frames. Toward stitchMost frames are read again and the picture
	// waits in a file: 0.6 GB for 624 megapixels.
	stitchBytes         = 350e6
	stitchBytesPerPixel = 1.25
	stitchMost          = 0.7e9
)

// HeldFacts compares the two ways to hold the camera over the same coverage, or
// for the same shape of the picture if the row was asked for by that.
type HeldFacts struct {
	Portrait  HeldRow `json:"portrait"`
	Landscape HeldRow `json:"landscape"`
	// Surface is where both are laid out: that of the plan, or the cylinder if
	// one of the two is too wide for it.
	Surface Surface `json:"surface"`
	// Height and Pixels are those after the crop in portrait as a multiple of
	// those in landscape; Margin is the share of the portrait picture's height
	// that may be cut away before it is as low as the other.
	Height float64 `json:"portrait_height_ratio"`
	Pixels float64 `json:"portrait_pixel_ratio"`
	Margin float64 `json:"portrait_crop_margin"`
}

// HeldRow is the row in one of them.
type HeldRow struct {
	Frames      int     `json:"frames"`
	TurnDeg     float64 `json:"turn_deg"`
	CoverageDeg float64 `json:"coverage_deg"`
	InsidePx    [2]int  `json:"inside_px"`
	UpDeg       float64 `json:"up_deg"`
	Megapixels  float64 `json:"megapixels"`
}

// SingleFacts is the single frame that the row is better than.
type SingleFacts struct {
	AcrossDeg float64 `json:"across_deg"` // held across
	UpDeg     float64 `json:"up_deg"`
	// FocalMM is the focal length with which one frame, held across, would see
	// the coverage; 0 from a half turn on, which no flat picture sees.
	FocalMM      float64 `json:"focal_mm,omitempty"`
	EquivalentMM float64 `json:"equivalent_35mm,omitempty"`
	// Megapixels is what is left of that frame, cut to the shape of the row's
	// picture, and Gain how many times as many the row has.
	Megapixels float64 `json:"megapixels"`
	Gain       float64 `json:"gain"`
}

// LevelFacts is what a setup out of level costs.
type LevelFacts struct {
	Cases []LevelCase `json:"cases"`
	// EnoughDeg is how far the axis may lean, sideways or forward, for the
	// height KeepPx to be left, which is the share KeepShare of the picture's:
	// 95 % of it if none is wanted, or more than there is.
	KeepPx           int     `json:"keep_px"`
	KeepShare        float64 `json:"keep_share"`
	EnoughDeg        float64 `json:"enough_deg"`
	EnoughForwardDeg float64 `json:"enough_forward_deg"`
}

// LevelCase is what is left of the picture, as [Row.Kept] reckons it, if one thing
// is out of level by an angle.
type LevelCase struct {
	Deg float64 `json:"deg"`
	// Sideways and Forward are of the turning axis, Camera of a camera that
	// is rolled on a level base.
	Sideways float64 `json:"sideways"`
	Forward  float64 `json:"forward"`
	Camera   float64 `json:"camera_rolled"`
}

// ParallaxFacts is how near the foreground may be.
type ParallaxFacts struct {
	// Known says that the offset was given; else two usual ones are told.
	Known bool           `json:"known"`
	Cases []ParallaxCase `json:"cases"`
}

// ParallaxCase is that for one offset of the entrance pupil from the axis.
type ParallaxCase struct {
	OffsetMM float64 `json:"offset_mm"`
	// NearestM are the distances from the axis at which neighbouring frames
	// show a thing 1, 2 and 3 pixels apart.
	NearestM [3]float64 `json:"nearest_m"`
	// AtNearPx is how far apart they show the near point, if one is given; it
	// is -1 if that lies before the pupil.
	AtNearPx float64 `json:"at_near_px,omitempty"`
}

// FocusFacts is where to focus.
type FocusFacts struct {
	// FNumber is the engraved one, Exact what is reckoned with.
	FNumber    float64 `json:"f_number"`
	Exact      float64 `json:"exact_f_number"`
	CircleMM   float64 `json:"circle_mm"`
	CirclePx   float64 `json:"circle_px"`
	Hyperfocal Metres  `json:"hyperfocal_m"`
	// NearLimit is the nearest sharp distance with the focus there, with
	// infinity just sharp; NearAtInfinity that with the focus at infinity.
	NearLimit      Metres `json:"near_limit_m"`
	NearAtInfinity Metres `json:"near_limit_at_infinity_m"`
	// AiryPx is the diameter of the disc of diffraction in pixels.
	AiryPx float64 `json:"diffraction_px"`
	// Slices are the distances of a focus bracket, if it was asked for, and
	// Meet the share of CircleMM at which they meet at most.
	Slices []Metres `json:"slices_m,omitempty"`
	Meet   float64  `json:"slices_meet,omitempty"`
}

// TimeFacts is how long it takes, and what moves meanwhile.
type TimeFacts struct {
	BaseSeconds    float64 `json:"base_s"`
	FilterStops    float64 `json:"filter_stops"`
	ShutterSeconds float64 `json:"shutter_s"`
	// EV is that of the light at ISO 100, if the aperture and the ISO are known.
	EV           float64 `json:"ev100,omitempty"`
	ISO          float64 `json:"iso,omitempty"`
	FrameSeconds float64 `json:"frame_s"`
	RowSeconds   float64 `json:"row_s"`
	SunDeg       float64 `json:"sun_moves_deg"`
	// CloudDeg is the drift of clouds 20° above the horizon from one frame to
	// the next, on a breezy day, and CloudPx the same in pixels.
	CloudDeg float64 `json:"clouds_move_deg"`
	CloudPx  float64 `json:"clouds_move_px"`
}

// leans are the angles of the crop budget in degrees.
var leans = [...]float64{0.5, 1, 2, 3}

// New plans a row. The error says which wish is impossible and what would be
// possible.
func New(q Request) (*Plan, error) {
	if err := q.Camera.Validate(); err != nil {
		return nil, err
	}
	if err := q.Validate(); err != nil {
		return nil, err
	}
	q.Wish.On = q.Surface
	row, err := q.Wish.Row(q.Camera)
	if err != nil {
		return nil, err
	}
	s := q.Surface
	if s == "" {
		s = Cylinder
	}
	w, h, err := row.Outer(s)
	if err != nil {
		return nil, err
	}
	p := &Plan{
		Frames: row.Frames, TurnDeg: row.Turn.Degrees(), CoverageDeg: row.Coverage().Degrees(), Overlap: row.Overlap(),
		Surface: s, OutputPx: rounded(w, h), Closed: row.Closed,
		StopDeg: q.Wish.Stop.Degrees(), Exposures: row.Frames, Advice: []string{},
		Row: row, Crop: row.Inside(s, Tilt{}, q.Wish.ShapeW, q.Wish.ShapeH),
	}
	p.InsidePx = p.Crop.size()
	for _, m := range row.Marks() {
		p.MarksDeg = append(p.MarksDeg, m.Degrees())
	}
	if row.Turn > 0 {
		p.BaseStops = row.BaseStops()
		if q.Wish.Stop > 0 {
			p.ClicksPerTurn = int(math.Round(float64(row.Turn / q.Wish.Stop)))
		}
	}
	p.camera()
	p.surfaces(q.Wish)
	p.prints()
	if err := p.compare(q.Wish); err != nil {
		return nil, err
	}
	p.single()
	p.level(q)
	p.parallax(q)
	if err := p.focus(q); err != nil {
		return nil, err
	}
	p.time(q)
	p.advise(q)
	return p, nil
}

func rounded(w, h float64) [2]int { return [2]int{int(math.Round(w)), int(math.Round(h))} }

// size is q in whole pixels.
func (q Rect) size() [2]int { return rounded(q.Width(), q.Height()) }

func megapixels(size [2]int) float64 { return float64(size[0]) * float64(size[1]) / 1e6 }

func (p *Plan) camera() {
	c := p.Row.Camera
	p.Camera = CameraFacts{
		FocalMM: c.FocalMM, EquivalentMM: c.EquivalentMM(), FocalPx: c.FocalPx(), Portrait: c.Portrait,
		SensorMM: [2]float64{c.LongMM, c.ShortMM}, FramePx: [2]int{c.Width(), c.Height()},
		AcrossDeg: c.Across().Degrees(), UpDeg: c.Up().Degrees(), DiagonalDeg: c.Diagonal().Degrees(),
	}
}

func (p *Plan) surfaces(w Wish) {
	for _, s := range []Surface{Cylinder, Plane, Sphere} {
		f := SurfaceFacts{Surface: s}
		if width, height, err := p.Row.Outer(s); err == nil {
			f.Fits, f.OutputPx = true, rounded(width, height)
			f.InsidePx = p.Row.Inside(s, Tilt{}, w.ShapeW, w.ShapeH).size()
		}
		p.Surfaces = append(p.Surfaces, f)
	}
}

func (p *Plan) prints() {
	w, h := float64(p.InsidePx[0]), float64(p.InsidePx[1])
	arm := PPIAt(ArmCM, Acuity)
	for _, ppi := range []float64{300, 240, 180, arm} {
		f := PrintFacts{PPI: ppi, SizeCM: [2]float64{PrintCM(w, ppi), PrintCM(h, ppi)}, Arm: ppi == arm}
		f.Sheet, _ = LargestSheet(w, h, ppi)
		p.Prints = append(p.Prints, f)
	}
	px, c := w*h, p.Row.Camera
	p.Files = FileFacts{
		Megapixels: megapixels(p.InsidePx), JPEGBytes: int64(jpegBytesPerPixel * px), TIFFBytes: int64(tiffBytesPerPixel * px),
		StitchMemoryBytes: int64(min(stitchMost, stitchBytes+stitchBytesPerPixel*float64(p.Frames)*float64(c.Width())*float64(c.Height()))),
	}
}

// compare plans the same coverage, or the same shape, held both ways.
func (p *Plan) compare(w Wish) error {
	other, err := p.otherwise(w)
	if err != nil {
		return err
	}
	s := p.Surface
	if _, _, err := other.Outer(s); err != nil {
		s = Cylinder
	}
	portrait, landscape := p.Row, other
	if other.Camera.Portrait {
		portrait, landscape = other, p.Row
	}
	held := func(r Row) HeldRow {
		in := r.Inside(s, Tilt{}, w.ShapeW, w.ShapeH).size()
		return HeldRow{r.Frames, r.Turn.Degrees(), r.Coverage().Degrees(), in, r.Camera.Up().Degrees(), megapixels(in)}
	}
	a, b := held(portrait), held(landscape)
	height := float64(a.InsidePx[1]) / float64(b.InsidePx[1])
	p.Held = HeldFacts{Portrait: a, Landscape: b, Surface: s, Height: height, Margin: 1 - 1/height, Pixels: a.Megapixels / b.Megapixels}
	if w.ShapeW == 0 {
		// Both show the same number of pixels across a view: compare what a part
		// of the width is worth, or the row that reaches farther would win.
		p.Held.Pixels *= landscape.reach(s) / portrait.reach(s)
	}
	return nil
}

// otherwise is the row with the camera held the other way.
func (p *Plan) otherwise(w Wish) (Row, error) {
	c := p.Row.Camera.Held(!p.Row.Camera.Portrait)
	same := Wish{Coverage: w.Coverage, Overlap: w.Overlap}
	if same.Overlap == 0 && p.Overlap > 0 && w.Coverage == 0 {
		same.Overlap = p.Overlap
	}
	if w.Coverage == 0 && w.Frames == 0 {
		if r, err := (Wish{ShapeW: w.ShapeW, ShapeH: w.ShapeH, On: w.On, Overlap: same.Overlap}).Row(c); err == nil {
			return r, nil
		}
		// Held so, no row is as wide for its height: take one of the same coverage.
	}
	if same.Coverage == 0 {
		same.Coverage = p.Row.Coverage()
	}
	return same.Row(c)
}

// reach is the width of a row on a surface in focal lengths.
func (r Row) reach(s Surface) float64 {
	w, _, _ := r.Outer(s)
	return w / r.Camera.FocalPx()
}

// SingleCropMegapixels is what is left of one frame, held across, when it is
// cut to a shape of width over height.
func SingleCropMegapixels(longPx, shortPx int, shape float64) float64 {
	w, h := float64(longPx), float64(shortPx)
	if shape > w/h {
		return w * w / shape / 1e6
	}
	return h * h * shape / 1e6
}

func (p *Plan) single() {
	c := p.Row.Camera.Held(false)
	s := &p.Single
	s.AcrossDeg, s.UpDeg = c.Across().Degrees(), c.Up().Degrees()
	if cover := p.Row.Coverage(); cover < math.Pi-turnSlack {
		s.FocalMM = FocalFor(c.LongMM, cover)
		s.EquivalentMM = s.FocalMM * Diagonal35MM / c.diagonalMM()
	}
	s.Megapixels = SingleCropMegapixels(c.LongPx, c.ShortPx, float64(p.InsidePx[0])/float64(p.InsidePx[1]))
	s.Gain = p.Files.Megapixels / s.Megapixels
}

// usualKeep is the share of the height that a careful setup keeps.
const usualKeep = 0.95

func (p *Plan) level(q Request) {
	l, w, h := &p.Level, q.Wish.ShapeW, q.Wish.ShapeH
	kept := func(t Tilt) float64 { return p.Row.Kept(p.Surface, t, w, h) }
	for _, deg := range leans {
		a := geom.Angle(deg) * geom.Degree
		l.Cases = append(l.Cases, LevelCase{deg, kept(Tilt{AxisRoll: a}), kept(Tilt{AxisPitch: a}), kept(Tilt{CameraRoll: a})})
	}
	height, wanted := p.Crop.Height(), q.WantedHeightPx
	l.KeepPx, l.KeepShare = wanted, min(1, float64(wanted)/height)
	if wanted == 0 || wanted > p.InsidePx[1] {
		l.KeepPx, l.KeepShare = int(usualKeep*height), usualKeep
	}
	l.EnoughDeg = p.Row.LevelEnough(p.Surface, w, h, l.KeepShare, false).Degrees()
	l.EnoughForwardDeg = p.Row.LevelEnough(p.Surface, w, h, l.KeepShare, true).Degrees()
	if wanted > p.InsidePx[1] {
		upright := ""
		if !p.Camera.Portrait {
			upright = "hold the camera upright, or "
		}
		p.Advice = append(p.Advice, fmt.Sprintf("Even a level row is %d pixels high after the crop, not %d: %stake a longer lens and more frames.", p.InsidePx[1], wanted, upright))
	}
}

func (p *Plan) parallax(q Request) {
	p.Parallax.Known = q.PupilKnown
	offsets := []float64{PupilNoRailMM, PupilRailMM}
	if q.PupilKnown {
		offsets = []float64{math.Abs(q.PupilOffsetMM)}
		if offsets[0] > PupilRailMM {
			offsets = append(offsets, PupilRailMM)
		}
	}
	for _, r := range offsets {
		c := ParallaxCase{OffsetMM: r}
		for i := range c.NearestM {
			c.NearestM[i] = p.Row.NearestM(r, float64(i+1))
		}
		if q.NearM > 0 {
			c.AtNearPx = p.Row.ParallaxPx(r, q.NearM)
			if math.IsInf(c.AtNearPx, 1) {
				c.AtNearPx = -1
			}
		}
		p.Parallax.Cases = append(p.Parallax.Cases, c)
	}
}

func (p *Plan) focus(q Request) error {
	if q.FNumber == 0 {
		return nil
	}
	c := p.Row.Camera
	o := Optics{FocalMM: c.FocalMM, FNumber: ExactFNumber(q.FNumber), CircleMM: q.CircleMM}
	if o.CircleMM == 0 {
		o.CircleMM = c.CircleMM()
	}
	if err := o.Validate(); err != nil {
		return err
	}
	h := o.HyperfocalM()
	near, _ := o.LimitsM(h)
	atInfinity, _ := o.LimitsM(math.Inf(1))
	f := &FocusFacts{
		FNumber: q.FNumber, Exact: o.FNumber, CircleMM: o.CircleMM, CirclePx: o.CircleMM / c.PitchMM(),
		Hyperfocal: Metres(h), NearLimit: Metres(near), NearAtInfinity: Metres(atInfinity), AiryPx: o.AiryMM() / c.PitchMM(),
	}
	p.Focus = f
	if !q.Bracket {
		return nil
	}
	meet := q.Meet
	if meet == 0 {
		meet = DefaultMeet
	}
	slices, err := o.Bracket(q.NearM, meet)
	if err != nil {
		return err
	}
	f.Meet = o.WorstMeetingMM(slices) / o.CircleMM
	for _, s := range slices {
		f.Slices = append(f.Slices, Metres(s))
	}
	p.Exposures = p.Frames * len(slices)
	return nil
}

// cloudElevation is where the drift of clouds is told: low in a landscape's
// sky, where they are large enough to be cut by a seam.
const cloudElevation = 20 * geom.Degree

func (p *Plan) time(q Request) {
	if q.ShutterSeconds == 0 {
		return
	}
	t := &TimeFacts{BaseSeconds: q.ShutterSeconds, ISO: q.ISO}
	for _, s := range q.FilterStops {
		t.FilterStops += s
	}
	t.ShutterSeconds = Stretched(q.ShutterSeconds, t.FilterStops)
	if q.FNumber > 0 && q.ISO > 0 {
		t.EV = EV(ExactFNumber(q.FNumber), q.ShutterSeconds, q.ISO)
	}
	pace := Pace{t.ShutterSeconds, q.TimerSeconds, q.TurnSeconds}
	slices := p.Exposures / p.Frames
	t.FrameSeconds, t.RowSeconds = pace.FrameSeconds(slices), pace.RowSeconds(p.Frames, slices)
	t.SunDeg = SunMoves(t.RowSeconds).Degrees()
	drift := CloudsMove(CloudMetresPerSecond, CloudHeightM, cloudElevation, t.FrameSeconds)
	t.CloudDeg, t.CloudPx = drift.Degrees(), float64(drift)*p.Row.Camera.FocalPx()
	p.Time = t
}
