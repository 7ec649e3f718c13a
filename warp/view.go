package warp

import (
	"cmp"
	"image"
	"math"
	"slices"

	"flatfell.example/geom"
)

// View lays a surface out in output pixels:
//
//	pixel = OriginPx + PxPerRadian · (u, v)
type View struct {
	Surface Surface
	// PxPerRadian is the scale in the middle of the surface.
	PxPerRadian float64
	// OriginPx is the pixel of (u, v) = (0, 0).
	OriginPx geom.Pt
	// Rect is the part of the surface that the picture shows.
	Rect image.Rectangle
	// WrapPx is the width of a full turn in pixels for a picture whose left
	// and right edges meet, 0 for one with ends. It is 2π·PxPerRadian; see
	// [View.Closed].
	WrapPx int
}

// Closed returns v for a picture that goes all the way round: with the scale
// changed by the least that makes a full turn a whole number of pixels, and
// WrapPx set to it. It returns v unchanged if the surface doesn't wrap.
func (v View) Closed() View {
	if w := v.Surface.WrapWidth(); w > 0 {
		v.WrapPx = max(1, int(math.Round(w*v.PxPerRadian)))
		v.PxPerRadian = float64(v.WrapPx) / w
	}
	return v
}

// RayAt returns the unit world ray through the output point (x, y); the
// centre of pixel (i, j) is (i + 0.5, j + 0.5). ok is false outside the
// surface's domain.
func (v *View) RayAt(x, y float64) (rayInWorld geom.Vec, ok bool) {
	return v.Surface.Ray(v.surfacePoint(x, y))
}

// surfacePoint returns the (u, v) of an output point.
func (v *View) surfacePoint(x, y float64) geom.Pt {
	return geom.Pt{X: (x - v.OriginPx.X) / v.PxPerRadian, Y: (y - v.OriginPx.Y) / v.PxPerRadian}
}

// PixelOf returns the output point of a world ray, the inverse of
// [View.RayAt]. On a surface that wraps, it is the turn nearest to the middle
// of Rect, or to OriginPx if Rect is empty. ok is false outside the surface's
// domain.
func (v *View) PixelOf(rayInWorld geom.Vec) (p geom.Pt, ok bool) {
	p, ok = v.Surface.FromRay(rayInWorld)
	if !ok {
		return geom.Pt{}, false
	}
	p = geom.Pt{X: v.OriginPx.X + v.PxPerRadian*p.X, Y: v.OriginPx.Y + v.PxPerRadian*p.Y}
	if turn := v.Surface.WrapWidth() * v.PxPerRadian; turn > 0 && !v.Rect.Empty() {
		middle := float64(v.Rect.Min.X+v.Rect.Max.X) / 2
		p.X += turn * math.Round((middle-p.X)/turn)
	}
	return p, true
}

// outlineStepPx is the spacing of the points along a frame's outline. An
// extreme between two of them is missed by step²/8 times the outline's
// curvature, about 1/f: under 0.01 px for every lens of more than 800 px.
const outlineStepPx = 8

// innerLines is the number of lines across a frame that are walked, each way,
// where the outline itself leaves the surface's domain.
const innerLines = 64

// Bounds returns the smallest rectangle of output pixels that holds the
// outlines of all the frames on v's surface; v.Rect is ignored.
//
// On a surface that wraps, the rectangle is cut where the widest gap between
// the frames is and its middle lies within half a turn of OriginPx: a row of
// 300° about θ = 0 extends 150° to each side, and frames that straddle
// θ = ±π stay in one piece. If there is no gap of a pixel, closed is true and
// the rectangle is one turn wide about OriginPx, v.WrapPx or, where that is 0,
// the WrapPx of v.Closed().
//
// Parts of frames outside the surface's domain are left out; where a frame
// reaches past its end, that end is found to a 64th of the frame. The rectangle
// is empty if nothing is inside.
func Bounds(v View, cams []geom.Camera) (r image.Rectangle, closed bool) {
	turn := v.Surface.WrapWidth()
	var spans []extent
	all := nothing
	for i := range cams {
		if e := frameExtent(v.Surface, &cams[i]); e.u1 >= e.u0 {
			spans = append(spans, e)
			all = all.union(e)
		}
	}
	if len(spans) == 0 {
		return image.Rectangle{}, false
	}
	if turn > 0 {
		all.u0, all.u1 = cover(spans, turn)
		closed = all.u1-all.u0 > turn-1/v.PxPerRadian
	}
	// A corner that is a whole pixel must not gain one by rounding.
	const slack = 1e-6
	pixel := func(origin, s float64) float64 { return origin + v.PxPerRadian*s }
	r.Min.Y = int(math.Floor(pixel(v.OriginPx.Y, all.v0) + slack))
	r.Max.Y = int(math.Ceil(pixel(v.OriginPx.Y, all.v1) - slack))
	if closed {
		width := v.WrapPx
		if width == 0 {
			width = v.Closed().WrapPx
		}
		r.Min.X = int(math.Round(v.OriginPx.X - float64(width)/2))
		r.Max.X = r.Min.X + width
		return r, true
	}
	r.Min.X = int(math.Floor(pixel(v.OriginPx.X, all.u0) + slack))
	r.Max.X = int(math.Ceil(pixel(v.OriginPx.X, all.u1) - slack))
	return r, false
}

