package plan

import (
	"math"
	"strings"
	"testing"

	"flatfell.example/geom"
)

const deg = geom.Degree

// TestTwoGiveTheRest: any two of coverage, frames, overlap and turn lead to the
// same row.
func TestTwoGiveTheRest(t *testing.T) {
	want := rowOf(t, coast, Wish{Frames: 5, Overlap: third})
	for _, w := range []Wish{
		{Frames: 5, Turn: want.Turn},
		{Frames: 5, Coverage: want.Coverage()},
		{Overlap: third, Coverage: want.Coverage()},
		{Overlap: third, Coverage: want.Coverage() - 20*deg},
		{Turn: want.Turn, Coverage: want.Coverage()},
		{Coverage: want.Coverage()},
		{Frames: 5},
		{Frames: 5, Overlap: third, Coverage: 120 * deg},
		{Frames: 5, Overlap: third, Coverage: want.Coverage(), Turn: want.Turn},
	} {
		got := rowOf(t, coast, w)
		if got.Frames != want.Frames || !(math.Abs(float64(got.Turn-want.Turn)) <= 1e-9) {
			t.Errorf("%+v: %d frames turned by %v, want %d by %v", w, got.Frames, got.Turn, want.Frames, want.Turn)
		}
	}
	if c := rowOf(t, coast, Wish{Coverage: 120 * deg, Frames: 6}); !(math.Abs(c.Coverage().Degrees()-120) <= 1e-9) {
		t.Errorf("six frames over 120° cover %v", c.Coverage())
	}
	if one := rowOf(t, coast, Wish{Coverage: 30 * deg}); one.Frames != 1 || one.Turn != 0 || one.Overlap() != 0 {
		t.Errorf("30° of a lens that sees 37°: %+v", one)
	}
}

func TestFullTurn(t *testing.T) {
	r := rowOf(t, coast, Wish{Coverage: 360 * deg})
	if r.Frames != 15 || !r.Closed || !(math.Abs(r.Turn.Degrees()-24) <= 1e-9) || !(math.Abs(r.Coverage().Degrees()-360) <= 1e-9) {
		t.Errorf("%d frames of %v, closed %v", r.Frames, r.Turn, r.Closed)
	}
	in := r.Inside(Cylinder, Tilt{}, 0, 0)
	if w := 2 * math.Pi * coast.FocalPx(); !(math.Abs(in.Width()-w) <= 1e-6*w) {
		t.Errorf("%.0f px wide, a turn has %.0f", in.Width(), w)
	}
	if narrow := rowOf(t, coast, Wish{Coverage: 355 * deg}); narrow.Frames != 14 && !narrow.Closed {
		t.Errorf("355°: %+v", narrow)
	}
}

// TestStops: the turn is a whole number of stops, with no less overlap than
// asked for in whole per cents.
func TestStops(t *testing.T) {
	for _, tt := range []struct {
		w      Wish
		turn   float64
		frames int
	}{
		{Wish{Coverage: 120 * deg, Stop: 5 * deg}, 25, 5}, // 33.3 %
		{Wish{Coverage: 120 * deg, Overlap: 0.34, Stop: 5 * deg}, 20, 6},
		{Wish{Coverage: 120 * deg, Overlap: 0.2, Stop: 15 * deg}, 30, 4}, // 20.0 %
		{Wish{Coverage: 120 * deg, Stop: 24 * deg}, 24, 5},
		{Wish{Coverage: 120 * deg, Overlap: 0.33, Stop: 15 * deg}, 15, 7},
		{Wish{Coverage: 120 * deg, Frames: 5, Stop: 5 * deg}, 25, 5},
		{Wish{Frames: 4, Turn: 30 * deg, Stop: 15 * deg}, 30, 4},
	} {
		r := rowOf(t, coast, tt.w)
		if !(math.Abs(r.Turn.Degrees()-tt.turn) <= 1e-6) || r.Frames != tt.frames {
			t.Errorf("%+v: %d frames of %v, want %d of %g°", tt.w, r.Frames, r.Turn, tt.frames, tt.turn)
		}
	}
	if n := rowOf(t, coast, Wish{Frames: 5, Overlap: third}).BaseStops(); n != 15 {
		t.Errorf("a base of %d stops keeps a third of overlap, want 15 of 24°", n)
	}
}

