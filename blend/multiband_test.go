package blend

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"flatfell.example/raster"
)

// formula is a layer given by a function of the pixel, clamped to its frame.
type formula struct {
	frame  image.Rectangle
	turn   int // pixels, 0 = flat
	colour func(x, y int) [3]float32
}

func (f *formula) Bounds() image.Rectangle { return f.frame }

func (f *formula) at(x, y int) (c [3]float32, valid uint8) {
	if f.turn > 0 { // the repetition nearest to the frame's middle
		middle := (f.frame.Min.X + f.frame.Max.X) / 2
		x = middle - f.turn/2 + floorMod(x-middle+f.turn/2, f.turn)
	}
	if image.Pt(x, y).In(f.frame) {
		valid = 255
	}
	return f.colour(clampTo(x, f.frame.Min.X, f.frame.Max.X), clampTo(y, f.frame.Min.Y, f.frame.Max.Y)), valid
}

func (f *formula) Fill(dst *[3]*raster.Plane, valid []uint8, r image.Rectangle) (whole bool) {
	for _, p := range dst {
		p.Reset(r)
	}
	whole = true
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			c, v := f.at(x, y)
			for k, p := range dst {
				p.Set(x, y, c[k])
			}
			valid[(y-r.Min.Y)*r.Dx()+x-r.Min.X] = v
			whole = whole && v != 0
		}
	}
	return whole
}

// cellsOf returns the mean colours of the layers' cells.
func cellsOf(layers []Layer, labels *Labels) []SeamLayer {
	out := make([]SeamLayer, len(layers))
	cell := labels.Cell
	down := func(v int) int { q, _ := floorDivMod(v, cell); return q }
	for i, l := range layers {
		b := l.Bounds()
		r := image.Rect(down(b.Min.X), down(b.Min.Y), down(b.Max.X-1)+1, down(b.Max.Y-1)+1)
		out[i] = SeamLayer{Rect: r, Valid: image.NewGray(r)}
		f := newFilled()
		f.of(l, image.Rect(r.Min.X*cell, r.Min.Y*cell, r.Max.X*cell, r.Max.Y*cell))
		for c := range out[i].RGB {
			out[i].RGB[c] = raster.NewPlane(r)
			for y := r.Min.Y; y < r.Max.Y; y++ {
				for x := r.Min.X; x < r.Max.X; x++ {
					if image.Rect(x*cell, y*cell, x*cell+cell, y*cell+cell).In(b) {
						out[i].Valid.SetGray(x, y, color.Gray{Y: 255})
					}
					var sum float32
					for v := y * cell; v < (y+1)*cell; v++ {
						for u := x * cell; u < (x+1)*cell; u++ {
							sum += f.rgb[c].At(u, v)
						}
					}
					out[i].RGB[c].Set(x, y, sum/float32(cell*cell))
				}
			}
		}
	}
	return out
}

// hash is a fixed texture: a number in [0, 1) for each pixel.
func hash(x, y, seed int) float32 {
	h := uint32(x)*2654435761 ^ uint32(y)*2246822519 ^ uint32(seed)*3266489917
	h ^= h >> 15
	h *= 2246822519
	h ^= h >> 13
	return float32(h>>8) / (1 << 24)
}

// rowOfLayers returns n frames that overlap by half, each with a tint and a
// texture of its own, and labels with wobbly boundaries on cells of cell
// pixels; x runs from −100.
func rowOfLayers(n, cell int) ([]Layer, *Labels) {
	layers := make([]Layer, n)
	for i := range layers {
		layers[i] = &formula{
			frame: image.Rect(-100+i*120, -20+3*i, -100+i*120+240, 200-5*i),
			colour: func(x, y int) [3]float32 {
				t := 0.1 * hash(x, y, i)
				return [3]float32{0.3 + 0.05*float32(i) + t, 0.5 - 0.05*float32(i) + t, 0.2 + float32(y)/1000 + t}
			},
		}
	}
	floor := func(v int) int { q, _ := floorDivMod(v, cell); return q }
	l := &Labels{Rect: image.Rect(floor(-100), floor(-20), floor(-100+120*n+120)+1, floor(200)+1), Cell: cell}
	rng := rand.New(rand.NewPCG(uint64(n), uint64(cell)))
	for y := l.Rect.Min.Y; y < l.Rect.Max.Y; y++ {
		wobble := rng.IntN(40) - 20
		for x := l.Rect.Min.X; x < l.Rect.Max.X; x++ {
			px := x*cell + cell/2 + 100 + wobble
			i, _ := floorDivMod(px-60, 120)
			label := min(max(i, 0), n-1)
			if y == l.Rect.Min.Y+1 && x%7 == 0 {
				label = -1
			}
			l.L = append(l.L, int16(label))
		}
	}
	return layers, l
}

