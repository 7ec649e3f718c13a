package stitch

import (
	"errors"
	"fmt"
	"image"
	"math"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/warp"
)

// ErrSurface is wrapped by the error for a row that the surface can't hold.
var ErrSurface = errors.New("the row is too wide for this surface")

const (
	// maxPlaneAngle is how far from its middle a row may reach on a plane:
	// at 60° pixels are stretched four times along the row and two across,
	// and 120° in all is where the trade stops using a plane (common
	// practice).
	maxPlaneAngle = 60 * geom.Degree
	// maxOutputPixels bounds the picture: beyond it something is wrong with
	// the solution or the wish.
	maxOutputPixels = 1 << 32
	// closedGrain divides the width of a picture that closes on itself.
	closedGrain = 1 << blend.MaxBands
	// coverMarginPx is how far inside its frame a pixel must lie to count as
	// covered: the outermost pixels of a frame are the least reliable.
	coverMarginPx = 1
	// cropCells is the number of cells along the longer side in which the
	// first search for the crop works.
	cropCells = 1000
)

// planOutput chooses the view and the crop and fills sol.Output. scale is the
// size of a pixel of the frames in the picture.
func planOutput(sol *Solution, o Options, scale float64) error {
	s, err := o.surface()
	if err != nil {
		return err
	}
	cams, index := placedCameras(sol)
	locals := make([]*warp.Local, len(cams))
	for k, i := range index {
		locals[k] = sol.Frames[i].Local
	}
	if err := fits(s, cams); err != nil {
		return err
	}
	view := warp.View{Surface: s, PxPerRadian: scale * cams[0].FocalPx}
	bounds, closed := warp.Bounds(view, cams)
	if closed {
		// The blend's coarsest grid and the seams' cells must close too.
		turn := s.WrapWidth()
		view.WrapPx = closedGrain * max(1, int(math.Round(turn*view.PxPerRadian/closedGrain)))
		view.PxPerRadian = float64(view.WrapPx) / turn
		bounds, _ = warp.Bounds(view, cams)
	}
	if bounds.Empty() {
		return fmt.Errorf("%w: nothing of it falls on the %s", ErrSurface, s.Name())
	}
	if n := float64(bounds.Dx()) * float64(bounds.Dy()); n > maxOutputPixels {
		return fmt.Errorf("%w: the picture would have %.0f megapixels; use the cylinder", ErrSurface, n/1e6)
	}
	view.OriginPx = geom.Pt{X: float64(-bounds.Min.X), Y: float64(-bounds.Min.Y)}
	view.Rect = image.Rect(0, 0, bounds.Dx(), bounds.Dy())
	crop := view.Rect
	if !o.Crop.Whole {
		c := newCoverage(view, cams, locals)
		crop = c.inscribed(o.Crop)
		if crop.Empty() {
			return errors.New("no rectangle lies inside what the frames cover; use --crop whole, or reshoot with the camera level")
		}
	}
	sol.Output = OutputSolution{
		Width: crop.Dx(), Height: crop.Dy(),
		Surface: s.Name(), PxPerRadian: view.PxPerRadian,
		OriginPx: [2]float64{view.OriginPx.X - float64(crop.Min.X), view.OriginPx.Y - float64(crop.Min.Y)},
		CropPx:   [4]int{crop.Min.X, crop.Min.Y, crop.Max.X, crop.Max.Y},
		File:     sol.Output.File, Bits: sol.Output.Bits,
	}
	return nil
}

// fits reports an error if the row is beyond what the surface can show
// without tearing it apart.
func fits(s warp.Surface, cams []geom.Camera) error {
	if s != warp.Plane && s != warp.Pannini {
		return nil
	}
	limit := maxPlaneAngle
	if s == warp.Pannini {
		limit = 110 * geom.Degree // it ends at a half turn; near it all is stretch
	}
	for i := range cams {
		c := &cams[i]
		for _, p := range []geom.Pt{{X: 0, Y: float64(c.Height) / 2}, {X: float64(c.Width), Y: float64(c.Height) / 2}} {
			w, ok := c.WorldFromPixel(p)
			if az := geom.Angle(math.Atan2(w.X, w.Z)); !ok || az > limit || az < -limit {
				return fmt.Errorf("%w: it reaches %.0f° from its middle, the %s ends at %.0f°; use the cylinder, or leave frames out",
					ErrSurface, math.Abs(az.Degrees()), s.Name(), limit.Degrees())
			}
		}
	}
	return nil
}

