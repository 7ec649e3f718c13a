package focus

import (
	"errors"
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

// texture is noise, softened a little.
func texture(seed uint64, w, h int) *raster.Plane {
	r := rand.New(rand.NewPCG(seed, 5))
	p := raster.NewPlane(image.Rect(0, 0, w, h))
	for i := range p.Pix {
		p.Pix[i] = float32(0.3 + 0.4*r.Float64())
	}
	return spreadBy(p, 0.8)
}

func spreadBy(p *raster.Plane, radius float64) *raster.Plane {
	out := raster.NewPlane(p.Rect)
	w, h := p.Rect.Dx(), p.Rect.Dy()
	for y := range h {
		for x := range w {
			for _, t := range discTaps(radius) {
				out.Pix[y*w+x] += float32(t.weight) * p.At(min(max(x+t.x, 0), w-1), min(max(y+t.y, 0), h-1))
			}
		}
	}
	return out
}

// TestDisc: a disc of radius r has a variance of r²/4 along each axis.
func TestDisc(t *testing.T) {
	for _, r := range []float64{1.5, 2.5, 6} {
		var sum, xx float64
		for _, tap := range discTaps(r) {
			sum += tap.weight
			xx += tap.weight * float64(tap.x*tap.x)
		}
		if want := r*r/4 + 1./12; !(math.Abs(sum-1) < 1e-9) || !(math.Abs(xx-want) < 0.15*want) { // sampled coverage, which is coarse for small discs
			t.Errorf("radius %v: weights sum to %v, variance %v, want 1 and %v", r, sum, xx, want)
		}
	}
}

// TestDiscBetween: the radius by which a texture was spread is found, also where
// the other is moved and brighter.
func TestDiscBetween(t *testing.T) {
	a := texture(1, 90, 80)
	var samples []spreadSample
	for y := 20; y < 60; y += 2 {
		for x := 20; x < 70; x += 2 {
			samples = append(samples, spreadSample{image.Pt(x, y), 2, -1})
		}
	}
	for _, want := range []float64{1, 2.3, 5} {
		soft := spreadBy(a, want)
		b := raster.NewPlane(a.Rect)
		for y := 2; y < 78; y++ {
			for x := 2; x < 88; x++ {
				b.Set(x, y, 1.1*soft.At(x-2, y+1))
			}
		}
		if got := discBetween(a, b, samples, 1.1); !(math.Abs(got-want) < 0.06*want) {
			t.Errorf("radius %.2f, want %.2f", got, want)
		}
	}
}

// TestSpreadOf: the energy that an edge may spread falls with the cube of the
// distance, is never said to be less than that, and flat places have none.
func TestSpreadOf(t *testing.T) {
	const w, h, at, cell = 50, 30, 20, 2.
	sharp := make([]uint8, w*h)
	for y := range h {
		sharp[y*w+at] = packEnergy(0.01)
	}
	got := spreadOf(sharp, w, h, cell, 0)
	for x := range w {
		d := math.Abs(float64(x - at))
		e := unpackEnergy(got[h/2*w+x])
		switch least := 0.01 / math.Pow(d*cell, 3); {
		case d > 16:
			if got[h/2*w+x] != 0 {
				t.Errorf("%v cells away: %v, want none", d, e)
			}
		case d >= 1:
			// Distances are looked at in steps of up to two.
			if !(e > 0.9*least) || !(e < 9*least) {
				t.Errorf("%v cells away: %.2g, want %.2g to 9 times that", d, e, least)
			}
		}
	}
}

// TestVeil: a near post over a far texture, as a slice focused on the texture has
// it by the model of a thin lens, comes off again.
func TestVeil(t *testing.T) {
	const w, h, left, right, reach = 96, 60, 40, 52, 6
	far := texture(2, w, h)
	curve := newCurve(nil)
	matte := raster.NewPlane(far.Rect)
	for y := range h {
		for x := left; x < right; x++ {
			matte.Set(x, y, 1)
		}
	}
	// In linear light the post is dark, 0.05.
	soft := spreadBy(matte, reach)
	p := &Plan{
		Width: w, Height: h, Crop: far.Rect, Cell: 1,
		Frames: make([]Placed, 4), BlurPx: []float64{2, 2, 2},
		Labels: &blend.Labels{Rect: far.Rect, Cell: 1, L: make([]int16, w*h)},
	}
	nearer := raster.NewPicture(far.Rect)
	post := curve.encode(0.05)
	var rgb [3]*raster.Plane
	for c := range rgb {
		rgb[c] = raster.NewPlane(far.Rect)
	}
	for i := range p.Labels.L {
		p.Labels.L[i] = 3
		if matte.Pix[i] > 0 {
			p.Labels.L[i] = 0
			for c := range 3 {
				nearer.Pix[3*i+c] = raster.Sample16(post)
			}
		}
		for c := range rgb {
			rgb[c].Pix[i] = curve.encode((1-soft.Pix[i])*curve.decode(far.Pix[i]) + soft.Pix[i]*0.05)
		}
	}
	before, after, n := 0.0, 0.0, 0.0
	veiled := append([]float32(nil), rgb[1].Pix...)
	new(veil).lift(p, nearer, 3, far.Rect, &rgb, curve)
	for i, v := range far.Pix {
		x, y := i%w, i/w
		if y < 10 || y >= h-10 || matte.Pix[i] > 0 {
			continue
		}
		if x < left-reach-1 || x >= right+reach+1 {
			if veiled[i] != rgb[1].Pix[i] {
				t.Fatalf("(%d, %d), beyond the spread, is changed", x, y)
			}
			continue
		}
		before += float64((veiled[i] - v) * (veiled[i] - v))
		after += float64((rgb[1].Pix[i] - v) * (rgb[1].Pix[i] - v))
		n++
	}
	if before, after = math.Sqrt(before/n), math.Sqrt(after/n); !(before > 0.04) || !(after < before/8) {
		t.Errorf("off by %.4f of full scale with the veil and by %.4f without, want an eighth", before, after)
	}
}

// TestKnown: the radius of one step is not known, that of three is.
func TestKnown(t *testing.T) {
	p := &Plan{BlurPx: []float64{1, 1, 1}}
	if p.known(0, 1) || !p.known(0, 3) {
		t.Errorf("one step known: %v, three: %v", p.known(0, 1), p.known(0, 3))
	}
}

// TestCropAlike: the plans of a row get one crop about the middle, with the labels
// that belong there; frames of another size are refused.
func TestCropAlike(t *testing.T) {
	plan := func(w int, crop image.Rectangle) *Plan {
		p := &Plan{Width: w, Height: 200, Crop: crop, Cell: 2, Frames: make([]Placed, 2)}
		l := &blend.Labels{Rect: gridOf(crop, 2), Cell: 2}
		for y := range l.Rect.Dy() {
			for x := range l.Rect.Dx() {
				// Sharp in the second left of column 100 of the frame.
				l.L = append(l.L, 0)
				if crop.Min.X+2*x < 100 {
					l.L[y*l.Rect.Dx()+x] = 1
				}
			}
		}
		p.setLabels(l, nil)
		return p
	}
	a, b := plan(300, image.Rect(4, 6, 299, 195)), plan(300, image.Rect(2, 2, 291, 198))
	if err := CropAlike([]*Plan{a, b}); err != nil {
		t.Fatal(err)
	}
	want := image.Rect(10, 6, 290, 194)
	for _, p := range []*Plan{a, b} {
		if p.Crop != want {
			t.Errorf("crop %v, want %v", p.Crop, want)
		}
		if p.Labels.At(44, 9) != 1 || p.Labels.At(45, 9) != 0 {
			t.Errorf("labels moved")
		}
		if share := 45. / 140; math.Abs(p.Frames[1].Share-share) > 1e-9 {
			t.Errorf("share %v, want %v", p.Frames[1].Share, share)
		}
	}
	if err := CropAlike([]*Plan{a, plan(310, image.Rect(2, 2, 300, 198))}); !errors.Is(err, ErrSlices) {
		t.Errorf("frames of another size: %v", err)
	}
}

// TestPoseIsItsCamera: the pose and the camera made of it send a point to the same
// place.
func TestPoseIsItsCamera(t *testing.T) {
	p := Pose{Scale: 0.02, Turn: 0.01, Shift: [2]float64{3, -2}, Radial: -0.01}
	cam, ref := p.Camera(400, 600), (&Pose{}).Camera(400, 600)
	view := warp.View{Surface: warp.Plane, PxPerRadian: 600, OriginPx: geom.Pt{X: 200, Y: 300}, Rect: image.Rect(0, 0, 400, 600)}
	for _, q := range []geom.Pt{{X: 200, Y: 300}, {X: 20, Y: 30}, {X: 390, Y: 580}} {
		ray, _ := view.RayAt(q.X, q.Y)
		got, _ := cam.PixelFromWorld(ray)
		x, y := p.at((q.X-200)/600, (q.Y-300)/600, 600)
		if same, _ := ref.PixelFromWorld(ray); !(math.Hypot(same.X-q.X, same.Y-q.Y) < 1e-6) {
			t.Errorf("the reference has %v at %v", q, same)
		}
		if !(math.Hypot(got.X-200-600*x, got.Y-300-600*y) < 1e-6) {
			t.Errorf("%v lies at %v, by the pose at %v", q, got, geom.Pt{X: 200 + 600*x, Y: 300 + 600*y})
		}
	}
}
