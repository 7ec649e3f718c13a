package card

import (
	"image"
	"math"
	"os"
	"path/filepath"
	"testing"

	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// drawn takes frames of a texture that lies on a cylinder: quick to draw and
// full of corners.
type drawn struct {
	w, h  int
	focal float64
	seed  uint32
}

// texture is value noise of five octaves.
func (d drawn) texture(x, y float64) float64 {
	var sum, amp float64
	for o := range 5 {
		s := math.Exp2(float64(o)) / 64
		u, v := x*s, y*s
		i, j := math.Floor(u), math.Floor(v)
		u, v = u-i, v-j
		at := func(i, j float64) float64 {
			n := uint32(int32(i))*0x9e3779b1 ^ uint32(int32(j))*0x85ebca6b ^ (d.seed+uint32(o))*0xc2b2ae35
			n ^= n >> 15
			n *= 0x2c1b3c6d
			n ^= n >> 12
			n *= 0x297a2d39
			n ^= n >> 15
			return float64(n) / (1 << 32)
		}
		u, v = u*u*(3-2*u), v*v*(3-2*v)
		a := 1 / (1 + float64(o)/2)
		sum += a * ((at(i, j)*(1-u)+at(i+1, j)*u)*(1-v) + (at(i, j+1)*(1-u)+at(i+1, j+1)*u)*v)
		amp += a
	}
	return sum / amp
}

// shot is a frame in a direction, with so many stops more light, its upper and
// lower half blurred by a box of so many pixels either way.
type shot struct {
	yaw, stops           float64
	blurUpper, blurLower int
}

func (d drawn) frame(s shot) *raster.Picture {
	p := raster.NewPlane(image.Rect(0, 0, d.w, d.h))
	for y := range d.h {
		for x := range d.w {
			dx, dy := float64(x)+0.5-float64(d.w)/2, float64(y)+0.5-float64(d.h)/2
			theta := math.Atan2(dx, d.focal) + s.yaw
			v := d.texture(d.focal*theta+1e4, d.focal*dy/math.Hypot(d.focal, dx)+1e4)
			p.Set(x, y, float32(min(max(0.08+0.5*(v-0.25)*2, 0.02), 1)))
		}
	}
	up, low := p, p
	if s.blurUpper > 0 {
		up = boxMean(p, s.blurUpper)
	}
	if s.blurLower > 0 {
		low = boxMean(p, s.blurLower)
	}
	out := raster.NewPicture(p.Rect)
	for y := range d.h {
		from := up
		if y > d.h/2 {
			from = low
		}
		row := out.Row(y)
		for x, v := range from.Row(y) {
			e := min(float64(v)*math.Exp2(s.stops/2.2), 1)
			for c := range 3 {
				row[3*x+c] = uint16(65535 * e)
			}
		}
	}
	return out
}

// store writes a frame.
func (d drawn) store(t testing.TB, path string, s shot) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := photo.Write(t.Context(), path, d.frame(s), photo.WriteOptions{Bits: 8}); err != nil {
		t.Fatal(err)
	}
}
