package warp

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

func randomLocal(columns, rows int, size float64, rng *rand.Rand) *Local {
	l := &Local{Columns: columns, Rows: rows, X: make([]float64, columns*rows), Y: make([]float64, columns*rows)}
	for i := range l.X {
		l.X[i], l.Y[i] = size*(2*rng.Float64()-1), size*(2*rng.Float64()-1)
	}
	return l
}

// TestLocalNeverFolds: at the bound the mapping still keeps its orientation.
func TestLocalNeverFolds(t *testing.T) {
	const w, h = 800, 1200
	rng := rand.New(rand.NewPCG(1, 2))
	for range 20 {
		l := randomLocal(27, 39, 1, rng)
		scale := MaxLocalSlope / l.Slope(w, h)
		for i := range l.X {
			l.X[i] *= scale
			l.Y[i] *= scale
		}
		if err := l.Validate(w, h); err != nil && l.Slope(w, h) < MaxLocalSlope*(1-1e-12) {
			t.Fatal(err)
		}
		for range 2000 {
			p := geom.Pt{X: w * rng.Float64(), Y: h * rng.Float64()}
			const e = 0.01
			a, r, d := l.At(p, w, h), l.At(geom.Pt{X: p.X + e, Y: p.Y}, w, h), l.At(geom.Pt{X: p.X, Y: p.Y + e}, w, h)
			det := (1+(r.X-a.X)/e)*(1+(d.Y-a.Y)/e) - (r.Y-a.Y)/e*(d.X-a.X)/e
			if !(det > 0) {
				t.Fatalf("folds at %v: %v", p, det)
			}
		}
	}
	l := randomLocal(5, 5, 1, rng)
	if l.Validate(w, h) == nil {
		t.Error("a fold is valid")
	}
	l.X = l.X[1:]
	if l.Validate(w, h) == nil {
		t.Error("missing coefficients are valid")
	}
}

// TestLocalConstant: coefficients that are all alike shift the frame by as much,
// whatever its size, and beyond its edges.
func TestLocalConstant(t *testing.T) {
	l := &Local{Columns: 7, Rows: 9, X: make([]float64, 63), Y: make([]float64, 63)}
	for i := range l.X {
		l.X[i], l.Y[i] = 0.01, -0.02
	}
	for _, w := range []int{100, 400} {
		for _, p := range []geom.Pt{{}, {X: 50, Y: 70}, {X: -30, Y: 1e4}} {
			want := geom.Pt{X: 0.01 * float64(w), Y: -0.02 * float64(w)}
			if d := l.At(p, w, w*3/2).Sub(want).Norm(); !(d <= 1e-9) {
				t.Errorf("width %d at %v: off by %v", w, p, d)
			}
		}
	}
}

// TestLocalSampler: a sampler with a Local shows the ramp of a frame where the
// Local says, and its tiles are those of the whole.
func TestLocalSampler(t *testing.T) {
	const w, h = 160, 240
	pic := raster.NewPicture(image.Rect(0, 0, w, h))
	for i := range w * h {
		pic.Pix[3*i], pic.Pix[3*i+1] = uint16(300*(i%w)), uint16(200*(i/w))
	}
	rng := rand.New(rand.NewPCG(3, 4))
	local := randomLocal(9, 12, 0.01, rng)
	cam := geom.Camera{Width: w, Height: h, FocalPx: 240, CentrePx: geom.Pt{X: w / 2, Y: h / 2}, CamFromWorld: geom.Identity}
	view := View{Surface: Cylinder, PxPerRadian: 240, OriginPx: geom.Pt{X: 60, Y: 100}}
	s, plain := NewSampler(pic, cam, view, Options{Local: local}), NewSampler(pic, cam, view, Options{})
	r := image.Rect(0, 0, 120, 200)
	planes := func(r image.Rectangle) *[3]*raster.Plane {
		return &[3]*raster.Plane{raster.NewPlane(r), raster.NewPlane(r), raster.NewPlane(r)}
	}
	whole := planes(r)
	s.Fill(whole, nil, r)
	for y := 20; y < 180; y += 7 {
		for x := 20; x < 100; x += 5 {
			p, _ := plain.PixelAt(float64(x)+0.5, float64(y)+0.5)
			d := local.At(p, w, h)
			gotX := float64(whole[0].At(x, y))*65535/300 + 0.5
			gotY := float64(whole[1].At(x, y))*65535/200 + 0.5
			if e := math.Hypot(gotX-p.X-d.X, gotY-p.Y-d.Y); !(e <= 0.03) { // 0.01 of the mapping, as much of the ramp between pixels
				t.Fatalf("(%d, %d) shows what is %.3f px beside", x, y, e)
			}
		}
	}
	tile := image.Rect(33, 50, 77, 131)
	part := planes(tile)
	s.Fill(part, nil, tile)
	for y := tile.Min.Y; y < tile.Max.Y; y++ {
		for x := tile.Min.X; x < tile.Max.X; x++ {
			if part[0].At(x, y) != whole[0].At(x, y) {
				t.Fatalf("(%d, %d) differs in a tile", x, y)
			}
		}
	}
}
