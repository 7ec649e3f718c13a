package plan

import (
	"fmt"
	"math"
	"testing"

	"flatfell.example/geom"
)

// The tables below are published values, each with its source; rows marked
// "computed" are worked out by hand from the formula of the row's source.

// fact is a value that a function must return. It fails on NaN.
type fact struct {
	what      string
	got, want float64
	tol       float64 // half a unit of the last digit that the source gives
	source    string
}

func checkFacts(t *testing.T, facts []fact) {
	t.Helper()
	for _, f := range facts {
		if math.IsInf(f.want, 1) && math.IsInf(f.got, 1) {
			continue
		}
		if !(math.Abs(f.got-f.want) <= f.tol) {
			t.Errorf("%s: got %.6g, want %.6g ± %.2g (%s)", f.what, f.got, f.want, f.tol, f.source)
		}
	}
}

// coast is the camera of the examples: 26 megapixels on 23.5 × 15.6 mm.
var coast = Camera{FocalMM: 23, LongMM: 23.5, ShortMM: 15.6, LongPx: 6240, ShortPx: 4160, Portrait: true}

const third = 1.0 / 3

// TestSensors: sensors and equivalents.
func TestSensors(t *testing.T) {
	const wiki = "ayton.id.au/wiki photo:fov"
	diag := func(w, h float64) float64 { return Camera{FocalMM: 1, LongMM: w, ShortMM: h}.diagonalMM() }
	checkFacts(t, []fact{
		{"diagonal of 36 × 24", Diagonal35MM, 43.3, 0.05, wiki},
		{"diagonal of 36 × 24", Diagonal35MM, 43.267, 0.0005, "computed"},
		{"diagonal of 23.5 × 15.6", diag(23.5, 15.6), 28.21, 0.005, "conversionencyclopedia.com, APS-C 23.5; height 15.6 from memory"},
		{"diagonal of 22.2 × 14.8", diag(22.2, 14.8), 26.68, 0.005, "photoqas.blogspot.com/2018/01"},
		{"crop factor of 23.5 × 15.6", coast.EquivalentMM() / 23, 1.5, 0.05, "conversionencyclopedia.com, APS-C 23.5"},
		{"crop factor of 23.5 × 15.6", coast.EquivalentMM() / 23, 1.534, 0.0005, "computed"},
		{"equivalent of 23 mm", coast.EquivalentMM(), 35.28, 0.005, "computed; equal diagonals, CIPA DCG-001 (piglix.com/piglix/35_mm_equivalent_focal_length)"},
		{"equal diagonals", ViewAngle(Diagonal35MM, coast.EquivalentMM()).Degrees(), coast.Diagonal().Degrees(), 1e-9, "CIPA DCG-001"},
	})
	back := FromEquivalent(coast.EquivalentMM(), 6240, 4160)
	checkFacts(t, []fact{{"camera known by its equivalent only, diagonal", back.Diagonal().Degrees(), coast.Diagonal().Degrees(), 1e-9, "CIPA DCG-001"}})
}

