package stitch

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
)

// evidence is what the full-size comparison says about two placed frames,
// a < b as positions in the rig.
type evidence struct {
	a, b    int
	overlap float64
	// tried corners were looked for in the other frame, found of them look
	// alike there, and fit of these lie where the rig says.
	tried, found, fit int
	rmsPx             float64 // of those that fit, weighted by their predicted precision
	spreadPx          float64 // median residual of all found, whether they fit or not
	ties              []tie   // all found
	verdict           Verdict
	shift             *ShiftSolution // nil if nothing called for a closer look
}

const (
	// Of the corners tried in an overlap, the share that must be found again
	// and fit. Right joins of rendered and real rows reach 0.3 to 0.95
	// (ripples, leaves and waves are lost), wrong ones stay under 0.03; see
	// TestUnrelatedPairs.
	minFitShare  = 0.08
	weakFitShare = 0.2
	// minFit is the number of fitting corners below which a join is not
	// believed, weakFit the one below which it is weak.
	minFit, weakFit = 8, 25
	// weakSpread is the median residual above which something other than
	// noise is at work (parallax, movement), as a share of the diagonal, and
	// weakSpreadPx its least value in pixels: nobody sees less.
	weakSpread, weakSpreadPx = 0.0007, 1.0
	// fitLimit is how many times the ties' own sigma a residual may be.
	fitLimit = 4.0
)

// weakSpreadPx is the median residual from which a join is weak.
func (a *aligner) weakSpreadPx() float64 {
	return max(weakSpreadPx, weakSpread*math.Hypot(float64(a.rig.width), float64(a.rig.height)))
}

// verify judges each overlap and makes sure that the placed frames hang
// together by overlaps that are believed.
func (a *aligner) verify(overlapping []*pair, sides []sideTies) error {
	var sumSq, weight float64
	for i, p := range overlapping {
		ci, cj := a.rig.camera(p.a), a.rig.camera(p.b)
		e := evidence{a: p.a, b: p.b, overlap: overlapShare(&ci, &cj)}
		var all []float64
		var pairSq, pairWeight float64
		for _, s := range sides[2*i : 2*i+2] {
			e.tried += s.tried
			e.found += len(s.ties)
			e.ties = append(e.ties, s.ties...)
			for k, px := range residualsPx(&a.rig, s.ties) {
				all = append(all, px)
				// The tie's own predicted error sets the limit, but never
				// below a pixel of the working size: parallax of half a
				// working pixel still joins.
				info := &s.ties[k].info
				limit := max(fitLimit*a.scale/2/math.Sqrt(min(info[0], info[2])), float64(a.shrink))
				if px <= limit {
					e.fit++
					w := info[0] + info[2]
					pairSq += w * px * px
					pairWeight += w
				}
			}
		}
		e.spreadPx = median(all)
		if e.fit > 0 {
			e.rmsPx = math.Sqrt(pairSq / pairWeight)
		}
		sumSq += pairSq
		weight += pairWeight
		share := float64(e.fit) / float64(max(e.tried, 1))
		switch {
		case e.fit < minFit || share < minFitShare:
			e.verdict = NotJoined
		case e.fit < weakFit || share < weakFitShare || e.spreadPx > a.weakSpreadPx():
			e.verdict = Weak
		default:
			e.verdict = Joined
		}
		a.evidence = append(a.evidence, e)
	}
	if weight > 0 {
		a.rmsPx = math.Sqrt(sumSq / weight)
	}
	return a.believedTogether()
}

// believedTogether returns an error that wraps ErrNotJoined unless the placed
// frames are connected by overlaps that are believed.
func (a *aligner) believedTogether() error {
	var good []*pair
	for _, e := range a.evidence {
		if e.verdict != NotJoined {
			good = append(good, &pair{a: e.a, b: e.b})
		}
	}
	groups := components(len(a.placed), good)
	if len(groups) == 1 {
		return nil
	}
	// Name the overlap between the groups that had the most evidence.
	var best *evidence
	for i := range a.evidence {
		e := &a.evidence[i]
		if slices.Contains(groups[0], e.a) == slices.Contains(groups[0], e.b) {
			continue
		}
		if best == nil || e.fit > best.fit {
			best = e
		}
	}
	if best == nil {
		return fmt.Errorf("%w: no two frames overlap enough", ErrNotJoined)
	}
	name := func(i int) string { return filepath.Base(a.frames[a.placed[i]].Name) }
	return fmt.Errorf("%w: between %s and %s only %d of %d details lie where a turn of the camera would put them (overlap %.0f %%); "+
		"if the camera moved or the subject is near, reshoot turning about the lens's entrance pupil; else overlap by a third",
		ErrNotJoined, name(best.a), name(best.b), best.fit, best.tried, 100*best.overlap)
}
