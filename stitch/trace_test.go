package stitch

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/raster"
)

// TestTrace draws the left edge of a post through a lens with distortion, as
// pixels mix light: darker than the sky above, as bright as the sea in the
// middle, wet and much darker than the sand below. The whole edge is found as
// one, within 0.03° of its lean; in the encoded scale it would be 0.1° off.
func TestTrace(t *testing.T) {
	const top, bottom = -0.08, 0.1 // tangents of the depression
	for _, leanDeg := range []float64{-0.7, 0, 0.4} {
		r := &rig{width: 400, height: 600, focalPx: 600, radial: [3]float64{-0.05}}
		r.rot = []geom.Rotation{geom.FromYawPitchRoll(-12*geom.Degree, 2*geom.Degree, 0.8*geom.Degree)}
		cam := r.camera(0)
		linear := func(p geom.Pt) float64 {
			q, _ := cam.WorldFromPixel(p)
			u, v := q.X/q.Z, q.Y/q.Z
			post, back := 0.25, 0.6
			switch {
			case v > 0.03:
				post, back = 0.02, 0.5
			case v > 0.01:
				back = 0.25
			}
			if v > bottom || v < top || u < -0.15-math.Tan(leanDeg*degree)*v || u > 0 {
				return back
			}
			return post
		}
		rng := rand.New(rand.NewPCG(4, 2))
		luma := raster.NewPlane(image.Rect(0, 0, r.width, r.height))
		for y := range r.height {
			for x := range r.width {
				var sum float64
				const n = 8
				for k := range n {
					sum += linear(geom.Pt{X: float64(x) + (float64(k)+0.5)/n, Y: float64(y) + 0.5}) / n
				}
				luma.Set(x, y, float32(blend.EncodeSRGB(sum)+0.004*rng.NormFloat64()))
			}
		}
		v, err := lookForEdges(t.Context(), luma, 1, &cam)
		if err != nil {
			t.Fatal(err)
		}
		var at []upright
		for _, e := range v.edges {
			if math.Abs(e.az+0.15) < 0.01 {
				at = append(at, e)
			}
		}
		if len(at) != 1 {
			t.Fatalf("lean %v: %d edges, want one: %+v", leanDeg, len(at), at)
		}
		e := at[0]
		// The plane's lean is the elevation of its normal, seen from the eye.
		lean := math.Atan(e.normal.Y/math.Hypot(e.normal.X, e.normal.Z)) / degree
		want := math.Atan(math.Tan(leanDeg*degree)*math.Cos(math.Atan(0.15))) / degree
		if !(math.Abs(lean-want) <= 0.03) || e.top > top+0.03 || e.bottom < bottom-0.03 {
			t.Errorf("lean %.3f° from %.3f to %.3f, want %.3f° from %.3f to %.3f", lean, e.top, e.bottom, want, top, bottom)
		}
		if !(e.sigma <= 0.1*degree) {
			t.Errorf("lean %v: σ %.3f°", leanDeg, e.sigma/degree)
		}
	}
}