// naiveMultiband blends the whole of r at once, in planes so much larger than
// r that their borders do not matter.
func naiveMultiband(r image.Rectangle, layers []Layer, labels *Labels, bands int) *[3]*raster.Plane {
	whole := r.Inset(-8 << bands)
	labels = labels.spread()
	var sum [3][]*raster.Plane
	fills := make([]*filled, len(layers))
	for i, layer := range layers {
		fills[i] = newFilled()
		fills[i].of(layer, whole)
	}
	pyramid := func(p *raster.Plane) []*raster.Plane {
		levels := []*raster.Plane{p}
		for l := range bands {
			levels = append(levels, new(raster.Plane))
			raster.Reduce(levels[l+1], levels[l])
		}
		return levels
	}
	masks := make([]*raster.Plane, len(layers))
	for i := range masks {
		masks[i] = raster.NewPlane(whole)
	}
	for y := whole.Min.Y; y < whole.Max.Y; y++ {
		for x := whole.Min.X; x < whole.Max.X; x++ {
			label := labels.Pixel(x, y, func(i int) bool { return fills[i].valid[(y-whole.Min.Y)*whole.Dx()+x-whole.Min.X] != 0 })
			if label < 0 {
				label = labels.Pixel(x, y, func(int) bool { return true })
			}
			masks[label].Set(x, y, 1)
		}
	}
	var e raster.Plane
	for i := range layers {
		mask := pyramid(masks[i])
		for c := range sum {
			g := pyramid(fills[i].rgb[c])
			if sum[c] == nil {
				for _, p := range g {
					sum[c] = append(sum[c], raster.NewPlane(p.Rect))
				}
			}
			for l, p := range g {
				for k, v := range p.Pix {
					if l < bands {
						if k == 0 {
							raster.Expand(&e, p.Rect, g[l+1])
						}
						v -= e.Pix[k]
					}
					sum[c][l].Pix[k] += mask[l].Pix[k] * v
				}
			}
		}
	}
	var out [3]*raster.Plane
	for c := range sum {
		for l := bands - 1; l >= 0; l-- {
			raster.Expand(&e, sum[c][l].Rect, sum[c][l+1])
			for k, v := range e.Pix {
				sum[c][l].Pix[k] += v
			}
		}
		out[c] = sum[c][0]
	}
	return &out
}

func mustBlend(t testing.TB, r image.Rectangle, layers []Layer, labels *Labels, o MultibandOptions) *raster.Picture {
	t.Helper()
	dst := raster.NewPicture(r)
	for i := range dst.Pix {
		dst.Pix[i] = 0xabcd // whatever stood there
	}
	dst.Alpha = make([]uint16, r.Dx()*r.Dy())
	b, err := NewBlender(layers, labels, o)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Draw(context.Background(), dst, r, 2, nil); err != nil {
		t.Fatal(err)
	}
	return dst
}

