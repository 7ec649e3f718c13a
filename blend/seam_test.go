package blend

import (
	"context"
	"errors"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"flatfell.example/raster"
)

// beach is a smooth scene with some texture, any number of turns of period
// wide, colours in [0, 1].
func beach(x, y, period int) [3]float32 {
	turn := 2 * math.Pi * float64(x) / float64(period)
	wave := 0.1*math.Sin(3*turn) + 0.05*math.Sin(11*turn+0.2*float64(y)) + 0.03*math.Sin(29*turn)*math.Sin(float64(y)/3)
	v := float64(y) / 200
	return [3]float32{float32(0.4 + wave + v), float32(0.45 + wave), float32(0.6 + 0.5*wave - v)}
}

// seamLayer fills a layer from colour; all of it is valid.
func seamLayer(r image.Rectangle, colour func(x, y int) [3]float32) SeamLayer {
	l := SeamLayer{Rect: r, Valid: image.NewGray(r)}
	for k := range l.RGB {
		l.RGB[k] = raster.NewPlane(r)
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			c := colour(x, y)
			for k := range l.RGB {
				l.RGB[k].Set(x, y, c[k])
			}
			l.Valid.SetGray(x, y, color.Gray{Y: 255})
		}
	}
	return l
}

func scenery(period int) func(x, y int) [3]float32 {
	return func(x, y int) [3]float32 { return beach(x, y, period) }
}

func noisy(seed uint64, sigma float32, f func(x, y int) [3]float32) func(x, y int) [3]float32 {
	rng := rand.New(rand.NewPCG(seed, 9))
	return func(x, y int) [3]float32 {
		c := f(x, y)
		for k := range c {
			c[k] += sigma * float32(rng.NormFloat64())
		}
		return c
	}
}

// mustSeams runs Seams and checks what holds for any input: a label wherever
// a layer is valid, valid there, and −1 elsewhere.
func mustSeams(t *testing.T, grid image.Rectangle, layers []SeamLayer, o SeamOptions) *Labels {
	t.Helper()
	l, err := Seams(t.Context(), grid, 8, layers, o)
	if err != nil {
		t.Fatal(err)
	}
	valid := func(i, x, y int) bool {
		for turn := -2; turn <= 2; turn++ {
			p := image.Pt(x+turn*grid.Dx(), y)
			if (turn == 0 || o.Wrap) && p.In(layers[i].Rect) && layers[i].IsValid(p.X, p.Y) {
				return true
			}
		}
		return false
	}
	for y := grid.Min.Y; y < grid.Max.Y; y++ {
		for x := grid.Min.X; x < grid.Max.X; x++ {
			got, any := l.At(x, y), false
			for i := range layers {
				any = any || valid(i, x, y)
			}
			if got < 0 && any || got >= 0 && !valid(got, x, y) {
				t.Fatalf("cell (%d, %d) has label %d, valid somewhere: %v", x, y, got, any)
			}
		}
	}
	return l
}

func counts(l *Labels, n int) []int {
	c := make([]int, n)
	for _, label := range l.L {
		if label >= 0 {
			c[label]++
		}
	}
	return c
}

// Layers that agree meet in the middle of their overlap.
func TestSeamMiddle(t *testing.T) {
	grid := image.Rect(-10, 3, 110, 63)
	layers := []SeamLayer{
		seamLayer(image.Rect(-10, 3, 55, 63), scenery(500)),
		seamLayer(image.Rect(35, 3, 110, 63), scenery(500)),
	}
	l := mustSeams(t, grid, layers, SeamOptions{})
	for y := grid.Min.Y; y < grid.Max.Y; y++ {
		changes, at := 0, 0
		for x := grid.Min.X + 1; x < grid.Max.X; x++ {
			if l.At(x, y) != l.At(x-1, y) {
				changes, at = changes+1, x
			}
		}
		if changes != 1 || at < 42 || at > 48 {
			t.Errorf("row %d: %d changes of label, the last at %d; want one near 45", y, changes, at)
		}
	}
}