// View returns where the written picture lies on its surface.
func (out *OutputSolution) View() (warp.View, error) {
	s, err := warp.SurfaceByName(out.Surface)
	if err != nil {
		return warp.View{}, err
	}
	if out.Width < 1 || out.Height < 1 || float64(out.Width)*float64(out.Height) > maxOutputPixels || !(out.PxPerRadian > 0) {
		return warp.View{}, errors.New("the Solution has no usable output size; run stitch again")
	}
	v := warp.View{
		Surface: s, PxPerRadian: out.PxPerRadian,
		OriginPx: geom.Pt{X: out.OriginPx[0], Y: out.OriginPx[1]},
		Rect:     image.Rect(0, 0, out.Width, out.Height),
	}
	if turn := s.WrapWidth() * v.PxPerRadian; turn > 0 && math.Abs(turn-float64(out.Width)) < 1e-6*turn {
		v.WrapPx = out.Width
	}
	return v, nil
}

// coverage knows which output pixels the frames cover.
type coverage struct {
	view warp.View
	cams []geom.Camera
	// locals are the frames' own bends, nil for none.
	locals []*warp.Local
	// cell is the side in pixels of the cells of covered, w × h of them.
	cell, w, h int
	covered    []bool
}

func newCoverage(view warp.View, cams []geom.Camera, locals []*warp.Local) *coverage {
	r := view.Rect
	c := &coverage{view: view, cams: cams, locals: locals}
	c.cell = max(1, max(r.Dx(), r.Dy())/cropCells)
	c.w, c.h = r.Dx()/c.cell, r.Dy()/c.cell
	c.covered = make([]bool, c.w*c.h)
	// A cell is covered if one frame has all its corners: frames are convex
	// but for a curvature that is nothing over a cell and a pixel's margin.
	rays := make([]geom.Vec, (c.w+1)*(c.h+1))
	oks := make([]bool, len(rays))
	for y := range c.h + 1 {
		for x := range c.w + 1 {
			rays[y*(c.w+1)+x], oks[y*(c.w+1)+x] = view.RayAt(float64(x*c.cell), float64(y*c.cell))
		}
	}
	corner := make([]bool, len(rays))
	for i := range cams {
		for k, ray := range rays {
			corner[k] = oks[k] && c.has(i, ray)
		}
		for y := range c.h {
			for x := range c.w {
				k := y*(c.w+1) + x
				if corner[k] && corner[k+1] && corner[k+c.w+1] && corner[k+c.w+2] {
					c.covered[y*c.w+x] = true
				}
			}
		}
	}
	return c
}

// has reports whether frame i shows what lies along a ray.
func (c *coverage) has(i int, ray geom.Vec) bool {
	cam := &c.cams[i]
	p, ok := cam.PixelFromWorld(ray)
	if l := c.locals[i]; ok && l != nil {
		d := l.At(p, cam.Width, cam.Height)
		p.X, p.Y = p.X+d.X, p.Y+d.Y
	}
	return ok && cam.Contains(p, coverMarginPx)
}

// pixel reports whether some frame covers the pixel (x, y).
func (c *coverage) pixel(x, y int) bool {
	ray, ok := c.view.RayAt(float64(x)+0.5, float64(y)+0.5)
	if !ok {
		return false
	}
	for i := range c.cams {
		if c.has(i, ray) {
			return true
		}
	}
	return false
}

// all reports whether every pixel of r is covered.
func (c *coverage) all(r image.Rectangle) bool {
	if !r.In(c.view.Rect) {
		return false
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if !c.pixel(x, y) {
				return false
			}
		}
	}
	return true
}

// inscribed returns the largest rectangle that is covered throughout: of any
// shape, or of that asked for.
func (c *coverage) inscribed(want Crop) image.Rectangle {
	if want.AspectW > 0 {
		middle := c.view.OriginPx
		middle.X += want.OffsetX * float64(c.view.Rect.Dx())
		middle.Y += want.OffsetY * float64(c.view.Rect.Dy())
		return c.inscribedOfShape(want.AspectW/want.AspectH, middle)
	}
	r := largestRectangle(c.covered, c.w, c.h)
	px := image.Rect(r.Min.X*c.cell, r.Min.Y*c.cell, r.Max.X*c.cell, r.Max.Y*c.cell)
	if px.Empty() {
		return px
	}
	return c.grow(px)
}

