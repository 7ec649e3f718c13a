package bench

import (
	"image"
	"strings"
	"testing"

	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

// TestFiguresOf: a frame less the same without movers is the movers, each with
// its own pixels; one at the border is not whole.
func TestFiguresOf(t *testing.T) {
	r := image.Rect(0, 0, 100, 60)
	bare, pic := raster.NewPicture(r), raster.NewPicture(r)
	paint := func(b image.Rectangle) {
		for y := b.Min.Y; y < b.Max.Y; y++ {
			for x := b.Min.X; x < b.Max.X; x++ {
				pic.Row(y)[3*x] = 9000
			}
		}
	}
	walker, boat := image.Rect(20, 10, 30, 40), image.Rect(90, 20, 100, 26)
	paint(walker)
	paint(boat)
	f := scene.FrameTruth{Movers: []scene.MoverTruth{
		{Kind: "walker", X: 25, Y: 25, HalfWidthDeg: 0.5},
		{Kind: "boat", X: 97, Y: 23, HalfWidthDeg: 0.5},
	}}
	f.Camera.FocalPx = 600
	got := figuresOf(pic, bare, &f)
	for y := range 60 {
		for x := range 100 {
			want := int8(-1)
			switch p := image.Pt(x, y); {
			case p.In(walker):
				want = 0
			case p.In(boat):
				want = 1
			}
			if got.of[y*100+x] != want {
				t.Fatalf("pixel (%d, %d) is of mover %d, want %d", x, y, got.of[y*100+x], want)
			}
		}
	}
	if !got.whole[0] || got.whole[1] {
		t.Errorf("whole %v, want the walker only", got.whole)
	}
}

// TestJudge: whole, absent, in part and twice are told apart.
func TestJudge(t *testing.T) {
	shots := &photographs{of: []int{0, 1}, plan: scene.Truth{Frames: make([]scene.FrameTruth, 2)}}
	for i := range shots.plan.Frames {
		shots.plan.Frames[i].Movers = []scene.MoverTruth{{Kind: "walker"}}
	}
	figs := []figures{{whole: []bool{true}}, {whole: []bool{true}}}
	count := func(total, shown, alone int) figureCount {
		return figureCount{total: total, shown: shown, alone: alone, own: total, ownShown: shown, with: make([]int, 2)}
	}
	for _, c := range []struct {
		name                           string
		a, b                           figureCount
		whole, absent, halved, doubled int
	}{
		{"one of two", count(100, 100, 0), count(100, 0, 0), 1, 1, 0, 0},
		{"both, for no need", count(100, 100, 0), count(100, 100, 0), 2, 0, 0, 1},
		{"both, where no other frame sees", count(100, 100, 100), count(100, 100, 100), 0, 0, 0, 0},
		{"in part", count(100, 50, 0), count(100, 0, 0), 0, 1, 1, 0},
		{"too small to count", count(10, 5, 0), count(10, 5, 0), 0, 0, 0, 0},
	} {
		r := &MoversResult{}
		r.judge(shots, 0, figs, func(k int) *figureCount { return [...]*figureCount{&c.a, &c.b}[k] })
		if r.Whole != c.whole || r.Absent != c.absent || len(r.Halved) != c.halved || len(r.Doubled) != c.doubled {
			t.Errorf("%s: %+v", c.name, r)
		}
	}
}

// TestMovers runs through one small row.
func TestMovers(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a row")
	}
	res, err := Movers(t.Context(), Config{Seeds: 1, Width: 240, Height: 360})
	if err != nil {
		t.Fatal(err)
	}
	if res.Rows != 1 || res.Figures != res.Whole+res.Absent+len(res.Halved) || !strings.Contains(res.Report().String(), "| movers shown twice") {
		t.Errorf("%+v\n%s", res, res.Report())
	}
}
