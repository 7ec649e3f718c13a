package blend_test

import (
	"context"
	"fmt"
	"image"

	"flatfell.example/blend"
	"flatfell.example/raster"
)

// card is a frame of one shade of grey.
type card struct {
	frame image.Rectangle
	shade float32
}

func (c card) Bounds() image.Rectangle { return c.frame }

func (c card) Fill(dst *[3]*raster.Plane, valid []uint8, r image.Rectangle) (whole bool) {
	for _, p := range dst {
		p.Reset(r)
		for i := range p.Pix {
			p.Pix[i] = c.shade
		}
	}
	for i := range valid {
		valid[i] = 0
		if image.Pt(r.Min.X+i%r.Dx(), r.Min.Y+i/r.Dx()).In(c.frame) {
			valid[i] = 255
		}
	}
	return r.In(c.frame)
}

// Two frames that overlap by 64 pixels: a seam is found on cells of 8 pixels,
// then the frames are blended over as many bands as the overlap has room for.
func Example() {
	const cell = 8
	frames := []card{
		{image.Rect(0, 0, 160, 64), 0.500},
		{image.Rect(96, 0, 256, 64), 0.504},
	}
	picture := image.Rect(0, 0, 256, 64)
	coarse := func(r image.Rectangle) image.Rectangle {
		return image.Rect(r.Min.X/cell, r.Min.Y/cell, r.Max.X/cell, r.Max.Y/cell)
	}

	var seamLayers []blend.SeamLayer
	var layers []blend.Layer
	for _, f := range frames {
		l := blend.SeamLayer{Rect: coarse(f.frame), Valid: image.NewGray(coarse(f.frame))}
		for c := range l.RGB {
			l.RGB[c] = raster.NewPlane(l.Rect)
			for i := range l.RGB[c].Pix {
				l.RGB[c].Pix[i] = f.shade
				l.Valid.Pix[i] = 255
			}
		}
		seamLayers = append(seamLayers, l)
		layers = append(layers, f)
	}
	ctx := context.Background()
	labels, err := blend.Seams(ctx, coarse(picture), cell, seamLayers, blend.SeamOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	out := raster.NewPicture(picture)
	o := blend.MultibandOptions{Bands: blend.Bands(64), Coarse: seamLayers}
	b, err := blend.NewBlender(layers, labels, o)
	if err == nil {
		err = b.Draw(ctx, out, picture, 0, nil)
	}
	if err != nil {
		fmt.Println(err)
		return
	}
	row := out.Row(32)
	fmt.Printf("%d bands; left %.3f, right %.3f\n", o.Bands, float64(row[0])/65535, float64(row[3*255])/65535)
	// Output: 4 bands; left 0.500, right 0.504
}
