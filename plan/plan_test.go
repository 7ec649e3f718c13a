package plan

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"flatfell.example/geom"
)

func full() Request {
	return Request{
		Camera: coast, Wish: Wish{Frames: 5, Overlap: third},
		FNumber: 11, NearM: 0.5, Bracket: true, PupilOffsetMM: 60, PupilKnown: true,
		ShutterSeconds: 1.0 / 125, ISO: 100, FilterStops: []float64{10, PolariserStops}, TimerSeconds: 2, TurnSeconds: 5,
		WantedHeightPx: 5500,
	}
}

// TestNew looks at a whole plan.
func TestNew(t *testing.T) {
	p, err := New(full())
	if err != nil {
		t.Fatal(err)
	}
	if p.OutputPx != [2]int{14706, 6240} || p.InsidePx != [2]int{14706, 5909} || p.Frames != 5 {
		t.Errorf("%d frames, %v, inside %v", p.Frames, p.OutputPx, p.InsidePx)
	}
	if h := p.Held; h.Portrait.Frames != 5 || h.Landscape.Frames != 4 || !(h.Height > 1.4 && h.Height < 1.6) || !(math.Abs(h.Margin-(1-1/h.Height)) < 1e-9) {
		t.Errorf("held %+v", h)
	}
	if p.Surfaces[1].Fits || !p.Surfaces[2].Fits {
		t.Errorf("surfaces %+v", p.Surfaces)
	}
	if got := p.Prints[0]; got.Sheet != "A2" || math.Abs(got.SizeCM[0]-124.5) > 0.1 {
		t.Errorf("print %+v", got)
	}
	if !p.Prints[3].Arm || math.Abs(p.Prints[3].PPI-145.5) > 0.1 {
		t.Errorf("at arm's length %+v", p.Prints[3])
	}
	if l := p.Level; l.KeepPx != 5500 || !(l.EnoughDeg > 1 && l.EnoughDeg < 2.5) || !(l.EnoughForwardDeg > l.EnoughDeg) {
		t.Errorf("level %+v", l)
	}
	if n := p.Parallax.Cases; len(n) != 2 || !(n[0].AtNearPx > 300) || !(n[1].AtNearPx < 30) {
		t.Errorf("parallax %+v", n)
	}
	if p.Exposures != 5*len(p.Focus.Slices) || len(p.Focus.Slices) < 3 || !(p.Focus.Meet <= DefaultMeet+1e-9) {
		t.Errorf("%d exposures, focus %+v", p.Exposures, p.Focus)
	}
	slices := float64(len(p.Focus.Slices))
	frame := slices*(2+p.Time.ShutterSeconds) + 5
	if !(math.Abs(p.Time.FrameSeconds-frame) < 1e-9) || !(math.Abs(p.Time.RowSeconds-(5*frame-5)) < 1e-9) || !(math.Abs(p.Time.SunDeg-p.Time.RowSeconds/240) < 1e-9) {
		t.Errorf("time %+v", p.Time)
	}
	all := strings.Join(p.Advice, "\n")
	for _, want := range []string{"rail", "polariser"} {
		if !strings.Contains(strings.ToLower(all), want) {
			t.Errorf("advice without %q: %s", want, all)
		}
	}
	var order []string
	for _, s := range p.Steps() {
		order = append(order, s.Name)
	}
	if got := strings.Join(order, " "); got != "Level Hold Rail Meter Focus Filter Noise Timer Shoot Turn Repeat Check" {
		t.Errorf("steps %s", got)
	}
}

// TestSurfaceAndShape: what a lean leaves, and the camera held the other way,
// are told of the picture that is planned.
func TestSurfaceAndShape(t *testing.T) {
	for _, tt := range []struct {
		name   string
		q      Request
		keepPx int
		on     Surface // of the comparison
		advice string
	}{
		{"plane, too high a wish", Request{Wish: Wish{Frames: 4}, Surface: Plane, WantedHeightPx: 6200}, 5787, Cylinder, "is 6092 pixels high after the crop, not 6200: take"},
		{"plane", Request{Wish: Wish{Frames: 4}, Surface: Plane, WantedHeightPx: 6000}, 6000, Cylinder, ""},
		{"narrow plane", Request{Wish: Wish{Frames: 2}, Surface: Plane}, 5787, Plane, ""},
		{"sphere", Request{Wish: Wish{Frames: 4}, Surface: Sphere, WantedHeightPx: 5800}, 5231, Sphere, "is 5507 pixels high"},
		{"shape", Request{Wish: Wish{ShapeW: 2, ShapeH: 1}, WantedHeightPx: 5920}, 5920, Cylinder, ""},
		{"landscape", Request{Camera: coast.Held(false), Wish: Wish{Frames: 3}, WantedHeightPx: 5000}, 3519, Cylinder, "hold the camera upright, or take"},
	} {
		if tt.q.Camera.FocalMM == 0 {
			tt.q.Camera = coast
		}
		p, err := New(tt.q)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		l := p.Level
		if l.KeepPx != tt.keepPx || !(math.Abs(l.KeepShare*p.Crop.Height()-float64(l.KeepPx)) <= 1) {
			t.Errorf("%s: to keep %d px, %.4f of %d, want %d px", tt.name, l.KeepPx, l.KeepShare, p.InsidePx[1], tt.keepPx)
		}
		lean := p.Row.Inside(p.Surface, Tilt{AxisRoll: geom.Angle(l.EnoughDeg) * deg}, tt.q.Wish.ShapeW, tt.q.Wish.ShapeH)
		if !(lean.Height() >= float64(l.KeepPx)-1) {
			t.Errorf("%s: leaning by %.2f° leaves %.0f px, not %d", tt.name, l.EnoughDeg, lean.Height(), l.KeepPx)
		}
		mine := p.Held.Portrait
		if !p.Camera.Portrait {
			mine = p.Held.Landscape
		}
		if p.Held.Surface != tt.on || (tt.on == p.Surface && mine.InsidePx != p.InsidePx) {
			t.Errorf("%s: held %+v, the picture is %v", tt.name, p.Held, p.InsidePx)
		}
		if got := strings.Join(p.Advice, "\n"); !strings.Contains(got, tt.advice) || (tt.advice == "" && got != "") {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.advice)
		}
	}
}

