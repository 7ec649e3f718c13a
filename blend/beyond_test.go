package blend

import (
	"image"
	"image/color"
	"math"
	"slices"
	"testing"
)

// TestBeyondBorder: along a seam at a layer's very border the picture is the scene
// that both layers show, whatever stands beyond the border; if one is brighter,
// the step between them is gone.
func TestBeyondBorder(t *testing.T) {
	scene := func(x, y int) float32 {
		v := 0.3 + 0.1*float32(math.Sin(float64(y)/40))
		if x >= 404 && x < 520 { // dark beyond the border, bright behind that
			v = 0.08
		} else if x >= 520 {
			v = 0.75
		}
		return v + 0.02*hash(x/2, y/2, 1)
	}
	for _, more := range []float32{0, 0.06} {
		show := func(frame image.Rectangle, more float32) *formula {
			return &formula{frame: frame, colour: func(x, y int) [3]float32 {
				v := scene(x, y) + more
				return [3]float32{v, v, v}
			}}
		}
		layers := []Layer{show(image.Rect(0, 0, 400, 320), more), show(image.Rect(160, 0, 800, 320), 0)}
		for _, cell := range []int{1, 8} {
			labels := &Labels{Rect: image.Rect(0, 0, 800/cell, 320/cell), Cell: cell}
			for range labels.Rect.Dy() {
				for x := range labels.Rect.Dx() {
					label := int16(0)
					if x >= 400/cell { // the last column of the first layer is its own
						label = 1
					}
					labels.L = append(labels.L, label)
				}
			}
			r := image.Rect(0, 0, 800, 320)
			got := mustBlend(t, r, layers, labels, MultibandOptions{Bands: 5, Coarse: cellsOf(layers, labels)})
			off := func(x, y int) float64 {
				return float64(got.Row(y)[3*x])/65535 - float64(scene(x, y))
			}
			worst, step := 0., 0.
			for y := 100; y < 220; y++ {
				for x := 200; x < 700; x++ {
					e := off(x, y)
					worst = max(worst, math.Abs(e-min(max(e, 0), float64(more))))
					step = max(step, math.Abs(e-off(x-1, y)))
				}
			}
			// With the border repeated it is 0.016 to 0.08.
			if !(worst <= 0.002) {
				t.Errorf("cells of %d, %v brighter: off by %.4f", cell, more, worst)
			}
			if !(step <= 0.1*float64(more)+0.001) {
				t.Errorf("cells of %d, %v brighter: a step of %.4f", cell, more, step)
			}
		}
	}
}

// TestBeyondLost: where the light of one layer is lost, its white does not spread
// over the other's side of the seam.
func TestBeyondLost(t *testing.T) {
	const cell = 8
	r := image.Rect(0, 0, 640, 320)
	grey := func(frame image.Rectangle, white image.Rectangle) *formula {
		return &formula{frame: frame, colour: func(x, y int) [3]float32 {
			if image.Pt(x, y).In(white) {
				return [3]float32{1, 1, 1}
			}
			return [3]float32{0.7, 0.7, 0.7}
		}}
	}
	white := image.Rect(240, 80, 420, 240)
	layers := []Layer{grey(image.Rect(0, 0, 440, 320), white), grey(image.Rect(200, 0, 640, 320), image.Rectangle{})}
	labels := &Labels{Rect: image.Rect(0, 0, 80, 40), Cell: cell}
	for range 40 {
		for x := range 80 {
			labels.L = append(labels.L, int16(min(1, x/28))) // at 224, before the white
		}
	}
	coarse := cellsOf(layers, labels)
	coarse[0].Lost = image.NewGray(coarse[0].Rect)
	for y := white.Min.Y / cell; y < white.Max.Y/cell; y++ {
		for x := white.Min.X / cell; x < (white.Max.X+cell-1)/cell; x++ {
			coarse[0].Lost.SetGray(x, y, color.Gray{Y: 255})
		}
	}
	got := mustBlend(t, r, layers, labels, MultibandOptions{Bands: 5, Coarse: coarse})
	for y := range 320 {
		for x := 228; x < 640; x++ {
			if v := float64(got.Row(y)[3*x]) / 65535; !(math.Abs(v-0.7) <= 0.01) {
				t.Fatalf("(%d, %d) = %.4f, want 0.7", x, y, v)
			}
		}
	}
}

// TestBeyondLongRow: that layers go while a long row is put together changes nothing,
// and they do go.
func TestBeyondLongRow(t *testing.T) {
	const cell, n, bands = 8, 8, 2
	var layers []Layer
	labels := &Labels{Rect: image.Rect(0, 0, 40*n+20, 40), Cell: cell}
	for i := range n {
		layers = append(layers, &formula{frame: image.Rect(320*i, 0, 320*i+480, 320), colour: func(x, y int) [3]float32 {
			v := 0.4 + 0.02*float32(i) + 0.2*hash(x/16, y/16, 1)
			return [3]float32{v, v, v + 0.1}
		}})
	}
	for range 40 {
		for x := range labels.Rect.Dx() {
			labels.L = append(labels.L, int16(min(max(x-10, 0)/40, n-1)))
		}
	}
	coarse := cellsOf(layers, labels)
	c := newCoarsePart(coarse, labels, bands)
	whole := &coarsePart{cell: cell, bands: bands, layers: coarse}
	parts := labelled(labels, labels.Rect, n)
	for i := range n {
		r := parts[i].Inset(-coarseReach << bands).Intersect(labels.Rect)
		want := whole.continued(i, labels, whole.around(r, coarse[i].Rect))
		for k, p := range want.RGB {
			if !slices.Equal(p.Pix, c.layers[i].RGB[k].Pix) {
				t.Errorf("layer %d is continued otherwise", i)
			}
		}
	}
	last := whole.lastUse(parts, coarseReach<<bands)
	for j, l := range last {
		if l < j || l > min(j+3, n-1) {
			t.Errorf("layer %d is kept until layer %d", j, l)
		}
	}
}
