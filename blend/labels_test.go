package blend

import (
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func randomLabels(r image.Rectangle, cell, n int, wrap bool, rng *rand.Rand) *Labels {
	l := &Labels{Rect: r, Cell: cell, Wrap: wrap, L: make([]int16, r.Dx()*r.Dy())}
	for i := range l.L {
		l.L[i] = int16(rng.IntN(n+1) - 1)
	}
	return l
}

// naivePixel is the vote in floating point, from distances to cell centres.
func naivePixel(l *Labels, x, y int, valid func(int) bool) (label int) {
	votes := map[int]float64{}
	for cy := l.Rect.Min.Y - 3; cy < l.Rect.Max.Y+3; cy++ {
		for cx := l.Rect.Min.X - 3; cx < l.Rect.Max.X+3; cx++ {
			dx := math.Abs(float64(x)+0.5-(float64(cx)+0.5)*float64(l.Cell)) / float64(l.Cell)
			dy := math.Abs(float64(y)+0.5-(float64(cy)+0.5)*float64(l.Cell)) / float64(l.Cell)
			if at := l.At(cx, cy); dx < 1 && dy < 1 && at >= 0 && valid(at) {
				votes[at] += (1 - dx) * (1 - dy)
			}
		}
	}
	label = -1
	for _, k := range []int{0, 1, 2, 3} {
		v, ok := votes[k]
		if !ok {
			continue
		}
		if label < 0 || v > votes[label]+1e-9 { // of equals the lowest
			label = k
		}
	}
	return label
}

func TestLabelsPixel(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	for _, cell := range []int{1, 2, 5, 8} {
		for _, wrap := range []bool{false, true} {
			l := randomLabels(image.Rect(-3, 2, 4, 7), cell, 4, wrap, rng)
			compared := 0
			for y := 2*cell - 3; y < 7*cell+3; y++ {
				for x := -3*cell - 3; x < 4*cell+3; x++ {
					valid := func(label int) bool { return (label+x+y)%3 != 0 }
					got := l.Pixel(x, y, valid)
					want := naivePixel(l, x, y, valid)
					if got >= 0 && !valid(got) {
						t.Fatalf("(%d, %d): label %d is not valid", x, y, got)
					}
					// A cell exactly one cell away has no weight, but may be elected alone.
					if want < 0 {
						continue
					}
					compared++
					if got != want {
						t.Fatalf("cell %d, wrap %v: label of (%d, %d) = %d, want %d", cell, wrap, x, y, got, want)
					}
					if wrap && l.Pixel(x+l.WrapPx(), y, valid) != got {
						// valid depends on x: compare without it.
						always := func(int) bool { return true }
						if a, b := l.Pixel(x, y, always), l.Pixel(x+l.WrapPx(), y, always); a != b {
							t.Fatalf("a turn from (%d, %d): label %d, want %d", x, y, b, a)
						}
					}
				}
			}
			if compared < 30 {
				t.Errorf("cell %d: only %d pixels compared", cell, compared)
			}
		}
	}
}

// A diagonal boundary of cells becomes a slope of pixels: no run of the
// boundary is as long as a cell.
func TestLabelsSmooth(t *testing.T) {
	const cell, n = 8, 12
	l := &Labels{Rect: image.Rect(0, 0, n, n), Cell: cell, L: make([]int16, n*n)}
	for i := range l.L {
		if i%n > i/n {
			l.L[i] = 1
		}
	}
	always := func(int) bool { return true }
	last, run := -1, 0
	for y := 2 * cell; y < (n-2)*cell; y++ {
		x := 0
		for l.Pixel(x, y, always) == 0 {
			x++
		}
		if x == last {
			run++
		} else {
			last, run = x, 1
		}
		if run > cell/2 {
			t.Errorf("boundary upright for %d lines at (%d, %d)", run, x, y)
		}
	}
}

func TestLabelsAmong(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for trial := range 300 {
		cell, wrap := 1+rng.IntN(6), trial%2 == 0
		l := randomLabels(image.Rect(-4, -2, 9, 6), cell, 60, wrap, rng)
		x0, y0 := rng.IntN(20*cell)-8*cell, rng.IntN(12*cell)-5*cell
		r := image.Rect(x0, y0, x0+1+rng.IntN(15*cell), y0+1+rng.IntN(5*cell))
		got := l.Among(r)
		if !slices.IsSorted(got) {
			t.Fatalf("%v is not in order", got)
		}
		floor := func(v int) int { q, _ := floorDivMod(v, cell); return q }
		want := map[int]bool{}
		for cy := floor(r.Min.Y) - 1; cy <= floor(r.Max.Y-1)+1; cy++ {
			for cx := floor(r.Min.X) - 1; cx <= floor(r.Max.X-1)+1; cx++ {
				if at := l.At(cx, cy); at >= 0 {
					want[at] = true
				}
			}
		}
		if len(got) != len(want) {
			t.Fatalf("trial %d: labels among %v = %v, want %v", trial, r, got, want)
		}
		for _, label := range got {
			if !want[label] {
				t.Fatalf("trial %d: label %d is not among %v", trial, label, r)
			}
		}
	}
	if got := randomLabels(image.Rect(0, 0, 2, 2), 4, 3, false, rng).Among(image.Rectangle{}); got != nil {
		t.Errorf("labels among no pixels = %v", got)
	}
}

func TestLabelsSpread(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for _, wrap := range []bool{false, true} {
		l := &Labels{Rect: image.Rect(0, 0, 30, 20), Cell: 8, Wrap: wrap, L: make([]int16, 600)}
		for i := range l.L {
			l.L[i] = -1
			if rng.IntN(60) == 0 {
				l.L[i] = int16(i)
			}
		}
		before := slices.Clone(l.L)
		got := l.spread()
		if !slices.Equal(l.L, before) {
			t.Fatal("spread changed its receiver")
		}
		steps := func(i, j int) int {
			dx, dy := i%30-j%30, i/30-j/30
			dx, dy = max(dx, -dx), max(dy, -dy)
			if wrap {
				dx = min(dx, 30-dx)
			}
			return dx + dy
		}
		for i, label := range got.L {
			nearest := 1000
			for j := range before {
				if before[j] >= 0 {
					nearest = min(nearest, steps(i, j))
				}
			}
			if label < 0 || steps(i, int(label)) != nearest {
				t.Fatalf("cell %d has label %d, %d steps away; nearest %d", i, label, steps(i, int(label)), nearest)
			}
		}
	}
}
