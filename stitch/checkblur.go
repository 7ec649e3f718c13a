package stitch

import (
	"cmp"
	"context"
	"image"
	"math"
	"slices"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// blur is what a frame went through that its neighbour did not.
type blur struct {
	// line says that it is a streak, as of shake, else a disc, as of a defocus.
	line bool
	// px is the streak's length or the disc's diameter, full-size pixels.
	px float64
}

// How a blur is told: windows of the sharper neighbour, brought to where they lie
// in the blurred frame, are blurred by streaks of every length and direction and
// by discs; the one that makes them most alike is it.
const (
	blurRadius = 16 // of a window, 33 × 33 pixels
	blurMargin = 10 // what a kernel reaches beyond it
	blurTies   = 40 // windows
	blurAngles = 12 // directions over a half turn
	// leastWindows is how many of them must lie within both frames.
	leastWindows = 4
)

// kernel is a blur as taps whose weights sum to 1.
type kernel struct {
	blur
	taps []tapAt
}

type tapAt struct {
	dx, dy int
	w      float32
}

// kernels are the blurs that are tried: none first, then every size a quarter
// larger than the one before.
var kernels = func() (all []kernel) {
	all = append(all, kernel{taps: []tapAt{{w: 1}}})
	for px := 1.5; px < 2*blurMargin; px *= 1.25 {
		all = append(all, newKernel(blur{px: px}, func(u, v float64) (x, y float64) {
			r, a := math.Sqrt(u)*px/2, 2*math.Pi*v
			return r * math.Cos(a), r * math.Sin(a)
		}))
		for k := range blurAngles {
			sin, cos := math.Sincos(math.Pi * float64(k) / blurAngles)
			all = append(all, newKernel(blur{line: true, px: px}, func(u, _ float64) (x, y float64) {
				return (u - 0.5) * px * cos, (u - 0.5) * px * sin
			}))
		}
	}
	return all
}()

// newKernel spreads 32 × 32 points of a unit square over pixels.
func newKernel(b blur, at func(u, v float64) (x, y float64)) kernel {
	const n, side = 32, 2*blurMargin + 1
	var grid [side * side]float64
	for i := range n * n {
		x, y := at((float64(i%n)+0.5)/n, (float64(i/n)+0.5)/n)
		x0, y0 := math.Floor(x), math.Floor(y)
		fx, fy := x-x0, y-y0
		k := (int(y0)+blurMargin)*side + int(x0) + blurMargin
		grid[k] += (1 - fx) * (1 - fy)
		grid[k+1] += fx * (1 - fy)
		grid[k+side] += (1 - fx) * fy
		grid[k+side+1] += fx * fy
	}
	out := kernel{blur: b}
	for k, w := range grid {
		if w > 0 {
			out.taps = append(out.taps, tapAt{k%side - blurMargin, k/side - blurMargin, float32(w / (n * n))})
		}
	}
	return out
}

// blurOf finds what blurred frame k of the report against the sharper of its
// neighbours. ok is false if no blur makes that one much more like it, or if that
// can't be told: the frame is then soft by its light, such as haze, if at all.
func (c *checker) blurOf(ctx context.Context, k int) (b blur, ok bool, err error) {
	from := -1
	for _, n := range []int{k - 1, k + 1} {
		if n < 0 || n >= len(c.order) || !c.pairs[min(n, k)].joined {
			continue
		}
		if from < 0 || c.report.Frames[n].SharpnessStops > c.report.Frames[from].SharpnessStops {
			from = n
		}
	}
	if from < 0 {
		return b, false, nil
	}
	x, y := c.order[from], c.order[k]
	al := c.parts[y.part].al
	e := slices.IndexFunc(al.evidence, func(e evidence) bool { return e.a == min(x.at, y.at) && e.b == max(x.at, y.at) })
	if e < 0 {
		return b, false, nil
	}
	// The surest ties, apart from each other, as seen from the blurred frame.
	ties := slices.Clone(al.evidence[e].ties)
	slices.SortStableFunc(ties, func(a, b tie) int { return cmp.Compare(b.info[0]+b.info[2], a.info[0]+a.info[2]) })
	type place struct{ sharp, soft geom.Pt }
	var places []place
	scale := float64(c.shrink)
	for i := range ties {
		p := place{ties[i].inA, ties[i].inB}
		if ties[i].a != x.at {
			p.sharp, p.soft = p.soft, p.sharp
		}
		p.sharp, p.soft = geom.Pt{X: p.sharp.X * scale, Y: p.sharp.Y * scale}, geom.Pt{X: p.soft.X * scale, Y: p.soft.Y * scale}
		if !slices.ContainsFunc(places, func(q place) bool { return q.soft.Sub(p.soft).Norm() < blurRadius }) {
			places = append(places, p)
		}
		if len(places) == blurTies {
			break
		}
	}
	imgs := make([]image.Image, 2)
	for i, f := range []int{x.frame, y.frame} {
		img, err := c.frames[f].Image(ctx)
		if err != nil {
			return b, false, err
		}
		defer c.frames[f].Release()
		imgs[i] = img
	}
	camSharp, camSoft := c.camera(x), c.camera(y)
	costs := make([]float64, len(kernels))
	var w blurWindow
	windows := 0
	for _, p := range places {
		if err := ctx.Err(); err != nil {
			return b, false, err
		}
		if !w.read(imgs[0], imgs[1], &camSharp, &camSoft, p.sharp, p.soft) {
			continue
		}
		windows++
		for i := range kernels {
			costs[i] += math.Log(w.misfit(&kernels[i]))
		}
	}
	best := 0
	for i, v := range costs {
		if v < costs[best] {
			best = i
		}
	}
	// What is left unexplained must fall by a sixth on average.
	const gain = 0.18
	return kernels[best].blur, windows >= leastWindows && kernels[best].px >= leastBlur && costs[0]-costs[best] > gain*float64(windows), nil
}

// leastBlur is the blur in pixels below which a frame counts as sharp: prints do
// not show it.
const leastBlur = 2.2

// blurWindow is a window of the blurred frame, and the sharp one's in its place.
type blurWindow struct{ sharp, soft, from, out raster.Plane }

// read cuts the two windows; ok is false if they reach over an edge.
func (w *blurWindow) read(sharp, soft image.Image, camSharp, camSoft *geom.Camera, inSharp, inSoft geom.Pt) (ok bool) {
	const reach = blurRadius + blurMargin
	cx, cy := int(inSoft.X), int(inSoft.Y)
	way := passage{from: *camSoft, to: *camSharp, toFrom: camSharp.CamFromWorld.Mul(camSoft.CamFromWorld.Inv())}
	_, m, ok := way.mapping(inSoft, 1)
	if !ok || !camSoft.Contains(inSoft, blurRadius+1) || !camSharp.Contains(inSharp, 1.2*reach+2) {
		return false
	}
	w.soft.Reset(image.Rect(cx-blurRadius, cy-blurRadius, cx+blurRadius+1, cy+blurRadius+1))
	raster.LumaPatch(&w.soft, soft, 1)
	sx, sy := int(inSharp.X), int(inSharp.Y)
	w.from.Reset(image.Rect(sx-2*reach, sy-2*reach, sx+2*reach+1, sy+2*reach+1))
	raster.LumaPatch(&w.from, sharp, 1)
	w.sharp.Reset(image.Rect(cx-reach, cy-reach, cx+reach+1, cy+reach+1))
	for y := w.sharp.Rect.Min.Y; y < w.sharp.Rect.Max.Y; y++ {
		row := w.sharp.Row(y)
		for i := range row {
			dx, dy := float64(w.sharp.Rect.Min.X+i)+0.5-inSoft.X, float64(y)+0.5-inSoft.Y
			px := inSharp.X + m.jac[0]*dx + m.jac[1]*dy - 0.5
			py := inSharp.Y + m.jac[2]*dx + m.jac[3]*dy - 0.5
			x0, y0 := int(math.Floor(px)), int(math.Floor(py))
			if !image.Rect(x0, y0, x0+2, y0+2).In(w.from.Rect) {
				return false
			}
			fx, fy := float32(px-float64(x0)), float32(py-float64(y0))
			a, b := w.from.At(x0, y0), w.from.At(x0+1, y0)
			c, d := w.from.At(x0, y0+1), w.from.At(x0+1, y0+1)
			row[i] = (a+fx*(b-a))*(1-fy) + (c+fx*(d-c))*fy
		}
	}
	return true
}

// misfit returns the part of the blurred window's variance that the sharp one,
// blurred by k, does not explain by a gain and an offset.
func (w *blurWindow) misfit(k *kernel) float64 {
	w.out.Reset(w.soft.Rect)
	clear(w.out.Pix)
	for y := w.out.Rect.Min.Y; y < w.out.Rect.Max.Y; y++ {
		out := w.out.Row(y)
		for _, t := range k.taps {
			src := w.sharp.Row(y + t.dy)[blurMargin+t.dx:][:len(out)]
			for i, v := range src {
				out[i] += t.w * v
			}
		}
	}
	var sa, sb, saa, sbb, sab float64
	for i, a := range w.out.Pix {
		a, b := float64(a), float64(w.soft.Pix[i])
		sa, sb, saa, sbb, sab = sa+a, sb+b, saa+a*a, sbb+b*b, sab+a*b
	}
	n := float64(len(w.out.Pix))
	va, vb, cov := saa/n-sa*sa/n/n, sbb/n-sb*sb/n/n, sab/n-sa*sb/n/n
	const noise = 1e-6 // 1 = full scale
	if !(va > 0) {
		return vb + noise
	}
	return max(0, vb-cov*cov/va) + noise
}