// A walker who is in one layer only, across the middle of the overlap, is
// there as a whole or not at all; on the small grid the cut is exact, on the
// large one it is from coarse to fine.
func TestSeamMover(t *testing.T) {
	for _, k := range []int{1, 5} {
		grid := image.Rect(0, 0, 100*k, 60*k)
		for _, owner := range []int{0, 1} {
			for x0 := 38; x0 <= 56; x0 += 3 * k {
				walker := image.Rect(x0*k, 20*k, (x0+6)*k, 45*k)
				layers := make([]SeamLayer, 2)
				for i, r := range []image.Rectangle{image.Rect(0, 0, 66*k, 60*k), image.Rect(34*k, 0, 100*k, 60*k)} {
					layers[i] = seamLayer(r, noisy(uint64(i), 0.01, func(x, y int) [3]float32 {
						if i == owner && image.Pt(x, y).In(walker) {
							return [3]float32{0.1, 0.1, 0.15}
						}
						return beach(x, y, 500*k)
					}))
				}
				l := mustSeams(t, grid, layers, SeamOptions{})
				seen := 0
				for y := walker.Min.Y; y < walker.Max.Y; y++ {
					for x := walker.Min.X; x < walker.Max.X; x++ {
						if l.At(x, y) == owner {
							seen++
						}
					}
				}
				if all := walker.Dx() * walker.Dy(); seen != 0 && seen != all {
					t.Errorf("grid %v, walker of layer %d at %d: %d of %d cells are seen", grid.Size(), owner, x0, seen, all)
				}
			}
		}
	}
}

// The seam goes round a place where the layers differ, though the way is
// longer, and through the gap between two.
func TestSeamAvoidsBlob(t *testing.T) {
	grid := image.Rect(0, 0, 120, 80)
	differ := func(x, y int) bool {
		in := func(cx, cy, r int) bool { return (x-cx)*(x-cx)+(y-cy)*(y-cy) < r*r }
		return in(60, 20, 12) || in(50, 55, 14) || in(78, 60, 10)
	}
	layers := []SeamLayer{
		seamLayer(image.Rect(0, 0, 90, 80), noisy(1, 0.01, scenery(500))),
		seamLayer(image.Rect(30, 0, 120, 80), noisy(2, 0.01, func(x, y int) [3]float32 {
			c := beach(x, y, 500)
			if differ(x, y) {
				c[0] += 0.3
				c[1] -= 0.2
			}
			return c
		})),
	}
	l := mustSeams(t, grid, layers, SeamOptions{})
	for y := 1; y < 80; y++ {
		for x := 31; x < 90; x++ {
			if (l.At(x, y) != l.At(x-1, y) || l.At(x, y) != l.At(x, y-1)) && differ(x, y) {
				t.Errorf("the seam crosses a difference at (%d, %d)", x, y)
			}
		}
	}
}

// A full turn of frames, one across the join: rotating the turn rotates the
// labels, and every frame is used.
func TestSeamWrap(t *testing.T) {
	const w, h, n = 240, 30, 6
	grid := image.Rect(0, 0, w, h)
	build := func(shift int) []SeamLayer {
		layers := make([]SeamLayer, n)
		for i := range layers {
			x0 := i*w/n + shift
			layers[i] = seamLayer(image.Rect(x0, 0, x0+60, h), noisy(uint64(i), 0.01, func(x, y int) [3]float32 { return beach(x-shift, y, w) }))
		}
		return layers
	}
	o := SeamOptions{Wrap: true, Order: []int{2, 1, 3, 0, 4, 5}}
	base := mustSeams(t, grid, build(0), o)
	for i, c := range counts(base, n) {
		if c < w*h/n/2 || c > w*h/n*2 {
			t.Errorf("frame %d has %d cells of %d", i, c, w*h)
		}
	}
	for _, shift := range []int{37, -100, w} {
		got := mustSeams(t, grid, build(shift), o)
		different := 0
		for y := range h {
			for x := range w {
				if got.At(x+shift, y) != base.At(x, y) {
					different++
				}
			}
		}
		// Only float rounding of the scene may tip a cell.
		if different > 0 {
			t.Errorf("shift %d: %d cells have another label", shift, different)
		}
	}
}