// TestShapes: the fewest frames that are wide enough, cut to the shape.
func TestShapes(t *testing.T) {
	for _, tt := range []struct {
		w, h   float64
		frames int
	}{{3, 2, 3}, {2, 1, 4}, {5, 2, 6}, {3, 1, 7}, {1, 1, 3}} {
		r := rowOf(t, coast, Wish{ShapeW: tt.w, ShapeH: tt.h})
		all, cut := r.Inside(Cylinder, Tilt{}, 0, 0), r.Inside(Cylinder, Tilt{}, tt.w, tt.h)
		if !(math.Abs(cut.Width()/cut.Height()/(tt.w/tt.h)-1) <= 1e-9) {
			t.Errorf("%g:%g: cut to %.4f", tt.w, tt.h, cut.Width()/cut.Height())
		}
		if all.Width()/all.Height() < tt.w/tt.h {
			t.Errorf("%g:%g: %d frames make %.3f:1", tt.w, tt.h, r.Frames, all.Width()/all.Height())
		}
		if r.Frames > 1 {
			fewer := rowOf(t, coast, Wish{Frames: r.Frames - 1, Overlap: third}).Inside(Cylinder, Tilt{}, 0, 0)
			if fewer.Width()/fewer.Height() >= tt.w/tt.h {
				t.Errorf("%g:%g: %d frames would do", tt.w, tt.h, r.Frames-1)
			}
		}
	}
}

// TestInsideAgainstGrid holds the crop of one column at a time against a
// search among points: no covered rectangle of the grid is larger.
func TestInsideAgainstGrid(t *testing.T) {
	r := rowOf(t, coast, Wish{Frames: 3, Overlap: third})
	tilt := Tilt{AxisRoll: 2 * deg, AxisPitch: 1 * deg, CameraRoll: -1.5 * deg}
	cams := r.Cameras(tilt)
	seen := func(u, v float64) bool {
		f := r.Camera.FocalPx()
		sin, cos := math.Sincos(u / f)
		for i := range cams {
			if p, ok := cams[i].PixelFromWorld(geom.Vec{X: sin, Y: v / f, Z: cos}); ok && cams[i].Contains(p, -1e-6) {
				return true
			}
		}
		return false
	}
	in := r.Inside(Cylinder, tilt, 0, 0)
	const n = 200
	for i := range n + 1 {
		for j := range n + 1 {
			u, v := in.X0+in.Width()*float64(i)/n, in.Y0+in.Height()*float64(j)/n
			// Between two columns the border may bend in by a little.
			if m := 1.5; !seen(u-m*math.Copysign(1, u-(in.X0+in.X1)/2), v-m*math.Copysign(1, v-(in.Y0+in.Y1)/2)) {
				t.Fatalf("(%.1f, %.1f) inside %+v is covered by no frame", u, v, in)
			}
		}
	}
	const grow = 25
	for _, q := range []Rect{{in.X0 - grow, in.Y0, in.X1, in.Y1}, {in.X0, in.Y0 - grow, in.X1, in.Y1}, {in.X0, in.Y0, in.X1 + grow, in.Y1}, {in.X0, in.Y0, in.X1, in.Y1 + grow}} {
		all := true
		for k := range n + 1 {
			s := float64(k) / n
			all = all && seen(q.X0, q.Y0+s*q.Height()) && seen(q.X1, q.Y0+s*q.Height()) && seen(q.X0+s*q.Width(), q.Y0) && seen(q.X0+s*q.Width(), q.Y1)
		}
		if all {
			t.Errorf("%+v is larger than %+v and covered", q, in)
		}
	}
}

func TestLevelEnough(t *testing.T) {
	r := rowOf(t, coast, Wish{Frames: 5, Overlap: third})
	for _, forward := range []bool{false, true} {
		a := r.LevelEnough(Cylinder, 0, 0, 0.95, forward)
		at := func(a geom.Angle) float64 {
			if forward {
				return r.Kept(Cylinder, Tilt{AxisPitch: a}, 0, 0)
			}
			return r.Kept(Cylinder, Tilt{AxisRoll: a}, 0, 0)
		}
		if !(at(a) >= 0.95) || !(at(a+0.02*deg) < 0.95) {
			t.Errorf("forward %v: %v keeps %.4f, a little more %.4f", forward, a, at(a), at(a+0.02*deg))
		}
	}
	if a := r.LevelEnough(Cylinder, 0, 0, 0.1, false); a != maxLean {
		t.Errorf("a tenth of the height is left up to %v", a)
	}
}

// TestKeptInShape: of a picture of a fixed shape the share that is kept is that
// of its height.
func TestKeptInShape(t *testing.T) {
	r := rowOf(t, coast, Wish{Frames: 4, Overlap: third})
	for _, s := range []Surface{Cylinder, Plane, Sphere} {
		tilt := Tilt{AxisRoll: 2 * deg}
		want := r.Inside(s, tilt, 2, 1).Height() / r.Inside(s, Tilt{}, 2, 1).Height()
		if got := r.Kept(s, tilt, 2, 1); !(math.Abs(got-want) <= 1e-12) || got == 1 {
			t.Errorf("%s: %.4f of the height is kept, want %.4f", s, got, want)
		}
	}
}