// Tiles give what the whole picture gives at once, and the same bytes for any
// tile size, worker count and strip.
func TestMultibandAgainstNaive(t *testing.T) {
	for _, c := range []struct{ bands, cell int }{{0, 8}, {1, 5}, {3, 8}, {5, 16}} {
		t.Run(fmt.Sprintf("%d bands", c.bands), func(t *testing.T) {
			bands := c.bands
			if bands == 0 {
				bands = -1 // how the options say none
			}
			if testing.Short() && c.bands == 5 {
				t.Skip("the largest is left to the long run")
			}
			layers, labels := rowOfLayers(3, c.cell)
			r := image.Rect(-110, -30, 390, 210) // reaches past the layers on all sides
			spread := labels.spread()
			want := naiveMultiband(r, layers, labels, c.bands)
			got := mustBlend(t, r, layers, labels, MultibandOptions{Bands: bands, Tile: 128})
			for y := r.Min.Y; y < r.Max.Y; y++ {
				for x := r.Min.X; x < r.Max.X; x++ {
					label := spread.Pixel(x, y, func(i int) bool { return image.Pt(x, y).In(layers[i].Bounds()) })
					if label < 0 {
						continue // TestMultibandHoles
					}
					for k := range 3 {
						g, w := float64(got.Row(y)[3*(x-r.Min.X)+k])/65535, float64(want[k].At(x, y))
						if !(math.Abs(g-w) <= 1e-5) { // half a 16-bit step and float32's rounding
							t.Fatalf("(%d, %d) channel %d = %v, want %v", x, y, k, g, w)
						}
					}
				}
			}
			for _, o := range []MultibandOptions{
				{Tile: 64}, {Tile: 256}, {Tile: 1024}, {},
			} {
				o.Bands = bands
				if other := mustBlend(t, r, layers, labels, o); !slices.Equal(other.Pix, got.Pix) || !slices.Equal(other.Alpha, got.Alpha) {
					t.Errorf("%+v: other bytes", o)
				}
			}
			for y := r.Min.Y; y < r.Max.Y; y += 77 {
				strip := image.Rect(r.Min.X+13, y, r.Max.X-50, y+77).Intersect(r)
				other := mustBlend(t, strip, layers, labels, MultibandOptions{Bands: bands})
				for y := strip.Min.Y; y < strip.Max.Y; y++ {
					if !slices.Equal(other.Row(y), got.Row(y)[39:][:3*strip.Dx()]) {
						t.Fatalf("strip %v: line %d has other bytes", strip, y)
					}
				}
			}
		})
	}
}

// Pixels that their own layer does not cover come from another, or are
// transparent.
func TestMultibandHoles(t *testing.T) {
	layers, labels := rowOfLayers(3, 8)
	r := image.Rect(-110, -30, 390, 210)
	got := mustBlend(t, r, layers, labels, MultibandOptions{Bands: 3})
	spread := labels.spread()
	transparent, patched := 0, 0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			in := func(i int) bool { return image.Pt(x, y).In(layers[i].Bounds()) }
			first := slices.IndexFunc(layers, func(l Layer) bool { return image.Pt(x, y).In(l.Bounds()) })
			px, alpha := got.Row(y)[3*(x-r.Min.X):][:3], got.AlphaRow(y)[x-r.Min.X]
			if first < 0 {
				transparent++
				if alpha != 0 || px[0] != 0 || px[1] != 0 || px[2] != 0 {
					t.Fatalf("(%d, %d) outside all layers = %v, alpha %d", x, y, px, alpha)
				}
				continue
			}
			if alpha != 0xffff {
				t.Fatalf("(%d, %d) has alpha %d", x, y, alpha)
			}
			if spread.Pixel(x, y, in) < 0 {
				patched++
				want, _ := layers[first].(*formula).at(x, y)
				for k := range 3 {
					if px[k] != uint16(want[k]*65535+0.5) {
						t.Fatalf("(%d, %d) = %v, want layer %d's %v", x, y, px, first, want)
					}
				}
			}
		}
	}
	if transparent == 0 || patched == 0 {
		t.Errorf("%d pixels transparent, %d patched: nothing tested", transparent, patched)
	}
	// Without any label nothing is seen.
	for i := range labels.L {
		labels.L[i] = -1
	}
	got = mustBlend(t, r, layers, labels, MultibandOptions{Bands: 3})
	if slices.Max(got.Pix) != 0 || slices.Max(got.Alpha) != 0 {
		t.Error("no labels: not black and transparent")
	}
}

// Layers that are the same 16-bit picture give that picture, for any labels.
func TestMultibandIdentity(t *testing.T) {
	r := image.Rect(0, 0, 300, 200)
	value := func(x, y, k int) uint16 { return uint16(hash(x, y, k) * 65535) }
	same := &formula{frame: r, colour: func(x, y int) (c [3]float32) {
		for k := range c {
			c[k] = float32(value(x, y, k)) / 65535
		}
		return c
	}}
	rng := rand.New(rand.NewPCG(2, 2))
	labels := &Labels{Rect: image.Rect(0, 0, 30, 20), Cell: 10, L: make([]int16, 600)}
	for i := range labels.L {
		labels.L[i] = int16(rng.IntN(3))
	}
	layers := []Layer{same, same, same}
	coarse := cellsOf(layers, labels)
	for bands := 1; bands <= 2*MaxBands; bands++ {
		o := MultibandOptions{Bands: bands}
		if bands > MaxBands {
			o = MultibandOptions{Bands: bands - MaxBands, Coarse: coarse}
		}
		if testing.Short() && o.Bands > 4 && o.Coarse == nil {
			continue
		}
		got := mustBlend(t, r, layers, labels, o)
		for y := range r.Max.Y {
			for x := range r.Max.X {
				for k := range 3 {
					if g, w := got.Row(y)[3*x+k], value(x, y, k); g != w {
						t.Fatalf("%d bands: (%d, %d) channel %d = %d, want %d", bands, x, y, k, g, w)
					}
				}
			}
		}
	}
}

