package scene

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"image/jpeg"
	"math"
	"path"
	"time"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// CardOptions are the dials of a [Card]. The zero value is a morning of about
// 110 portrait frames of 240 × 360 pixels.
type CardOptions struct {
	// Width and Height of an upright frame in pixels; zero means 240 × 360.
	Width, Height int
	// Sets is the number of things that the photographer sets out to do; zero
	// means 20. A restart, a test shot and a stranger come on top.
	Sets int
}

// Card is what a photographer brings home: rows, brackets and what lies between
// them, by one camera or two, on a coast for every place.
type Card struct {
	Seed  uint64
	Shots []CardShot // in the order in which they were taken
	// Kinds are the sets' kinds: "row", "focus bracket", "row of brackets",
	// "exposure variants", "repeats", "single".
	Kinds []string
}

// CardShot is one photograph of a card.
type CardShot struct {
	// File is its place on the card: a folder and a name, DCF's (JEITA CP-3461).
	File string
	// Set is the index of its set in Kinds.
	Set int
	// Meta is what the camera notes.
	Meta CardMeta
	// MetaLost says that a card with partly missing metadata lacks it here.
	MetaLost bool
	// Twin says that the camera stored a TIFF file of the same name, too.
	Twin  bool
	scene *Scene
	truth Truth
}

// CardMeta is the metadata of a photograph.
type CardMeta struct {
	Make, Model     string
	Time            time.Time
	ExposureSeconds float64
	FocalMM         float64
	Focal35MM       int
	ISO             int
	FNumber         float64
}

// cardMaker lays a card out.
type cardMaker struct {
	Card
	o      CardOptions
	st     stream
	clock  time.Time
	number int
	folder int
	second int // numbers of the second camera
	two    bool
	flat   bool // one folder, whatever the numbers
	place  *Scene
	places int
}

// NewCard returns the card of a seed. Its photographs are rendered by
// [Card.Picture].
func NewCard(seed uint64, o CardOptions) *Card {
	if o.Width == 0 {
		o.Width, o.Height = 240, 360
	}
	if o.Sets == 0 {
		o.Sets = 20
	}
	m := &cardMaker{o: o, st: newStream(seed, 31), folder: 100, number: 1, second: 1}
	m.Seed = seed
	m.clock = time.Date(2026, 4, 11, 5, 40, 0, 0, time.UTC).Add(time.Duration(m.st.next()*3600) * time.Second)
	m.two, m.flat = seed%3 == 1, seed%2 == 0
	if seed%3 != 2 { // the numbers start again within the card
		m.number = 9999 - int(20+60*m.st.next())
	}
	for k := range o.Sets {
		if k%3 == 0 {
			m.move()
		}
		m.set(k)
	}
	return &m.Card
}

// move goes to another place.
func (m *cardMaker) move() {
	m.places++
	m.place = New(m.Seed*1000+uint64(m.places), Options{Movers: 4})
	m.clock = m.clock.Add(time.Duration(200+400*m.st.next()) * time.Second)
}

// set takes set k; ten are once round the kinds.
func (m *cardMaker) set(k int) {
	m.clock = m.clock.Add(time.Duration(40+120*m.st.next()) * time.Second)
	yaw, pitch := geom.Angle(m.st.sym(1.4)), geom.Angle(m.st.sym(0.05))
	switch k % 10 {
	case 0, 6: // a row after a test shot of its middle
		m.shoot(m.begin("single"), view{yaw: yaw + geom.Angle(m.st.sym(0.1)), pitch: pitch})
		m.clock = m.clock.Add(time.Duration(20+20*m.st.next()) * time.Second)
		m.row(yaw, pitch, 3+int(5*m.st.next()), k%10 == 6, 0)
	case 1:
		m.bracket(m.begin("focus bracket"), view{yaw: yaw, pitch: pitch - 0.15}, 3+int(4*m.st.next()))
	case 2: // a row after a mistake
		n := 4 + int(3*m.st.next())
		m.row(yaw, pitch, n, false, 2+int(1.5*m.st.next()))
		m.clock = m.clock.Add(time.Duration(8+10*m.st.next()) * time.Second)
		m.row(yaw, pitch, n, false, 0)
	case 3:
		set := m.begin("exposure variants")
		for _, ev := range [][]float64{{0, -1.3, 1.3}, {0, -0.7, 0.7}, {-2, -1, 0, 1, 1.7}}[int(3*m.st.next())] {
			m.shoot(set, view{yaw: yaw, pitch: pitch, ev: ev})
			m.clock = m.clock.Add(time.Second)
		}
	case 4: // brackets of focus at each position
		set := m.begin("row of brackets")
		for i := range 3 + int(2*m.st.next()) {
			m.bracket(set, view{yaw: m.stepped(yaw, i, false), pitch: pitch - 0.1}, 3)
			m.clock = m.clock.Add(time.Duration(6+6*m.st.next()) * time.Second)
		}
	case 5: // waiting for a wave
		set := m.begin("repeats")
		for range 2 + int(3*m.st.next()) {
			m.shoot(set, view{yaw: yaw, pitch: pitch, touch: 0.002})
			m.clock = m.clock.Add(time.Duration(3+5*m.st.next()) * time.Second)
		}
	case 7: // a row with something else in between
		m.strangeRow(yaw, pitch)
	case 8:
		m.shoot(m.begin("single"), view{yaw: yaw, pitch: pitch, flat: true})
		if m.two {
			m.secondCamera(yaw)
		}
	case 9: // brackets of exposure at each position
		set := m.begin("row of brackets")
		for i := range 3 {
			for _, ev := range []float64{0, -1.5, 1.2} {
				m.shoot(set, view{yaw: m.stepped(yaw, i, true), pitch: pitch, ev: ev})
				m.clock = m.clock.Add(time.Second)
			}
			m.clock = m.clock.Add(time.Duration(5+4*m.st.next()) * time.Second)
		}
	}
}

