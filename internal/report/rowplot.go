package report

import (
	"fmt"
	"math"

	"flatfell.example/geom"
)

// rowDrawing draws frames by direction, in degrees.
type rowDrawing struct {
	outlines [][]geom.Pt // degrees to the right, and up
	middles  []geom.Pt
	crop     []geom.Pt
}

// add adds a frame that looks to a direction; rayAt is the ray in the world of a place
// in it, as shares of its width and height.
func (d *rowDrawing) add(yaw, pitch geom.Angle, rayAt func(u, v float64) (geom.Vec, bool)) {
	var line []geom.Pt
	corners := [5]geom.Pt{{}, {X: 1}, {X: 1, Y: 1}, {Y: 1}, {}}
	for k := range 4 {
		for s := range 12 {
			t := float64(s) / 12
			ray, ok := rayAt(corners[k].X+t*(corners[k+1].X-corners[k].X), corners[k].Y+t*(corners[k+1].Y-corners[k].Y))
			if !ok {
				continue
			}
			p := direction(ray)
			p.X = (yaw + (geom.Angle(p.X)*geom.Degree - yaw).Wrap()).Degrees()
			line = append(line, p)
		}
	}
	d.outlines = append(d.outlines, line)
	d.middles = append(d.middles, geom.Pt{X: yaw.Degrees(), Y: pitch.Degrees()})
}

// direction is the azimuth of a ray and its height above the horizon, in degrees.
func direction(ray geom.Vec) geom.Pt {
	return geom.Pt{
		X: geom.Angle(math.Atan2(ray.X, ray.Z)).Degrees(),
		Y: geom.Angle(math.Atan2(-ray.Y, math.Hypot(ray.X, ray.Z))).Degrees(),
	}
}

func (d *rowDrawing) plot(note string) plot {
	const left, gap, below = 46, 8, 26
	lo, hi := geom.Pt{X: math.Inf(1), Y: math.Inf(1)}, geom.Pt{X: math.Inf(-1), Y: math.Inf(-1)}
	for _, o := range d.outlines {
		for _, p := range o {
			lo.X, lo.Y, hi.X, hi.Y = min(lo.X, p.X), min(lo.Y, p.Y), max(hi.X, p.X), max(hi.Y, p.Y)
		}
	}
	scale := math.Min(880/(hi.X-lo.X), 380/(hi.Y-lo.Y))
	tenth := func(v float64) float64 { return math.Round(10*v) / 10 }
	at := func(p geom.Pt) geom.Pt {
		return geom.Pt{X: tenth(left + (p.X-lo.X)*scale), Y: tenth(gap + (hi.Y-p.Y)*scale)}
	}
	w, h := left+(hi.X-lo.X)*scale+gap, gap+(hi.Y-lo.Y)*scale+below
	p := plot{W: int(math.Ceil(w)), H: int(math.Ceil(h)), Alt: fmt.Sprintf("The outlines of %d frames by direction", len(d.outlines)), Note: note}
	step := 10.0
	for (hi.X-lo.X)/step > 16 {
		step *= 2
	}
	for a := math.Ceil(lo.X/step) * step; a <= hi.X; a += step {
		x := at(geom.Pt{X: a}).X
		p.Lines = append(p.Lines, plotLine{"grid", x, gap, x, tenth(h - below)})
		p.Labels = append(p.Labels, label{X: x, Y: tenth(h - 8), Text: fmt.Sprintf("%.0f°", a)})
	}
	for e := math.Ceil(lo.Y/step) * step; e <= hi.Y; e += step {
		y := at(geom.Pt{Y: e}).Y
		class := "grid"
		if e == 0 {
			class = "axis"
		}
		p.Lines = append(p.Lines, plotLine{class, left, y, tenth(w - gap), y})
		p.Labels = append(p.Labels, label{X: left / 2, Y: tenth(y + 4), Text: fmt.Sprintf("%.0f°", e)})
	}
	drawn := func(line []geom.Pt) string {
		out := make([]geom.Pt, len(line))
		for i, q := range line {
			out[i] = at(q)
		}
		return path(out, true)
	}
	for i, o := range d.outlines {
		p.Shapes = append(p.Shapes, shape{"fr", drawn(o)})
		m := at(d.middles[i])
		p.Labels = append(p.Labels, label{X: m.X, Y: m.Y - 6, Text: fmt.Sprint(i + 1)})
	}
	if d.crop != nil {
		p.Shapes = append(p.Shapes, shape{"cr", drawn(d.crop)})
	}
	return p
}