// extent is a rectangle on a surface.
type extent struct{ u0, u1, v0, v1 float64 }

var nothing = extent{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}

func (e extent) union(f extent) extent {
	return extent{min(e.u0, f.u0), max(e.u1, f.u1), min(e.v0, f.v0), max(e.v1, f.v1)}
}

// frameExtent returns the rectangle that a frame covers on s, continuous
// around the frame's own middle; u may thus go past a half turn.
func frameExtent(s Surface, cam *geom.Camera) extent {
	turn := s.WrapWidth()
	middle, haveMiddle := 0.0, false
	e := nothing
	add := func(x, y float64) (ok bool) {
		ray, ok := cam.WorldFromPixel(geom.Pt{X: x, Y: y})
		if !ok {
			return false
		}
		p, ok := s.FromRay(ray)
		if !ok {
			return false
		}
		if turn > 0 {
			if !haveMiddle {
				middle, haveMiddle = p.X, true
			}
			p.X += turn * math.Round((middle-p.X)/turn)
		}
		e = e.union(extent{p.X, p.X, p.Y, p.Y})
		return true
	}
	w, h := float64(cam.Width), float64(cam.Height)
	add(w/2, h/2)
	whole := true
	for _, side := range [4][4]float64{{0, 0, w, 0}, {w, 0, w, h}, {w, h, 0, h}, {0, h, 0, 0}} {
		n := math.Ceil(max(w, h) / outlineStepPx)
		for i := 0.0; i < n; i++ {
			if !add(side[0]+(side[2]-side[0])*i/n, side[1]+(side[3]-side[1])*i/n) {
				whole = false
			}
		}
	}
	if !whole {
		for i := range innerLines {
			for j := range innerLines {
				add(w*(float64(i)+0.5)/innerLines, h*(float64(j)+0.5)/innerLines)
			}
		}
	}
	if turn == 0 || !haveMiddle {
		return e
	}
	// A frame that shows a pole goes all the way round, to the domain's end.
	for _, down := range []float64{-1, 1} {
		if p, ok := cam.PixelFromWorld(geom.Vec{Y: down}); ok && cam.Contains(p, 0) {
			end := s.clamp(geom.Pt{Y: down * math.MaxFloat64}).Y
			e = e.union(extent{middle - turn/2, middle + turn/2, end, end})
		}
	}
	return e
}

// cover returns the shortest interval that holds all the spans, each shifted
// by whole turns; a whole turn about 0 if they leave no gap.
func cover(spans []extent, turn float64) (u0, u1 float64) {
	spans = slices.Clone(spans)
	for i, e := range spans {
		shift := -turn * math.Floor(e.u0/turn)
		spans[i].u0, spans[i].u1 = e.u0+shift, e.u1+shift
	}
	slices.SortFunc(spans, func(a, b extent) int { return cmp.Compare(a.u0, b.u0) })
	// The widest gap lies before a span's start; the end reached so far begins
	// with what reaches over from the turn before.
	reached := math.Inf(-1)
	for _, e := range spans {
		reached = max(reached, e.u1-turn)
	}
	widest, start := 0.0, 0.0
	for _, e := range spans {
		if gap := e.u0 - reached; gap > widest {
			widest, start = gap, e.u0
		}
		reached = max(reached, e.u1)
	}
	width := turn - widest
	if widest == 0 {
		return -turn / 2, turn / 2
	}
	start -= turn * math.Round((start+width/2)/turn)
	return start, start + width
}
