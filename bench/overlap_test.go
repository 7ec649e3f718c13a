package bench

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"flatfell.example/geom"
)

// TestInterval holds it against a published one: 81 of 263 is 0.2553 to 0.3662
// (Newcombe, Two-sided confidence intervals for the single proportion,
// Statistics in Medicine 17, 1998, method 3 of its table).
func TestInterval(t *testing.T) {
	for _, tc := range []struct {
		hits, n   int
		low, high float64
	}{
		{81, 263, 0.2553, 0.3662},
		{0, 20, 0, 0.1611}, // of the same table
		{15, 148, 0.0624, 0.1605},
		{0, 0, 0, 1},
	} {
		low, high := Interval(tc.hits, tc.n)
		if math.Abs(low-tc.low) > 5e-5 || math.Abs(high-tc.high) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", tc.hits, tc.n, low, high, tc.low, tc.high)
		}
		if l, h := Interval(tc.n-tc.hits, tc.n); tc.n > 0 && (math.Abs(l-1+high) > 1e-12 || math.Abs(h-1+low) > 1e-12) {
			t.Errorf("%d of %d is not the mirror image of the rest", tc.hits, tc.n)
		}
	}
}

// TestOverlap runs through all conditions.
func TestOverlap(t *testing.T) {
	if testing.Short() {
		t.Skip("renders rows")
	}
	c := tiny
	c.Quick = true
	res, err := Overlap(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	if want := len(fewOverlaps) + len(conditions) - 1; len(res.Points) != want {
		t.Fatalf("%d points, want %d", len(res.Points), want)
	}
	for i := range res.Points {
		p := &res.Points[i]
		if p.Rows() != 1 || len(p.Worst) != p.Right+p.Wrong {
			t.Errorf("%+v", p)
		}
		if i == 0 && p.Right != 1 {
			t.Errorf("a third of overlap: %+v", p)
		}
	}
	if len(res.Bars()) != len(fewOverlaps)+2 {
		t.Errorf("bars %+v", res.Bars())
	}
}

// TestOverlapBarsOnly: what has no bar is left out.
func TestOverlapBarsOnly(t *testing.T) {
	if testing.Short() {
		t.Skip("renders rows")
	}
	c := tiny
	c.BarsOnly = true
	res, err := Overlap(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Points) != len(fewOverlaps)+1 || len(res.Bars()) != len(fewOverlaps)+2 {
		t.Errorf("%d points, %d bars", len(res.Points), len(res.Bars()))
	}
}

// TestOverlapFiles: what is written says the same as the points.
func TestOverlapFiles(t *testing.T) {
	res := &OverlapResult{Width: 600, Height: 900, Points: []OverlapPoint{
		{Condition: rich, Overlap: 0.5, Right: 3, Refused: 1, Worst: []geom.Angle{geom.Degree / 100, geom.Degree / 50, geom.Degree / 25}},
		{Condition: rich, Overlap: 0.05, Wrong: 1, Refused: 3, Worst: []geom.Angle{geom.Degree}},
		{Condition: "blur", Overlap: 0.5, Refused: 2},
	}}
	var b bytes.Buffer
	if err := res.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(lines) != 4 {
		t.Fatalf("%v, %v", lines, err)
	}
	if got := strings.Join(lines[1], " "); !strings.HasPrefix(got, "rich texture 0.5 4 3 0 1 0.300") || !strings.HasSuffix(got, " 0.02") {
		t.Errorf("first line %q", got)
	}
	if got := lines[3][10]; got != "" {
		t.Errorf("an error of rows that were refused: %q", got)
	}
	if svg := string(res.Plot()); strings.Count(svg, `class="band"`) != 2 || strings.Index(svg, rich) > strings.Index(svg, ">blur<") {
		t.Errorf("the drawing:\n%s", svg)
	}
}

// TestReportJSON: numbers are numbers, and what is none is null.
func TestReportJSON(t *testing.T) {
	tab := &table{head: []string{"a", "b"}}
	tab.add("1", "2")
	var b bytes.Buffer
	if err := report("title", []Bar{{"x", 1.5, 1, " px"}, {"y", math.NaN(), 1, ""}}, tab).WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Title string
		Bars  []struct {
			What, Unit   string
			Found, Limit any
			Holds        bool
		}
		Tables []struct {
			Head []string
			Rows [][]string
		}
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Title != "title" || got.Bars[0].Found != 1.5 || got.Bars[0].Unit != "px" || got.Bars[0].Holds || got.Bars[1].Found != nil || got.Tables[0].Rows[0][1] != "2" {
		t.Errorf("%+v", got)
	}
}
