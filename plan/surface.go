package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"flatfell.example/geom"
)

// Surface is what the picture is laid out on, by the name that package warp
// gives it.
type Surface string

// The surfaces that are planned for.
const (
	Cylinder Surface = "cylinder"
	Plane    Surface = "plane"
	Sphere   Surface = "sphere"
)

// MaxPlane is the widest coverage that package stitch lays out on a plane: its
// ends are stretched fourfold then (common practice).
const MaxPlane = 120 * geom.Degree

// Outer returns the sides in pixels of the smallest rectangle that holds a
// level row on a surface:
//
//	cylinder  f C × H
//	plane     2 f tan(C/2) × H cos(h/2) / cos(C/2)
//	sphere    f C × 2 f atan(H/2f)
//
// with the coverage C and the frame's own angle h. The error is for a row that
// is too wide for the plane; the numbers hold up to a half turn all the same.
func (r Row) Outer(s Surface) (width, height float64, err error) {
	f, h := r.Camera.FocalPx(), float64(r.Camera.Height())
	cover := float64(r.Coverage())
	switch s {
	case Plane:
		if cover > float64(MaxPlane)+turnSlack {
			err = fmt.Errorf("plan: %.0f° are too wide for a plane, which ends at %.0f°; the cylinder holds any width", r.Coverage().Degrees(), MaxPlane.Degrees())
		}
		if cover >= math.Pi {
			return math.Inf(1), math.Inf(1), err
		}
		return 2 * f * math.Tan(cover/2), h * max(1, math.Cos(float64(r.Camera.Across())/2)/math.Cos(cover/2)), err
	case Sphere:
		return f * cover, 2 * f * math.Atan(h/2/f), nil
	}
	return f * cover, h, nil
}

// Rect is a rectangle of a surface in pixels; (0, 0) is straight ahead of the
// row's middle, y down.
type Rect struct{ X0, Y0, X1, Y1 float64 }

// Width and Height are the rectangle's sides.
func (q Rect) Width() float64 { return q.X1 - q.X0 }

// Height is the rectangle's height.
func (q Rect) Height() float64 { return q.Y1 - q.Y0 }

// columns is the number of columns in which a crop is searched. A twentieth of
// a per cent of the width is less than what package stitch gains or loses by
// its own rounding.
const columns = 1000

// Inside returns the largest rectangle that the frames of a row, out of level
// by t, cover throughout: what is left after the crop, measured by its area; of
// the shape shapeW:shapeH if these are not zero. It is empty if there is none.
//
// A column of each of the surfaces is a half plane of rays, in which a frame's
// four edges are four straight lines, so that what is covered is found exactly
// a column; package stitch searches the same rectangle among pixels.
func (r Row) Inside(s Surface, t Tilt, shapeW, shapeH float64) Rect {
	p := r.profile(s, t)
	var best Rect
	worth := 0.0
	for i := range p {
		top, bottom := math.Inf(-1), math.Inf(1)
		for j := i; j < len(p); j++ {
			top, bottom = max(top, p[j].top), min(bottom, p[j].bottom)
			w, h, widest := p[j].u-p[i].u, bottom-top, p[len(p)-1].u-p[i].u
			v, most := w*h, widest*h
			if shapeW > 0 {
				v, most = min(w, h*shapeW/shapeH), min(widest, h*shapeW/shapeH)
			}
			if !(h > 0) || most <= worth { // it only gets lower from here
				break
			}
			if v > worth {
				worth, best = v, Rect{p[i].u, top, p[j].u, bottom}
			}
		}
	}
	if shapeW > 0 && worth > 0 {
		best = best.shaped(shapeW / shapeH)
	}
	f := r.Camera.FocalPx()
	return Rect{best.X0 * f, best.Y0 * f, best.X1 * f, best.Y1 * f}
}

// shaped is the largest rectangle of width over height in the middle of q.
func (q Rect) shaped(ratio float64) Rect {
	if w := q.Height() * ratio; w < q.Width() {
		m := (q.X0 + q.X1) / 2
		return Rect{m - w/2, q.Y0, m + w/2, q.Y1}
	}
	m, h := (q.Y0+q.Y1)/2, q.Width()/ratio
	return Rect{q.X0, m - h/2, q.X1, m + h/2}
}

// column is what is covered of one column of a surface; bottom ≤ top if
// nothing is.
type column struct{ u, top, bottom float64 }

