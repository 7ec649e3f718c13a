package bench

import (
	"context"
	"image"
	"math"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/par"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
	"flatfell.example/stitch"
	"flatfell.example/warp"
)

const (
	// seamReach is how far from a seam a pixel counts as near it.
	seamReach = 64
	// skyElevation is the angle above the horizon beyond which the coast shows
	// nothing but sky, the tip of a sea stack apart.
	skyElevation = 14 * geom.Degree
	// skyPatch is the width in pixels over which the sky's columns are averaged.
	skyPatch = 32
)

// picture renders the true picture on the view of a solution.
func (s *photographs) picture(ctx context.Context, workers int, sol *stitch.Solution) (*raster.Picture, error) {
	view, err := sol.Output.View()
	if err != nil {
		return nil, err
	}
	trueFromFound := foundFromTrue(sol, s.truth).Inv()
	return s.coast.Surface(ctx, workers, view.Rect, 2, 1/view.PxPerRadian, func(x, y float64) (geom.Vec, bool) {
		ray, ok := view.RayAt(x, y)
		return trueFromFound.Apply(ray), ok
	})
}

// mask is a set of pixels of a rectangle that starts at (0, 0).
type mask struct {
	w, h int
	in   []bool
}

func newMask(r image.Rectangle) *mask {
	return &mask{r.Dx(), r.Dy(), make([]bool, r.Dx()*r.Dy())}
}

// nearSeams returns the pixels within reach of a place where the label changes
// from one frame to another.
func nearSeams(labels *blend.Labels, r image.Rectangle, reach int) *mask {
	m := newMask(r)
	any := func(int) bool { return true }
	label := make([]int, len(m.in))
	for y := range m.h {
		for x := range m.w {
			label[y*m.w+x] = labels.Pixel(x, y, any)
		}
	}
	for y := range m.h {
		for x := range m.w {
			i := y*m.w + x
			if x+1 < m.w && isSeam(label[i], label[i+1]) || y+1 < m.h && isSeam(label[i], label[i+m.w]) {
				for v := max(0, y-reach); v <= min(m.h-1, y+reach); v++ {
					half := int(math.Sqrt(float64(reach*reach - (v-y)*(v-y))))
					for u := max(0, x-half); u <= min(m.w-1, x+half); u++ {
						m.in[v*m.w+u] = true
					}
				}
			}
		}
	}
	return m
}

// isSeam reports whether there is a seam between two labels: a cell at the row's
// own border may have none.
func isSeam(a, b int) bool { return a != b && a >= 0 && b >= 0 }

// skyAbove returns the number of the picture's lines that lie wholly above an
// elevation.
func skyAbove(sol *stitch.Solution, elevation geom.Angle) int {
	return max(0, int(sol.Output.OriginPx[1]-sol.Output.PxPerRadian*math.Tan(elevation.Radians())))
}

// comparison is the PSNR in dB of encoded samples, near the seams, elsewhere and
// in all. level is that elsewhere as it would be if every line had as many samples
// there as it has near the seams.
type comparison struct{ near, rest, level, all float64 }

// comparePictures compares pic with truth.
func comparePictures(pic, truth *raster.Picture, near *mask) comparison {
	type sum struct{ sq, n float64 }
	lines := make([][2]sum, near.h) // elsewhere, and near
	measure.Errors(pic, truth, func(i int, squared float64) {
		s := &lines[i/near.w][0]
		if near.in[i] {
			s = &lines[i/near.w][1]
		}
		s.sq += squared
		s.n++
	})
	var rest, by, level, all sum
	for _, l := range lines {
		rest, by = sum{rest.sq + l[0].sq, rest.n + l[0].n}, sum{by.sq + l[1].sq, by.n + l[1].n}
		if l[0].n > 0 {
			level = sum{level.sq + l[1].n*l[0].sq/l[0].n, level.n + l[1].n}
		}
	}
	all = sum{rest.sq + by.sq, rest.n + by.n}
	psnr := func(s sum) float64 { return -10 * math.Log10(s.sq/s.n) }
	return comparison{near: psnr(by), rest: psnr(rest), level: psnr(level), all: psnr(all)}
}

// lostAt is the encoded level of a resampled sample from which its light may be
// lost, a little below clippedAt: resampling spreads what is clipped.
const lostAt = clippedAt - 0.015

