package raster

import "image"

// HalfRect returns the bounds of one pyramid level above bounds r: the
// samples (x, y) for which a sample (2x, 2y) or (2x+1, 2y+1) lies in r.
// A rectangle that begins at (0, 0) and measures w × h gives
// ceil(w/2) × ceil(h/2).
func HalfRect(r image.Rectangle) image.Rectangle {
	// An arithmetic shift is a division that rounds down, which keeps the
	// grid in phase left of zero.
	return image.Rect(r.Min.X>>1, r.Min.Y>>1, (r.Max.X+1)>>1, (r.Max.Y+1)>>1)
}

// Reduce stores in dst the next level of the Gaussian pyramid of src,
//
//	dst(x, y) = Σᵢⱼ wᵢ wⱼ src(2x+i, 2y+j),  i, j = −2…2,  w = [1 4 6 4 1]/16,
//
// with bounds [HalfRect](src.Rect). Samples outside src repeat its border.
// dst's memory is reused; dst must not be src. An empty src gives an empty
// dst.
//
// The grid is absolute: sample (x, y) sits on (2x, 2y) wherever src begins.
// Hence a level computed from a part of a picture has the same bytes as the
// same samples computed from the whole, as long as the 5 × 5 samples under
// each lie in the part.
//
// Burt & Adelson 1983, eq. (1), with a = 3/8: the binomial kernel.
func Reduce(dst, src *Plane) {
	dst.Reset(HalfRect(src.Rect))
	if src.Rect.Empty() {
		return
	}
	s, d := src.Rect, dst.Rect
	row := func(y int) []float32 { return src.Row(min(max(y, s.Min.Y), s.Max.Y-1)) }
	// Destination columns whose five samples all lie inside src.
	x0 := min(max((s.Min.X+3)>>1, d.Min.X), d.Max.X)
	x1 := max(min((s.Max.X-3)>>1+1, d.Max.X), x0)
	for y := d.Min.Y; y < d.Max.Y; y++ {
		out := dst.Row(y)
		a, b, c, e, f := row(2*y-2), row(2*y-1), row(2*y), row(2*y+1), row(2*y+2)
		border := func(x int) {
			var v [5]float32
			for k := range v {
				i := min(max(2*x+k-2, s.Min.X), s.Max.X-1) - s.Min.X
				v[k] = (a[i] + f[i]) + 4*(b[i]+e[i]) + 6*c[i]
			}
			out[x-d.Min.X] = ((v[0] + v[4]) + 4*(v[1]+v[3]) + 6*v[2]) * (1. / 256)
		}
		for x := d.Min.X; x < x0; x++ {
			border(x)
		}
		if n := x1 - x0; n > 0 {
			i := 2*x0 - 2 - s.Min.X
			reduceRow(out[x0-d.Min.X:][:n], a[i:], b[i:], c[i:], e[i:], f[i:])
		}
		for x := x1; x < d.Max.X; x++ {
			border(x)
		}
	}
}

// reduceRow is the inside of Reduce: out[k] from the columns 2k … 2k+4 of
// five rows. Column sums slide through registers, so that no row of them has
// to be stored.
func reduceRow(out, a, b, c, d, e []float32) {
	n := 2*len(out) + 3
	a, b, c, d, e = a[:n], b[:n], c[:n], d[:n], e[:n]
	sum := func(i int) float32 { return (a[i] + e[i]) + 4*(b[i]+d[i]) + 6*c[i] }
	v0, v1, v2 := sum(0), sum(1), sum(2)
	a, b, c, d, e = a[3:], b[3:], c[3:], d[3:], e[3:]
	for k := range out {
		if len(a) < 2 || len(b) < 2 || len(c) < 2 || len(d) < 2 || len(e) < 2 {
			return // never: it tells the compiler that the indices below are in range
		}
		v3 := (a[0] + e[0]) + 4*(b[0]+d[0]) + 6*c[0]
		v4 := (a[1] + e[1]) + 4*(b[1]+d[1]) + 6*c[1]
		out[k] = ((v0 + v4) + 4*(v1+v3) + 6*v2) * (1. / 256)
		v0, v1, v2 = v2, v3, v4
		a, b, c, d, e = a[2:], b[2:], c[2:], d[2:], e[2:]
	}
}

