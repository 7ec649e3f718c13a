package warp

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// noise returns a picture of white noise with bounds r.
func noise(r image.Rectangle, seed uint64) *raster.Picture {
	rng := rand.New(rand.NewPCG(seed, 1))
	p := raster.NewPicture(r)
	for i := range p.Pix {
		p.Pix[i] = uint16(rng.IntN(1 << 16))
	}
	return p
}

func planes(r image.Rectangle) *[3]*raster.Plane {
	return &[3]*raster.Plane{raster.NewPlane(r), raster.NewPlane(r), raster.NewPlane(r)}
}

// strong is a camera with barrel distortion of some 6% in the corner, turned
// and rolled.
func strong(w, h int, focalPx float64) geom.Camera {
	return geom.Camera{
		Width: w, Height: h, FocalPx: focalPx,
		CentrePx:     geom.Pt{X: float64(w)/2 + 7.3, Y: float64(h)/2 - 4.1},
		Radial:       [3]float64{-0.2, 0.08, -0.02},
		CamFromWorld: geom.FromYawPitchRoll(12*geom.Degree, 3*geom.Degree, -2*geom.Degree),
	}
}

func viewOf(s Surface, scale float64, cams ...geom.Camera) View {
	v := View{Surface: s, PxPerRadian: scale}
	v.Rect, _ = Bounds(v, cams)
	return v
}

// naive is the slow twin of Fill: the exact mapping, the kernel itself, and
// coordinates clamped sample by sample. The levels are those
// of levelFor.
func naive(s *Sampler, src *raster.Picture, x, y float64, levelX, levelY int) (rgb [3]float64) {
	p, _ := s.PixelAt(x, y)
	w, h := src.Rect.Dx(), src.Rect.Dy()
	scaleX, scaleY := math.Exp2(float64(levelX)/levelsPerOctave), math.Exp2(float64(levelY)/levelsPerOctave)
	p.X, p.Y = max(-500, min(float64(w)+500, p.X)), max(-500, min(float64(h)+500, p.Y))
	rx, ry := float64(s.kernel.radius())*scaleX, float64(s.kernel.radius())*scaleY
	var sum float64
	for j := int(math.Floor(p.Y - 0.5 - ry)); j <= int(math.Ceil(p.Y-0.5+ry)); j++ {
		for i := int(math.Floor(p.X - 0.5 - rx)); i <= int(math.Ceil(p.X-0.5+rx)); i++ {
			k := s.kernel.at((float64(i)+0.5-p.X)/scaleX) * s.kernel.at((float64(j)+0.5-p.Y)/scaleY)
			sum += k
			row := src.Row(src.Rect.Min.Y + max(0, min(h-1, j)))
			for c := range rgb {
				rgb[c] += k * float64(row[3*max(0, min(w-1, i))+c]) / 65535
			}
		}
	}
	for c := range rgb {
		rgb[c] /= sum
	}
	return rgb
}

func TestFillMatchesNaive(t *testing.T) {
	// A position is off by 1/2048 px by the phase, and by less by the mapping,
	// which TestMappingError looks at; white noise has slopes of up to some 2
	// full scales a pixel each way.
	const tol = 0.003
	cam := strong(150, 210, 220)
	src := noise(image.Rect(5, -3, 155, 207), 1)
	for _, s := range surfaces {
		for _, kernel := range []Kernel{Cubic, Lanczos5} {
			for _, scale := range []float64{220, 260, 70} {
				t.Run(fmt.Sprintf("%s/%d/%g", s.Name(), kernel, scale), func(t *testing.T) {
					v := viewOf(s, scale, cam)
					r := v.Rect.Inset(-20)
					sampler := NewSampler(src, cam, v, Options{Kernel: kernel})
					dst := planes(r)
					sampler.Fill(dst, nil, r)
					var worst, sumSq float64
					n := 0
					for y := r.Min.Y; y < r.Max.Y; y += 3 {
						for x := r.Min.X; x < r.Max.X; x += 3 {
							var m blockMap
							m.proj, m.origin = &sampler.proj, image.Pt(floorTo(x, blockPx), floorTo(y, blockPx))
							m.scales()
							want := naive(sampler, src, float64(x)+0.5, float64(y)+0.5, levelFor(m.scaleX), levelFor(m.scaleY))
							for c := range want {
								d := math.Abs(float64(dst[c].At(x, y)) - want[c])
								if !(d <= tol) {
									t.Fatalf("(%d, %d) channel %d: got %g, want %g", x, y, c, dst[c].At(x, y), want[c])
								}
								worst = max(worst, d)
								sumSq += d * d
								n++
							}
						}
					}
					t.Logf("worst %.2g, rms %.2g", worst, math.Sqrt(sumSq/float64(n)))
				})
			}
		}
	}
}

