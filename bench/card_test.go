package bench

import (
	"strings"
	"testing"

	"flatfell.example/card"
	"flatfell.example/internal/scene"
)

// TestCard sorts the beginning of a card: a test shot, a row and a bracket.
func TestCard(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a card")
	}
	made := scene.NewCard(2, scene.CardOptions{Width: 200, Height: 300, Sets: 2})
	row, err := Config{}.sortCard(t.Context(), made)
	if err != nil {
		t.Fatal(err)
	}
	if row.Files < len(made.Shots) || row.RightWithMeta != row.Files || row.RightBare != row.Files {
		t.Errorf("%+v", row)
	}
	res := &CardResult{Cards: []CardRow{*row}}
	for _, b := range res.Bars() {
		if !b.OK() {
			t.Errorf("%+v", b)
		}
	}
	if s := res.Report().String(); !strings.Contains(s, "| card | files | sets |") {
		t.Error(s)
	}
}

// TestScoreCard: a set that is torn, mixed or taken for another kind counts as
// wrong.
func TestScoreCard(t *testing.T) {
	made := &scene.Card{Kinds: []string{"row", "single"}, Shots: []scene.CardShot{{File: "1.JPG"}, {File: "2.JPG"}, {File: "3.JPG", Set: 1}}}
	shots := []card.Shot{{Files: []string{"1.JPG"}}, {Files: []string{"2.JPG"}}, {Files: []string{"3.JPG"}}}
	for _, c := range []struct {
		name         string
		sets         []card.Set
		right, wrong int
	}{
		{"right", []card.Set{{Kind: card.Row, Positions: [][]int{{0}, {1}}}, {Kind: card.Single, Positions: [][]int{{2}}}}, 3, 0},
		{"torn", []card.Set{{Kind: card.Row, Positions: [][]int{{0}}}, {Kind: card.Single, Positions: [][]int{{1}}}, {Kind: card.Single, Positions: [][]int{{2}}}}, 2, 1},
		{"mixed", []card.Set{{Kind: card.Row, Positions: [][]int{{0}, {1}, {2}}}}, 2, 2},
		{"another kind", []card.Set{{Kind: card.Repeats, Positions: [][]int{{0, 1}}}, {Kind: card.Single, Positions: [][]int{{2}}}}, 1, 1},
	} {
		_, right, wrong := scoreCard(made, &card.Result{Shots: shots, Sets: c.sets}, "")
		if right != c.right || len(wrong) != c.wrong {
			t.Errorf("%s: %d right, wrong %q", c.name, right, wrong)
		}
	}
}

// TestCheck looks at a clean row and at one with a frame missing.
func TestCheck(t *testing.T) {
	if testing.Short() {
		t.Skip("renders rows")
	}
	c := Config{}.withDefaults(1, 1, 240, 360)
	res := &CheckResult{Faults: []CheckFault{{Name: "none"}}}
	for _, f := range faults {
		res.Faults = append(res.Faults, CheckFault{Name: f.name})
	}
	for _, k := range []int{-1, len(faults) - 1} {
		if err := res.seeded(t.Context(), c, 0, k); err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range res.Faults {
		if f.Found != f.Rows {
			t.Errorf("%+v", f)
		}
	}
	if len(res.OverlapOff) != 4 || !res.Bars()[0].OK() {
		t.Errorf("overlaps off by %v points", res.OverlapOff)
	}
	res.Disagree, res.Rows = []string{"row 1"}, 10
	if b := res.Bars()[3]; b.OK() {
		t.Errorf("%+v holds of one in ten", b)
	}
}
