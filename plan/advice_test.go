package plan

import (
	"math"
	"strings"
	"testing"
)

// TestAdvice: what is said to whom, and what is not.
func TestAdvice(t *testing.T) {
	for _, tt := range []struct {
		name      string
		q         Request
		want, not []string
	}{
		{
			"clicks miss the overlap",
			Request{Wish: Wish{Coverage: 120 * deg, Overlap: 0.33, Stop: 15 * deg}},
			[]string{"An overlap of 33 % was asked for: with 1 click of 15° it is 60 %, with 2 clicks 20 %. A base of 15 stops (24°) hits it, with 36 %."},
			nil,
		},
		{
			"clicks miss the usual overlap",
			Request{Wish: Wish{Frames: 5, Stop: 15 * deg}},
			[]string{"A third of overlap is usual: with 1 click of 15° it is 60 %"},
			nil,
		},
		{
			"two clicks, one less and one more",
			Request{Wish: Wish{Frames: 5, Overlap: 0.05, Stop: 15 * deg}},
			[]string{"An overlap of 5 % was asked for: with 2 clicks of 15° it is 20 %, with 1 click 60 %, with 3 clicks none."},
			nil,
		},
		{"clicks that hit", Request{Wish: Wish{Frames: 5, Overlap: 0.33, Stop: 5 * deg}}, nil, []string{"click", "base"}},
		{"no clicks", Request{Wish: Wish{Frames: 5, Overlap: 0.6}}, nil, []string{"click", "base"}},
		{"a turn was asked for", Request{Wish: Wish{Frames: 5, Turn: 15 * deg, Stop: 15 * deg}}, nil, []string{"click"}},
		{"frames and coverage were", Request{Wish: Wish{Frames: 7, Coverage: 120 * deg, Stop: 15 * deg}}, nil, []string{"click"}},

		{
			"near, offset assumed",
			Request{Wish: Wish{Frames: 5}, NearM: 1.5},
			[]string{"What is 1.5 m off will shift by 110 pixels between frames with the entrance pupil 60 mm off the axis, as is assumed here, and by 9 with it 5 mm off: measure the offset, turn about the entrance pupil, and keep near"},
			nil,
		},
		{"far enough", Request{Wish: Wish{Frames: 5}, NearM: 100}, nil, []string{"pupil", "shift"}},
		{"near, offset known", Request{Wish: Wish{Frames: 5}, NearM: 1.5, PupilOffsetMM: 60, PupilKnown: true}, []string{"will shift by 110 pixels between frames: slide"}, []string{"assumed"}},
		{"near, one frame", Request{Wish: Wish{Frames: 1}, NearM: 0.5}, nil, []string{"shift"}},

		{"a minute's row", Request{Wish: Wish{Frames: 12}, ShutterSeconds: 1.0 / 125, TimerSeconds: 2, TurnSeconds: 5}, nil, []string{"light", "tide"}},
		{
			"filters",
			Request{Wish: Wish{Frames: 12}, ShutterSeconds: 1, FilterStops: []float64{5}, TimerSeconds: 2, TurnSeconds: 5},
			[]string{"In the 7 min 43 s of the row the light of a low sun changes", "Quicker: a weaker filter."},
			[]string{"timer", "tide", "slices"},
		},
		{
			"a long exposure without",
			Request{Wish: Wish{Frames: 12}, ShutterSeconds: 30, TimerSeconds: 10, TurnSeconds: 5},
			[]string{"Quicker: a shorter exposure, a cable in place of the timer."},
			[]string{"filter", "tide"},
		},
		{"many frames", Request{Wish: Wish{Frames: 12}, ShutterSeconds: 0.1, TurnSeconds: 20}, []string{"Quicker: fewer frames."}, nil},
		{
			"tide",
			Request{Wish: Wish{Frames: 5}, FNumber: 11, NearM: 0.5, Bracket: true, ShutterSeconds: 60, TimerSeconds: 2, TurnSeconds: 5},
			[]string{"All of it takes ", "tide", "Know your way back before you begin, and follow local advice.", "fewer focus slices"},
			nil,
		},
		{"one long frame", Request{Wish: Wish{Frames: 1}, ShutterSeconds: 400}, nil, []string{"light of a low sun"}},
	} {
		tt.q.Camera = coast
		p, err := New(tt.q)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		got := strings.Join(p.Advice, "\n")
		for _, want := range tt.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s: no %q in %q", tt.name, want, got)
			}
		}
		for _, not := range tt.not {
			if strings.Contains(got, not) {
				t.Errorf("%s: %q in %q", tt.name, not, got)
			}
		}
	}
}

