package focus

import (
	"context"
	"fmt"
	"image/png"
	"math"
	"os"
	"testing"

	"flatfell.example/internal/measure"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

// TestBracketAgainstTruth merges a small rendered bracket, given out of order.
func TestBracketAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a bracket")
	}
	ctx := context.Background()
	b := scene.Bracket{Seed: 3, Width: 240, Height: 360, Slices: 6, BlurPx: 7, Breathing: 0.03, ShiftPx: 1.5, Roll: 0.001, Noise: 0.005}
	shots := b.Shots()
	var given []*Slice
	shuffle := []int{2, 0, 5, 1, 4, 3}
	for _, k := range shuffle {
		pic, err := b.Slice(ctx, 0, k)
		if err != nil {
			t.Fatal(err)
		}
		given = append(given, NewSlice(fmt.Sprint("slice ", k), pic))
	}
	truth, err := b.Sharp(ctx, 0, b.Slices-1)
	if err != nil {
		t.Fatal(err)
	}
	p, err := Align(ctx, given, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for k, f := range p.Frames {
		if shuffle[f.Index] != k {
			t.Errorf("place %d has slice %d", k, shuffle[f.Index])
		}
		// Against the truth, at a grid of points.
		var worst float64
		cam, want := f.Pose.camera(b.Width, b.Height), shots[shuffle[f.Index]].Camera
		ref := shots[b.Slices-1].Camera
		for y := 20.; y < 360; y += 40 {
			for x := 20.; x < 240; x += 40 {
				ray, _ := ref.WorldFromPixel(pt(x, y))
				got, _ := cam.PixelFromWorld(ray)
				exp, _ := want.PixelFromWorld(ray)
				worst = math.Max(worst, math.Hypot(got.X-exp.X, got.Y-exp.Y))
			}
		}
		t.Logf("slice %d: off by %.3f px, likeness %.3f, share %.3f, gain %.4f, pose %+v", k, worst, f.Likeness, f.Share, f.Gain, f.Pose)
		// Found: 0.24 to 0.46 px in the worst place. That is too much, and
		// mostly radial change that is not found; it is to come down to 0.1.
		if !(worst < 0.55) {
			t.Errorf("slice %d is off by %.2f px", k, worst)
		}
	}
	t.Logf("blur %.2f, want %.2f each; crop %v", p.BlurPx, b.BlurPx/float64(b.Slices-1), p.Crop)
	pic, err := Merge(ctx, p, given, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := raster.NewPicture(pic.Rect)
	for y := range pic.Rect.Dy() {
		copy(want.Row(y), truth.Row(y + p.Crop.Min.Y)[3*p.Crop.Min.X:])
	}
	db := measure.PSNR(pic, want, nil)
	t.Logf("%.2f dB", db)
	if dir := os.Getenv("FOCUS_LOOK"); dir != "" {
		for name, q := range map[string]*raster.Picture{"merged": pic, "truth": want, "evidence": p.Evidence()} {
			f, _ := os.Create(dir + "/" + name + ".png")
			png.Encode(f, scene.Encode8(q))
			f.Close()
		}
	}
	if !(db > 34.5) { // found: 35.5
		t.Errorf("%.2f dB", db)
	}
}
