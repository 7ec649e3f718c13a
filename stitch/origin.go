package stitch

import (
	"fmt"
	"math"
	"strconv"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/warp"
)

// Origin is what a picture's file says beside its pixels: the colour profile of
// the frames, the metadata of the middle one (date, place, lens, exposure,
// artist, copyright), that it is a composite and of how many, and how it was
// laid out.
type Origin struct{ embed photo.Embedded }

// NewOrigin gathers the Origin of the picture that a Solution and its frames
// make. software is the name and version of the program that writes it.
//
// The error wraps [ErrFrames] if the frames have different colour profiles, and
// is the reader's own if the middle frame's file can't be read any more.
func NewOrigin(sol *Solution, frames []*Frame, software string) (*Origin, error) {
	if err := matchesFrames(sol, frames); err != nil {
		return nil, err
	}
	view, err := sol.Output.View()
	if err != nil {
		return nil, err
	}
	used, middle, most := 0, 0, math.Inf(-1)
	for i := range sol.Frames {
		f := &sol.Frames[i]
		if !f.Placed {
			continue
		}
		used++
		// The world's z points to the middle of the row.
		if z := f.CamFromWorld[2][2]; z > most {
			middle, most = i, z
		}
	}
	e := photo.Embedded{Profile: frames[middle].profile(), Sources: len(frames), Used: used, Software: software}
	if read := frames[middle].tags; read != nil {
		if e.Tags, err = read(); err != nil {
			return nil, err
		}
	}
	across, up := coveredAngles(view)
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', 3, 64) }
	e.Properties = []photo.Property{
		{Name: "Surface", Value: sol.Output.Surface},
		{Name: "PxPerRadian", Value: number(sol.Output.PxPerRadian)},
		{Name: "HorizontalDegrees", Value: number(across.Degrees())},
		{Name: "VerticalDegrees", Value: number(up.Degrees())},
		{Name: "SourceCount", Value: fmt.Sprint(len(frames))},
		{Name: "UsedCount", Value: fmt.Sprint(used)},
		{Name: "Software", Value: software},
	}
	return &Origin{e}, nil
}

// coveredAngles returns how far the picture reaches: the change of azimuth
// along its middle line and of elevation down its middle column.
func coveredAngles(v warp.View) (across, up geom.Angle) {
	w, h := float64(v.Rect.Dx()), float64(v.Rect.Dy())
	sum := func(dx, dy float64, angle func(geom.Vec) float64) geom.Angle {
		const steps = 256 // so that none is as much as half a turn
		total, last, known := 0., 0., false
		for i := range steps + 1 {
			part := float64(i)/steps - 0.5
			ray, ok := v.RayAt(w/2+part*dx, h/2+part*dy)
			if !ok {
				known = false
				continue
			}
			a := angle(ray)
			if known {
				total += math.Abs(math.Remainder(a-last, 2*math.Pi))
			}
			last, known = a, true
		}
		return geom.Angle(total)
	}
	across = sum(w, 0, func(r geom.Vec) float64 { return math.Atan2(r.X, r.Z) })
	up = sum(0, h, func(r geom.Vec) float64 { return math.Atan2(-r.Y, math.Hypot(r.X, r.Z)) })
	return across, up
}