// TestViewAngles: a = 2 atan(d/2f), tbray.org/ongoing/When/201x/2016/09/17/Focal-Angle.
func TestViewAngles(t *testing.T) {
	full := func(f float64) Camera {
		return Camera{FocalMM: f, LongMM: 36, ShortMM: 24, LongPx: 6000, ShortPx: 4000}
	}
	const (
		wiki   = "ayton.id.au/wiki photo:fov"
		makers = "lvyouzhishi.com, a maker's table in whole degrees; makers measure real lenses, so 1.6° of room"
		wide   = "lensviewing.com/author/lensviewin/page/262"
		tables = "an angle-of-view conversion table for this width"
	)
	var facts []fact
	all := func(f, h, v, d, tol float64, source string) {
		c := full(f)
		for _, x := range []struct {
			name      string
			got, want float64
		}{{"across", c.Across().Degrees(), h}, {"up", c.Up().Degrees(), v}, {"diagonal", c.Diagonal().Degrees(), d}} {
			facts = append(facts, fact{fmt.Sprintf("%g mm on 36 × 24 mm, %s", f, x.name), x.got, x.want, tol, source})
		}
	}
	all(50, 39.6, 27.0, 46.8, 0.05, wiki)
	all(24, 74, 53, 84, 1.6, makers)
	all(35, 53, 37, 62, 1.6, makers)
	all(28, 64, 45, 74, 1.6, makers)
	all(50, 39, 26, 46, 1.6, makers)
	all(24, 73.740, 53.130, 84.062, 0.0005, "computed")
	all(35, 54.432, 37.849, 63.440, 0.0005, "computed")
	all(28, 65.47, 46.40, 75.38, 0.005, "computed")
	all(50, 39.598, 26.991, 46.793, 0.0005, "computed")
	for f, want := range map[float64]float64{12: 112.6, 14: 104.3, 15: 100.4, 17: 93.3} {
		facts = append(facts, fact{fmt.Sprintf("as wide as %g mm", f), AsWideAs(f).Degrees(), want, 0.1, wide})
	}
	for f, want := range map[float64]float64{12: 112.62, 14: 104.25, 15: 100.39, 17: 93.27} {
		facts = append(facts, fact{fmt.Sprintf("as wide as %g mm", f), AsWideAs(f).Degrees(), want, 0.005, "computed"})
	}
	for deg, want := range map[float64]float64{14: 95.696071, 24: 55.279404, 35: 37.266239, 50: 25.197956, 70: 16.780739, 85: 12.822875, 135: 4.867009} {
		facts = append(facts, fact{fmt.Sprintf("focal length for %g° on 23.5 mm", deg), FocalFor(23.5, geom.Angle(deg)*geom.Degree), want, 1e-6, tables})
	}
	for deg, want := range map[float64]float64{14: 90.809463, 24: 52.456626, 35: 35.363282, 50: 23.911252, 70: 15.92385} {
		facts = append(facts, fact{fmt.Sprintf("focal length for %g° on 22.3 mm", deg), FocalFor(22.3, geom.Angle(deg)*geom.Degree), want, 1e-5, tables})
	}
	flat := coast.Held(false)
	facts = append(facts,
		fact{"23 mm on 23.5 × 15.6, across", flat.Across().Degrees(), 54.122, 0.0005, "computed"},
		fact{"23 mm on 23.5 × 15.6, up", flat.Up().Degrees(), 37.467, 0.0005, "computed"},
		fact{"23 mm on 23.5 × 15.6, diagonal", flat.Diagonal().Degrees(), 63.032, 0.0005, "computed"},
		fact{"23 mm on 23.5 × 15.6, diagonal", flat.Diagonal().Degrees(), 63.4, 0.5, "makers' figure for such lenses, from memory"})
	checkFacts(t, facts)
}

func rowOf(t *testing.T, c Camera, w Wish) Row {
	t.Helper()
	r, err := w.Row(c)
	if err != nil {
		t.Fatalf("%+v: %v", w, err)
	}
	return r
}

