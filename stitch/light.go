package stitch

import (
	"cmp"
	"context"
	"image"
	"image/color"
	"math"
	"slices"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

const (
	// lightGrid is the number of places across a frame's width at which two
	// frames' light is compared, down its height in proportion.
	lightGrid = 48
	// Samples above clipped (encoded) are no measure of the light: cameras bend
	// their curves there, and sharpening and JPEG spread what is clipped over
	// its neighbours. It is the one threshold for that: places with such a
	// sample are not compared, and from there on a sample goes over into white.
	clipped = 0.97
	// dark (linear) is the light below which places are not compared either.
	dark = 0.01
)

// balance estimates how the placed frames recorded the light.
func (a *aligner) balance(ctx context.Context) (*blend.Light, blend.LightReport, error) {
	per := make([][]blend.LightSample, len(a.evidence))
	err := par.Do(ctx, a.o.Workers, len(a.evidence), func(i int) error {
		e := &a.evidence[i]
		if e.verdict == NotJoined {
			return nil
		}
		both := []int{a.placed[e.a], a.placed[e.b]}
		imgs, err := a.kept.holdAll(ctx, 1, both)
		if err != nil {
			return err
		}
		per[i], err = a.compareNear(e.a, e.b, imgs[0], imgs[1])
		for _, f := range both {
			a.kept.free(f)
		}
		return err
	})
	if err = cmp.Or(err, a.kept.err()); err != nil {
		return nil, blend.LightReport{}, err
	}
	return blend.FitLight(len(a.placed), slices.Concat(per...), blend.LightOptions{Start: a.exposures(), Transfer: a.frames[0].Transfer()})
}

// exposures returns the log gains that undo what the metadata say of the
// frames' exposures, their mean taken out; nil if that isn't known of all.
func (a *aligner) exposures() []float64 {
	var mean float64
	logs := make([]float64, len(a.placed))
	for k, i := range a.placed {
		f := a.frames[i]
		if !f.Exposed {
			return nil
		}
		logs[k] = -math.Ln2 * f.ExposureEV
		mean += logs[k] / float64(len(logs))
	}
	for k := range logs {
		logs[k] -= mean
	}
	return logs
}

// compareNear is compareLight of frames that may lie in files.
func (a *aligner) compareNear(i, j int, imgA, imgB image.Image) (out []blend.LightSample, err error) {
	ci, cj := a.rig.camera(i), a.rig.camera(j)
	nearA, putA, err := a.kept.nearOverlap(imgA, &ci, &cj, a.o.Workers)
	if err != nil {
		return nil, err
	}
	defer putA()
	nearB, putB, err := a.kept.nearOverlap(imgB, &cj, &ci, a.o.Workers)
	if err != nil {
		return nil, err
	}
	defer putB()
	return a.compareLight(i, j, nearA, nearB), nil
}

// compareLight samples the overlap of two placed frames on a grid. Each
// sample is the mean over a block two fifths of the grid step wide: small
// against what vignetting changes, large against noise and a pixel's error of
// registration.
func (a *aligner) compareLight(i, j int, imgA, imgB image.Image) (out []blend.LightSample) {
	way := a.rig.passage(i, j)
	ci, cj := way.from, way.to
	transfer := a.frames[0].Transfer() // the same for all
	step := float64(ci.Width) / lightGrid
	radius := max(2, int(step/5))
	for y := step / 2; y < float64(ci.Height); y += step {
		for x := step / 2; x < float64(ci.Width); x += step {
			p := geom.Pt{X: x, Y: y}
			if !way.sees(p, float64(radius)+1) {
				continue
			}
			q, _ := way.at(p)
			la, varA, okA := meanLight(imgA, transfer, p, radius)
			lb, varB, okB := meanLight(imgB, transfer, q, radius)
			if okA && okB {
				out = append(out, blend.LightSample{
					A: i, B: j, AtA: lightPos(&ci, p), AtB: lightPos(&cj, q), LinA: la, LinB: lb,
					Sigma: math.Sqrt(lightFloor*lightFloor + varA + varB),
				})
			}
		}
	}
	return out
}

// lightFloor is the error of a sample's log ratio that averaging doesn't
// lower: 8-bit steps, glare, a lens that is not quite radial.
const lightFloor = 0.002

// lightPos returns where a pixel lies in the frame for blend.
func lightPos(c *geom.Camera, p geom.Pt) blend.LightPos {
	half := math.Hypot(float64(c.Width), float64(c.Height)) / 2
	return blend.LightPos{X: (p.X - c.CentrePx.X) / half, Y: (p.Y - c.CentrePx.Y) / half}
}

// meanLight returns the linear light of the mean of the block around p and the
// variance of its logarithm as the scatter of the pixels lets expect, whether
// it is noise or texture that half a pixel's error moves about. ok is false if
// any of the pixels is clipped or the mean is dark.
//
// The mean is that of the encoded samples: the mean of their light would be
// raised by noise (by f″σ²/2, over 1 % in the shadows), and a power law keeps
// the ratio of two exposures either way.
func meanLight(img image.Image, transfer *blend.Transfer, p geom.Pt, radius int) (lin [3]float64, variance float64, ok bool) {
	b := img.Bounds()
	if s, ok := img.(*raster.Stored); ok {
		around := image.Rect(int(p.X)-radius, int(p.Y)-radius, int(p.X)+radius+1, int(p.Y)+radius+1).Intersect(b)
		part, put := s.Part(around)
		defer put()
		img = part
	}
	at := rgbAt(img)
	x0, y0 := b.Min.X+int(p.X), b.Min.Y+int(p.Y)
	n := 1 / float64((2*radius+1)*(2*radius+1))
	var mean [3]float64
	var square float64
	for y := y0 - radius; y <= y0+radius; y++ {
		for x := x0 - radius; x <= x0+radius; x++ {
			c := at(min(max(x, b.Min.X), b.Max.X-1), min(max(y, b.Min.Y), b.Max.Y-1))
			var sum float64
			for k, v := range [3]uint16{c.R, c.G, c.B} {
				if float64(v) > clipped*0xffff {
					return lin, 0, false
				}
				mean[k] += n / 0xffff * float64(v)
				sum += float64(v) / 0xffff
			}
			square += n * sum * sum
		}
	}
	for k, v := range mean {
		lin[k] = transfer.Decode(v)
	}
	const power = 2.2 // of light by encoded value
	all := mean[0] + mean[1] + mean[2]
	variance = power * power * n * max(0, square/(all*all)-1)
	return lin, variance, lin[0] > dark && lin[1] > dark && lin[2] > dark
}

func rgbAt(img image.Image) func(x, y int) color.RGBA64 {
	if m, ok := img.(image.RGBA64Image); ok {
		return m.RGBA64At
	}
	return func(x, y int) color.RGBA64 { return color.RGBA64Model.Convert(img.At(x, y)).(color.RGBA64) }
}

// lostLight returns the part of a sample's light that is lost to clipping: 0 up
// to clipped, 1 at full scale, smooth between.
func lostLight(v int) float32 {
	const from = clipped * 0xffff
	if float64(v) <= from {
		return 0
	}
	t := (float64(v) - from) / (0xffff - from)
	return float32(t * t * (3 - 2*t))
}