// patchwork returns the best that the frames can make along the labels of a
// picture, if all is known and nothing blended: each pixel from its own frame, by
// its true camera and corrected by its true light. What it differs by from the
// truth is what is lost in taking a frame and resampling it. Alpha is 0 where no
// frame is named, and where its light is lost to clipping.
func (s *photographs) patchwork(ctx context.Context, workers int, sol *stitch.Solution, labels *blend.Labels) (*raster.Picture, error) {
	trueFromFound := foundFromTrue(sol, s.truth).Inv()
	return compose(ctx, workers, sol, s.frames, labels, func(k int, pic *raster.Picture, view warp.View) (corrected, asTaken *warp.Sampler) {
		cam := s.truth[k]
		cam.CamFromWorld = cam.CamFromWorld.Mul(trueFromFound)
		return warp.NewSampler(s.corrected(k, pic), cam, view, warp.Options{}), warp.NewSampler(pic, cam, view, warp.Options{})
	})
}

// unblended returns the picture as the frames alone have it: each pixel from its
// own frame as the solution places and corrects it, with nothing blended. Alpha
// is as of [photographs.patchwork].
func unblended(ctx context.Context, workers int, sol *stitch.Solution, frames []*stitch.Frame, labels *blend.Labels) (*raster.Picture, error) {
	return compose(ctx, workers, sol, frames, labels, func(k int, pic *raster.Picture, view warp.View) (corrected, asTaken *warp.Sampler) {
		f := &sol.Frames[k]
		right := cut(pic, pic.Rect)
		correctFrame(f, right)
		o := warp.Options{Local: f.Local}
		return warp.NewSampler(right, f.Camera(), view, o), warp.NewSampler(pic, f.Camera(), view, o)
	})
}

