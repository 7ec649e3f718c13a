package report

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"flatfell.example/geom"
	"flatfell.example/plan"
)

var coast = plan.Camera{FocalMM: 23, LongMM: 23.5, ShortMM: 15.6, LongPx: 6240, ShortPx: 4160, Portrait: true}

// requests are cards from the shortest to the longest.
func requests() map[string]plan.Request {
	return map[string]plan.Request{
		"one frame": {Camera: coast, Wish: plan.Wish{Frames: 1}},
		"row":       {Camera: coast, Wish: plan.Wish{Frames: 5}},
		"full turn": {Camera: coast, Wish: plan.Wish{Coverage: 360 * geom.Degree, Overlap: 0.5}, FNumber: 11, ShutterSeconds: 1},
		"everything": {
			Camera: coast, Wish: plan.Wish{Coverage: 150 * geom.Degree, Overlap: 0.2, Stop: 15 * geom.Degree},
			FNumber: 22, NearM: 0.25, Bracket: true, PupilOffsetMM: 60, PupilKnown: true,
			ShutterSeconds: 1, ISO: 100, FilterStops: []float64{10, plan.PolariserStops}, TimerSeconds: 10, TurnSeconds: 20, WantedHeightPx: 9000,
		},
		"across": {Camera: coast.Held(false), Wish: plan.Wish{ShapeW: 3, ShapeH: 1}, Surface: plan.Plane},
	}
}

func cards(t *testing.T) map[string]Card {
	t.Helper()
	all := map[string]Card{}
	for name, q := range requests() {
		p, err := plan.New(q)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		all[name] = Card{p, "Groyne <at> low & \"slack\" tide — Dünen, Ακτή"}
	}
	return all
}

// TestPageIsWhole: the page is well formed, fetches nothing, runs nothing, says
// every fact and step, and what is written in it can't break it.
func TestPageIsWhole(t *testing.T) {
	for name, c := range cards(t) {
		b, err := c.Bytes(formatHTML)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		d := xml.NewDecoder(bytes.NewReader(b))
		d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
		depth, elements := 0, map[string]int{}
		var text strings.Builder
		for {
			tok, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			switch e := tok.(type) {
			case xml.StartElement:
				depth++
				elements[e.Name.Local]++
				for _, a := range e.Attr {
					if a.Name.Local == "src" || a.Name.Local == "href" {
						t.Errorf("%s: <%s %s=%q> fetches", name, e.Name.Local, a.Name.Local, a.Value)
					}
				}
			case xml.EndElement:
				depth--
			case xml.CharData:
				text.Write(e)
			}
		}
		if depth != 0 || elements["script"] > 0 || elements["link"] > 0 || bytes.Contains(b, []byte("url(")) {
			t.Errorf("%s: depth %d, elements %v", name, depth, elements)
		}
		v := c.view()
		if elements["polygon"] != c.Plan.Frames || elements["input"] != len(v.Steps) || elements["dt"] != len(v.Facts) {
			t.Errorf("%s: elements %v for %d frames, %d steps, %d facts", name, elements, c.Plan.Frames, len(v.Steps), len(v.Facts))
		}
		for _, want := range append([]string{c.Title, v.Headline}, plan.Cautions...) {
			if !strings.Contains(text.String(), want) {
				t.Errorf("%s: %q is missing", name, want)
			}
		}
		if bytes.Contains(b, []byte("ZgotmplZ")) || bytes.Contains(b, []byte("NaN")) || bytes.Contains(b, []byte("Inf")) {
			t.Errorf("%s: a value that is none:\n%s", name, b)
		}
	}
}

// TestLevelLine: the height that a lean leaves is told as a share, too.
func TestLevelLine(t *testing.T) {
	for _, f := range cards(t)["row"].view().Facts {
		if f.Label == "Level" {
			if got := strings.ReplaceAll(f.Text, "\u00a0", " "); !strings.Contains(got, "leaves 95 % of the height (5613 px)") {
				t.Errorf("%q", got)
			}
			return
		}
	}
	t.Error("no line about the level")
}

