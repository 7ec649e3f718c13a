package warp

import (
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// noise returns a picture of smooth noise with bounds r.
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
// coordinates clamped sample by sample. level as in levelFor.
func naive(s *Sampler, x, y float64, levelX, levelY int) (rgb [3]float64) {
	p, _ := s.PixelAt(x, y)
	w, h := s.src.Rect.Dx(), s.src.Rect.Dy()
	scaleX, scaleY := math.Exp2(float64(levelX)/levelsPerOctave), math.Exp2(float64(levelY)/levelsPerOctave)
	p.X, p.Y = max(-500, min(float64(w)+500, p.X)), max(-500, min(float64(h)+500, p.Y))
	rx, ry := float64(s.kernel.radius())*scaleX, float64(s.kernel.radius())*scaleY
	var sum float64
	for j := int(math.Floor(p.Y - 0.5 - ry)); j <= int(math.Ceil(p.Y-0.5+ry)); j++ {
		for i := int(math.Floor(p.X - 0.5 - rx)); i <= int(math.Ceil(p.X-0.5+rx)); i++ {
			k := s.kernel.at((float64(i)+0.5-p.X)/scaleX) * s.kernel.at((float64(j)+0.5-p.Y)/scaleY)
			sum += k
			row := s.src.Row(s.src.Rect.Min.Y + max(0, min(h-1, j)))
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
	// A position is off by 1/2048 px by the phase and 0.004 px by the mapping;
	// white noise has slopes of up to about 2 full scales a pixel.
	const tol = 0.03
	cam := strong(150, 210, 220)
	src := noise(image.Rect(5, -3, 155, 207), 1)
	for _, s := range surfaces {
		for _, kernel := range []Kernel{Cubic, Lanczos3} {
			for _, scale := range []float64{220, 260, 70} {
				t.Run(fmt.Sprintf("%s/%d/%g", s.Name(), kernel, scale), func(t *testing.T) {
					v := viewOf(s, scale, cam)
					r := v.Rect.Inset(-20)
					sampler := NewSampler(src, cam, v, Options{Kernel: kernel})
					dst := planes(r)
					sampler.Fill(dst, nil, r, nil)
					var worst, sumSq float64
					n := 0
					for y := r.Min.Y; y < r.Max.Y; y += 3 {
						for x := r.Min.X; x < r.Max.X; x += 3 {
							var m blockMap
							m.proj, m.origin = &sampler.proj, image.Pt(floorTo(x, blockPx), floorTo(y, blockPx))
							m.scales()
							want := naive(sampler, float64(x)+0.5, float64(y)+0.5, levelFor(m.scaleX), levelFor(m.scaleY))
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

func BenchmarkFill(b *testing.B) {
	cam := geom.Camera{
		Width: 2080, Height: 3120, FocalPx: 3066, CentrePx: geom.Pt{X: 1040, Y: 1560},
		Radial: [3]float64{-0.05, 0.02}, CamFromWorld: geom.FromYawPitchRoll(0.4, 0.02, 0.01),
	}
	src := noise(image.Rect(0, 0, cam.Width, cam.Height), 1)
	for _, kernel := range []Kernel{Cubic, Lanczos3} {
		for _, scale := range []float64{3066, 1533, 766} {
			b.Run(fmt.Sprintf("kernel%d/scale%g", kernel, scale), func(b *testing.B) {
				v := viewOf(Cylinder, scale, cam)
				mid := v.Rect.Min.Add(v.Rect.Max).Div(2)
				r := image.Rectangle{Min: mid, Max: mid}.Inset(-256).Intersect(v.Rect)
				sampler := NewSampler(src, cam, v, Options{Kernel: kernel})
				dst := planes(r)
				valid := make([]uint8, r.Dx()*r.Dy())
				for b.Loop() {
					sampler.Fill(dst, valid, r, nil)
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(r.Dx()*r.Dy()), "ns/pixel")
			})
		}
	}
}