// TestNearestInvertsParallax: (1) NearestM(ParallaxPx(D)) == D.
func TestNearestInvertsParallax(t *testing.T) {
	r := rowOf(t, coast, Wish{Frames: 5})
	for _, mm := range []float64{1, 5, 60, 300} {
		for _, d := range []float64{0.5, 1, 5, 100} {
			if got := r.NearestM(mm, r.ParallaxPx(mm, d)); !(math.Abs(got-d) <= 1e-9*d) {
				t.Errorf("%g mm at %g m: back at %g m", mm, d, got)
			}
		}
	}
	if !math.IsInf(r.ParallaxPx(60, 0.05), 1) || r.NearestM(0, 1) != 0 {
		t.Error("a thing before the pupil, or a pupil on the axis")
	}
}

// TestBracketMeets: by the exact formula no point between two slices is
// blurred by more than asked for, both ends are sharp, and one slice fewer
// would not do.
func TestBracketMeets(t *testing.T) {
	o := Optics{FocalMM: 23, FNumber: ExactFNumber(8), CircleMM: 0.0196}
	for _, near := range []float64{0.15, 0.4, 1, 2} {
		for _, meet := range []float64{0.5, 0.75, 1} {
			s, err := o.Bracket(near, meet)
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for i := range 4000 { // evenly in 1/D from the near point to infinity
				d := near / (1 - float64(i)/4000)
				best := math.Inf(1)
				for _, f := range s {
					best = min(best, o.BlurMM(f, d))
				}
				worst = max(worst, best)
			}
			if !(worst <= meet*o.CircleMM*(1+1e-6)) {
				t.Errorf("from %g m at %g: blurred by %.3f circles", near, meet, worst/o.CircleMM)
			}
			if len(s) > 1 && (math.Abs(s[0]-near) > 1e-9 || !math.IsInf(s[len(s)-1], 1)) {
				t.Errorf("from %g m at %g: %v", near, meet, s)
			}
			if n := len(s) - 1; n > 1 {
				fewer := make([]float64, n)
				for i := range fewer {
					fewer[i] = 0.023 + (near-0.023)/(1-float64(i)/float64(n-1))
				}
				if o.WorstMeetingMM(fewer) <= meet*o.CircleMM {
					t.Errorf("from %g m at %g: %d slices would do, not %d", near, meet, n, len(s))
				}
			}
			// The next focus rule: the limits of neighbours overlap.
			for i := 1; i < len(s); i++ {
				_, far := o.LimitsM(s[i-1])
				next, _ := o.LimitsM(s[i])
				if far < next*(1-1e-9) {
					t.Errorf("from %g m at %g: sharp to %g m, then from %g m", near, meet, far, next)
				}
			}
		}
	}
}

// TestLimitsAreBlur: at the limits the blur is the circle.
func TestLimitsAreBlur(t *testing.T) {
	o := Optics{FocalMM: 23, FNumber: 8, CircleMM: 0.02}
	for _, s := range []float64{0.3, 1, 3, o.HyperfocalM(), math.Inf(1)} {
		near, far := o.LimitsM(s)
		if b := o.BlurMM(s, near); !(math.Abs(b-o.CircleMM) <= 1e-9) {
			t.Errorf("focus at %g m, near limit %g m: blur %g mm", s, near, b)
		}
		if s < o.HyperfocalM() {
			if b := o.BlurMM(s, far); !(math.Abs(b-o.CircleMM) <= 1e-9) {
				t.Errorf("focus at %g m, far limit %g m: blur %g mm", s, far, b)
			}
		} else if !math.IsInf(far, 1) {
			t.Errorf("focus at %g m, far limit %g m", s, far)
		}
	}
}

