package scene

import (
	"context"
	"fmt"
	"image"
	"math"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// stripe is the number of lines that a worker renders at a time.
const stripe = 8

// Frame renders frame i of a row that s planned on at most workers
// goroutines (below 1: all processors). The picture is 16-bit sRGB, its
// bounds start at (0, 0). The error is ctx's, or an [ErrOptions] if i is not
// a frame of t.
func (s *Scene) Frame(ctx context.Context, workers int, t *Truth, i int) (*raster.Picture, error) {
	if i < 0 || i >= len(t.Frames) {
		return nil, fmt.Errorf("%w: frame %d of %d", ErrOptions, i, len(t.Frames))
	}
	f := &t.Frames[i]
	cam := f.Camera
	worldFromCam := cam.CamFromWorld.Inv()
	pic := raster.NewPicture(image.Rect(0, 0, cam.Width, cam.Height))
	dev := developer{tone: t.ToneCurve, sigma: t.Noise, seed: hash64(t.Seed) ^ hash64(uint64(i)+0x51ed)}
	foot := 1 / cam.FocalPx
	edge := foot / float64(t.Supersample)
	look := func(x, y float64) (rgb, bool) {
		v, ok := cam.RayFromPixel(geom.Pt{X: x, Y: y})
		if !ok {
			return rgb{}, false
		}
		if f.Lens != (Lens{}) {
			return s.throughLens(f, worldFromCam, v, x, y, foot, edge), true
		}
		return s.shade(f.Origin, worldFromCam.Apply(v), foot, edge, f.Seconds), true
	}
	err := stripes(ctx, workers, pic, t.Supersample, look, func(x, y int, c rgb, _ float64) {
		light := t.Light(&cam, geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5}) * t.filter(f, float64(y)+0.5)
		dev.develop(pic.Row(y)[3*x:], uint64(y*cam.Width+x),
			rgb{c.r * f.Gain[0] * light, c.g * f.Gain[1] * light, c.b * f.Gain[2] * light})
	})
	if err != nil {
		return nil, err
	}
	return pic, nil
}

// Surface renders the truth on an output surface: the scene seen from the
// turning axis at time 0 with gain 1, no vignetting, no tone curve and no
// noise, as 16-bit sRGB. worldFromPixel returns the ray through a point of
// the surface, pixel (x, y) covering [x, x+1) × [y, y+1), and whether there is
// one; it is called concurrently. footprint is the angle of a pixel in
// radians. Alpha is the fraction of a pixel's supersample² samples (below 1:
// 2²) that have a ray.
func (s *Scene) Surface(ctx context.Context, workers int, r image.Rectangle, supersample int, footprint float64,
	worldFromPixel func(x, y float64) (rayInWorld geom.Vec, ok bool),
) (*raster.Picture, error) {
	if !(footprint > 0) || r.Empty() {
		return nil, fmt.Errorf("%w: footprint %v, bounds %v", ErrOptions, footprint, r)
	}
	if supersample < 1 {
		supersample = 2
	}
	pic := raster.NewPicture(r)
	pic.Alpha = make([]uint16, r.Dx()*r.Dy())
	var dev developer
	edge := footprint / float64(supersample)
	look := func(x, y float64) (rgb, bool) {
		v, ok := worldFromPixel(x, y)
		if !ok {
			return rgb{}, false
		}
		return s.shade(geom.Vec{}, v, footprint, edge, 0), true
	}
	err := stripes(ctx, workers, pic, supersample, look, func(x, y int, c rgb, seen float64) {
		dev.develop(pic.Row(y)[3*(x-r.Min.X):], 0, c)
		pic.AlphaRow(y)[x-r.Min.X] = uint16(math.Round(65535 * seen))
	})
	if err != nil {
		return nil, err
	}
	return pic, nil
}

// stripes calls put for every pixel of pic with the mean of look over n × n
// points, and the fraction of them that look found.
func stripes(ctx context.Context, workers int, pic *raster.Picture, n int,
	look func(x, y float64) (rgb, bool), put func(x, y int, c rgb, seen float64),
) error {
	r := pic.Rect
	pitch := 1 / float64(n)
	return par.Do(ctx, workers, (r.Dy()+stripe-1)/stripe, func(k int) error {
		y0 := r.Min.Y + k*stripe
		for y := y0; y < min(y0+stripe, r.Max.Y); y++ {
			for x := r.Min.X; x < r.Max.X; x++ {
				var sum rgb
				hits := 0
				for j := range n {
					for i := range n {
						c, ok := look(float64(x)+(float64(i)+0.5)*pitch, float64(y)+(float64(j)+0.5)*pitch)
						if ok {
							sum = sum.add(c)
							hits++
						}
					}
				}
				if hits > 0 {
					sum = sum.scale(1 / float64(hits))
				}
				put(x, y, sum, float64(hits)/float64(n*n))
			}
		}
		return nil
	})
}
