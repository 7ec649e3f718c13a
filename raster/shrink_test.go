package raster

import (
	"image"
	"testing"
)

func TestShrink(t *testing.T) {
	p := NewPicture(image.Rect(3, 5, 3+7, 5+5))
	for i := range p.Pix {
		p.Pix[i] = uint16(i * 7919)
	}
	got, err := Shrink(t.Context(), 2, p, 3)
	if err != nil || got.Rect != image.Rect(0, 0, 2, 1) {
		t.Fatalf("%v, %v", got.Rect, err)
	}
	for x := range 2 {
		for c := range 3 {
			sum := 4
			for dy := range 3 {
				for dx := range 3 {
					sum += int(p.Row(5 + dy)[3*(3*x+dx)+c])
				}
			}
			if g, want := got.Pix[3*x+c], uint16(sum/9); g != want {
				t.Errorf("(%d, 0) channel %d: %d, want %d", x, c, g, want)
			}
		}
	}
}

// Blocks of YCbCr are the mean of the pixels that FromImage gives, but for the
// limits of full scale.
func TestShrinkYCbCr(t *testing.T) {
	for _, ratio := range []image.YCbCrSubsampleRatio{
		image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420, image.YCbCrSubsampleRatio410,
	} {
		m := image.NewYCbCr(image.Rect(0, 0, 37, 50), ratio)
		fill(m.Y, 1)
		for i := range m.Y { // away from the limits
			m.Y[i] = 100 + m.Y[i]/8
		}
		for i := range m.Cb {
			m.Cb[i], m.Cr[i] = 120+uint8(i%16), 130-uint8(i%9)
		}
		pic, err := FromImage(t.Context(), 1, m)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range []int{1, 3, 4, 8} {
			got, err1 := Shrink(t.Context(), 2, m, n)
			want, err2 := Shrink(t.Context(), 2, pic, n)
			if err1 != nil || err2 != nil || got.Rect != want.Rect {
				t.Fatal(err1, err2, got.Rect, want.Rect)
			}
			for i, v := range got.Pix {
				// Chroma that is interpolated mixes blocks; a step of chroma is 257.
				if d := int(v) - int(want.Pix[i]); d > 1200 || d < -1200 || ratio == image.YCbCrSubsampleRatio444 && (d > 1 || d < -1) {
					t.Fatalf("%v by %d, sample %d: %d, want %d", ratio, n, i, v, want.Pix[i])
				}
			}
		}
	}
}