// TestMappingError holds the interpolated mapping to 0.01 px of the exact one,
// on every surface, with strong distortion, at scales from a thumbnail's to an
// enlargement's, and checks that valid follows the exact mapping.
func TestMappingError(t *testing.T) {
	const tolPx = 0.01
	exact := 0
	for _, s := range surfaces {
		for _, scale := range []float64{40, 400, 1500, 5000} {
			cam := strong(900, 1300, 1200)
			v := viewOf(s, scale, cam)
			proj := newProjector(cam, v)
			var worst float64
			var m blockMap
			var xs, ys [blockPx]float64
			var seen [blockPx]bool
			blocks := max(1, v.Rect.Dx()*v.Rect.Dy()/blockPx/blockPx)
			stride := blockPx * max(1, blocks/60)
			for y := floorTo(v.Rect.Min.Y, blockPx); y < v.Rect.Max.Y; y += blockPx {
				for x := floorTo(v.Rect.Min.X, blockPx) + (y/blockPx&3)*blockPx; x < v.Rect.Max.X; x += stride {
					m.prepare(&proj, image.Pt(x, y))
					if m.step == 1 {
						exact++
					}
					for j := 0; j < blockPx; j += 5 {
						m.line(xs[:], ys[:], seen[:], 0, blockPx, j)
						for i := range xs {
							p, ok := proj.at(m.outputX(i), m.outputY(j))
							if seen[i] != ok {
								t.Fatalf("%s at %g, (%d, %d): seen %v, want %v", s.Name(), scale, x+i, y+j, seen[i], ok)
							}
							d := p.Sub(geom.Pt{X: xs[i], Y: ys[i]}).Norm()
							if !(d <= tolPx) {
								t.Fatalf("%s at %g px/rad, (%d, %d): %g px off", s.Name(), scale, x+i, y+j, d)
							}
							worst = max(worst, d)
						}
					}
				}
			}
			t.Logf("%s at %g px/rad: %.2g px", s.Name(), scale, worst)
		}
	}
	if exact == 0 {
		t.Error("no block was mapped pixel by pixel: the test doesn't reach that far")
	}
}

// TestIdentity: a plane at the frame's own scale returns the frame.
func TestIdentity(t *testing.T) {
	cam := geom.Camera{
		Width: 130, Height: 90, FocalPx: 5000, CentrePx: geom.Pt{X: 65, Y: 45},
		CamFromWorld: geom.Identity,
	}
	src := noise(image.Rect(0, 0, 130, 90), 3)
	v := View{Surface: Plane, PxPerRadian: 5000, OriginPx: geom.Pt{X: 65, Y: 45}}
	if v.Rect, _ = Bounds(v, []geom.Camera{cam}); v.Rect != src.Rect {
		t.Fatalf("bounds %v, want %v", v.Rect, src.Rect)
	}
	for _, kernel := range []Kernel{Cubic, Lanczos5} {
		dst := planes(src.Rect)
		valid := make([]uint8, 130*90)
		NewSampler(src, cam, v, Options{Kernel: kernel, MarginPx: 2}).Fill(dst, valid, src.Rect)
		for y := range 90 {
			for x := range 130 {
				for c := range dst {
					want := float64(src.Row(y)[3*x+c]) / 65535
					if got := float64(dst[c].At(x, y)); !(math.Abs(got-want) <= 1e-6) {
						t.Fatalf("kernel %d, (%d, %d): %g, want %g", kernel, x, y, got, want)
					}
				}
				want := uint8(0)
				if x >= 2 && y >= 2 && x < 128 && y < 88 {
					want = 255
				}
				if got := valid[y*130+x]; got != want {
					t.Fatalf("valid(%d, %d) = %d, want %d", x, y, got, want)
				}
			}
		}
	}
}

