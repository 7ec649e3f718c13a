package stitch

import (
	"context"
	"image"
	"image/color"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
)

const (
	// lightGrid is the number of places across a frame's width at which two
	// frames' light is compared, down its height in proportion.
	lightGrid = 48
	// Places above clipped (encoded) or below dark (linear) in either frame
	// don't show the ratio of exposures.
	clipped, dark = 0.97, 0.01
)

// balance returns each placed frame's gain, by channel, in linear light.
func (a *aligner) balance(ctx context.Context) ([][3]float64, error) {
	per := make([][]blend.Sample, len(a.evidence))
	err := par.Do(ctx, a.o.Workers, len(a.evidence), func(i int) error {
		if a.evidence[i].verdict != NotJoined {
			per[i] = a.compareLight(a.evidence[i].a, a.evidence[i].b)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var samples []blend.Sample
	for _, s := range per {
		samples = append(samples, s...)
	}
	gains, _, err := blend.Gains(len(a.placed), samples, blend.GainOptions{})
	return gains, err
}

// compareLight samples the overlap of two placed frames on a grid. Each
// sample is the mean over a block a quarter of the grid step wide: small
// against what vignetting changes, large against noise and a pixel's error of
// registration.
func (a *aligner) compareLight(i, j int) (out []blend.Sample) {
	ci, cj := a.rig.camera(i), a.rig.camera(j)
	step := float64(ci.Width) / lightGrid
	radius := max(1, int(step/8))
	for y := step / 2; y < float64(ci.Height); y += step {
		for x := step / 2; x < float64(ci.Width); x += step {
			p := geom.Pt{X: x, Y: y}
			if !sees(&ci, &cj, p, float64(radius)+1) {
				continue
			}
			w, _ := ci.WorldFromPixel(p)
			q, _ := cj.PixelFromWorld(w)
			la, okA := meanLight(a.imgs[a.placed[i]], p, radius)
			lb, okB := meanLight(a.imgs[a.placed[j]], q, radius)
			if okA && okB {
				out = append(out, blend.Sample{A: i, B: j, LinA: la, LinB: lb})
			}
		}
	}
	return out
}

// meanLight returns the mean linear light of the block around p; ok is false
// if any of its pixels is clipped or its mean is dark.
func meanLight(img image.Image, p geom.Pt, radius int) (lin [3]float64, ok bool) {
	b := img.Bounds()
	at, lin16 := rgbAt(img), blend.SRGBDecodeTable()
	x0, y0 := b.Min.X+int(p.X), b.Min.Y+int(p.Y)
	n := 1 / float64((2*radius+1)*(2*radius+1))
	for y := y0 - radius; y <= y0+radius; y++ {
		for x := x0 - radius; x <= x0+radius; x++ {
			c := at(min(max(x, b.Min.X), b.Max.X-1), min(max(y, b.Min.Y), b.Max.Y-1))
			for k, v := range [3]uint16{c.R, c.G, c.B} {
				if float64(v) > clipped*0xffff {
					return lin, false
				}
				lin[k] += n * float64(lin16[v])
			}
		}
	}
	return lin, lin[0] > dark && lin[1] > dark && lin[2] > dark
}

func rgbAt(img image.Image) func(x, y int) color.RGBA64 {
	if m, ok := img.(image.RGBA64Image); ok {
		return m.RGBA64At
	}
	return func(x, y int) color.RGBA64 { return color.RGBA64Model.Convert(img.At(x, y)).(color.RGBA64) }
}