// TestDrawingToScale: in one scale frames are as wide as their angle, overlap
// by the overlap, and the crop has the picture's shape.
func TestDrawingToScale(t *testing.T) {
	c := cards(t)["row"]
	d := c.view().Drawing
	k := d.Width / float64(c.Plan.OutputPx[0])
	edge := func(i int) (lo, hi float64) {
		lo, hi = math.Inf(1), math.Inf(-1)
		for _, p := range d.Frames[i].Outline {
			lo, hi = min(lo, p.X), max(hi, p.X)
		}
		return lo, hi
	}
	near := func(what string, got, want float64) {
		if !(math.Abs(got-want) <= 0.001*d.Width) {
			t.Errorf("%s: %.2f, want %.2f", what, got, want)
		}
	}
	lo0, hi0 := edge(0)
	lo1, _ := edge(1)
	near("first frame begins", lo0, 0)
	near("overlap", (hi0-lo1)/(hi0-lo0), c.Plan.Overlap)
	near("height", d.Height, k*float64(c.Plan.OutputPx[1]))
	near("crop width", d.Crop.Width(), k*float64(c.Plan.InsidePx[0]))
	near("crop height", d.Crop.Height(), k*float64(c.Plan.InsidePx[1]))
	near("crop in the middle", d.Crop.Y0+d.Crop.Y1, d.Height)
}

// TestPDF: one page of A6 whatever is on it, the same bytes each time.
func TestPDF(t *testing.T) {
	pages := regexp.MustCompile(`/Type\s*/Page\b[^s]`)
	box := regexp.MustCompile(`/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]`)
	for name, c := range cards(t) {
		b, err := c.Bytes(formatPDF)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		again, err := c.Bytes(formatPDF)
		if err != nil || !bytes.Equal(b, again) {
			t.Errorf("%s: not the same bytes again, %v", name, err)
		}
		if n := len(pages.FindAll(b, -1)); n != 1 || !bytes.HasPrefix(b, []byte("%PDF-")) {
			t.Errorf("%s: %d pages", name, n)
		}
		m := box.FindSubmatch(b)
		if m == nil {
			t.Fatalf("%s: no size of the page", name)
		}
		for i, want := range []float64{105, 148} {
			if v, err := strconv.ParseFloat(string(m[i+1]), 64); err != nil || !(math.Abs(v*25.4/72-want) <= 0.1) {
				t.Errorf("%s: the page is %s by %s points", name, m[1], m[2])
			}
		}
		p, err := c.view().page()
		if err != nil || !(p.y <= pdfHeight-pdfMargin) || !(p.size >= 4.5) {
			t.Errorf("%s: reaches %.0f mm in %.1f points, %v", name, p.y, p.size, err)
		}
	}
	long := Card{cards(t)["row"].Plan, strings.Repeat("so long a name ", 400)}
	if _, err := long.Bytes(formatPDF); err == nil {
		t.Error("a title of 6000 letters fits")
	}
}

// TestText: no line is wider than a phone shows, and the bars are to scale.
func TestText(t *testing.T) {
	for name, c := range cards(t) {
		b, err := c.Bytes(formatText)
		if err != nil {
			t.Fatal(err)
		}
		bars := 0
		for line := range strings.Lines(string(b)) {
			line = strings.TrimSuffix(line, "\n")
			if n := utf8.RuneCountInString(line); n > textWidth+1 {
				t.Errorf("%s: %d letters: %q", name, n, line)
			}
			if strings.HasSuffix(line, "-|") {
				bars++
			}
		}
		if bars != c.Plan.Frames {
			t.Errorf("%s: %d bars for %d frames:\n%s", name, bars, c.Plan.Frames, b)
		}
		for _, s := range c.Plan.Steps() {
			if !strings.Contains(string(b), "[ ] "+s.Name+":") {
				t.Errorf("%s: no step %s", name, s.Name)
			}
		}
	}
}

func TestCardFormat(t *testing.T) {
	for path, want := range map[string]string{"a.html": "html", "A.HTM": "html", "a.b.pdf": "pdf", "x/a.txt": "txt", "a.jpg": "", "html": ""} {
		if got := CardFormat(path); got != want {
			t.Errorf("%s: %q, want %q", path, got, want)
		}
	}
	if _, err := (Card{Plan: cards(t)["row"].Plan}).Bytes("doc"); err == nil {
		t.Error("a card of an unknown format")
	}
}

// TestWrap: no word is lost.
func TestWrap(t *testing.T) {
	for _, s := range []string{"", "a", "one two three", strings.Repeat("x", 100), "a " + strings.Repeat("y", 30) + " b"} {
		lines := wrap(s, 12)
		for _, l := range lines {
			if utf8.RuneCountInString(l) > 12 {
				t.Errorf("%q is wider than 12", l)
			}
		}
		if got := strings.ReplaceAll(strings.Join(lines, ""), " ", ""); got != strings.ReplaceAll(s, " ", "") {
			t.Errorf("%q became %q", s, fmt.Sprint(lines))
		}
	}
}
