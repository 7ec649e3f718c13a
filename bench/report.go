package bench

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"
)

// Bar is a figure and the value that it must not exceed.
type Bar struct {
	What         string
	Found, Limit float64
	Unit         string
}

// OK reports whether the bar holds; a figure that is no number doesn't.
func (b Bar) OK() bool { return b.Found <= b.Limit }

// table is a table of a report.
type table struct {
	head []string
	rows [][]string
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// String returns the table in Markdown, its columns lined up: the first to the
// left, the others to the right.
func (t *table) String() string {
	width := make([]int, len(t.head))
	for _, r := range append([][]string{t.head}, t.rows...) {
		for i, c := range r {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	var b strings.Builder
	line := func(cells []string) {
		for i, c := range cells {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if i == 0 {
				c += pad
			} else {
				c = pad + c
			}
			b.WriteString("| " + c + " ")
		}
		b.WriteString("|\n")
	}
	line(t.head)
	for i, w := range width {
		if i == 0 {
			b.WriteString("|:" + strings.Repeat("-", w+1))
		} else {
			b.WriteString("|" + strings.Repeat("-", w+1) + ":")
		}
	}
	b.WriteString("|\n")
	for _, r := range t.rows {
		line(r)
	}
	return b.String()
}

// Report is a result as tables, the bars that must hold first.
type Report struct {
	Title  string
	Bars   []Bar
	tables []*table
}

// report makes a report.
func report(title string, bars []Bar, tables ...*table) Report { return Report{title, bars, tables} }

// String returns the report in Markdown.
func (r Report) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "## %s\n", r.Title)
	if len(r.Bars) > 0 {
		t := &table{head: []string{"what", "found", "bar", ""}}
		for _, b := range r.Bars {
			verdict := "holds"
			switch {
			case math.IsNaN(b.Found):
				verdict = "NO SAMPLE" // in so few rows, or something broke
			case !b.OK():
				verdict = "FAILS"
			}
			t.add(b.What, figure(b.Found)+b.Unit, "≤ "+figure(b.Limit)+b.Unit, verdict)
		}
		fmt.Fprintf(&b, "\n%s", t)
	}
	for _, t := range r.tables {
		fmt.Fprintf(&b, "\n%s", t)
	}
	return b.String()
}

// WriteJSON writes the report as one JSON object: title, bars (what, found,
// limit, unit, holds; found is null if there is no figure) and tables (a head
// and rows of strings, as [Report.String] shows them).
func (r Report) WriteJSON(w io.Writer) error {
	type jsonBar struct {
		What  string   `json:"what"`
		Found *float64 `json:"found"`
		Limit float64  `json:"limit"`
		Unit  string   `json:"unit"`
		Holds bool     `json:"holds"`
	}
	type jsonTable struct {
		Head []string   `json:"head"`
		Rows [][]string `json:"rows"`
	}
	out := struct {
		Title  string      `json:"title"`
		Bars   []jsonBar   `json:"bars"`
		Tables []jsonTable `json:"tables"`
	}{Title: r.Title, Bars: []jsonBar{}, Tables: []jsonTable{}}
	for _, b := range r.Bars {
		j := jsonBar{What: b.What, Limit: b.Limit, Unit: strings.TrimSpace(b.Unit), Holds: b.OK()}
		if !math.IsNaN(b.Found) && !math.IsInf(b.Found, 0) {
			j.Found = &b.Found
		}
		out.Bars = append(out.Bars, j)
	}
	for _, t := range r.tables {
		out.Tables = append(out.Tables, jsonTable{t.head, t.rows})
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(out)
}

// figure formats a number to two significant digits below one, and to three
// decimals at most above.
func figure(v float64) string {
	switch a := math.Abs(v); {
	case math.IsNaN(v):
		return "–"
	case a == math.Trunc(a):
		return fmt.Sprintf("%.0f", v)
	case a < 0.0001:
		return fmt.Sprintf("%.1e", v)
	case a < 0.1:
		return fmt.Sprintf("%.4f", v)
	}
	return fmt.Sprintf("%.3f", v)
}

// quantile returns the value at or below which a share of v lies, by the
// nearest rank; NaN if v is empty.
func quantile(v []float64, share float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	v = slices.Clone(v)
	slices.Sort(v)
	k := int(math.Ceil(share*float64(len(v)))) - 1
	return v[min(max(k, 0), len(v)-1)]
}

func median(v []float64) float64 { return quantile(v, 0.5) }
