package bench

import (
	"fmt"
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

// barTable shows bars.
func barTable(bars []Bar) *table {
	t := &table{head: []string{"what", "found", "bar", ""}}
	for _, b := range bars {
		verdict := "holds"
		if !b.OK() {
			verdict = "FAILS"
		}
		t.add(b.What, figure(b.Found)+b.Unit, "≤ "+figure(b.Limit)+b.Unit, verdict)
	}
	return t
}

// report joins a heading, the bars and further tables.
func report(title string, bars []Bar, tables ...*table) string {
	var b strings.Builder
	fmt.Fprintf(&b, "## %s\n", title)
	if len(bars) > 0 {
		fmt.Fprintf(&b, "\n%s", barTable(bars))
	}
	for _, t := range tables {
		fmt.Fprintf(&b, "\n%s", t)
	}
	return b.String()
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