// A full turn closes: rotating all by multiples of 2^Bands rotates the bytes,
// and no step is left at the join.
func TestMultibandWrap(t *testing.T) {
	const turn, h, bands, cell, n = 640, 96, 4, 8, 4
	build := func(shift int) ([]Layer, *Labels) {
		layers := make([]Layer, n)
		for i := range layers {
			x0 := i*turn/n - 100 + shift
			layers[i] = &formula{frame: image.Rect(x0, 0, x0+280, h), turn: turn, colour: func(x, y int) [3]float32 {
				x -= shift
				v := 0.4 + 0.05*float32(i) + 0.1*hash(floorMod(x, turn), y, 1)
				return [3]float32{v, v, v}
			}}
		}
		l := &Labels{Rect: image.Rect(0, 0, turn/cell, h/cell), Cell: cell, Wrap: true, L: make([]int16, turn/cell*h/cell)}
		for y := range h / cell {
			for x := range turn / cell {
				i := floorMod(x*cell-40+3*y, turn) * n / turn
				l.L[y*turn/cell+floorMod(x+shift/cell, turn/cell)] = int16(i)
			}
		}
		return layers, l
	}
	r := image.Rect(0, 0, turn, h)
	for _, split := range []bool{false, true} {
		draw := func(shift, tile int) *raster.Picture {
			layers, labels := build(shift)
			o := MultibandOptions{Bands: bands, Tile: tile}
			if split {
				o.Coarse = cellsOf(layers, labels)
			}
			return mustBlend(t, r, layers, labels, o)
		}
		base := draw(0, 256)
		for _, shift := range []int{16, -48, 128, turn} {
			got := draw(shift, 128)
			tipped := 0
			for y := range h {
				for x := range turn {
					a, b := int(base.Row(y)[3*x]), int(got.Row(y)[3*floorMod(x+shift, turn)])
					if a == b {
						continue
					}
					// Copied and blended blocks lie elsewhere: a last bit may tip.
					if tipped++; a-b > 1 || b-a > 1 {
						t.Fatalf("split %v, shift %d: (%d, %d) = %d, want %d", split, shift, x, y, b, a)
					}
				}
			}
			if tipped > turn*h/50 || tipped > 0 && shift%blockSize == 0 {
				t.Errorf("split %v, shift %d: %d of %d samples differ by one", split, shift, tipped, turn*h)
			}
		}
	}
	layers, labels := build(0)
	labels.L = labels.L[:len(labels.L)/2]
	if _, err := NewBlender(layers, labels, MultibandOptions{}); !errors.Is(err, ErrMultiband) {
		t.Errorf("too few labels: err = %v", err)
	}
	odd := &Labels{Rect: image.Rect(0, 0, 5, 1), Cell: 8, Wrap: true, L: make([]int16, 5)}
	if _, err := NewBlender(layers, odd, MultibandOptions{Bands: 4}); !errors.Is(err, ErrMultiband) {
		t.Errorf("turn of 40 pixels, 4 bands: err = %v", err)
	}
}

