package stitch

import (
	"image"
	"math"
	"slices"
	"testing"

	"flatfell.example/blend"
	"flatfell.example/raster"
)

// blurred returns a frame as defocus leaves it: the mean over a disc.
func blurred(t *testing.T, f *Frame, radius float64) *Frame {
	t.Helper()
	img, err := f.Image(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	pic, err := raster.FromImage(t.Context(), 0, img)
	if err != nil {
		t.Fatal(err)
	}
	out := image.NewRGBA64(image.Rect(0, 0, f.Width, f.Height))
	reach := int(radius)
	for y := range f.Height {
		for x := range f.Width {
			var sum [3]float64
			n := 0.
			for v := y - reach; v <= y+reach; v++ {
				row := pic.Row(min(max(v, 0), f.Height-1))
				for u := x - reach; u <= x+reach; u++ {
					if math.Hypot(float64(u-x), float64(v-y)) <= radius {
						n++
						for c := range sum {
							sum[c] += float64(row[3*min(max(u, 0), f.Width-1)+c])
						}
					}
				}
			}
			o := out.PixOffset(x, y)
			for c := range sum {
				v := uint16(sum[c]/n + 0.5)
				out.Pix[o+2*c], out.Pix[o+2*c+1] = uint8(v>>8), uint8(v)
			}
			out.Pix[o+6], out.Pix[o+7] = 0xff, 0xff
		}
	}
	return NewFrame(f.Name, out)
}

// TestSharper: of a row whose middle frame is out of focus by two pixels, more
// is taken from its neighbours, no less if noise hides most of what is sharper;
// frames that are equally sharp keep their seams.
func TestSharper(t *testing.T) {
	if testing.Short() {
		t.Skip("nothing in it runs at once that others do not run")
	}
	for most, row := range map[float64]*photographed{0.75: cleanRow(t), 1: smallRow(t)} {
		sol := row.align(t, Options{})
		view, err := sol.Output.View()
		if err != nil {
			t.Fatal(err)
		}
		const cell = 4 // as of larger frames: a blur of two pixels hardly shows on the grid
		coarse := coarseView(view, cell)
		soft := slices.Index(row.of, 1)
		// measure returns the part of the cells that are taken from the soft frame,
		// without the preference and with it: of all cells, and of those where
		// another frame is found sharper.
		measure := func(frames []*Frame) (all, dearer [2]float64) {
			layers := newLayers(t.Context(), sol, newCache(frames, Options{}), view)
			out, maps := make([]blend.SeamLayer, len(layers)), make([]*sharpnessMap, len(layers))
			for i, l := range layers {
				img, err := frames[i].Image(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				small, err := raster.Shrink(t.Context(), 0, img, cell)
				if err != nil {
					t.Fatal(err)
				}
				r := image.Rect(floorDiv(l.bounds.Min.X, cell), floorDiv(l.bounds.Min.Y, cell), ceilDiv(l.bounds.Max.X, cell), ceilDiv(l.bounds.Max.Y, cell))
				out[i], _ = l.seamLayer(small, coarse, cell, r.Intersect(coarse.Rect), nil)
				maps[i] = detailOf(img).on(l.cam, coarse, cell, out[i].Rect)
			}
			seams := func() *blend.Labels {
				labels, err := blend.Seams(t.Context(), coarse.Rect, cell, out, blend.SeamOptions{})
				if err != nil {
					t.Fatal(err)
				}
				return labels
			}
			was := slices.Clone(out[soft].Cost.Pix)
			labels := [2]*blend.Labels{seams()}
			preferSharper(out, maps, 0)
			labels[1] = seams()
			l, n := &out[soft], 0.
			for y := l.Rect.Min.Y; y < l.Rect.Max.Y; y++ {
				for x := l.Rect.Min.X; x < l.Rect.Max.X; x++ {
					isDearer := l.Cost.At(x, y) > was[(y-l.Rect.Min.Y)*l.Cost.Stride+x-l.Rect.Min.X]
					if isDearer {
						n++
					}
					for k := range labels {
						if labels[k].At(x, y) == soft {
							all[k] += 1 / float64(l.Rect.Dx()*l.Rect.Dy())
							if isDearer {
								dearer[k]++
							}
						}
					}
				}
			}
			return all, [2]float64{dearer[0] / n, dearer[1] / n}
		}
		if all, _ := measure(row.frames); !(math.Abs(all[1]-all[0]) < 0.01*all[0]) {
			t.Errorf("of frames that are equally sharp %.4f is taken of the middle one, without the preference %.4f", all[1], all[0])
		}
		frames := slices.Clone(row.frames)
		frames[soft] = blurred(t, frames[soft], 2)
		_, dearer := measure(frames)
		if !(dearer[1] < most*dearer[0]) {
			t.Errorf("where its neighbours are sharper %.3f is taken of the frame out of focus, without the preference %.3f", dearer[1], dearer[0])
		}
	}
}