// compose puts a picture together along labels: sample draws a frame on a view as
// it is to be and as it was taken, which tells where light is lost.
func compose(ctx context.Context, workers int, sol *stitch.Solution, frames []*stitch.Frame, labels *blend.Labels,
	sample func(k int, pic *raster.Picture, view warp.View) (corrected, asTaken *warp.Sampler),
) (*raster.Picture, error) {
	view, err := sol.Output.View()
	if err != nil {
		return nil, err
	}
	out := raster.NewPicture(view.Rect)
	w, h := view.Rect.Dx(), view.Rect.Dy()
	out.Alpha = make([]uint16, w*h)
	named := make([]int, w*h)
	areas := make([]image.Rectangle, len(frames))
	any := func(int) bool { return true }
	for i := range named {
		named[i] = labels.Pixel(i%w, i/w, any)
		if k := named[i]; k >= 0 {
			areas[k] = areas[k].Union(image.Rect(i%w, i/w, i%w+1, i/w+1))
		}
	}
	for k, f := range frames {
		if areas[k].Empty() {
			continue
		}
		img, err := f.Image(ctx)
		if err != nil {
			return nil, err
		}
		pic, err := raster.FromImage(ctx, workers, img)
		if err != nil {
			return nil, err
		}
		corrected, asTaken := sample(k, pic, view)
		err = par.DoScratch(ctx, workers, (areas[k].Dy()+composeLines-1)/composeLines, newTwoPictures, func(n int, t *twoPictures) error {
			r := areas[k]
			r.Min.Y += n * composeLines
			r.Max.Y = min(r.Max.Y, r.Min.Y+composeLines)
			for c := range t.right {
				t.right[c].Reset(r)
				t.plain[c].Reset(r)
			}
			corrected.Fill(&t.right, nil, r)
			asTaken.Fill(&t.plain, nil, r)
			for j := range t.right[0].Pix {
				i := (r.Min.Y+j/r.Dx())*w + r.Min.X + j%r.Dx()
				if named[i] != k || max(t.plain[0].Pix[j], t.plain[1].Pix[j], t.plain[2].Pix[j]) > lostAt {
					continue
				}
				out.Alpha[i] = 0xffff
				for c, p := range t.right {
					out.Pix[3*i+c] = uint16(math.Round(0xffff * min(max(float64(p.Pix[j]), 0), 1)))
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// composeLines is the number of lines that compose draws at a time.
const composeLines = 64

// twoPictures is the memory of compose for a part of a frame.
type twoPictures struct{ right, plain [3]*raster.Plane }

func newTwoPictures() *twoPictures {
	t := &twoPictures{}
	for c := range t.right {
		t.right[c], t.plain[c] = new(raster.Plane), new(raster.Plane)
	}
	return t
}

// correctFrame corrects the light of a frame's samples.
func correctFrame(f *stitch.FrameSolution, pic *raster.Picture) {
	correct, dec, enc := f.Correct(), blend.SRGBDecodeTable(), blend.SRGBEncodeTable()
	for y := range pic.Rect.Dy() {
		row := pic.Row(y)
		for x := range pic.Rect.Dx() {
			s := row[3*x : 3*x+3]
			lin := correct(geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5}, [3]float64{float64(dec[s[0]]), float64(dec[s[1]]), float64(dec[s[2]])})
			for c, l := range lin {
				s[c] = uint16(math.Round(0xffff * float64(enc.Encode(float32(l)))))
			}
		}
	}
}

// corrected returns frame k with its true gains and vignetting undone.
func (s *photographs) corrected(k int, pic *raster.Picture) *raster.Picture {
	out := raster.NewPicture(pic.Rect)
	dec, enc := blend.SRGBDecodeTable(), blend.SRGBEncodeTable()
	f := &s.plan.Frames[s.of[k]]
	for y := range pic.Rect.Dy() {
		from, to := pic.Row(y), out.Row(y)
		for x := range pic.Rect.Dx() {
			light := s.plan.Light(&f.Camera, geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5})
			for c, g := range f.Gain {
				lin := float64(dec[from[3*x+c]]) / (light * g)
				to[3*x+c] = uint16(math.Round(0xffff * float64(enc.Encode(float32(lin)))))
			}
		}
	}
	return out
}

// scallop returns the largest less the smallest difference between the mean
// L* of pic and of truth in a column of sky, over skyPatch columns each. If pic
// has the scene's tone curve, truth gets it too, at pic's exposure.
func scallop(pic, truth *raster.Picture, lines int, toned bool) float64 {
	if lines < skyPatch {
		return math.NaN()
	}
	plain := pic
	if toned {
		plain = withoutTone(pic)
	}
	gain := measure.CommonGain(plain, truth)
	dec := blend.SRGBDecodeTable()
	lightness := func(p *raster.Picture, x0 int, show func(c int, v uint16) float64) float64 {
		var sum float64
		for y := range lines {
			row := p.Row(y)
			for x := x0; x < x0+skyPatch; x++ {
				var lin [3]float64
				for c := range lin {
					lin[c] = show(c, row[3*x+c])
				}
				sum += blend.LabFromLinear(lin).L
			}
		}
		return sum / float64(lines*skyPatch)
	}
	asIs := func(_ int, v uint16) float64 { return float64(dec[v]) }
	exposed := func(c int, v uint16) float64 {
		l := float64(dec[v]) / gain[c]
		if toned {
			l = blend.DecodeSRGB(scene.ToneCurve(min(blend.EncodeSRGB(l), 1)))
		}
		return l
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for x := 0; x+skyPatch <= pic.Rect.Dx(); x += skyPatch {
		d := lightness(pic, x, asIs) - lightness(truth, x, exposed)
		lo, hi = min(lo, d), max(hi, d)
	}
	return hi - lo
}

// withoutTone returns pic with the scene's tone curve undone.
func withoutTone(pic *raster.Picture) *raster.Picture {
	var undo [1 << 16]uint16
	v := 0
	for i := range undo {
		for v < 0xffff && scene.ToneCurve(float64(v)/0xffff) < float64(i)/0xffff {
			v++
		}
		undo[i] = uint16(v)
	}
	out := raster.NewPicture(pic.Rect)
	for i, s := range pic.Pix {
		out.Pix[i] = undo[s]
	}
	return out
}

// noiseRatio returns the noise of the sky's pixels on the seams, within 4
// pixels, over that away from them. Noise is the root mean square of the
// Laplacian of Immerkær (Computer Vision and Image Understanding 64(2), 1996),
// which is zero on a gradient.
func noiseRatio(pic *raster.Picture, labels *blend.Labels, lines int, near *mask) float64 {
	on := nearSeams(labels, pic.Rect, 4)
	var sq, n [2]float64
	for y := 1; y+1 < lines; y++ {
		a, b, c := pic.Row(y-1), pic.Row(y), pic.Row(y+1)
		for x := 1; x+1 < pic.Rect.Dx(); x++ {
			k := 0
			switch {
			case on.in[y*on.w+x]:
				k = 1
			case near.in[y*near.w+x]:
				continue
			}
			i := 3*x + 1 // green
			v := func(r []uint16, d int) float64 { return float64(r[i+3*d]) / 0xffff }
			l := v(a, -1) - 2*v(a, 0) + v(a, 1) - 2*v(b, -1) + 4*v(b, 0) - 2*v(b, 1) + v(c, -1) - 2*v(c, 0) + v(c, 1)
			sq[k] += l * l
			n[k]++
		}
	}
	return math.Sqrt(sq[1] / n[1] / (sq[0] / n[0]))
}