// Two flat layers of unlike brightness meet in a slope that only falls, is
// centred on the seam and as wide as Bands says.
func TestMultibandTransition(t *testing.T) {
	flat := func(v float32) Layer {
		return &formula{frame: image.Rect(0, 0, 1024, 64), colour: func(int, int) [3]float32 { return [3]float32{v, v, v} }}
	}
	labels := &Labels{Rect: image.Rect(0, 0, 64, 4), Cell: 16, L: make([]int16, 256)}
	for i := range labels.L {
		if i%64 >= 32 {
			labels.L[i] = 1
		}
	}
	layers := []Layer{flat(0.6), flat(0.4)}
	coarse := cellsOf(layers, labels)
	for _, bands := range []int{2, 4, 6, -5, -6, -7} {
		o := MultibandOptions{Bands: bands}
		if bands < 0 {
			bands = -bands
			o = MultibandOptions{Bands: bands, Coarse: coarse}
		}
		got := mustBlend(t, image.Rect(0, 30, 1024, 31), layers, labels, o).Row(30)
		first, last := 1024, 0
		for x := 1; x < 1024; x++ {
			step := int(got[3*x]) - int(got[3*x-3])
			if step > 1 {
				t.Errorf("%d bands: rises by %d at %d", bands, step, x)
			}
			if v := float64(got[3*x]) / 65535; v < 0.599 && v > 0.401 {
				first, last = min(first, x), max(last, x)
			}
		}
		width := last - first + 1
		t.Logf("%d bands: transition from %d to %d", bands, first, last)
		if width < 2<<bands || width > 5<<bands || math.Abs(float64(first+last+1)/2-512) > float64(int(1)<<bands) {
			t.Errorf("%d bands: transition from %d to %d", bands, first, last)
		}
	}
}

func TestMultibandOptions(t *testing.T) {
	for px, want := range map[float64]int{0: 1, 7: 1, 8: 1, 16: 2, 127: 4, 128: 5, 600: 7, 1e6: 7, math.Inf(1): 7} {
		if got := Bands(px); got != want {
			t.Errorf("Bands(%v) = %d, want %d", px, got, want)
		}
	}
	if got := Bands(math.NaN()); got != 1 {
		t.Errorf("Bands(NaN) = %d, want 1", got)
	}
	// The row overlaps by 120 pixels; on a turn of 400 two frames of 240 do by
	// 40 on one side and 40 on the other.
	layers, labels := rowOfLayers(3, 8)
	if got := bandsAtSeams(layers, labels); got != Bands(120) {
		t.Errorf("bands of the row = %d, want %d", got, Bands(120))
	}
	turn := &Labels{Rect: image.Rect(0, 0, 50, 1), Cell: 8, Wrap: true, L: make([]int16, 50)}
	for i := range 25 {
		turn.L[i] = 1
	}
	pair := []Layer{stored{image.Rect(160, 0, 400, 99)}, stored{image.Rect(1160, 0, 1400, 99)}}
	if got := bandsAtSeams(pair, turn); got != Bands(40) {
		t.Errorf("bands of the turn = %d, want %d", got, Bands(40))
	}
	layers, labels = rowOfLayers(2, 8)
	want := mustBlend(t, image.Rect(0, 0, 260, 99), layers, labels, MultibandOptions{Bands: Bands(120)})
	if got := mustBlend(t, image.Rect(0, 0, 260, 99), layers, labels, MultibandOptions{}); !slices.Equal(got.Pix, want.Pix) {
		t.Error("no Bands: not those of the overlap")
	}
	for name, c := range map[string]struct {
		layers []Layer
		labels *Labels
		o      MultibandOptions
	}{
		"bands":  {layers, labels, MultibandOptions{Bands: 8}},
		"tile":   {layers, labels, MultibandOptions{Tile: -1}},
		"labels": {layers, nil, MultibandOptions{}},
		"layers": {layers[:1], labels, MultibandOptions{}},
		"coarse": {layers, labels, MultibandOptions{Coarse: make([]SeamLayer, 1)}},
	} {
		if _, err := NewBlender(c.layers, c.labels, c.o); !errors.Is(err, ErrMultiband) {
			t.Errorf("%s: err = %v, want ErrMultiband", name, err)
		}
	}
	dst := raster.NewPicture(image.Rect(0, 0, 300, 100))
	b, err := NewBlender(layers, labels, MultibandOptions{Tile: 128})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := b.Draw(ctx, dst, dst.Rect, 2, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: err = %v", err)
	}
	var shares []float64
	if err := b.Draw(t.Context(), dst, dst.Rect, 2, func(done float64) { shares = append(shares, done) }); err != nil {
		t.Fatal(err)
	}
	if len(shares) != 3 || !slices.IsSorted(shares) || shares[2] != 1 {
		t.Errorf("progress %v", shares)
	}
}

