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
	got, err := p.Shrink(t.Context(), 2, 3)
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