// profile returns what the frames cover, column by column from left to right,
// in radians of the surface.
func (r Row) profile(s Surface, t Tilt) []column {
	reach := float64(r.Coverage()) / 2
	lean := math.Abs(float64(t.AxisRoll)) + math.Abs(float64(t.AxisPitch)) + math.Abs(float64(t.CameraRoll))
	if !r.Closed {
		reach = min(math.Pi, reach+lean)
	}
	if s == Plane {
		reach = min(reach, float64(geom.MaxViewAngle))
	}
	// Evenly spread, with the lines where one frame hands over to the next:
	// that is where a level row is lowest.
	azimuths := make([]float64, 0, columns+r.Frames)
	for i := range columns {
		azimuths = append(azimuths, reach*(2*float64(i)/(columns-1)-1))
	}
	for i := range r.Frames - 1 {
		azimuths = append(azimuths, float64(r.Turn)*(float64(i)+1-float64(r.Frames)/2))
	}
	slices.Sort(azimuths)
	cams := r.Cameras(t)
	// A frame that leans reaches beyond its own angle, the taller the more; this
	// is generous, as it only saves time.
	near := math.Cos(min(math.Pi, float64(r.Camera.Across())/2+8*lean+0.01))
	out := make([]column, len(azimuths))
	for i, az := range azimuths {
		out[i] = covered(cams, az, near)
		c := &out[i]
		switch s {
		case Plane:
			c.u, c.top, c.bottom = math.Tan(az), c.top/math.Cos(az), c.bottom/math.Cos(az)
		case Sphere:
			c.top, c.bottom = math.Atan(c.top), math.Atan(c.bottom)
		}
	}
	return out
}

// edgeSlack keeps a frame's own edge inside it, against rounding.
const edgeSlack = 1e-9

// covered returns the longest stretch of the half plane at an azimuth that the
// cameras cover together, in tangents of the angle below the horizon. Cameras
// whose axis makes an angle with it of a cosine below near are left out.
func covered(cams []geom.Camera, azimuth, near float64) column {
	sin, cos := math.Sincos(azimuth)
	var parts []column
	for i := range cams {
		c := &cams[i]
		m := &c.CamFromWorld
		if m[6]*sin+m[8]*cos < near {
			continue
		}
		// The ray (sin, v, cos) in camera axes is p + q v.
		var p, q [3]float64
		for k := range p {
			p[k], q[k] = m[3*k]*sin+m[3*k+2]*cos, m[3*k+1]
		}
		tx, ty := float64(c.Width)/2/c.FocalPx, float64(c.Height)/2/c.FocalPx
		part := column{azimuth, math.Inf(-1), math.Inf(1)}
		for _, edge := range [4][2]float64{ // a + b v ≥ 0 inside
			{tx*p[2] - p[0], tx*q[2] - q[0]},
			{tx*p[2] + p[0], tx*q[2] + q[0]},
			{ty*p[2] - p[1], ty*q[2] - q[1]},
			{ty*p[2] + p[1], ty*q[2] + q[1]},
		} {
			a, b := edge[0]+edgeSlack, edge[1]
			switch {
			case b > edgeSlack:
				part.top = max(part.top, -a/b)
			case b < -edgeSlack:
				part.bottom = min(part.bottom, -a/b)
			case a < 0:
				part.top = math.Inf(1)
			}
		}
		if part.bottom > part.top {
			parts = append(parts, part)
		}
	}
	slices.SortFunc(parts, func(a, b column) int { return cmp.Compare(a.top, b.top) })
	best := column{u: azimuth}
	for i := 0; i < len(parts); {
		whole := parts[i]
		for i++; i < len(parts) && parts[i].top <= whole.bottom; i++ {
			whole.bottom = max(whole.bottom, parts[i].bottom)
		}
		if whole.bottom-whole.top > best.bottom-best.top {
			best = whole
		}
	}
	return best
}

// Outline returns the border of frame i of a level row on the cylinder, in
// pixels around the row's middle, closed and clockwise from the top left
// corner; for drawing it to scale.
func (r Row) Outline(i int) []geom.Pt {
	const steps = 12 // a side
	f := r.Camera.FocalPx()
	half, up := float64(r.Camera.Across())/2, float64(r.Camera.Height())/2/f
	yaw := float64(r.Turn) * (float64(i) - float64(r.Frames-1)/2)
	var pts []geom.Pt
	for k := 0; k <= steps; k++ {
		a := half * (2*float64(k)/steps - 1)
		pts = append(pts, geom.Pt{X: f * (yaw + a), Y: -f * up * math.Cos(a)})
	}
	for k := steps; k >= 0; k-- {
		p := pts[k]
		pts = append(pts, geom.Pt{X: p.X, Y: -p.Y})
	}
	return pts
}
