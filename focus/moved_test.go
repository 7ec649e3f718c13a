package focus

import (
	"context"
	"fmt"
	"math"
	"testing"

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

// TestLeafInTheWind: a leaf that is elsewhere in every other slice is in the picture
// once, and whole.
func TestLeafInTheWind(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a bracket")
	}
	ctx := context.Background()
	b := scene.Bracket{Seed: 3, Width: 240, Height: 360, Slices: 5, BlurPx: 5, Breathing: 0.01, Noise: 0.005}
	places := [][2]float64{{90, 250}, {90, 250}, {150, 246}, {150, 246}, {150, 246}}
	var given []*Slice
	for k := range b.Slices {
		pic, err := b.Slice(ctx, 0, k)
		if err != nil {
			t.Fatal(err)
		}
		swaying(pic, places[k][0], places[k][1], 1.2*math.Abs(float64(k)-1.5))
		given = append(given, NewSlice(fmt.Sprint("slice ", k), pic))
	}
	p, err := Align(ctx, given, Options{KeepOrder: true})
	if err != nil {
		t.Fatal(err)
	}
	pic, err := Merge(ctx, p, given, Options{})
	if err != nil {
		t.Fatal(err)
	}
	// The share of each of the two places that is the leaf's: its blue is far below
	// its red.
	var share [2]float64
	for i, at := range [2][2]float64{places[0], places[4]} {
		n := 0.0
		for y := int(at[1]) - 9; y <= int(at[1])+9; y++ {
			for x := int(at[0]) - 9; x <= int(at[0])+9; x++ {
				row := pic.Row(y - p.Crop.Min.Y)
				k := 3 * (x - p.Crop.Min.X)
				if float64(row[k+2]) < 0.5*float64(row[k]) {
					share[i]++
				}
				n++
			}
		}
		share[i] /= n
	}
	lookAt(t, "leaf", pic)
	lookAt(t, "leaf-evidence", p.Evidence())
	if once := max(share[0], share[1]) > 0.95 && min(share[0], share[1]) < 0.05; !once {
		t.Errorf("the leaf fills %.0f %% of one place and %.0f %% of the other", 100*share[0], 100*share[1])
	}
}