// Expand stores in dst, with bounds r, the level src interpolated to the
// grid one level below:
//
//	dst(x, y) = 4 Σᵢⱼ wᵢ wⱼ src((x−i)/2, (y−j)/2)
//
// over the whole-numbered samples, w as in [Reduce]. Samples outside src
// repeat its border. dst's memory is reused; dst must not be src, and src
// must not be empty unless r is (Expand panics).
//
// (1) A plane, its Reduce and g − Expand(Reduce(g)) are a Laplacian pyramid
// of one level: adding the Expand again gives g to the rounding of float32.
// (2) A constant stays the same constant to one unit in the last place.
//
// Burt & Adelson 1983, eq. (2).
func Expand(dst *Plane, r image.Rectangle, src *Plane) {
	dst.Reset(r)
	if r.Empty() {
		return
	}
	s := src.Rect
	row := func(y int) []float32 { return src.Row(min(max(y, s.Min.Y), s.Max.Y-1)) }
	// Coarse columns k for which 2k and 2k+1 lie in r and k−1 … k+1 in src.
	k0 := max((r.Min.X+1)>>1, s.Min.X+1)
	k1 := max(min(r.Max.X>>1, s.Max.X-1), k0)
	// The same as columns of r, clipped to it where there are none.
	x0, x1 := min(2*k0, r.Max.X), max(min(2*k1, r.Max.X), r.Min.X)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		out := dst.Row(y)
		a, b, c := row(y>>1-1), row(y>>1), row(y>>1+1)
		column := func(k int) float32 {
			i := min(max(k, s.Min.X), s.Max.X-1) - s.Min.X
			if y&1 != 0 {
				return 4 * (b[i] + c[i])
			}
			return (a[i] + c[i]) + 6*b[i]
		}
		border := func(x int) float32 {
			k := x >> 1
			if x&1 != 0 {
				return (column(k) + column(k+1)) * (4. / 64)
			}
			return ((column(k-1) + column(k+1)) + 6*column(k)) * (1. / 64)
		}
		for x := r.Min.X; x < x0; x++ {
			out[x-r.Min.X] = border(x)
		}
		if n := k1 - k0; n > 0 {
			i := k0 - 1 - s.Min.X
			inside := out[x0-r.Min.X:][:2*n]
			if y&1 != 0 {
				expandRowBetween(inside, b[i:], c[i:])
			} else {
				expandRowOn(inside, a[i:], b[i:], c[i:])
			}
		}
		for x := max(x0, x1); x < r.Max.X; x++ {
			out[x-r.Min.X] = border(x)
		}
	}
}

// expandRowOn is the inside of Expand on a row that the coarse level has too:
// out[2k] and out[2k+1] from the coarse columns k … k+2 of three rows.
func expandRowOn(out, a, b, c []float32) {
	n := len(out)/2 + 2
	a, b, c = a[:n], b[:n], c[:n]
	v0, v1 := (a[0]+c[0])+6*b[0], (a[1]+c[1])+6*b[1]
	for k := 2; k < len(a); k++ {
		v2 := (a[k] + c[k]) + 6*b[k]
		o := out[2*k-4 : 2*k-2 : 2*k-2]
		o[0] = ((v0 + v2) + 6*v1) * (1. / 64)
		o[1] = (v1 + v2) * (4. / 64)
		v0, v1 = v1, v2
	}
}

// expandRowBetween is [expandRowOn] on a row between two coarse ones.
func expandRowBetween(out, b, c []float32) {
	n := len(out)/2 + 2
	b, c = b[:n], c[:n]
	v0, v1 := 4*(b[0]+c[0]), 4*(b[1]+c[1])
	for k := 2; k < len(b); k++ {
		v2 := 4 * (b[k] + c[k])
		o := out[2*k-4 : 2*k-2 : 2*k-2]
		o[0] = ((v0 + v2) + 6*v1) * (1. / 64)
		o[1] = (v1 + v2) * (4. / 64)
		v0, v1 = v1, v2
	}
}
