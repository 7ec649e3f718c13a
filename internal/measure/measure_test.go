package measure

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/blend"
	"flatfell.example/raster"
)

// TestPSNR: a common gain costs nothing, an error counts by its square, and what
// is clipped, empty or not asked for does not count.
func TestPSNR(t *testing.T) {
	r := image.Rect(0, 0, 40, 30)
	truth, pic := raster.NewPicture(r), raster.NewPicture(r)
	pic.Alpha = make([]uint16, 40*30)
	for i := range truth.Pix {
		v := 0.2 + 0.6*float64(i%97)/97
		truth.Pix[i] = uint16(math.Round(0xffff * v))
		pic.Pix[i] = uint16(math.Round(0xffff * blend.EncodeSRGB(0.8*blend.DecodeSRGB(v))))
	}
	for i := range pic.Alpha {
		pic.Alpha[i] = 0xffff
	}
	if db := PSNR(pic, truth, nil); !(db > 80) {
		t.Errorf("a darker twin has %.1f dB", db)
	}
	if g := CommonGain(pic, truth); !(math.Abs(g[1]-1.25) < 1e-3) {
		t.Errorf("gain %v, want 1.25", g)
	}
	pic.Pix[0], pic.Alpha[0] = 0, 0          // empty
	truth.Pix[5*3], pic.Pix[5*3] = 0xffff, 0 // clipped
	if db := PSNR(pic, truth, nil); !(db > 80) {
		t.Errorf("with a clipped and an empty pixel it has %.1f dB", db)
	}
	copy(pic.Pix, truth.Pix)
	for i := range pic.Pix { // even pixels by a hundredth up, odd ones down
		pic.Pix[i] += uint16(655 * (1 - 2*(i/3%2)))
	}
	all := PSNR(pic, truth, nil)
	none := PSNR(pic, truth, func(i int) bool { return i == 7 })
	if !(math.Abs(all-40) < 0.1) || !(math.Abs(none-40) < 0.5) {
		t.Errorf("an error of 1 %% has %.2f dB, a pixel of it %.2f, want 40", all, none)
	}
}

func TestSSIM(t *testing.T) {
	const w, h = 40, 30
	a, b := raster.NewPicture(image.Rect(0, 0, w, h)), raster.NewPicture(image.Rect(0, 0, w, h))
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range a.Pix {
		a.Pix[i] = uint16(rng.IntN(65536))
		b.Pix[i] = uint16(rng.IntN(65536))
	}
	all := func(int) bool { return true }
	if s := SSIM(a, a, all); !(math.Abs(s-1) <= 1e-9) {
		t.Errorf("with itself: %v", s)
	}
	if s := SSIM(a, b, all); !(math.Abs(s) <= 0.1) {
		t.Errorf("of two noises: %v", s)
	}
	// A constant against another: only the means' term, (2xy + C1)/(x² + y² + C1).
	for i := range a.Pix {
		a.Pix[i], b.Pix[i] = 0x4000, 0x8000
	}
	x, y := 0x4000/65535., 0x8000/65535.
	if s, want := SSIM(a, b, all), (2*x*y+1e-4)/(x*x+y*y+1e-4); !(math.Abs(s-want) <= 1e-6) {
		t.Errorf("of two greys: %v, want %v", s, want)
	}
}
