package report

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"
)

// TestCurves: well-formed XML whatever the names are, half of the axis in the
// middle of the plot, and a panel of nothing.
func TestCurves(t *testing.T) {
	svg := string(Curves("a <b> & \"c\"", "overlap", "right", "wrong", 0.5, []CurvePanel{
		{Name: "</svg>", Points: []CurvePoint{{0.25, 0.5, 0.25, 0.75, 0.1}, {0.5, 1, 0.9, 1, 0}}},
		{Name: "none"},
	}))
	d := xml.NewDecoder(strings.NewReader(svg))
	var text []string
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%v in\n%s", err, svg)
		}
		if c, ok := tok.(xml.CharData); ok {
			text = append(text, string(c))
		}
	}
	if all := strings.Join(text, ""); !strings.Contains(all, "</svg>") || !strings.Contains(all, `a <b> & "c"`) {
		t.Errorf("the texts are %q", all)
	}
	if want := `<path class="right" d="M122.0 70.0L244.0 0.0"/>`; !strings.Contains(svg, want) {
		t.Errorf("no %s in\n%s", want, svg)
	}
	if n := strings.Count(svg, `class="band"`); n != 1 {
		t.Errorf("%d bands", n)
	}
}
