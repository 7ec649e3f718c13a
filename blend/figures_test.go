package blend

import (
	"image"
	"image/color"
	"testing"

	"flatfell.example/raster"
)

// walkers returns two layers 66 of 100 cells wide that overlap by 32, with dark
// walkers of 6 × 25 cells at the given columns of each.
func walkers(first, second []int) (grid image.Rectangle, layers []SeamLayer) {
	grid = image.Rect(0, 0, 100, 60)
	for i, r := range []image.Rectangle{image.Rect(0, 0, 66, 60), image.Rect(34, 0, 100, 60)} {
		at := [][]int{first, second}[i]
		layers = append(layers, seamLayer(r, noisy(uint64(i), 0.01, func(x, y int) [3]float32 {
			for _, x0 := range at {
				if image.Pt(x, y).In(walkerAt(x0)) {
					return [3]float32{0.1, 0.1, 0.15}
				}
			}
			return beach(x, y, 500)
		})))
	}
	return grid, layers
}

func walkerAt(x0 int) image.Rectangle { return image.Rect(x0, 20, x0+6, 45) }

// share returns the part of r that is taken from a layer.
func share(l *Labels, r image.Rectangle, layer int) float64 {
	n := 0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if l.At(x, y) == layer {
				n++
			}
		}
	}
	return float64(n) / float64(r.Dx()*r.Dy())
}

// TestFigures: what moved is whole or absent, and once at most.
func TestFigures(t *testing.T) {
	for _, c := range []struct {
		name          string
		first, second []int
		// want0 and want1 are the parts of the walkers of the first and the
		// second layer that are seen.
		want0, want1 []float64
	}{
		{"in one layer: left out", []int{45}, nil, []float64{0}, nil},
		{"in the other", nil, []int{50}, nil, []float64{0}},
		{"in both, apart: left out twice", []int{40}, []int{54}, []float64{0}, []float64{0}},
		{"at the end of the second layer: whole", []int{31}, nil, []float64{1}, nil},
		{"at the end of the first layer: whole", nil, []int{63}, nil, []float64{1}},
		{"cut by the first layer's end: left out", []int{62}, nil, []float64{0}, nil},
	} {
		grid, layers := walkers(c.first, c.second)
		l := mustSeams(t, grid, layers, SeamOptions{})
		for k, x0 := range c.first {
			r := walkerAt(x0).Intersect(layers[0].Rect)
			if got := share(l, r, 0); got != c.want0[k] {
				t.Errorf("%s: %.2f of the first layer's walker is seen, want %v", c.name, got, c.want0[k])
			}
		}
		for k, x0 := range c.second {
			r := walkerAt(x0).Intersect(layers[1].Rect)
			if got := share(l, r, 1); got != c.want1[k] {
				t.Errorf("%s: %.2f of the second layer's walker is seen, want %v", c.name, got, c.want1[k])
			}
		}
	}
}

// TestFiguresNear: one thing that moved by less than its own size shows once:
// the two places lie on one side of the seam.
func TestFiguresNear(t *testing.T) {
	for _, step := range []int{4, 8} {
		grid, layers := walkers([]int{46}, []int{46 + step})
		l := mustSeams(t, grid, layers, SeamOptions{})
		a, b := share(l, walkerAt(46), 0), share(l, walkerAt(46+step), 1)
		if a+b != 1 || a != 0 && a != 1 {
			t.Errorf("moved by %d: %.2f of the first and %.2f of the second are seen, want one of them", step, a, b)
		}
	}
}

// mirrored returns r in a grid so many cells wide, or for layer 1 its mirror image:
// what is beside the first layer's own part of the picture is then beside the
// second's.
func mirrored(r image.Rectangle, wide, layer int) image.Rectangle {
	if layer == 1 {
		r.Min.X, r.Max.X = wide-r.Max.X, wide-r.Min.X
	}
	return r
}

// lighten adds light to the cells of r that the layer has.
func lighten(l *SeamLayer, r image.Rectangle, light float32) {
	r = r.Intersect(l.Rect)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			for c := range l.RGB {
				l.RGB[c].Set(x, y, l.RGB[c].At(x, y)+light)
			}
		}
	}
}