// TestRowGeometry: x = f θ on the cylinder, CTU Prague course GVG lab hw-06
// (cw.fel.cvut.cz/b232/courses/gvg/labs/hw-06), UW CSE455 mosaic slide 94.
func TestRowGeometry(t *testing.T) {
	facts := []fact{
		{"focal length in pixels", coast.FocalPx(), 6133.33, 0.005, "computed"},
		{"angle across", coast.Across().Degrees(), 37.467, 0.0005, "computed"},
	}
	for overlap, turn := range map[float64]float64{0.25: 28.10, 0.30: 26.23, third: 24.978, 0.50: 18.73} {
		r := rowOf(t, coast, Wish{Frames: 5, Overlap: overlap})
		facts = append(facts, fact{fmt.Sprintf("turn at %.0f %%", 100*overlap), r.Turn.Degrees(), turn, 0.005, "computed"})
	}
	for n, want := range map[int][2]float64{3: {87.42, 9358}, 4: {112.40, 12032}, 5: {137.38, 14706}, 6: {162.36, 17380}, 7: {187.33, 20053}, 8: {212.31, 22727}} {
		r := rowOf(t, coast, Wish{Frames: n, Overlap: third})
		w, h, err := r.Outer(Cylinder)
		if err != nil {
			t.Fatal(err)
		}
		facts = append(facts,
			fact{fmt.Sprintf("%d frames, degrees", n), r.Coverage().Degrees(), want[0], 0.005, "computed"},
			fact{fmt.Sprintf("%d frames, pixels on the cylinder", n), math.Round(w), want[1], 0, "computed"},
			fact{fmt.Sprintf("%d frames, height", n), h, 6240, 0, "definition"})
	}
	for n, want := range map[int]float64{3: 11727, 4: 18324, 5: 31445, 6: 79036} {
		w, _, err := rowOf(t, coast, Wish{Frames: n, Overlap: third}).Outer(Plane)
		if (err != nil) != (n > 4) {
			t.Errorf("%d frames on a plane: %v", n, err)
		}
		facts = append(facts, fact{fmt.Sprintf("%d frames, pixels on the plane", n), math.Round(w), want, 1, "computed"})
	}
	r := rowOf(t, coast, Wish{Frames: 5, Overlap: third})
	in := r.Inside(Cylinder, Tilt{}, 0, 0)
	narrow := r.Inside(Cylinder, Tilt{}, 14000, 6240*0.976) // not to the ends: between frames decides
	facts = append(facts,
		fact{"height at full width", in.Height() / 6240, 0.947, 0.0005, "computed: cos(h/2)"},
		fact{"height between frames", narrow.Height() / 6240, math.Cos(float64(r.Turn) / 2), 0.01, "computed: cos(s/2)"},
		fact{"five frames after the crop, width", in.Width(), 14706, 1, "computed"},
		fact{"five frames after the crop, height", in.Height(), 5909, 1, "computed"},
		fact{"a full turn's height", rowOf(t, coast, Wish{Coverage: 2 * math.Pi}).Inside(Cylinder, Tilt{}, 0, 0).Height() / 6240, math.Cos(math.Pi / 15), 1e-4, "computed: 15 frames"},
	)

	// Ten hand-held frames of 24 megapixels at 23 mm made 84.5; cut from one
	// frame the same shape would have had about 13, 6.5 times fewer: a
	// photographer's guide, 2019. The shape that both figures share is 2.77:1.
	one := SingleCropMegapixels(6000, 4000, 2.77)
	facts = append(facts,
		fact{"cut from one frame", one, 13, 0.5, "a photographer's guide, 2019"},
		fact{"times as many", 84.5 / one, 6.5, 0.05, "a photographer's guide, 2019"})

	// "Three overlapping portrait frames at 35 mm equivalent are about a 25 mm
	// landscape picture with double the pixels":
	// photoreview.com.au/tips/shooting/panoramas-in-portrait-format.
	full := Camera{FocalMM: 35, LongMM: 36, ShortMM: 24, LongPx: 6000, ShortPx: 4000, Portrait: true}
	three := rowOf(t, full, Wish{Frames: 3, Coverage: AsWideAs(25)})
	w3, h3, err := three.Outer(Cylinder)
	if err != nil {
		t.Fatal(err)
	}
	facts = append(facts,
		fact{"pixels of a 25 mm picture at 35 mm", w3 * h3 / 24e6, 2, 0.2, "photoreview.com.au, in round numbers"},
		fact{"height of a 25 mm picture at 35 mm", full.Up().Degrees(), ViewAngle(24, 25).Degrees(), 4, "photoreview.com.au, in round numbers"})
	if o := three.Overlap(); !(o > 0.25 && o < 0.65) {
		t.Errorf("three frames as wide as 25 mm overlap by %.2f", o)
	}
	checkFacts(t, facts)
}

// TestCropLoss: the turning axis rolled about the view direction, five frames,
// a third of overlap; computed on a grid of 0.25° (27 px of width, 0.5 % of
// height).
func TestCropLoss(t *testing.T) {
	r := rowOf(t, coast, Wish{Frames: 5, Overlap: third})
	area := func(q Rect) float64 { return q.Width() * q.Height() }
	level := area(r.Inside(Cylinder, Tilt{}, 0, 0))
	var facts []fact
	for _, x := range []struct{ deg, w, h, area float64 }{
		{0, 14665, 5916, 1}, {0.5, 14665, 5797, 0.980}, {1, 14665, 5678, 0.960}, {2, 14612, 5453, 0.919}, {3, 14612, 5223, 0.880},
	} {
		q := r.Inside(Cylinder, Tilt{AxisRoll: geom.Angle(x.deg) * geom.Degree}, 0, 0)
		facts = append(facts,
			fact{fmt.Sprintf("rolled by %g°, width", x.deg), q.Width(), x.w, 60, "computed, two steps of its grid"},
			fact{fmt.Sprintf("rolled by %g°, height", x.deg), q.Height(), x.h, 30, "computed, half a per cent"},
			fact{fmt.Sprintf("rolled by %g°, area", x.deg), area(q) / level, x.area, 0.005, "computed"})
	}
	for deg, want := range map[float64]float64{1: 0.996, 2: 0.983} {
		q := r.Inside(Cylinder, Tilt{AxisPitch: geom.Angle(deg) * geom.Degree}, 0, 0)
		facts = append(facts, fact{fmt.Sprintf("tilted forward by %g°, area", deg), area(q) / level, want, 0.005, "computed"})
	}
	checkFacts(t, facts)
}