// A layer inside the others is used where it is the deepest, and not at all
// where it is not; one that covers all leaves the others their share.
func TestSeamInside(t *testing.T) {
	grid := image.Rect(0, 0, 120, 60)
	all := seamLayer(grid, scenery(500))
	rim := seamLayer(image.Rect(0, 0, 50, 60), scenery(500))
	middle := seamLayer(image.Rect(40, 5, 80, 55), scenery(500))

	l := mustSeams(t, grid, []SeamLayer{all, middle}, SeamOptions{Order: []int{0, 1}})
	if c := counts(l, 2); c[1] != 0 {
		t.Errorf("a layer that is nowhere deeper has %d cells", c[1])
	}
	left, right := seamLayer(image.Rect(0, 0, 65, 60), scenery(500)), seamLayer(image.Rect(55, 0, 120, 60), scenery(500))
	l = mustSeams(t, grid, []SeamLayer{left, right, middle}, SeamOptions{Order: []int{0, 1, 2}})
	if l.At(60, 30) != 2 {
		t.Errorf("the centre of the layer in the middle has label %d, want 2", l.At(60, 30))
	}
	l = mustSeams(t, grid, []SeamLayer{rim, all}, SeamOptions{Order: []int{0, 1}})
	if c := counts(l, 2); c[1] == 0 || l.At(100, 30) != 1 {
		t.Errorf("cells of the layer that covers all: %d", c[1])
	}
}

// Two rows of three with holes, corners and random validity: labels are valid
// (mustSeams), the same each time, and every frame appears.
func TestSeamTwoRows(t *testing.T) {
	grid := image.Rect(0, 0, 160, 150)
	var layers []SeamLayer
	rng := rand.New(rand.NewPCG(4, 4))
	for row := range 2 {
		for k := range 3 {
			r := image.Rect(k*45, row*60+5*k, k*45+70, row*60+5*k+80)
			l := seamLayer(r, noisy(uint64(len(layers)), 0.02, scenery(300)))
			for range 3 { // holes
				hx, hy := r.Min.X+rng.IntN(r.Dx()), r.Min.Y+rng.IntN(r.Dy())
				hole := image.Rect(hx, hy, hx+6, hy+4).Intersect(r)
				for y := hole.Min.Y; y < hole.Max.Y; y++ {
					for x := hole.Min.X; x < hole.Max.X; x++ {
						l.Valid.SetGray(x, y, color.Gray{})
					}
				}
			}
			layers = append(layers, l)
		}
	}
	l := mustSeams(t, grid, layers, SeamOptions{})
	for i, c := range counts(l, len(layers)) {
		if c < 70*80/5 {
			t.Errorf("frame %d has only %d cells", i, c)
		}
	}
	if again := mustSeams(t, grid, layers, SeamOptions{}); !slices.Equal(again.L, l.L) {
		t.Error("labels differ from run to run")
	}
}

