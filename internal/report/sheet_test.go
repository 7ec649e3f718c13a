package report

import (
	"bytes"
	"image"
	"strings"
	"testing"

	"flatfell.example/card"
	"flatfell.example/raster"
)

// TestSheet: every shot has its picture and its name, which does nothing to the
// page whatever it holds.
func TestSheet(t *testing.T) {
	small := raster.NewPicture(image.Rect(0, 0, 16, 24))
	const hostile = `a/<script>alert("1")&'.jpg`
	r := &card.Result{
		Shots: []card.Shot{
			{Files: []string{hostile, "a/1.tif"}, Width: 160, Height: 240, Small: small},
			{Files: []string{"a/2.jpg"}, Small: small},
			{Files: []string{"a/3.jpg"}, Small: small},
		},
		Sets: []card.Set{
			{Name: "01-row", Kind: card.Row, Positions: [][]int{{0}, {1}}, Overlaps: []float64{0.336}, Notes: []string{"look <here>"}},
			{Name: "02-single", Kind: card.Single, Positions: [][]int{{2}}},
		},
		Unread: []card.Unread{{File: "<b>.jpg", Why: "is empty"}},
	}
	var page bytes.Buffer
	if err := Sheet(t.Context(), &page, r, []string{"flatfell", "sort", "a"}, "1"); err != nil {
		t.Fatal(err)
	}
	s := page.String()
	for _, bad := range []string{"<script", "<here>", "<b>", "ZgotmplZ"} {
		if strings.Contains(s, bad) {
			t.Errorf("the page holds %s", bad)
		}
	}
	for _, want := range []string{"01-row", "34 %", "2.jpg", "singles", "row, 2 positions, 2 shots", ">1 frame that nothing", "&lt;script&gt;", "3 photographs, 1 set, 1 single frame, 1 file that"} {
		if !strings.Contains(s, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if n := strings.Count(s, `src="data:image/jpeg;base64,/9j/`); n != 3 {
		t.Errorf("%d pictures", n)
	}
}