// TestStepsFitTheRow: the tick list has what this row needs, and no more.
func TestStepsFitTheRow(t *testing.T) {
	for _, tt := range []struct {
		name      string
		q         Request
		want, not []string
	}{
		{"plain", Request{Wish: Wish{Frames: 5}, ShutterSeconds: 1.0 / 125}, nil, []string{"Rail", "Filter", "Noise"}},
		{"near, offset assumed", Request{Wish: Wish{Frames: 5}, NearM: 1.5}, []string{"Rail: turn about the entrance pupil"}, nil},
		{"near but far enough", Request{Wish: Wish{Frames: 5}, NearM: 100}, nil, []string{"Rail"}},
		{"one frame", Request{Wish: Wish{Frames: 1}, NearM: 1.5, PupilOffsetMM: 60, PupilKnown: true}, nil, []string{"Rail"}},
		{"ND64", Request{Wish: Wish{Frames: 5}, ShutterSeconds: 1.0 / 30, FilterStops: []float64{6}}, []string{"Filter: on last", "cover a reflex camera's finder", "Noise: long-exposure noise reduction off"}, nil},
		{"ND64 in bright light", Request{Wish: Wish{Frames: 5}, ShutterSeconds: 1.0 / 125, FilterStops: []float64{6}}, []string{"Filter: "}, []string{"Noise"}},
		{"ND64, slices", Request{Wish: Wish{Frames: 5}, FNumber: 11, NearM: 0.5, Bracket: true, ShutterSeconds: 1, FilterStops: []float64{6}}, []string{"Filter: on last, with all framed and the distances marked"}, []string{"locked"}},
		{"ND32", Request{Wish: Wish{Frames: 5}, ShutterSeconds: 1.0 / 125, FilterStops: []float64{5}}, nil, []string{"Filter", "Noise"}},
		{"night", Request{Wish: Wish{Frames: 5}, ShutterSeconds: 30}, []string{"Noise: "}, []string{"Filter"}},
	} {
		tt.q.Camera = coast
		p, err := New(tt.q)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		got := ""
		for _, s := range p.Steps() {
			got += s.Name + ": " + s.Text + "\n"
		}
		for _, want := range tt.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s: no %q in\n%s", tt.name, want, got)
			}
		}
		for _, not := range tt.not {
			if strings.Contains(got, not) {
				t.Errorf("%s: %q in\n%s", tt.name, not, got)
			}
		}
	}
}

// TestLowSun derives the time after which a row is told that the light changes:
// that in which a low sun loses a third of a stop.
func TestLowSun(t *testing.T) {
	// Kasten and Young, Applied Optics 28 (1989), 4735: 38 air masses at the
	// horizon, one overhead.
	airMass := func(degrees float64) float64 {
		return 1 / (math.Sin(degrees*math.Pi/180) + 0.50572*math.Pow(degrees+6.07995, -1.6364))
	}
	if x, top := airMass(0), airMass(90); !(math.Abs(x-37.92) < 0.1) || !(math.Abs(top-1) < 0.001) {
		t.Fatalf("%.3f and %.3f air masses", x, top)
	}
	stops := func(degrees float64) float64 { // of direct light on level ground
		return math.Log2(math.Sin(degrees*math.Pi/180) * math.Pow(10, -0.4*0.25*airMass(degrees)))
	}
	sinks := SunMoves(lightSeconds).Degrees() * math.Cos(50*math.Pi/180)
	if v := stops(6+sinks/2) - stops(6-sinks/2); !(v > 0.3 && v < 0.45) {
		t.Errorf("the light of a sun 6° high falls by %.2f stops", v)
	}
}

// TestClouds: their drift is told no finer than it is known.
func TestClouds(t *testing.T) {
	for _, tt := range []struct {
		shutter float64
		want    string
	}{{1.0 / 125, "some 1° (100 px) a frame"}, {20, "some 5° (600 px) a frame"}, {300, "more than a frame's width each time"}} {
		p, err := New(Request{Camera: coast, Wish: Wish{Frames: 5}, ShutterSeconds: tt.shutter, TimerSeconds: 2, TurnSeconds: 5})
		if err != nil {
			t.Fatal(err)
		}
		if got := p.Clouds(); got != tt.want {
			t.Errorf("%g s: %q for %.1f°, want %q", tt.shutter, got, p.Time.CloudDeg, tt.want)
		}
	}
}