// The split of the bands between cells and pixels changes how, not what is
// blended: between layers of unlike brightness and texture the two pictures
// differ by far less than a transition is high, and strips and tiles give the
// same bytes.
func TestMultibandSplit(t *testing.T) {
	layers, labels := rowOfLayers(3, 8)
	r := image.Rect(-110, -30, 390, 210)
	coarse := cellsOf(layers, labels)
	o := MultibandOptions{Bands: 5, Coarse: coarse}
	got, want := mustBlend(t, r, layers, labels, o), mustBlend(t, r, layers, labels, MultibandOptions{Bands: 5})
	if !slices.Equal(got.Alpha, want.Alpha) {
		t.Error("other pixels have content")
	}
	var sum, worst float64
	for i, v := range got.Pix {
		d := math.Abs(float64(v)-float64(want.Pix[i])) / 65535
		sum, worst = sum+d, max(worst, d)
	}
	mean := sum / float64(len(got.Pix))
	t.Logf("mean difference %.5f, worst %.3f", mean, worst)
	if !(mean < 0.002) || !(worst < 0.08) { // neighbours differ by 0.05, texture by 0.1
		t.Errorf("mean difference %.5f, worst %.3f", mean, worst)
	}
	for _, tile := range []int{64, 128, 1024} {
		o.Tile = tile
		if other := mustBlend(t, r, layers, labels, o); !slices.Equal(other.Pix, got.Pix) || !slices.Equal(other.Alpha, got.Alpha) {
			t.Errorf("tile %d: other bytes", tile)
		}
	}
	strip := image.Rect(r.Min.X+13, 40, r.Max.X-50, 117)
	other := mustBlend(t, strip, layers, labels, o)
	for y := strip.Min.Y; y < strip.Max.Y; y++ {
		if !slices.Equal(other.Row(y), got.Row(y)[39:][:3*strip.Dx()]) {
			t.Fatalf("strip %v: line %d has other bytes", strip, y)
		}
	}
}

// stored is a layer that costs next to nothing to fill.
type stored struct{ r image.Rectangle }

func (s stored) Bounds() image.Rectangle { return s.r }

func (s stored) Fill(dst *[3]*raster.Plane, valid []uint8, r image.Rectangle) (whole bool) {
	for _, p := range dst {
		p.Reset(r)
	}
	for i := range valid {
		valid[i] = 255
	}
	return true
}

// BenchmarkMultiband blends two layers on one core, with a seam from top to
// bottom and with one everywhere.
func BenchmarkMultiband(b *testing.B) {
	r := image.Rect(0, 0, 4096, 2048)
	layers := []Layer{stored{r}, stored{r}}
	dst := raster.NewPicture(r)
	for _, c := range []struct {
		name  string
		split bool
		label func(x, y int) int
	}{
		{"copy", false, func(int, int) int { return 0 }},
		{"seam", false, func(x, y int) int { return min(1, x/256) }},
		{"seam split", true, func(x, y int) int { return min(1, x/256) }},
		{"everywhere", false, func(x, y int) int { return (x / 8) & 1 }},
		{"everywhere split", true, func(x, y int) int { return (x / 8) & 1 }},
	} {
		labels := &Labels{Rect: image.Rect(0, 0, 512, 256), Cell: 8}
		for i := range 512 * 256 {
			labels.L = append(labels.L, int16(c.label(i%512, i/512)))
		}
		o := MultibandOptions{Bands: 7}
		if c.split {
			o.Coarse = cellsOf(layers, labels)
		}
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				bl, err := NewBlender(layers, labels, o)
				if err == nil {
					err = bl.Draw(b.Context(), dst, r, 1, nil)
				}
				if err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(r.Dx()*r.Dy()), "ns/px")
		})
	}
}

// A worker that has seen its largest tile allocates nothing more.
func TestMultibandAllocations(t *testing.T) {
	r := image.Rect(0, 0, 512, 256)
	labels := &Labels{Rect: image.Rect(0, 0, 64, 32), Cell: 8, L: make([]int16, 64*32)}
	for i := range labels.L {
		labels.L[i] = int16(i / 20 % 2)
	}
	layers := []Layer{stored{r}, stored{r}}
	b, err := NewBlender(layers, labels, MultibandOptions{Bands: 5, Coarse: cellsOf(layers, labels)})
	if err != nil {
		t.Fatal(err)
	}
	s, dst := newTileScratch(b.fine), raster.NewPicture(r)
	if n := testing.AllocsPerRun(3, func() { b.tile(dst, r, s) }); n != 0 {
		t.Errorf("%v allocations a tile, want none", n)
	}
}