// TestConstant: a constant frame is that constant everywhere on the surface,
// outside the frame and behind the camera included, through the tone curve.
func TestConstant(t *testing.T) {
	cam := strong(60, 80, 70)
	src := raster.NewPicture(image.Rect(0, 0, 60, 80))
	for i := range src.Pix {
		src.Pix[i] = uint16(10000 * (1 + i%3))
	}
	light := &Light{Gain: [3]float32{3, 0.5, 1}}
	for c := range light.Gain {
		light.Decode[c], light.Encode[c] = []float32{0, 0.5}, []float32{0.2, 1}
	}
	var want [3]float64
	for c := range want {
		want[c] = 0.2 + 0.8*math.Min(1, 0.5*float64(10000*(1+c))/65535*float64(light.Gain[c]))
	}
	for _, s := range surfaces {
		for _, scale := range []float64{100, 8, 0.3} {
			v := View{Surface: s, PxPerRadian: scale}
			r := image.Rect(-500, -300, 500, 300)
			dst := planes(r)
			valid := make([]uint8, r.Dx()*r.Dy())
			NewSampler(src, cam, v, Options{Light: light}).Fill(dst, valid, r)
			for c := range dst {
				for i, got := range dst[c].Pix {
					if !(math.Abs(float64(got)-want[c]) <= 1e-6*want[c]) {
						t.Fatalf("%s at %g: channel %d sample %d is %g, want %g", s.Name(), scale, c, i, got, want[c])
					}
				}
			}
			lit := 0
			for _, x := range valid {
				lit += int(x) / 255
			}
			if lit == 0 && scale > 1 || lit > r.Dx()*r.Dy()/2 {
				t.Errorf("%s at %g: %d valid pixels", s.Name(), scale, lit)
			}
		}
	}
}

// TestOutside: beyond the frame's edge its edge pixels go on.
func TestOutside(t *testing.T) {
	cam := geom.Camera{
		Width: 20, Height: 30, FocalPx: 1000, CentrePx: geom.Pt{X: 10, Y: 15},
		CamFromWorld: geom.Identity,
	}
	src := noise(image.Rect(0, 0, 20, 30), 4)
	v := View{Surface: Plane, PxPerRadian: 1000, OriginPx: geom.Pt{X: 10, Y: 15}}
	r := image.Rect(-100, -100, 120, 130)
	dst := planes(r)
	NewSampler(src, cam, v, Options{}).Fill(dst, nil, r)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			want := float64(src.Row(max(0, min(29, y)))[3*max(0, min(19, x))+1]) / 65535
			if got := float64(dst[1].At(x, y)); !(math.Abs(got-want) <= 1e-6) {
				t.Fatalf("(%d, %d): %g, want %g", x, y, got, want)
			}
		}
	}
}