// begin starts a set of a kind.
func (m *cardMaker) begin(kind string) int {
	m.Kinds = append(m.Kinds, kind)
	return len(m.Kinds) - 1
}

// stepped returns the direction of a row's frame: steps that leave 30 to 40 % of
// the view angle.
func (m *cardMaker) stepped(yaw geom.Angle, i int, leftward bool) geom.Angle {
	wide := 2 * math.Atan2(float64(m.o.Width)/2, m.focal())
	turn := wide * (0.65*float64(i) + m.st.sym(0.025))
	if leftward {
		turn = -turn
	}
	return yaw + geom.Angle(turn)
}

func (m *cardMaker) focal() float64 { return float64(m.o.Width) * 23 / 15.6 }

// row takes a row of n frames, or of the first few if it is broken off.
func (m *cardMaker) row(yaw, pitch geom.Angle, n int, leftward bool, broken int) {
	set := m.begin("row")
	auto := 0.0
	if m.st.next() < 0.3 {
		auto = 0.25
	}
	start := yaw - (m.stepped(yaw, n-1, false)-yaw)/2
	if leftward {
		start = yaw + (m.stepped(yaw, n-1, false)-yaw)/2
	}
	if broken == 0 {
		broken = n
	}
	for i := range broken {
		m.shoot(set, view{yaw: m.stepped(start, i, leftward), pitch: pitch, ev: m.st.sym(auto), touch: 0.008})
		m.clock = m.clock.Add(time.Duration(4+5*m.st.next()) * time.Second)
	}
}

// strangeRow is a row during which the photographer turned about to something
// else.
func (m *cardMaker) strangeRow(yaw, pitch geom.Angle) {
	set, n := m.begin("row"), 4+int(3*m.st.next())
	at := 1 + int(float64(n-1)*m.st.next())
	for i := range n {
		if i == at {
			m.shoot(m.begin("single"), view{yaw: yaw + math.Pi, pitch: 0.1})
			m.clock = m.clock.Add(6 * time.Second)
		}
		m.shoot(set, view{yaw: m.stepped(yaw-0.6, i, false), pitch: pitch, touch: 0.008})
		m.clock = m.clock.Add(time.Duration(4+5*m.st.next()) * time.Second)
	}
}

// bracketPupilM is the pupil of a bracket's lens: wide, so that the blur of a
// small frame has as many pixels as that of a camera's.
const bracketPupilM = 0.03

// bracket focuses from the near ground to infinity.
func (m *cardMaker) bracket(set int, v view, n int) {
	for i := range n {
		v.lens = Lens{ApertureM: bracketPupilM, FocusM: 2.5 * float64(n-1) / math.Max(float64(n-1-i), 0.01)}
		m.shoot(set, v)
		m.clock = m.clock.Add(time.Duration(1+m.st.next()) * time.Second)
	}
}

// secondCamera takes a bracket of exposures and a single frame, in between.
func (m *cardMaker) secondCamera(yaw geom.Angle) {
	set := m.begin("exposure variants")
	for _, ev := range []float64{0, 1} {
		m.shoot(set, view{yaw: yaw, ev: ev, other: true})
		m.clock = m.clock.Add(2 * time.Second)
	}
	m.shoot(m.begin("single"), view{yaw: yaw + 2, other: true})
}

// view is how a shot is taken.
type view struct {
	yaw, pitch geom.Angle
	ev         float64
	lens       Lens
	touch      float64 // radians by which the direction is off, at most
	flat       bool    // held in landscape
	other      bool    // by the other camera
}