// TestNonsense: every wish that can't be is refused in words that help.
func TestNonsense(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		name string
		q    Request
		want string
	}{
		{"nothing", Request{Camera: coast}, "how wide shall the row be"},
		{"no lens", Request{Camera: Camera{LongMM: 36, ShortMM: 24, LongPx: 6000, ShortPx: 4000}}, "focal length of 0 mm"},
		{"a lens of nothing", Request{Camera: Camera{FocalMM: nan, LongMM: 36, ShortMM: 24, LongPx: 6000, ShortPx: 4000}}, "focal length"},
		{"no sensor", Request{Camera: Camera{FocalMM: 23, LongPx: 6000, ShortPx: 4000}}, "sensor of 0 × 0"},
		{"no pixels", Request{Camera: Camera{FocalMM: 23, LongMM: 36, ShortMM: 24}}, "frames of 0 × 0"},
		{"another shape", Request{Camera: Camera{FocalMM: 23, LongMM: 36, ShortMM: 24, LongPx: 6000, ShortPx: 4500}}, "one of the two is wrong"},
		{"a pinhole", Request{Camera: Camera{FocalMM: 1, LongMM: 36, ShortMM: 24, LongPx: 6000, ShortPx: 4000}}, "flat-field lens"},
		{"full overlap", Request{Camera: coast, Wish: Wish{Frames: 5, Overlap: 1}}, "does not turn at all"},
		{"less than none", Request{Camera: coast, Wish: Wish{Frames: 5, Overlap: -0.1}}, "can't be joined"},
		{"too wide", Request{Camera: coast, Wish: Wish{Coverage: 361 * deg}}, "up to 360°"},
		{"twice round", Request{Camera: coast, Wish: Wish{Frames: 20, Overlap: third}}, "15 close the circle"},
		{"gaps", Request{Camera: coast, Wish: Wish{Frames: 5, Turn: 38 * deg}}, "leaves gaps"},
		{"gaps by stops", Request{Camera: coast, Wish: Wish{Coverage: 120 * deg, Stop: 30 * deg}}, "a base with 15 stops or more"},
		{"between stops", Request{Camera: coast, Wish: Wish{Frames: 5, Turn: 25 * deg, Stop: 10 * deg}}, "no whole number of stops"},
		{"too few", Request{Camera: coast, Wish: Wish{Coverage: 120 * deg, Frames: 3}}, "it takes 5"},
		{"too few with overlap", Request{Camera: coast, Wish: Wish{Coverage: 120 * deg, Frames: 3, Overlap: third}}, "cover 87.4°, not 120°; it takes 5"},
		{"too few by stops", Request{Camera: coast, Wish: Wish{Coverage: 120 * deg, Frames: 5, Overlap: third, Stop: 15 * deg}}, "whole stops, 15°, cover 97.5°, not 120°; it takes 7"},
		{"turn against overlap", Request{Camera: coast, Wish: Wish{Frames: 5, Turn: 30 * deg, Overlap: third}}, "turn 25.0° at most"},
		{"one frame is enough", Request{Camera: coast, Wish: Wish{Coverage: 30 * deg, Frames: 3}}, "a single frame sees 37.5°"},
		{"beyond the plane", Request{Camera: coast, Wish: Wish{Frames: 5}, Surface: Plane}, "too wide for a plane"},
		{"no such surface", Request{Camera: coast, Wish: Wish{Frames: 5}, Surface: "cube"}, "no surface"},
		{"a ribbon", Request{Camera: coast, Wish: Wish{ShapeW: 90, ShapeH: 1}}, "all the way round it is"},
		{"a ribbon on a plane", Request{Camera: coast, Wish: Wish{ShapeW: 9, ShapeH: 1}, Surface: Plane}, "a row of 9:1 is wider"},
		{"half a shape", Request{Camera: coast, Wish: Wish{ShapeW: 3}}, "a shape of 3:0"},
		{"not a number", Request{Camera: coast, Wish: Wish{Frames: 5, Overlap: nan}}, "have no answer"},
		{"bracket from nowhere", Request{Camera: coast, Wish: Wish{Frames: 5}, Bracket: true}, "needs the near point"},
		{"bracket in the lens", Request{Camera: coast, Wish: Wish{Frames: 5}, FNumber: 8, NearM: 0.01, Bracket: true}, "macro lens"},
		{"meet at nothing", Request{Camera: coast, Wish: Wish{Frames: 5}, FNumber: 8, NearM: 1, Bracket: true, Meet: 2}, "at most 100 %"},
		{"a bracket without end", Request{Camera: coast, Wish: Wish{Frames: 5}, FNumber: 1, NearM: 0.06, CircleMM: 0.001, Bracket: true}, "more than 200 slices"},
		{"no aperture", Request{Camera: coast, Wish: Wish{Frames: 5}, FNumber: 0.1}, "give one such as f/11"},
		{"for weeks", Request{Camera: coast, Wish: Wish{Frames: 5}, ShutterSeconds: 100, FilterStops: []float64{10, 10}}, "hours; check the filters"},
		{"a wall", Request{Camera: coast, Wish: Wish{Frames: 5}, ShutterSeconds: 1, FilterStops: []float64{40}}, "filter of 40 stops"},
		{"far off", Request{Camera: coast, Wish: Wish{Frames: 5}, PupilOffsetMM: 5000}, "5000 mm off"},
		{"negative", Request{Camera: coast, Wish: Wish{Frames: 5}, NearM: -1}, "near point"},
	} {
		p, err := New(tt.q)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want an error with %q (plan %v)", tt.name, err, tt.want, p != nil)
		}
	}
}