const foot = 0.3048

// TestDepthOfField: rows of the chart of naturelyrics.com/pages/articles/dof_chart.html,
// c = 0.02 mm, in feet. The chart uses the exact f-numbers, as this package
// does: f/11 is 11.314.
func TestDepthOfField(t *testing.T) {
	inf := math.Inf(1)
	for _, x := range []struct{ f, n, focus, near, far, h float64 }{
		{11, 4, 5, 2.5, inf, 5},
		{11, 5.6, 4, 1.88, inf, 3.54},
		{11, 11, 2, 0.94, inf, 1.79},
		{12, 8, 2, 1.20, 5.95, 2.99},
		{12, 11, 2, 1.03, 32.8, 2.13},
		{12, 16, 1.5, 0.75, 140.6, 1.52},
		{13, 11, 2, 1.11, 9.94, 2.49},
		{13, 4, 7, 3.49, inf, 6.97},
	} {
		o := Optics{FocalMM: x.f, FNumber: ExactFNumber(x.n), CircleMM: 0.02}
		near, far := o.LimitsM(x.focus * foot)
		name := fmt.Sprintf("%g mm f/%g at %g ft: ", x.f, x.n, x.focus)
		const source = "naturelyrics.com DOF chart"
		tolFar := 0.05
		if x.far > 100 {
			tolFar = 2 // H is 1.5 % beyond the focus: the third digit of H decides
		}
		checkFacts(t, []fact{
			{name + "near", near / foot, x.near, 0.0101, source},
			{name + "far", far / foot, x.far, tolFar, source},
			{name + "H", o.HyperfocalM() / foot, x.h, 0.011, source},
		})
	}
	const grayheron = "photography.grayheron.net/2023/01"
	apsc := func(n float64) float64 {
		return Optics{FocalMM: 23, FNumber: n, CircleMM: 0.02}.HyperfocalM()
	}
	fifty := Optics{FocalMM: 50, FNumber: 8, CircleMM: 0.03}
	checkFacts(t, []fact{
		{"rule of ten, 16 mm", Optics{FocalMM: 16, FNumber: 10, CircleMM: 0.016}.HyperfocalM(), 1.6, 0.05, grayheron},
		{"rule of ten, 50 mm at 25 µm", Optics{FocalMM: 50, FNumber: 10, CircleMM: 0.025}.HyperfocalM(), 10, 0.1, grayheron},
		{"50 mm f/8 c = 0.03", fifty.HyperfocalM(), 10.467, 0.0005, "computed"},
		{"50 mm f/8 c = 0.03, without + f", fifty.HyperfocalM() - 0.05, 10.417, 0.0005, "computed"},
		{"23 mm f/8", apsc(8), 3.329, 0.002, "computed"},
		{"23 mm f/11 exact", apsc(ExactFNumber(11)), 2.361, 0.001, "computed"},
		{"23 mm f/11 nominal", apsc(11), 2.428, 0.001, "computed"},
		{"circle of confusion, full frame", Camera{LongMM: 36, ShortMM: 24}.CircleMM(), 43.267 / 1440, 1e-5, "D/1440: chiark exif composite tags page"},
		{"circle of confusion, 23.5 × 15.6", coast.CircleMM(), 0.0195, 0.0006, "0.019 to 0.02 mm, common practice"},
	})
	// Focused at Y times H, infinity is blurred by c/Y: grayheron 2017/09.
	for _, y := range []float64{1, 2, 4} {
		o := Optics{FocalMM: 23, FNumber: 8, CircleMM: 0.02}
		got := o.BlurMM(y*o.HyperfocalM(), math.Inf(1)) / o.CircleMM
		checkFacts(t, []fact{{fmt.Sprintf("blur of infinity at %g H", y), got, 1 / y, 0.01 / y, "grayheron 2017/09"}})
	}
}