// TestShapeHeldOtherwise: a shape that no row across or upright reaches is
// compared all the same.
func TestShapeHeldOtherwise(t *testing.T) {
	p, err := New(Request{Camera: coast.Held(false), Wish: Wish{ShapeW: 8, ShapeH: 1}})
	if err != nil {
		t.Fatal(err)
	}
	if h := p.Held; h.Portrait.Frames < 2 || !(math.Abs(float64(h.Portrait.InsidePx[0])/float64(h.Portrait.InsidePx[1])-8) < 0.01) {
		t.Errorf("held %+v", h)
	}
}

// TestJSON pins the names that programs rely on.
func TestJSON(t *testing.T) {
	p, err := New(full())
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"frames", "turn_deg", "coverage_deg", "overlap", "output_px", "inside_px", "surface", "marks_deg", "prints", "files", "held", "single_frame", "level", "parallax", "focus", "time", "exposures", "advice"} {
		if _, ok := got[name]; !ok {
			t.Errorf("no %q in %s", name, b)
		}
	}
	slices := got["focus"].(map[string]any)["slices_m"].([]any)
	if slices[len(slices)-1] != nil {
		t.Errorf("infinity is %v, want null", slices[len(slices)-1])
	}
}

// TestAlways: no camera, row or way to hold it leads to a plan without numbers.
func TestAlways(t *testing.T) {
	for _, c := range []Camera{
		coast, coast.Held(false),
		{FocalMM: 300, LongMM: 36, ShortMM: 24, LongPx: 9000, ShortPx: 6000, Portrait: true},
		{FocalMM: 4, LongMM: 6.4, ShortMM: 4.8, LongPx: 4000, ShortPx: 3000, Portrait: true},
		{FocalMM: 15, LongMM: 36, ShortMM: 24, LongPx: 9504, ShortPx: 6336},
	} {
		for _, w := range []Wish{
			{Frames: 1},
			{Frames: 2},
			{Coverage: 20 * deg},
			{Coverage: 179.9 * deg},
			{Coverage: 180 * deg},
			{Coverage: 200 * deg},
			{Coverage: 360 * deg},
			{Coverage: 100 * deg, Overlap: 0.9},
			{ShapeW: 2, ShapeH: 1},
			{ShapeW: 1, ShapeH: 2},
			{Coverage: 100 * deg, Stop: 1 * deg},
		} {
			p, err := New(Request{Camera: c, Wish: w, FNumber: 11, ShutterSeconds: 1, NearM: 2})
			if err != nil {
				t.Errorf("%+v %+v: %v", c, w, err)
				continue
			}
			if p.InsidePx[0] < 1 || p.InsidePx[1] < 1 || p.InsidePx[0] > p.OutputPx[0] || p.InsidePx[1] > p.OutputPx[1] {
				t.Errorf("%+v %+v: %v inside %v", c, w, p.InsidePx, p.OutputPx)
			}
			if _, err := json.Marshal(p); err != nil {
				t.Errorf("%+v %+v: %v", c, w, err)
			}
		}
	}
}

func TestWords(t *testing.T) {
	for _, tt := range [][2]string{
		{Distance(0.853), "0.85 m"},
		{Distance(2.36), "2.4 m"},
		{Distance(14.2), "14 m"},
		{Distance(math.Inf(1)), "∞"},
		{Bytes(999e6), "1.0 GB"},
		{Bytes(61e6), "61 MB"},
		{Bytes(4000), "4 kB"},
		{LevelFacts{KeepPx: 5613, KeepShare: 0.95}.Kept(), "95 % of the height (5613 px)"},
		{LevelFacts{EnoughDeg: 1.26, EnoughForwardDeg: 5}.Leans(), "1.3° sideways or 5° or more forward"},
		{LevelFacts{EnoughDeg: 5, EnoughForwardDeg: 5}.Leans(), "5° or more either way"},
		{rough(69.3), "70"},
		{rough(4821), "5000"},
		{rough(0.14), "0.1"},
		{rough(9.6), "10"},
		{rough(0), "0"},
		{Clicks(1), "1 click"},
		{Clicks(2), "2 clicks"},
		{Seconds(0), "0 s"},
		{Seconds(9.97), "10 s"},
		{Seconds(1.0 / 30), "1/30 s"},
	} {
		if tt[0] != tt[1] {
			t.Errorf("%q, want %q", tt[0], tt[1])
		}
	}
}
