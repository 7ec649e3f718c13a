package card

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"slices"
)

// What differs between the shots of a position.
const (
	variesFocus    = "focus"
	variesExposure = "exposure"
)

// varies returns what differs between shots of one view, or nothing.
func (s *sorter) varies(p []int) string {
	var least, most, focus float64
	for k, i := range p[1:] {
		a, b := s.looks[p[0]], s.looks[i]
		_, dx, dy := sameness(&a.view, &b.view)
		stops, ok := exposureStops(&a.view, &b.view, dx, dy)
		if !ok && a.shot.Exposed && b.shot.Exposed {
			stops, ok = b.shot.ExposureEV-a.shot.ExposureEV, true
		}
		if !ok { // all of it clipped or dark in one: far apart
			stops = 2
		}
		least, most = min(least, stops), max(most, stops)
		for _, j := range p[:k+1] {
			focus = max(focus, focusChange(&s.looks[j].sharp, &b.sharp))
		}
	}
	switch {
	case most-least >= stopsApart:
		return variesExposure
	case focus >= focusApart:
		return variesFocus
	}
	return ""
}

// result writes the sets down in the order in which they were begun.
func (s *sorter) result(r *Result) {
	// Shots by the clock where there is one, camera by camera else.
	order := make([]int, len(s.looks))
	for i := range order {
		order[i] = i
	}
	place := make([]int, len(order))
	for k, i := range order {
		place[i] = k
		r.Shots = append(r.Shots, s.looks[i].shot)
	}
	first := func(x *set) int {
		lo := math.MaxInt
		for _, p := range x.positions {
			lo = min(lo, slices.Min(p))
		}
		return lo
	}
	slices.SortStableFunc(s.sets, func(a, b set) int { return cmp.Compare(first(&a), first(&b)) })
	digits := max(2, len(fmt.Sprint(len(s.sets))))
	for k := range s.sets {
		x := &s.sets[k]
		out := Set{Overlaps: x.overlaps}
		count := map[string]int{}
		several := 0
		for _, p := range x.positions {
			q := make([]int, len(p))
			for i, v := range p {
				q[i] = place[v]
			}
			out.Positions = append(out.Positions, q)
			if len(p) > 1 {
				several++
				count[s.varies(p)]++
			}
		}
		for _, v := range []string{variesFocus, variesExposure} {
			if 2*count[v] >= len(x.positions) && count[v] > count[out.Varies] {
				out.Varies = v
			}
		}
		switch {
		case len(x.positions) > 1 && out.Varies != "":
			out.Kind = BracketRow
		case len(x.positions) > 1:
			out.Kind = Row
		case several == 0:
			out.Kind = Single
		case out.Varies == variesFocus:
			out.Kind = FocusBracket
		case out.Varies == variesExposure:
			out.Kind = Exposures
		default:
			out.Kind = Repeats
		}
		if len(x.positions) > 1 {
			out.Direction = x.direction()
			out.Notes = s.notes(x, r)
		}
		out.Name = fmt.Sprintf("%0*d-%s", digits, k+1, out.Kind.inName())
		r.Sets = append(r.Sets, out)
	}
}

// direction says how the camera turned from the first position to the last.
func (x *set) direction() string {
	if x.unordered {
		return "unordered"
	}
	var sx, sy float64
	for _, p := range x.steps {
		sx, sy = sx+p.X, sy+p.Y
	}
	// What was in the middle moves against the turn.
	switch {
	case math.Abs(sx) >= math.Abs(sy) && sx < 0:
		return "left to right"
	case math.Abs(sx) >= math.Abs(sy):
		return "right to left"
	case sy > 0:
		return "upward"
	}
	return "downward"
}

// thinOverlap is the share of the frame below which a row's join is at risk.
const thinOverlap = 0.15

func (s *sorter) notes(x *set, r *Result) (notes []string) {
	for k, o := range x.overlaps {
		if o < thinOverlap {
			a, b := s.looks[x.positions[k][0]].shot.Files[0], s.looks[x.positions[k+1][0]].shot.Files[0]
			if o == 0 {
				notes = append(notes, fmt.Sprintf("Nothing shows that %s and %s overlap; run check on this row before you leave.", filepath.Base(a), filepath.Base(b)))
				continue
			}
			notes = append(notes, fmt.Sprintf("%s and %s share only %.0f %%; run check on this row before you leave.", filepath.Base(a), filepath.Base(b), 100*o))
		}
	}
	return notes
}