// TestBracketRules holds the bracket against the rules that are published.
func TestBracketRules(t *testing.T) {
	// The rules take the near point to be many focal lengths off: so it is with
	// a circle this small, whose hyperfocal distance is 3.3 km.
	o := Optics{FocalMM: 23, FNumber: 8, CircleMM: 0.00002}
	h := o.HyperfocalM()
	count := func(x float64) int {
		s, err := o.Bracket(x, 1)
		if err != nil {
			t.Fatal(err)
		}
		return len(s)
	}
	for r := 0.55; r < 20; r += 0.25 { // r = H/x
		x := h / r
		n := count(x)
		// (H/x + 3)/2 rounded up, or H/(2x) + 2: photography.grayheron.net,
		// focus bracketing part 3. It takes one more than needed where the
		// shots at H and at infinity nearly repeat each other.
		if rule := int(math.Ceil((r + 3) / 2)); r > 1 && (n > rule || n < rule-1) {
			t.Errorf("H/x = %.2f: %d slices, the rule says %d", r, n, rule)
		}
		if rule := r/2 + 2; float64(n) > rule || float64(n) < rule-2 {
			t.Errorf("H/x = %.2f: %d slices, the rule says %.1f", r, n, rule)
		}
		// Near limits H/2, H/4, H/6 …: ceil(H/2x) cover the near limit
		// (computed); the bracket has one more, at infinity.
		if series := int(math.Ceil(r/2)) + 1; r > 1 && n != series && n != series+1 {
			t.Errorf("H/x = %.2f: %d slices, the odd series and infinity make %d", r, n, series)
		}
	}
	// The rule for few shots, grayheron 2020/06: one beyond H, two from H/2,
	// three from H/4; nearer, it stops at four.
	for _, x := range []struct {
		near float64
		want int
	}{{1.5 * h, 1}, {1.01 * h, 1}, {0.9 * h, 2}, {0.55 * h, 2}, {0.45 * h, 3}, {0.28 * h, 3}, {0.22 * h, 4}} {
		if n := count(x.near); n != x.want {
			t.Errorf("from %.2f H: %d slices, want %d (grayheron 2020/06)", x.near/h, n, x.want)
		}
	}
}

// TestParallaxTable: half the shift is atan(r sin a / (D − r cos a)); the pivot
// is the entrance pupil (Littlefield 2006, docslib.org/doc/2015432).
func TestParallaxTable(t *testing.T) {
	var facts []fact
	for fullPx, want := range map[float64][3]float64{8000: {1.8, 9, 18}, 12000: {2.7, 14, 27}} {
		// The table has the scale of a full turn and half a turn of 45°.
		c := Camera{FocalMM: 10, LongMM: 36, ShortMM: 24, ShortPx: 4000, LongPx: 6000, Portrait: true}
		c.FocalMM = fullPx / (2 * math.Pi) * c.ShortMM / float64(c.ShortPx)
		r := Row{Camera: c, Frames: 2, Turn: 90 * geom.Degree}
		for i, mm := range []float64{1, 5, 10} {
			facts = append(facts, fact{fmt.Sprintf("%g px a turn, %g mm", fullPx, mm), r.ParallaxPx(mm, 1), want[i], 0.5, "computed; a table on a community page agreed"})
		}
	}
	row := rowOf(t, coast, Wish{Frames: 5, Overlap: third})
	for mm, want := range map[float64][5]float64{5: {13.3, 6.6, 2.7, 1.3, 0.7}, 20: {54, 27, 10.7, 5.3, 2.7}, 60: {169, 82, 32, 16, 8}} {
		for i, d := range []float64{1, 2, 5, 10, 20} {
			tol := 0.06
			if want[i] >= 15 {
				tol = 0.6
			} else if want[i] == math.Trunc(want[i]) {
				tol = 0.5
			}
			facts = append(facts, fact{fmt.Sprintf("%g mm at %g m", mm, d), row.ParallaxPx(mm, d), want[i], tol, "computed"})
		}
	}
	for mm, want := range map[float64][3]float64{5: {13.3, 6.6, 4.4}, 20: {53, 26.5, 17.7}, 60: {159, 80, 53}} {
		for i := range want {
			facts = append(facts, fact{fmt.Sprintf("nearest for %d px at %g mm", i+1, mm), row.NearestM(mm, float64(i+1)), want[i], 0.006 * want[i], "computed"})
		}
	}
	checkFacts(t, facts)
}