// TestTilesEqualWhole: the same bytes for any tiling and any number of
// workers that share one Sampler.
func TestTilesEqualWhole(t *testing.T) {
	cam := strong(300, 400, 350)
	src := noise(image.Rect(0, 0, 300, 400), 5)
	for _, scale := range []float64{350, 120} {
		v := viewOf(Cylinder, scale, cam)
		r := v.Rect.Inset(-11)
		sampler := NewSampler(src, cam, v, Options{})
		whole, wholeValid := planes(r), make([]uint8, r.Dx()*r.Dy())
		sampler.Fill(whole, wholeValid, r)
		for _, workers := range []int{1, 4} {
			tiled, tiledValid := planes(r), make([]uint8, r.Dx()*r.Dy())
			const tile = 37
			cols := (r.Dx() + tile - 1) / tile
			err := par.Do(t.Context(), workers, cols*((r.Dy()+tile-1)/tile), func(i int) error {
				at := r.Min.Add(image.Pt(i%cols*tile, i/cols*tile))
				part := image.Rectangle{Min: at, Max: at.Add(image.Pt(tile, tile))}.Intersect(r)
				valid := make([]uint8, part.Dx()*part.Dy())
				sampler.Fill(tiled, valid, part)
				for y := range part.Dy() {
					copy(tiledValid[(part.Min.Y+y-r.Min.Y)*r.Dx()+part.Min.X-r.Min.X:], valid[y*part.Dx():][:part.Dx()])
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			for c := range whole {
				if !slices.Equal(whole[c].Pix, tiled[c].Pix) {
					t.Errorf("scale %g, %d workers: channel %d differs", scale, workers, c)
				}
			}
			if !slices.Equal(wholeValid, tiledValid) {
				t.Errorf("scale %g, %d workers: valid differs", scale, workers)
			}
		}
	}
}

// TestWrap: a frame that looks straight behind is the same picture to the left
// and to the right of the seam, a turn apart.
func TestWrap(t *testing.T) {
	cam := strong(120, 160, 150)
	cam.CamFromWorld = geom.FromYawPitchRoll(180*geom.Degree, 0.1, 0)
	src := noise(image.Rect(0, 0, 120, 160), 6)
	for _, s := range []Surface{Cylinder, Sphere} {
		// Large enough that no block widens its kernel.
		v := View{Surface: s, PxPerRadian: 250, OriginPx: geom.Pt{X: 0.3}}.Closed()
		sampler := NewSampler(src, cam, v, Options{})
		half := v.WrapPx / 2
		left := image.Rect(-half-50, -40, -half+50, 40)
		right := left.Add(image.Pt(v.WrapPx, 0))
		a, b := planes(left), planes(right)
		va, vb := make([]uint8, 8000), make([]uint8, 8000)
		sampler.Fill(a, va, left)
		sampler.Fill(b, vb, right)
		if !slices.Equal(va, vb) || !slices.Contains(va, 255) {
			t.Errorf("%s: valid differs across the seam, or is empty", s.Name())
		}
		for i := range a[0].Pix {
			// Blocks lie differently, so a position may round to the next phase,
			// on white noise.
			if d := math.Abs(float64(a[0].Pix[i] - b[0].Pix[i])); !(d <= 0.006) {
				t.Fatalf("%s: sample %d differs by %g", s.Name(), i, d)
			}
		}
	}
}

// TestAntiAlias: a checkerboard of single pixels, drawn three times smaller,
// is grey. Without widening it would keep most of its contrast.
func TestAntiAlias(t *testing.T) {
	cam := geom.Camera{
		Width: 300, Height: 300, FocalPx: 900, CentrePx: geom.Pt{X: 150, Y: 150},
		CamFromWorld: geom.FromYawPitchRoll(0.02, 0.01, 0.1),
	}
	src := raster.NewPicture(image.Rect(0, 0, 300, 300))
	for y := range 300 {
		for x := range 300 {
			for c := range 3 {
				src.Row(y)[3*x+c] = uint16(65535 * ((x + y) & 1))
			}
		}
	}
	contrast := func(kernel Kernel, scale float64) float64 {
		v := viewOf(Plane, scale, cam)
		mid := v.Rect.Min.Add(v.Rect.Max).Div(2)
		r := image.Rectangle{Min: mid, Max: mid}.Inset(-30)
		dst := planes(r)
		NewSampler(src, cam, v, Options{Kernel: kernel}).Fill(dst, nil, r)
		var sumSq float64
		for _, x := range dst[0].Pix {
			sumSq += (float64(x) - 0.5) * (float64(x) - 0.5)
		}
		return 2 * math.Sqrt(sumSq/float64(len(dst[0].Pix)))
	}
	for _, kernel := range []Kernel{Cubic, Lanczos5} {
		full, third := contrast(kernel, 900), contrast(kernel, 300)
		if !(full > 0.3) || !(third < 0.01) {
			t.Errorf("kernel %d: contrast %.4f at full size, %.4f at a third", kernel, full, third)
		}
	}
}

// TestFoldedDistortion: past the radius where the polynomial turns back,
// nothing counts as seen, even where it would lead into the frame again.
func TestFoldedDistortion(t *testing.T) {
	cam := geom.Camera{
		Width: 400, Height: 400, FocalPx: 400, CentrePx: geom.Pt{X: 200, Y: 200},
		Radial: [3]float64{-0.4, 0.05, 0}, CamFromWorld: geom.Identity,
	}
	v := View{Surface: Cylinder, PxPerRadian: 200}
	s := NewSampler(noise(image.Rect(0, 0, 400, 400), 7), cam, v, Options{})
	gone, last := false, -1.0
	for x := range 700 {
		p, ok := s.PixelAt(float64(x), 0)
		if gone && ok {
			t.Fatalf("x = %d: seen again at %v", x, p)
		}
		gone = gone || !ok
		if x < 620 && !(p.X >= last) {
			t.Fatalf("x = %d: source goes back from %g to %g", x, last, p.X)
		}
		last = p.X
	}
	if !gone {
		t.Error("never out of sight")
	}
}

func TestOptions(t *testing.T) {
	if err := (Options{}).Validate(); err != nil {
		t.Error(err)
	}
	if (Options{}).Kernel != Cubic {
		t.Error("the default kernel is not Cubic")
	}
	for _, o := range []Options{{Kernel: 2}, {Kernel: -1}, {MarginPx: -1}, {MarginPx: math.NaN()}, {MarginPx: math.Inf(1)}} {
		if o.Validate() == nil {
			t.Errorf("%+v is valid", o)
		}
	}
}

func BenchmarkFill(b *testing.B) {
	cam := geom.Camera{
		Width: 2080, Height: 3120, FocalPx: 3066, CentrePx: geom.Pt{X: 1040, Y: 1560},
		Radial: [3]float64{-0.05, 0.02}, CamFromWorld: geom.FromYawPitchRoll(0.4, 0.02, 0.01),
	}
	rect := image.Rect(0, 0, cam.Width, cam.Height)
	words := noise(rect, 1)
	bytes := image.NewYCbCr(rect, image.YCbCrSubsampleRatio420)
	full := image.NewYCbCr(rect, image.YCbCrSubsampleRatio444)
	curve := make([]float32, 4096)
	for i := range curve {
		curve[i] = float32(i) / 4095
	}
	light := &Light{Decode: [3][]float32{curve, curve, curve}, Encode: [3][]float32{curve, curve, curve}, Gain: [3]float32{0.9, 0.8, 0.7}}
	shaded := *light
	shaded.Shade = func(geom.Pt) float64 { return 1 }
	for _, bench := range []struct {
		name  string
		src   image.Image
		scale float64
		o     Options
	}{
		{"words", words, 3066, Options{}},
		{"words lanczos", words, 3066, Options{Kernel: Lanczos5}},
		{"words half", words, 1533, Options{}},
		{"444", full, 3066, Options{}},
		{"420", bytes, 3066, Options{}},
		{"420 half", bytes, 1533, Options{}},
		{"420 gain", bytes, 3066, Options{Light: light}},
		{"420 shade", bytes, 3066, Options{Light: &shaded}},
	} {
		b.Run(bench.name, func(b *testing.B) {
			v := viewOf(Cylinder, bench.scale, cam)
			mid := v.Rect.Min.Add(v.Rect.Max).Div(2)
			r := image.Rectangle{Min: mid, Max: mid}.Inset(-256).Intersect(v.Rect)
			sampler := NewSampler(bench.src, cam, v, bench.o)
			dst := planes(r)
			valid := make([]uint8, r.Dx()*r.Dy())
			for b.Loop() {
				sampler.Fill(dst, valid, r)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(r.Dx()*r.Dy()), "ns/pixel")
		})
	}
}

// TestYCbCr holds the planes of every subsampling to the slow twin: luma by the
// kernel, chroma on its own coarser grid.
func TestYCbCr(t *testing.T) {
	cam := strong(151, 211, 220)
	rng := rand.New(rand.NewPCG(11, 1))
	for _, ratio := range []image.YCbCrSubsampleRatio{
		image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420,
		image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410,
	} {
		whole := image.NewYCbCr(image.Rect(0, 0, 160, 220), ratio)
		for _, pix := range [][]uint8{whole.Y, whole.Cb, whole.Cr} {
			for i := range pix {
				pix[i] = uint8(rng.IntN(256))
			}
		}
		src := whole.SubImage(image.Rect(4, 6, 155, 217)).(*image.YCbCr)
		if !CanSample(src) {
			t.Fatalf("%v can't be sampled", ratio)
		}
		v := viewOf(Cylinder, 225, cam)
		r := v.Rect.Inset(-10)
		sampler := NewSampler(src, cam, v, Options{})
		dst := planes(r)
		sampler.Fill(dst, nil, r)
		shiftX, shiftY := subsampling(ratio)
		scaleX, scaleY := 1<<shiftX, 1<<shiftY
		at := func(x, y float64, get func(i, j int) uint8, w, h int, kernel Kernel) (sum float64) {
			for j := int(math.Floor(y-0.5)) - 1; j <= int(math.Floor(y-0.5))+2; j++ {
				for i := int(math.Floor(x-0.5)) - 1; i <= int(math.Floor(x-0.5))+2; i++ {
					k := kernel.at(float64(i)+0.5-x) * kernel.at(float64(j)+0.5-y)
					sum += k * float64(get(min(max(i, 0), w-1), min(max(j, 0), h-1))) / 255
				}
			}
			return sum
		}
		kernel := linear
		if scaleX*scaleY == 1 {
			kernel = Cubic
		}
		first := image.Pt(4/scaleX, 6/scaleY)
		cw, ch := (154/scaleX)+1-first.X, (216/scaleY)+1-first.Y
		for y := r.Min.Y; y < r.Max.Y; y += 3 {
			for x := r.Min.X; x < r.Max.X; x += 3 {
				var m blockMap
				m.proj, m.origin = &sampler.proj, image.Pt(floorTo(x, blockPx), floorTo(y, blockPx))
				m.scales()
				if levelFor(m.scaleX) > 0 || levelFor(m.scaleY) > 0 {
					continue // TestFillMatchesNaive has wider kernels
				}
				p, _ := sampler.PixelAt(float64(x)+0.5, float64(y)+0.5)
				luma := at(p.X, p.Y, func(i, j int) uint8 { return src.Y[j*src.YStride+i] }, 151, 211, Cubic)
				// The crop starts inside a sample of coarse chroma.
				cx := (p.X+4)/float64(scaleX) - float64(first.X)
				cy := (p.Y+6)/float64(scaleY) - float64(first.Y)
				cb := at(cx, cy, func(i, j int) uint8 { return src.Cb[j*src.CStride+i] }, cw, ch, kernel) - 128./255
				cr := at(cx, cy, func(i, j int) uint8 { return src.Cr[j*src.CStride+i] }, cw, ch, kernel) - 128./255
				for c, want := range [3]float64{luma + 1.402*cr, luma - 0.344136*cb - 0.714136*cr, luma + 1.772*cb} {
					if got := float64(dst[c].At(x, y)); !(math.Abs(got-want) <= 0.006) {
						t.Fatalf("%v (%d, %d) channel %d: %g, want %g", ratio, x, y, c, got, want)
					}
				}
			}
		}
	}
}

// TestWide: eight pixels at a time give the bytes of one at a time.
func TestWide(t *testing.T) {
	if !wide {
		t.Skip("this processor has no wider loops")
	}
	defer func() { wide = true }()
	cam := geom.Camera{
		Width: 700, Height: 900, FocalPx: 1000, CentrePx: geom.Pt{X: 350, Y: 450},
		Radial: [3]float64{-0.05, 0.02}, CamFromWorld: geom.FromYawPitchRoll(0.1, 0.05, 0.04),
	}
	rng := rand.New(rand.NewPCG(3, 3))
	curve := func() (c [3][]float32) {
		for k := range c {
			c[k] = make([]float32, 100+rng.IntN(5000))
			for i := range c[k] {
				c[k][i] = rng.Float32()*1.4 - 0.2
			}
		}
		return c
	}
	words := noise(image.Rect(-2, 5, cam.Width-2, cam.Height+5), 6)
	for i := range words.Pix[:len(words.Pix)/2] { // hard edges of the whole range
		words.Pix[i] = uint16(rng.IntN(2) * 65535)
	}
	sources := map[string]image.Image{"words": words}
	for _, ratio := range []image.YCbCrSubsampleRatio{
		image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420, image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411,
	} {
		src := image.NewYCbCr(image.Rect(0, 0, cam.Width, cam.Height), ratio)
		for _, pix := range [][]uint8{src.Y, src.Cb, src.Cr} {
			for i := range pix {
				pix[i] = uint8(rng.IntN(256))
			}
		}
		sources[ratio.String()] = src
	}
	for name, src := range sources {
		light := &Light{Decode: curve(), Encode: curve(), Gain: [3]float32{0.9, 1.7, 1}}
		shaded := *light
		shaded.Shade = func(p geom.Pt) float64 { return 0.5 + p.X/700 }
		for _, light := range []*Light{nil, light, &shaded} {
			v := viewOf(Cylinder, 1000, cam)
			s := NewSampler(src, cam, v, Options{Light: light})
			r := v.Rect.Inset(3)
			got, want := planes(r), planes(r)
			s.Fill(got, nil, r)
			wide = false
			s.Fill(want, nil, r)
			wide = true
			for c := range got {
				for i, v := range got[c].Pix {
					if math.Float32bits(v) != math.Float32bits(want[c].Pix[i]) {
						t.Fatalf("%s, light %v: channel %d, sample %d: %v, want %v", name, light != nil, c, i, v, want[c].Pix[i])
					}
				}
			}
		}
	}
}

// TestLight: the interpolated samples are decoded, multiplied by the gain and
// the shade at their place in the frame, and encoded.
func TestLight(t *testing.T) {
	const w, h = 160, 190
	src := noise(image.Rect(2, 3, 2+w, 3+h), 4)
	for i, v := range src.Pix { // not so bright that the factor clips it
		src.Pix[i] = v / 3
	}
	curves := func(f func(v float64) float64) []float32 {
		out := make([]float32, 1<<15)
		for i := range out {
			out[i] = float32(f(float64(i) / float64(len(out)-1)))
		}
		return out
	}
	light := &Light{Gain: [3]float32{1, 0.5, 1.5}}
	for c := range light.Gain {
		light.Decode[c], light.Encode[c] = curves(func(v float64) float64 { return v * v }), curves(math.Sqrt)
	}
	cam := strong(w, h, 170)
	view := viewOf(Cylinder, 170, cam)
	plain := planes(view.Rect)
	NewSampler(src, cam, view, Options{}).Fill(plain, nil, view.Rect)
	for _, shade := range []func(geom.Pt) float64{nil, func(p geom.Pt) float64 { return 0.7 + p.X/w + p.Y*p.Y/(w*h) }} {
		light.Shade = shade
		s := NewSampler(src, cam, view, Options{Light: light})
		got := planes(view.Rect)
		s.Fill(got, nil, view.Rect)
		for y := view.Rect.Min.Y; y < view.Rect.Max.Y; y++ {
			for x := view.Rect.Min.X; x < view.Rect.Max.X; x++ {
				factor := 1.0
				if shade != nil {
					p, _ := s.PixelAt(float64(x)+0.5, float64(y)+0.5)
					if !cam.Contains(p, 0) {
						continue
					}
					factor = shade(p)
				}
				for c := range got {
					v := math.Max(0, math.Min(1, float64(plain[c].At(x, y))))
					if v < 0.02 {
						continue // the root is too steep for its nodes
					}
					want := math.Min(1, v*math.Sqrt(factor*float64(light.Gain[c])))
					// 1e-3: what the shade bends between its nodes on so small a frame.
					if d := math.Abs(float64(got[c].At(x, y)) - want); !(d <= 1e-3) {
						t.Fatalf("shade %v, (%d, %d) channel %d: %g, want %g", shade != nil, x, y, c, got[c].At(x, y), want)
					}
				}
			}
		}
		// A part of it is the same.
		part := image.Rect(view.Rect.Min.X+11, view.Rect.Min.Y+17, view.Rect.Min.X+40, view.Rect.Min.Y+60)
		some := planes(part)
		s.Fill(some, nil, part)
		for y := part.Min.Y; y < part.Max.Y; y++ {
			if !slices.Equal(some[1].Row(y), got[1].Row(y)[part.Min.X-view.Rect.Min.X:][:part.Dx()]) {
				t.Fatalf("line %d differs as a tile", y)
			}
		}
	}
	light.Encode[2] = light.Encode[2][:1]
	if (Options{Light: light}).Validate() == nil || (Options{Light: &Light{}}).Validate() == nil {
		t.Error("curves of no or one node are valid")
	}
}

// TestStored: a frame that lies in a file, of which parts are read, gives the
// bytes of one in memory, wherever the view looks.
func TestStored(t *testing.T) {
	cam := strong(300, 400, 350)
	src := noise(image.Rect(0, 0, 300, 400), 8)
	var file []byte
	for _, v := range src.Pix {
		file = binary.LittleEndian.AppendUint16(file, v)
	}
	layout := raster.StoredLayout{Width: 300, Height: 400, Samples: 3, Bytes: 2, PerStrip: 7}
	for y := 0; y < 400; y += 7 {
		layout.Strips = append(layout.Strips, int64(y*layout.LineBytes()))
	}
	stored := raster.NewStored(bytes.NewReader(file), layout)
	for _, surface := range surfaces {
		for _, scale := range []float64{350, 120} {
			v := View{Surface: surface, PxPerRadian: scale}
			r := image.Rect(-150, -180, 130, 160)
			got, want := planes(r), planes(r)
			NewSampler(src, cam, v, Options{}).Fill(want, nil, r)
			NewSampler(stored, cam, v, Options{}).Fill(got, nil, r)
			for c := range want {
				if !slices.Equal(got[c].Pix, want[c].Pix) {
					t.Errorf("%s at %g: channel %d differs", surface.Name(), scale, c)
				}
			}
		}
	}
	if err := stored.Err(); err != nil {
		t.Error(err)
	}
}
