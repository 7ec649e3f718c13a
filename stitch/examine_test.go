package stitch

import (
	"image"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"flatfell.example/blend"
	"flatfell.example/internal/scene"
)

// TestSeamLines: the lines are as long as the borders between cells, each side once.
func TestSeamLines(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	l := &blend.Labels{Rect: image.Rect(0, 0, 31, 17), Cell: 4}
	for range 31 * 17 {
		l.L = append(l.L, int16(rng.IntN(4))-1)
	}
	want := 0
	for y := range 17 {
		for x := range 31 {
			a := l.L[y*31+x]
			if x < 30 && a >= 0 && l.L[y*31+x+1] >= 0 && l.L[y*31+x+1] != a {
				want += 4
			}
			if y < 16 && a >= 0 && l.L[(y+1)*31+x] >= 0 && l.L[(y+1)*31+x] != a {
				want += 4
			}
		}
	}
	got := 0.0
	for _, line := range seamLines(l) {
		for i := 1; i < len(line); i++ {
			d := line[i].Sub(line[i-1])
			if d.X != 0 && d.Y != 0 {
				t.Fatalf("%v is no side of cells", line)
			}
			got += d.Norm()
		}
	}
	if got != float64(want) {
		t.Errorf("%g pixels of seams, want %d", got, want)
	}
}

// TestExamine: the figures add up, lie in the picture, and are the same for any
// number of workers, also of a picture that was rendered small.
func TestExamine(t *testing.T) {
	if testing.Short() {
		t.Skip("joins a row")
	}
	row := photograph(t, scene.Row{Frames: 3, Width: 300, Height: 450, Seed: 2, ExposureEV: 0.3, VignettingStops: 1, Noise: 0.005}, scene.Options{})
	for _, width := range []int{0, 400} {
		sol := row.align(t, Options{})
		var first *Evidence
		for _, workers := range []int{1, 3} {
			o := Options{Workers: workers, MaxWidth: width}
			pic, err := Finish(t.Context(), sol, row.frames, o)
			if err != nil {
				t.Fatal(err)
			}
			ev, err := Examine(t.Context(), sol, row.frames, pic, o)
			pic.Close()
			if err != nil {
				t.Fatal(err)
			}
			if first == nil {
				first = ev
			} else if !reflect.DeepEqual(ev, first) {
				t.Error("other evidence with other workers")
			}
		}
		share := 0.0
		inside := image.Rect(0, 0, sol.Output.Width, sol.Output.Height)
		for _, f := range first.Frames {
			share += f.Share
			if !image.Pt(int(f.Middle.X), int(f.Middle.Y)).In(inside) || len(f.Outline) != 4*outlinePoints || len(f.Shade) == 0 {
				t.Errorf("frame %d: middle %v, %d points of outline, %d lines of shade", f.Index, f.Middle, len(f.Outline), len(f.Shade))
			}
		}
		if !(math.Abs(share-1) < 1e-9) {
			t.Errorf("the frames give %g of the picture", share)
		}
		for c := range first.Levels {
			sum := 0.0
			for _, v := range first.Levels[c] {
				sum += v
			}
			if !(math.Abs(sum-1) < 1e-9) {
				t.Errorf("levels of channel %d sum to %g", c, sum)
			}
		}
		if c := first.Crops[0]; c.Name != "inside" || c.Width < sol.Output.Width-2 || c.Width > sol.Output.Width+2 {
			t.Errorf("the same crop again is %+v of %d × %d", c, sol.Output.Width, sol.Output.Height)
		}
		var off []float64
		for _, r := range first.Residuals {
			off = append(off, r.Off.Norm())
		}
		if len(off) < 60 || !(median(off) < 0.5) {
			t.Errorf("%d residuals, the median %g pixels", len(off), median(off))
		}
		if width == 0 && len(first.Places) > 0 {
			t.Errorf("places in a row without a flaw: %s", first.Places[0].Text)
		}
	}
}