// TestExposureTables: exposure values, neutral density filters.
func TestExposureTables(t *testing.T) {
	const (
		wiki    = "theinfolist.com, exposure value; D. Kerr, APEX, 2007"
		chem    = "chemilab.net/web/photography.html"
		scan    = "scantips.com/lights/math.html"
		ace     = "codingace.net/general/10_stop_nd_filter.html"
		luptons = "simonluptonphotography.co.uk/downloads"
		gat     = "gatschenberger.com ND table"
	)
	facts := []fact{
		{"1/125 at f/16", EV(16, 1.0/125, 100), 15, 0.05, wiki},
		{"1/125 at f/16", EV(16, 1.0/125, 100), 14.966, 0.0005, "computed"},
		{"1 s at f/1", EV(1, 1, 100), 0, 0, chem},
		{"1/125 at f/1", EV(1, 1.0/125, 100), 7, 0.05, chem},
		{"1 s at f/5.6", EV(ExactFNumber(5.6), 1, 100), 5, 1e-9, chem},
		{"1 s at f/1, ISO 400", EV(1, 1, 400), -2, 0, chem},
		{"f/2.8 against f/11", EV(ExactFNumber(2.8), 1, 100) - EV(ExactFNumber(11), 1, 100), -4, 1e-9, scan},
		{"f/11 is", ExactFNumber(11), 11.314, 0.0005, scan},
		{"f/2.8 is", ExactFNumber(2.8), 2.828, 0.0005, scan},
		// With the exact times 1/32 and 1/128 the two are two stops apart; four
		// are those of the apertures above.
		{"1/128 against 1/32", EV(1, 1.0/128, 100) - EV(1, 1.0/32, 100), 2, 0, scan},
		{"1/160 at f/11", EV(11, 1.0/160, 100), 14.3, 0.1, luptons},
		{"1/160 + 10 stops", Stretched(1.0/160, 10), 6, 0.5, luptons},
		{"1/6 at f/4", EV(4, 1.0/6, 100), 6.7, 0.15, luptons},
		{"1/6 + 10 stops", Stretched(1.0/6, 10), 166, 5, luptons + "; exactly 170.7"},
		{"10 stops", Stretched(1, 10), 1024, 0, ace},
		{"1/125 behind ND1000", Stretched(1.0/125, FilterStops(1000)), 8, 0.2, "a filter maker's ND table, 0.008 × 1000"},
		{"1/125 + 10 stops", Stretched(1.0/125, 10), 8.192, 1e-9, "computed"},
		{"1/60 + 10 stops", Stretched(1.0/60, 10), 17, 0.1, ace},
		{"1/60 + 10 stops", Stretched(1.0/60, 10), 17.07, 0.005, "computed"},
		{"1/15, f/8 to f/11, + 10 stops", Stretched(1.0/15, 1+10), 136, 0.6, ace},
		{"1/4, ISO 200 to 100, + 10 stops", Stretched(0.25, 1+10), 8*60 + 32, 0, ace},
		{"stacked: factors multiply, stops add", Stretched(1, FilterStops(4)+FilterStops(8)), 32, 1e-9, "grainmag.com/blog stacking-filters"},
		{"a polariser at least", PolariserStops, 1.65, 0.35, "about 1.3 to 2: grainmag.com; x4, 2 stops: charnwoodig.tripod.com"},
		{"a density of 0.3", DensityStops(0.3), 1, 1e-9, "common practice"},
		{"a density of 3.0", DensityStops(3), 10, 1e-9, "common practice"},
	}
	shutter := []float64{4000, 2000, 1000, 500, 250, 125, 60, 30}
	for i, nd := range []float64{2, 4, 8, 15, 30, 60, 125, 250} {
		facts = append(facts,
			fact{fmt.Sprintf("ND%g", nd), FilterStops(nd), float64(i + 1), 1e-9, gat},
			fact{fmt.Sprintf("1/8000 behind ND%g", nd), Stretched(1.0/8000, FilterStops(nd)) * shutter[i], 1, 0.07, gat + ", in engraved times"})
	}
	checkFacts(t, facts)
	for s, want := range map[float64]string{8.192: "8.2 s", 17.07: "17 s", 136.5: "2 min 17 s", 512: "8 min 32 s", 1.0 / 125: "1/125 s", 0.5: "0.5 s", 120: "2 min", 7384: "2 h 3 min"} {
		if got := Seconds(s); got != want {
			t.Errorf("%g s is written %q, want %q", s, got, want)
		}
	}
}