func TestSeamBadInput(t *testing.T) {
	grid := image.Rect(0, 0, 10, 10)
	l := seamLayer(image.Rect(0, 0, 20, 10), scenery(100))
	short := l
	short.Rect = image.Rect(0, 0, 21, 10)
	for name, err := range map[string]error{
		"order":  errorOf(Seams(t.Context(), grid, 8, []SeamLayer{l}, SeamOptions{Order: []int{1}})),
		"twice":  errorOf(Seams(t.Context(), grid, 8, []SeamLayer{l, l}, SeamOptions{Order: []int{0, 0}})),
		"wide":   errorOf(Seams(t.Context(), grid, 8, []SeamLayer{l}, SeamOptions{Wrap: true})),
		"plane":  errorOf(Seams(t.Context(), grid, 8, []SeamLayer{short}, SeamOptions{})),
		"grid":   errorOf(Seams(t.Context(), image.Rectangle{}, 8, nil, SeamOptions{})),
		"length": errorOf(Seams(t.Context(), grid, 8, nil, SeamOptions{Length: -1})),
	} {
		if !errors.Is(err, ErrSeams) {
			t.Errorf("%s: err = %v, want ErrSeams", name, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Seams(ctx, grid, 8, []SeamLayer{l}, SeamOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: err = %v", err)
	}
	got := mustSeams(t, grid, nil, SeamOptions{})
	if got.At(5, 5) != -1 {
		t.Errorf("no layers: label %d", got.At(5, 5))
	}
}

func errorOf(_ *Labels, err error) error { return err }

// Distances to the border against the nearest outside cell by search.
func TestBorderDistance(t *testing.T) {
	const w, h = 23, 17
	rng := rand.New(rand.NewPCG(8, 8))
	in := make([]bool, w*h)
	for i := range in {
		in[i] = rng.IntN(40) > 0
	}
	got := borderDistance(w, h, func(i int) bool { return in[i] })
	for i := range in {
		want := math.Inf(1)
		for y := -1; y <= h; y++ {
			for x := -1; x <= w; x++ {
				if x < 0 || y < 0 || x >= w || y >= h || !in[y*w+x] {
					want = min(want, math.Hypot(float64(x-i%w), float64(y-i/w)))
				}
			}
		}
		if d := float64(got[i]); !(d >= want*0.94-1e-6 && d <= want*1.09) {
			t.Errorf("cell (%d, %d): distance %v, want about %v", i%w, i/w, d, want)
		}
	}
}

// BenchmarkSeam cuts an overlap of 300,000 textured cells with disagreement.
func BenchmarkSeam(b *testing.B) {
	rough := func(seed uint64) func(x, y int) [3]float32 {
		return noisy(seed, 0.05, func(x, y int) [3]float32 {
			c := beach(x, y, 700)
			if seed == 1 && (x/23+y/31)%3 == 0 {
				c[0] += 0.2
			}
			return c
		})
	}
	grid := image.Rect(0, 0, 1400, 600)
	layers := []SeamLayer{seamLayer(image.Rect(0, 0, 950, 600), rough(1)), seamLayer(image.Rect(450, 0, 1400, 600), rough(2))}
	for b.Loop() {
		if _, err := Seams(b.Context(), grid, 8, layers, SeamOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// The zero value of the options means the defaults that the fields state.
func TestSeamDefaults(t *testing.T) {
	grid := image.Rect(0, 0, 120, 50)
	layers := []SeamLayer{
		seamLayer(image.Rect(0, 0, 60, 50), noisy(3, 0.03, scenery(500))),
		seamLayer(image.Rect(35, 0, 95, 50), noisy(4, 0.03, scenery(500))),
		seamLayer(image.Rect(70, 0, 120, 50), noisy(5, 0.03, scenery(500))),
	}
	want := mustSeams(t, grid, layers, SeamOptions{})
	if got := mustSeams(t, grid, layers, SeamOptions{Border: 0.5, Length: 0.02, Order: []int{1, 0, 2}}); !slices.Equal(got.L, want.L) {
		t.Error("the stated defaults give other labels")
	}
	for _, o := range []SeamOptions{{Border: -1}, {Length: 2}} {
		if got := mustSeams(t, grid, layers, o); slices.Equal(got.L, want.L) {
			t.Errorf("%+v changes nothing", o)
		}
	}
}

// One layer round the whole turn: its ends meet without a seam forced between
// them, unless another is deeper there.
func TestSeamWholeTurn(t *testing.T) {
	grid := image.Rect(0, 0, 90, 20)
	round := seamLayer(image.Rect(-7, 0, 83, 20), scenery(90))
	o := SeamOptions{Wrap: true, Order: []int{0, 1}}
	l := mustSeams(t, grid, []SeamLayer{seamLayer(image.Rect(20, 0, 50, 20), scenery(90)), round}, o)
	if c := counts(l, 2); c[1] != len(l.L) {
		t.Errorf("the layer all round has %d of %d cells", c[1], len(l.L))
	}
	l = mustSeams(t, grid, []SeamLayer{seamLayer(image.Rect(-25, 0, 11, 20), scenery(90)), round}, o)
	for y := 8; y < 12; y++ {
		if l.At(82, y) != 0 || l.At(83, y) != 0 || l.At(40, y) != 1 {
			t.Errorf("row %d: labels %d and %d at the ends, %d opposite", y, l.At(82, y), l.At(83, y), l.At(40, y))
		}
	}
}

// greyPair is two layers that overlap from 30 to 90 and differ by off(x);
// both have the texture of grain(x).
func greyPair(off, grain func(x int) float32) []SeamLayer {
	layer := func(r image.Rectangle, share float32) SeamLayer {
		return seamLayer(r, func(x, _ int) [3]float32 {
			v := 0.5 + share*off(x) + grain(x)
			return [3]float32{v, v, v}
		})
	}
	return []SeamLayer{layer(image.Rect(0, 0, 90, 60), 0), layer(image.Rect(30, 0, 120, 60), 1)}
}

// Where the colours of two layers cross they agree in one column, but a seam
// there would show: the slopes differ. It goes beside.
func TestSeamColoursCross(t *testing.T) {
	for _, tilt := range []float32{0, 0.002} {
		off := func(x int) float32 {
			if d := float32(x - 60); abs(d) <= 15 {
				return tilt * d
			}
			return 0
		}
		layers := greyPair(off, func(int) float32 { return 0 })
		l := mustSeams(t, image.Rect(0, 0, 120, 60), layers, SeamOptions{Border: 1})
		for y := range 60 {
			// Without a tilt nothing speaks against the middle.
			if middle := l.At(57, y) == 0 && l.At(62, y) == 1; middle != (tilt == 0) {
				t.Fatalf("tilt %v, row %d: seam in the middle: %v", tilt, y, middle)
			}
		}
	}
}

// Layers that differ by the same everywhere meet where texture hides it.
func TestSeamTexture(t *testing.T) {
	grain := func(x int) float32 {
		if x >= 48 && x < 56 {
			return 0.2 * float32(x/2%2)
		}
		return 0
	}
	layers := greyPair(func(int) float32 { return 0.05 }, grain)
	l := mustSeams(t, image.Rect(0, 0, 120, 60), layers, SeamOptions{})
	for y := 25; y < 35; y++ {
		if l.At(46, y) != 0 || l.At(58, y) != 1 {
			t.Fatalf("row %d: the seam is not in the texture", y)
		}
	}
}

// A seam costs the same for its length upright and at 45 degrees.
func TestSeamDirections(t *testing.T) {
	const n = 64
	grid := image.Rect(0, 0, n, n)
	c := newComposite(&Labels{Rect: grid, Cell: 1, L: make([]int16, n*n)}, 2, SeamOptions{Border: -1, Length: 1})
	flat := seamLayer(grid, func(int, int) [3]float32 { return [3]float32{} })
	c.lay(0, &flat)
	g, _ := newOverlap(c, &flat, grid).graph()
	side := func(f func(x, y int) bool) func(p int) bool {
		return func(p int) bool { return f(p%(n+2)-1, p/(n+2)-1) }
	}
	upright := float64(g.cutCost(side(func(x, _ int) bool { return x >= n/2 }))) / n
	slope := float64(g.cutCost(side(func(x, y int) bool { return x > y }))) / (n * math.Sqrt2)
	if !(math.Abs(slope/upright-1) <= 0.02) { // the ends of the lines
		t.Errorf("cost of a cell of length: %v upright, %v at 45 degrees", upright, slope)
	}
}
