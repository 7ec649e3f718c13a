package stitch

import (
	"image"
	"math"
	"testing"

	"flatfell.example/raster"
)

// printed returns a print's samples, made in bands of some height.
func printed(t *testing.T, p *Print, band int) []uint16 {
	t.Helper()
	out := make([]uint16, 3*p.Width*p.Height)
	for y := 0; y < p.Height; y += band {
		n := min(band, p.Height-y)
		if err := p.Rows16(t.Context(), out[3*p.Width*y:][:3*p.Width*n], y, n); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// TestPrint: a smooth picture comes out where it should and as it was, on white
// paper, whatever the bands.
func TestPrint(t *testing.T) {
	pic := raster.NewPicture(image.Rect(0, 0, 300, 200))
	at := func(x, y float64) float64 { return 0.5 + 0.3*math.Sin(x/300*7)*math.Cos(y/200*5) }
	for y := range 200 {
		for x := range 300 {
			for c := range 3 {
				pic.Row(y)[3*x+c] = uint16(0xffff * at(float64(x)+0.5, float64(y)+0.5))
			}
		}
	}
	for _, o := range []PrintOptions{
		{LongMM: 80, ShortMM: 60, BorderMM: 5, Sharpen: -1},
		{LongMM: 80, ShortMM: 60, PPI: 60, Sharpen: -1}, // smaller than it is
		{LongMM: 50, ShortMM: 50, Fill: true, BleedMM: 3, Sharpen: -1},
		{LongMM: 80, ShortMM: 60}, // sharpening leaves what is smooth
	} {
		p, err := NewPrint(t.Context(), NewFrame("p", pic), o)
		if err != nil {
			t.Fatal(err)
		}
		got := printed(t, p, 16)
		for i, v := range printed(t, p, 37) {
			if got[i] != v {
				t.Fatalf("%+v: sample %d depends on the bands", o, i)
			}
		}
		if want := (o.LongMM + 2*o.BleedMM) / 25.4 * o.ppi(); math.Abs(float64(p.Width)-want) > 0.5 {
			t.Errorf("%+v: %d pixels wide, want %.1f", o, p.Width, want)
		}
		worst := 0.0
		for y := range p.Height {
			for x := range p.Width {
				v := float64(got[3*(y*p.Width+x)]) / 0xffff
				if !image.Pt(x, y).In(p.Picture) {
					if v != 1 {
						t.Fatalf("%+v: the paper is %g at (%d, %d)", o, v, x, y)
					}
					continue
				}
				u := float64(p.Source.Min.X) + (float64(x-p.Picture.Min.X)+0.5)*float64(p.Source.Dx())/float64(p.Picture.Dx())
				w := float64(p.Source.Min.Y) + (float64(y-p.Picture.Min.Y)+0.5)*float64(p.Source.Dy())/float64(p.Picture.Dy())
				if u > 6 && u < 294 && w > 6 && w < 194 { // at the borders the picture is continued flat
					worst = max(worst, math.Abs(v-at(u, w)))
				}
			}
		}
		if !(worst < 0.004) { // an 8-bit level
			t.Errorf("%+v: off by %.5f", o, worst)
		}
	}
}

// TestPrintSharpens: an edge gets steeper, by the strength, and no halo is larger
// than its limit.
func TestPrintSharpens(t *testing.T) {
	pic := raster.NewPicture(image.Rect(0, 0, 60, 40))
	for y := range 40 {
		for x := range 60 {
			for c := range 3 {
				pic.Row(y)[3*x+c] = 20000
				if x >= 30 {
					pic.Row(y)[3*x+c] = 45000
				}
			}
		}
	}
	rise := func(strength float64) (steep, most float64) {
		p, err := NewPrint(t.Context(), NewFrame("p", pic), PrintOptions{LongMM: 30, ShortMM: 20, Sharpen: strength})
		if err != nil {
			t.Fatal(err)
		}
		row := printed(t, p, 64)[3*p.Width*(p.Height/2):][:3*p.Width]
		for x := 1; x < p.Width; x++ {
			steep = max(steep, float64(row[3*x])-float64(row[3*x-3]))
			most = max(most, float64(row[3*x]))
		}
		return steep, most
	}
	none, plain := rise(-1)
	one, halo := rise(0)
	two, _ := rise(2)
	if !(none < one && one < two) {
		t.Errorf("steepest by %g without, %g with, %g with twice the sharpening", none, one, two)
	}
	if !(halo-plain <= printHalo*0xffff+1) {
		t.Errorf("a halo of %g", halo-plain)
	}
}