// TestPrintTables: resolution, distance, paper.
func TestPrintTables(t *testing.T) {
	const (
		pixelcraft = "pixelcraft.photo.blog/tag/visual-perception"
		meidokon   = "moin.meidokon.net ResolutionAndViewingAngles"
		iso        = "ISO 216, as in a public repository"
	)
	facts := []fact{
		{"ppi at an inch", PPIAt(inchCM, Acuity), 3438, 0.5, pixelcraft},
		{"300 ppi, inches", DistanceCM(300, Acuity) / inchCM, 11.46, 0.005, pixelcraft},
		{"ppi at 24 in", PPIAt(24*inchCM, Acuity), 143, 0.5, pixelcraft},
		{"300 dpi for an eye of 5.8e-4 rad", DistanceCM(300, 5.8e-4), 14.6, 0.05, "philoid.in question 128362"},
	}
	for cm, want := range map[float64]float64{20: 436, 30: 291, 40: 218, 50: 175, 100: 87, 300: 29, 500: 18, 1000: 9} {
		facts = append(facts, fact{fmt.Sprintf("ppi at %g cm", cm), PPIAt(cm, Acuity), want, 1, meidokon})
	}
	for n, want := range [][2]float64{{841, 1189}, {594, 841}, {420, 594}, {297, 420}, {210, 297}} {
		s, l := Sheet(n)
		facts = append(facts, fact{fmt.Sprintf("A%d short", n), float64(s), want[0], 0, iso}, fact{fmt.Sprintf("A%d long", n), float64(l), want[1], 0, iso})
	}
	for _, x := range []struct{ n, ppi, short, long float64 }{
		{2, 300, 4961, 7016},
		{2, 240, 3969, 5613},
		{2, 180, 2976, 4209},
		{1, 300, 7016, 9933},
		{1, 240, 5613, 7946},
		{1, 180, 4209, 5960},
		{0, 300, 9933, 14043},
	} {
		s, l := Sheet(int(x.n))
		facts = append(facts,
			fact{fmt.Sprintf("A%g at %g ppi, short", x.n, x.ppi), SheetPx(float64(s), x.ppi), x.short, 0.51, "computed"},
			fact{fmt.Sprintf("A%g at %g ppi, long", x.n, x.ppi), SheetPx(float64(l), x.ppi), x.long, 0.51, "computed"})
	}
	for ppi, want := range map[float64][2]float64{300: {124.5, 50.0}, 240: {155.6, 62.5}, 180: {207.5, 83.4}} {
		facts = append(facts,
			fact{fmt.Sprintf("14706 px at %g ppi", ppi), PrintCM(14706, ppi), want[0], 0.051, "computed"},
			fact{fmt.Sprintf("5909 px at %g ppi", ppi), PrintCM(5909, ppi), want[1], 0.051, "computed"})
	}
	from, to := ViewingCM(30, 40)
	facts = append(facts, fact{"looked at from", from, 75, 1e-9, "1.5 to 2 diagonals: qastack photo/17835"}, fact{"to", to, 100, 1e-9, "qastack photo/17835"})
	checkFacts(t, facts)
	for _, x := range []struct {
		w, h, ppi float64
		want      string
	}{{7016, 4961, 300, "A2"}, {7014, 4961, 300, "A3"}, {14706, 5909, 300, "A2"}, {14706, 5909, 240, "A1"}, {14706, 5909, 180, "A1"}, {5909, 14706, 300, "A2"}, {50000, 50000, 300, "A0"}} {
		if got, ok := LargestSheet(x.w, x.h, x.ppi); !ok || got != x.want {
			t.Errorf("%g × %g px at %g ppi covers %q, want %s", x.w, x.h, x.ppi, got, x.want)
		}
	}
	if name, ok := LargestSheet(10, 10, 300); ok {
		t.Errorf("ten pixels cover %s", name)
	}
}
