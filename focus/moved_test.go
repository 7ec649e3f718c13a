package focus

import (
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"flatfell.example/internal/measure"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

// swaying paints a round, textured leaf into a slice, where the wind has it and as
// soft as the slice's focus makes it.
func swaying(pic *raster.Picture, x, y, soft float64) {
	const radius = 15.
	for v := max(0, int(y-30)); v < min(pic.Rect.Dy(), int(y+30)); v++ {
		row := pic.Row(v)
		for u := max(0, int(x-30)); u < min(pic.Rect.Dx(), int(x+30)); u++ {
			dx, dy := float64(u)+0.5-x, float64(v)+0.5-y
			share := max(0, min(1, (radius-math.Hypot(dx, dy))/max(1, 2*soft)+0.5))
			vein := 0.15 * math.Exp(-soft*soft/4) * math.Sin(1.3*dx+0.4*dy)
			for c, tone := range [3]float64{0.75, 0.8, 0.2} {
				was := float64(row[3*u+c])
				row[3*u+c] = uint16(was + share*((tone+vein)*0xffff*0.9-was))
			}
		}
	}
}

// TestLeafInTheWind: a leaf that is elsewhere in every other slice, or in each, is in
// the picture once and whole, and all else as without it; the exposure may vary.
func TestLeafInTheWind(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a bracket")
	}
	ctx := context.Background()
	for _, tc := range []struct {
		name   string
		ev     float64
		places [][2]float64
	}{
		{"once", 0, [][2]float64{{90, 250}, {90, 250}, {150, 246}, {150, 246}, {150, 246}}},
		{"once, exposure varies", 0.1, [][2]float64{{90, 250}, {90, 250}, {150, 246}, {150, 246}, {150, 246}}},
		{"from slice to slice", 0, [][2]float64{{60, 250}, {95, 252}, {130, 246}, {165, 248}, {200, 250}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := scene.Bracket{Seed: 3, Width: 240, Height: 360, Slices: 5, BlurPx: 5, Breathing: 0.01, Noise: 0.005, EV: tc.ev}
			var given, still []*Slice
			for k := range b.Slices {
				pic, err := b.Slice(ctx, 0, k)
				if err != nil {
					t.Fatal(err)
				}
				still = append(still, NewSlice(fmt.Sprint("slice ", k), cropped(pic, pic.Rect)))
				swaying(pic, tc.places[k][0], tc.places[k][1], 1.2*math.Abs(float64(k)-1.5))
				given = append(given, NewSlice(fmt.Sprint("slice ", k), pic))
			}
			merge := func(slices []*Slice, workers int) (*Plan, *raster.Picture) {
				o := Options{KeepOrder: true, Workers: workers}
				p, err := Align(ctx, slices, o)
				if err != nil {
					t.Fatal(err)
				}
				pic, err := Merge(ctx, p, slices, o)
				if err != nil {
					t.Fatal(err)
				}
				return p, pic
			}
			quiet, without := merge(still, 0)
			if n := countHeld(quiet); n > 0 {
				t.Errorf("%d cells of a still bracket are held", n)
			}
			p, pic := merge(given, 0)
			lookAt(t, "leaf-"+tc.name, pic)
			lookAt(t, "leaf-evidence-"+tc.name, p.Evidence())
			if _, again := merge(given, 2); !slices.Equal(again.Pix, pic.Pix) {
				t.Error("two workers make other bytes")
			}
			// Against the merged still bracket with the leaf at one of the places, as
			// sharp as the slices around its own have it.
			best, at := 0.0, 0
			for k, place := range tc.places {
				want := cropped(without, without.Rect)
				swaying(want, place[0]-float64(p.Crop.Min.X), place[1]-float64(p.Crop.Min.Y), 1.2*math.Abs(float64(k)-1.5))
				near := image.Rect(20, 210, 225, 290)
				if db := measure.PSNR(cropped(pic, near), cropped(want, near), nil); db > best {
					best, at = db, k
				}
			}
			t.Logf("%d cells held; %.1f dB with the leaf of slice %d", countHeld(p), best, at)
			if !(best >= 36) {
				t.Errorf("%.1f dB at best, with the leaf where slice %d has it", best, at)
			}
		})
	}
}

// TestMotionReduced: on reduced pictures of large frames, both places of what moved
// are found, as one thing, and nothing else.
func TestMotionReduced(t *testing.T) {
	const w, h, cell, shrink = 1040, 1560, 4, 2
	rng := rand.New(rand.NewPCG(5, 6))
	ground := raster.NewPicture(image.Rect(0, 0, w/shrink, h/shrink))
	for i := range ground.Pix {
		ground.Pix[i] = uint16(0x5000 + rng.IntN(0x1800))
	}
	var looks []*look
	p := &Plan{Width: w, Height: h, Cell: cell, Crop: image.Rect(0, 0, w, h), BlurPx: []float64{3, 3}}
	for _, x := range []float64{150, 150, 230} {
		pic := cropped(ground, ground.Rect)
		swaying(pic, x, 400, 0)
		looks = append(looks, &look{colour: pic, reduced: shrink})
		p.Frames = append(p.Frames, Placed{Gain: [3]float64{1, 1, 1}})
	}
	m, err := p.motion(t.Context(), looks, shrink, 0)
	if err != nil {
		t.Fatal(err)
	}
	found := things(m.patches())
	if len(found) != 1 || len(found[0]) != 2 {
		t.Fatalf("%d things, want one in two places", len(found))
	}
	for k, x := range []int{150, 230} {
		q := found[0][k]
		if leaf := image.Rect(x-14, 400-14, x+14, 400+14); q.jumps != 1<<1 || !leaf.In(q.box) || !q.box.In(leaf.Inset(-10)) {
			t.Errorf("place %d: between %b, %v", k, q.jumps, q.box)
		}
	}
	// The cells of both are held, as the last slice or as the two before it.
	gw, gh := w/cell, h/cell
	labels, cost := make([]int16, gw*gh), make([]uint8, gw*gh*3)
	held, err := p.keepWhole(t.Context(), looks, labels, cost, gw, gh, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []int{150, 230} {
		if i := 400*shrink/cell*gw + x*shrink/cell; !held[i] {
			t.Errorf("the cell in the middle of the leaf at %d is not held", x)
		}
	}
	if i := 100*gw + 20; held[i] {
		t.Error("a cell of the ground is held")
	}
}

// TestHoldStillRefuses: what would lose too much of its detail stays as it is.
func TestHoldStillRefuses(t *testing.T) {
	thing := []patch{{jumps: 1, cells: []int32{0, 1}}}
	for _, tt := range []struct {
		cost uint8
		want bool
	}{{mostLost - 10, true}, {3 * mostLost, false}} {
		labels, held := []int16{0, 1}, make([]bool, 2)
		// Each cell is sharp in a slice of its own.
		if got := holdStill(thing, labels, []uint8{0, tt.cost, tt.cost, 0}, 2, held); got != tt.want || held[0] != tt.want || (labels[0] == labels[1]) != tt.want {
			t.Errorf("a loss of %d: %t, labels %v", tt.cost, got, labels)
		}
	}
}

func countHeld(p *Plan) (n int) {
	for _, h := range p.held {
		if h {
			n++
		}
	}
	return n
}

func cropped(pic *raster.Picture, r image.Rectangle) *raster.Picture {
	r = r.Intersect(pic.Rect)
	out := raster.NewPicture(image.Rectangle{Max: r.Size()})
	for y := range r.Dy() {
		copy(out.Row(y), pic.Row(r.Min.Y + y)[3*r.Min.X:][:3*r.Dx()])
	}
	return out
}
