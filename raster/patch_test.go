package raster

import (
	"image"
	"math"
	"testing"
)

// A patch has the luma of the whole image, and repeats its edge beyond it.
func TestLumaPatch(t *testing.T) {
	for name, img := range noisyImages() {
		b := img.Bounds()
		for _, shrink := range []int{1, 2, 3} {
			whole, err := Luma(t.Context(), 1, img, shrink)
			if err != nil {
				t.Fatal(err)
			}
			got := NewPlane(image.Rect(-3, -2, b.Dx()/shrink+4, b.Dy()/shrink+5))
			LumaPatch(got, img, shrink)
			for y := got.Rect.Min.Y; y < got.Rect.Max.Y; y++ {
				for x := got.Rect.Min.X; x < got.Rect.Max.X; x++ {
					if (image.Point{X: x, Y: y}).In(whole.Rect) {
						if d := math.Abs(float64(got.At(x, y) - whole.At(x, y))); !(d <= 1e-5) {
							t.Fatalf("%s by %d: (%d, %d) is %v, want %v", name, shrink, x, y, got.At(x, y), whole.At(x, y))
						}
					}
				}
			}
			if shrink == 1 {
				var clamped Plane
				clamped.Reset(got.Rect)
				clamped.CopyClamped(whole)
				for i, v := range clamped.Pix {
					if d := math.Abs(float64(got.Pix[i] - v)); !(d <= 1e-5) {
						t.Fatalf("%s: sample %d beyond the image is %v, want %v", name, i, got.Pix[i], v)
					}
				}
			}
		}
	}
}