// TestFiguresBesideSurf: a walker inside the overlap is left out, though he hangs
// together with surf that reaches an end of it.
func TestFiguresBesideSurf(t *testing.T) {
	for _, c := range []struct {
		name         string
		walker, surf image.Rectangle
		own, others  float32 // how much lighter the surf is in either layer
	}{
		{
			"surf of both layers, a step away from him, at the end of the other",
			image.Rect(42, 12, 48, 48), image.Rect(34, 31, 39, 35), 0.3, -0.3,
		},
		{ // The other layer goes on there: only it has all of the surf.
			"his layer's surf, cut by the layer's end",
			image.Rect(40, 12, 46, 48), image.Rect(46, 31, 66, 35), 0.06, 0,
		},
		{ // It is no piece of him.
			"a speck of his layer's surf at the end of the other",
			image.Rect(47, 12, 53, 48), image.Rect(34, 31, 38, 35), -0.25, 0,
		},
	} {
		for owner := range 2 {
			grid, layers := walkers(nil, nil)
			walker, surf := mirrored(c.walker, 100, owner), mirrored(c.surf, 100, owner)
			lighten(&layers[owner], walker, -0.4)
			lighten(&layers[owner], surf, c.own)
			lighten(&layers[1-owner], surf, c.others)
			l := mustSeams(t, grid, layers, SeamOptions{})
			if got := share(l, walker, owner); got > 0 {
				t.Errorf("%s, of layer %d: %.2f of the walker is seen, want none", c.name, owner, got)
			}
		}
	}
}

// TestFiguresBehindPosts: a crest that goes on where only its layer does is whole,
// though a post stands before it, beyond which little of it is seen in the overlap,
// and though surf like it, of the other layer, goes on beyond the other end.
func TestFiguresBehindPosts(t *testing.T) {
	const wide, reach = 160, 110
	grid := image.Rect(0, 0, wide, 60)
	for owner := range 2 {
		at := func(x0, y0, x1, y1 int) image.Rectangle { return mirrored(image.Rect(x0, y0, x1, y1), wide, owner) }
		crest, tail, surf := at(0, 30, 54, 34), at(62, 28, 80, 38), at(94, 37, wide, 58)
		for _, withSurf := range []bool{false, true} {
			layers := make([]SeamLayer, 2)
			for k := range layers {
				layers[k] = seamLayer(mirrored(image.Rect(0, 0, reach, 60), wide, k), noisy(uint64(k), 0.01, scenery(800)))
			}
			lighten(&layers[owner], crest, 0.3)
			lighten(&layers[owner], tail, 0.3)
			if withSurf {
				lighten(&layers[1-owner], surf, 0.3)
			}
			l := mustSeams(t, grid, layers, SeamOptions{})
			if got := share(l, tail, owner); got < 1 {
				t.Errorf("layer %d, surf %t: %.2f of the crest beyond the post is seen, want all", owner, withSurf, got)
			}
			if got := share(l, surf, 1-owner); withSurf && got < 1 {
				t.Errorf("layer %d: %.2f of the other's surf is seen, want all", owner, got)
			}
		}
	}
}

// TestWanted: what the photographer wants is taken, figure or not, from either
// layer.
func TestWanted(t *testing.T) {
	for owner := range 2 {
		at := [][]int{nil, nil}
		at[owner] = []int{47}
		grid, layers := walkers(at[0], at[1])
		cost := raster.NewPlane(layers[owner].Rect)
		cost.Set(50, 30, Wanted) // a part of the figure is enough
		layers[owner].Cost = cost
		l := mustSeams(t, grid, layers, SeamOptions{})
		if got := share(l, walkerAt(47), owner); got != 1 {
			t.Errorf("%.2f of what is wanted of layer %d is seen", got, owner)
		}
	}
}

// TestLostLight: a place whose light is lost in one layer comes from the other,
// though it stands out from its surroundings there only, and the seam keeps its
// distance.
func TestLostLight(t *testing.T) {
	blob := image.Rect(37, 10, 63, 20)
	for owner := range 2 {
		grid, layers := walkers(nil, nil)
		lost := image.NewGray(layers[owner].Rect)
		for k := range layers {
			around := image.Rect(0, 4, 100, 26).Intersect(layers[k].Rect)
			for y := around.Min.Y; y < around.Max.Y; y++ {
				for x := around.Min.X; x < around.Max.X; x++ {
					v := float32(0.75)
					switch in := image.Pt(x, y).In(blob); {
					case in && k == owner:
						lost.SetGray(x, y, color.Gray{Y: 255})
					case in:
						v = 0.9
					}
					for c := range 3 {
						layers[k].RGB[c].Set(x, y, v)
					}
				}
			}
		}
		layers[owner].Lost = lost
		l := mustSeams(t, grid, layers, SeamOptions{})
		if got := share(l, blob.Inset(-1), owner); got > 0 {
			t.Errorf("%.2f of what is lost in layer %d, or beside that, is taken from it", got, owner)
		}
	}
}