// grow moves each side of r outward, by less than a cell, as far as the
// pixels there are covered.
func (c *coverage) grow(r image.Rectangle) image.Rectangle {
	step := 1
	for step*2 < c.cell {
		step *= 2
	}
	for ; step > 0; step /= 2 {
		for side := range 4 {
			// Of r as it has grown: two strips side by side leave out a corner.
			g := [4]image.Rectangle{
				image.Rect(r.Min.X, r.Min.Y-step, r.Max.X, r.Min.Y),
				image.Rect(r.Min.X, r.Max.Y, r.Max.X, r.Max.Y+step),
				image.Rect(r.Min.X-step, r.Min.Y, r.Min.X, r.Max.Y),
				image.Rect(r.Max.X, r.Min.Y, r.Max.X+step, r.Max.Y),
			}[side]
			// The outermost line decides: coverage has no holes.
			if c.lineCovered(g, r) {
				r = r.Union(g)
			}
		}
	}
	return r
}

// lineCovered reports whether the line of strip g farthest from r is covered.
func (c *coverage) lineCovered(g, r image.Rectangle) bool {
	switch {
	case g.Max.Y == r.Min.Y && g.Dx() == r.Dx():
		g.Max.Y = g.Min.Y + 1
	case g.Min.Y == r.Max.Y && g.Dx() == r.Dx():
		g.Min.Y = g.Max.Y - 1
	case g.Max.X == r.Min.X:
		g.Max.X = g.Min.X + 1
	default:
		g.Min.X = g.Max.X - 1
	}
	return c.all(g)
}

// largestRectangle returns the largest axis-parallel rectangle of true cells,
// the first of equal ones: a histogram of heights for each line and a stack
// of rising ones, O(w·h). Common practice.
func largestRectangle(cells []bool, w, h int) (best image.Rectangle) {
	height := make([]int, w+1)
	var stack []int
	for y := range h {
		for x := range w {
			if cells[y*w+x] {
				height[x]++
			} else {
				height[x] = 0
			}
		}
		stack = stack[:0]
		for x := 0; x <= w; x++ {
			for len(stack) > 0 && height[stack[len(stack)-1]] >= height[x] {
				top := height[stack[len(stack)-1]]
				stack = stack[:len(stack)-1]
				left := 0
				if len(stack) > 0 {
					left = stack[len(stack)-1] + 1
				}
				if r := image.Rect(left, y+1-top, x, y+1); r.Dx()*r.Dy() > best.Dx()*best.Dy() {
					best = r
				}
			}
			stack = append(stack, x)
		}
	}
	return best
}

// inscribedOfShape returns the largest covered rectangle of a given width
// over height, its middle as near to a place as there is room.
func (c *coverage) inscribedOfShape(shape float64, middle geom.Pt) image.Rectangle {
	sum := make([]int32, (c.w+1)*(c.h+1)) // covered cells above and left of a corner
	for y := range c.h {
		var row int32
		for x := range c.w {
			if c.covered[y*c.w+x] {
				row++
			}
			sum[(y+1)*(c.w+1)+x+1] = sum[y*(c.w+1)+x+1] + row
		}
	}
	full := func(x, y, w, h int) bool {
		n := sum[(y+h)*(c.w+1)+x+w] - sum[y*(c.w+1)+x+w] - sum[(y+h)*(c.w+1)+x] + sum[y*(c.w+1)+x]
		return int(n) == w*h
	}
	// place finds room for w × h pixels, nearest to that place.
	place := func(w, h int) (at image.Point, ok bool) {
		cw, ch := (w+c.cell-1)/c.cell, (h+c.cell-1)/c.cell
		best := math.Inf(1)
		for y := 0; y+ch <= c.h; y++ {
			for x := 0; x+cw <= c.w; x++ {
				if !full(x, y, cw, ch) {
					continue
				}
				dx := float64(x*c.cell) + float64(w)/2 - middle.X
				dy := float64(y*c.cell) + float64(h)/2 - middle.Y
				if d := dx*dx + dy*dy; d < best {
					best, at, ok = d, image.Pt(x*c.cell, y*c.cell), true
				}
			}
		}
		return at, ok
	}
	var best image.Rectangle
	lo, hi := 0, c.h*c.cell
	for lo < hi {
		h := (lo + hi + 1) / 2
		w := int(math.Round(float64(h) * shape))
		if at, ok := place(w, h); w > 0 && ok {
			lo, best = h, image.Rectangle{Min: at, Max: at.Add(image.Pt(w, h))}
		} else {
			hi = h - 1
		}
	}
	return best
}
