package warp

import (
	"image"
	"math/rand/v2"
	"testing"

	"flatfell.example/geom"
)

// TestSourceRect: what a rectangle of the view shows of a frame lies in its source
// rectangle, with room for the taps, and that is not far larger.
func TestSourceRect(t *testing.T) {
	cams := []geom.Camera{strong(700, 1050, 900), strong(700, 1050, 900), strong(700, 1050, 300)}
	cams[1].CamFromWorld = geom.FromYawPitchRoll(3.1, -0.2, 0.1) // behind, across the join of a turn
	local := &Local{Columns: 8, Rows: 8, X: make([]float64, 64), Y: make([]float64, 64)}
	for i := range local.X {
		local.X[i], local.Y[i] = float64(i%5)/300, -float64(i%3)/300
	}
	rng := rand.New(rand.NewPCG(8, 8))
	for _, surface := range surfaces {
		for k, cam := range cams {
			view := View{Surface: surface, PxPerRadian: 800}
			bounds, ok := Bounds(view, cams[k:k+1])
			if !ok || bounds.Dx() > 20000 || bounds.Dy() > 20000 {
				continue // a plane that looks sideways
			}
			view.Rect = bounds
			p := newProjector(cam, view)
			p.local = local
			for range 40 {
				x, y := bounds.Min.X+rng.IntN(bounds.Dx()), bounds.Min.Y+rng.IntN(bounds.Dy())
				r := image.Rect(x, y, x+1+rng.IntN(500), y+1+rng.IntN(300))
				got := SourceRect(cam, view, local, r)
				var shown image.Rectangle
				for y := r.Min.Y; y < r.Max.Y; y += 3 {
					for x := r.Min.X; x < r.Max.X; x += 3 {
						q, ok := p.at(float64(x)+0.5, float64(y)+0.5)
						if at := image.Pt(int(q.X), int(q.Y)); ok && q.X >= 0 && q.Y >= 0 && at.In(image.Rect(0, 0, cam.Width, cam.Height)) {
							shown = shown.Union(image.Rect(at.X-3, at.Y-3, at.X+4, at.Y+4))
						}
					}
				}
				if !shown.In(got) {
					t.Fatalf("%s, camera %d: %v shows %v, which is not in %v", surface.Name(), k, r, shown, got)
				}
				if wide := shown.Inset(-200); !shown.Empty() && !got.In(wide) {
					t.Errorf("%s, camera %d: %v shows %v, and %v are asked for", surface.Name(), k, r, shown, got)
				}
			}
		}
	}
}