func (m *cardMaker) shoot(set int, v view) {
	row := Row{
		Frames: 1, Width: m.o.Width, Height: m.o.Height, FocalPx: m.focal(), Radial: [3]float64{-0.015}, VignettingStops: 0.4,
		Noise: 0.006, Seed: m.Seed<<16 + uint64(len(m.Shots)),
	}
	shot := CardShot{Set: set, scene: m.place}
	shot.Meta = CardMeta{
		Make: "Groyne", Model: "G1", Time: m.clock, ExposureSeconds: math.Exp2(v.ev) / 60,
		FocalMM: 23, Focal35MM: 35, ISO: 160, FNumber: 8,
	}
	switch {
	case v.other:
		row.Width, row.Height, row.FocalPx = m.o.Height*5/4, m.o.Width*5/4, m.focal()*0.9
		shot.Meta.Make, shot.Meta.Model, shot.Meta.FocalMM, shot.Meta.Focal35MM = "Dune", "Pocket 2", 4.7, 24
		shot.File = fmt.Sprintf("Camera/IMG_%04d.jpg", m.second)
		m.second++
	default:
		if v.flat {
			row.Width, row.Height = row.Height, row.Width
		}
		shot.File = path.Join(fmt.Sprintf("%dGROYN", m.folder), fmt.Sprintf("DSC_%04d.JPG", m.number))
		if m.number++; m.number > 9999 {
			m.number = 1
			if !m.flat {
				m.folder++
			}
		}
	}
	if v.lens != (Lens{}) {
		row.Supersample = 1 // the lens's own rays are enough
	}
	shot.truth = m.place.Plan(row)
	f := &shot.truth.Frames[0]
	f.Yaw, f.Pitch, f.Roll = v.yaw+geom.Angle(m.st.sym(v.touch)), v.pitch+geom.Angle(m.st.sym(v.touch)), geom.Angle(m.st.sym(v.touch))
	f.Camera.CamFromWorld = geom.FromYawPitchRoll(f.Yaw, f.Pitch, f.Roll)
	f.Lens = v.lens
	f.Seconds = float64(m.clock.Unix() % 600)
	for c := range f.Gain {
		f.Gain[c] = math.Exp2(v.ev)
	}
	shot.MetaLost = m.st.next() < 0.15
	shot.Twin = m.st.next() < 0.04 && !v.other
	m.Shots = append(m.Shots, shot)
}

// Picture renders shot i, see [Scene.Frame].
func (c *Card) Picture(ctx context.Context, workers, i int) (*CardPicture, error) {
	s := &c.Shots[i]
	pic, err := s.scene.Frame(ctx, workers, &s.truth, 0)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, Encode8(pic), &jpeg.Options{Quality: 92}); err != nil {
		return nil, err
	}
	return &CardPicture{Picture: pic, jpeg: b.Bytes()}, nil
}

// CardPicture is a photograph of a card, rendered.
type CardPicture struct {
	*raster.Picture
	jpeg []byte
}

// JPEG returns the file, without metadata if m is nil.
func (p *CardPicture) JPEG(m *CardMeta) []byte {
	if m == nil {
		return p.jpeg
	}
	block := m.exif()
	n := len(block) + 8
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1, byte(n >> 8), byte(n)}, "Exif\x00\x00"...)
	return append(append(out, block...), p.jpeg[2:]...)
}

// exif returns the fields as Exif (CIPA DC-008) stores them, little-endian: a
// main directory and an Exif one.
func (m *CardMeta) exif() []byte {
	type field struct {
		tag, kind uint16
		count     uint32
		value     []byte
	}
	le := binary.LittleEndian
	ascii := func(tag uint16, s string) field {
		return field{tag, 2, uint32(len(s) + 1), append([]byte(s), 0)}
	}
	short := func(tag uint16, v int) field { return field{tag, 3, 1, le.AppendUint16(nil, uint16(v))} }
	ratio := func(tag uint16, v float64) field {
		const unit = 100000
		return field{tag, 5, 1, le.AppendUint32(le.AppendUint32(nil, uint32(math.Round(v*unit))), unit)}
	}
	var b []byte
	dir := func(at int, fields []field) []byte {
		d := le.AppendUint16(nil, uint16(len(fields)))
		extraAt := at + 2 + 12*len(fields) + 4
		var extra []byte
		for _, f := range fields {
			d = le.AppendUint32(le.AppendUint16(le.AppendUint16(d, f.tag), f.kind), f.count)
			if len(f.value) <= 4 {
				d = append(d, append(f.value, make([]byte, 4-len(f.value))...)...)
				continue
			}
			d = le.AppendUint32(d, uint32(extraAt+len(extra)))
			extra = append(extra, f.value...)
			if len(extra)%2 == 1 {
				extra = append(extra, 0)
			}
		}
		return append(le.AppendUint32(d, 0), extra...)
	}
	main := []field{ascii(0x010f, m.Make), ascii(0x0110, m.Model), {0x8769, 4, 1, make([]byte, 4)}}
	b = le.AppendUint32([]byte("II*\x00"), 8)
	size := len(dir(8, main))
	main[2].value = le.AppendUint32(nil, uint32(8+size))
	b = append(b, dir(8, main)...)
	return append(b, dir(8+size, []field{
		ratio(0x829a, m.ExposureSeconds), ratio(0x829d, m.FNumber), short(0x8827, m.ISO),
		ascii(0x9003, m.Time.Format("2006:01:02 15:04:05")), ratio(0x920a, m.FocalMM), short(0xa405, m.Focal35MM),
	})...)
}
