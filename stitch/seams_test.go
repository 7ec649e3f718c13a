package stitch

import (
	"errors"
	"math"
	"slices"
	"testing"

	"flatfell.example/blend"
	"flatfell.example/geom"
)

// TestKeep: a place near either edge of the middle frame comes from it, or from
// its neighbour, as the photographer says.
func TestKeep(t *testing.T) {
	row := smallRow(t)
	sol := row.align(t, Options{})
	middle := slices.Index(row.of, 1)
	cam := sol.Frames[middle].Camera()
	for _, x := range []float64{0.12, 0.88} {
		place := Keep{Frame: row.frames[middle].Name, X: x, Y: 0.5, Radius: 0.06}
		ray, _ := cam.WorldFromPixel(geom.Pt{X: x * float64(cam.Width), Y: 0.5 * float64(cam.Height)})
		neighbour := slices.Index(row.of, map[bool]int{true: 0, false: 2}[x < 0.5])
		other := sol.Frames[neighbour].Camera()
		p, ok := other.PixelFromWorld(ray)
		if !ok || !other.Contains(p, 10) {
			t.Fatalf("the place at %g is not in the neighbour", x)
		}
		there := Keep{Frame: row.frames[neighbour].Name, X: p.X / float64(other.Width), Y: p.Y / float64(other.Height), Radius: 0.06}
		for want, keep := range map[int]Keep{middle: place, neighbour: there} {
			var labels *blend.Labels
			_, err := Render(t.Context(), sol, row.frames, Options{Keep: []Keep{keep}, Seams: func(l *blend.Labels) { labels = l }})
			if err != nil {
				t.Fatal(err)
			}
			view, err := sol.Output.View()
			if err != nil {
				t.Fatal(err)
			}
			at := geom.Pt{ // on the cylinder
				X: view.OriginPx.X + view.PxPerRadian*math.Atan2(ray.X, ray.Z),
				Y: view.OriginPx.Y + view.PxPerRadian*ray.Y/math.Hypot(ray.X, ray.Z),
			}
			any := func(int) bool { return true }
			for _, d := range [][2]int{{0, 0}, {12, 0}, {-12, 0}, {0, 12}, {0, -12}} {
				if got := labels.Pixel(int(at.X)+d[0], int(at.Y)+d[1], any); got != want {
					t.Errorf("at %g, %v beside it: taken from frame %d, want %d", x, d, got, want)
				}
			}
		}
	}
	if _, err := Render(t.Context(), sol, row.frames, Options{Keep: []Keep{{Frame: "absent.jpg", X: 0.5, Y: 0.5, Radius: 0.1}}}); !errors.Is(err, ErrKeep) {
		t.Errorf("a frame that is not there: %v", err)
	}
	for _, k := range []Keep{{X: -0.1, Radius: 0.1}, {Y: 1.1, Radius: 0.1}, {}, {Radius: 2}} {
		if (Options{Keep: []Keep{k}}).Validate() == nil {
			t.Errorf("%+v is valid", k)
		}
	}
}
