package features

import (
	"cmp"
	"errors"
	"slices"
)

// Match says that Points[A] of one set and Points[B] of another look alike.
type Match struct {
	A, B int
	// Ratio is the distance of the best candidate over that of the second
	// best, 0 to 1; smaller is surer.
	Ratio float32
}

// MatchOptions are the settings of [MatchSets]. The zero value is the default.
type MatchOptions struct {
	// MaxRatio is the largest ratio of best to second-best distance (Lowe
	// 2004 sec. 7.1); zero means 0.85. Larger finds more and wronger matches.
	MaxRatio float64
}

// Validate reports the first setting that is out of range.
func (o MatchOptions) Validate() error {
	if o.MaxRatio < 0 || o.MaxRatio > 1 {
		return errors.New("features: MaxRatio must be between 0 and 1")
	}
	return nil
}

// candidates is how many of the nearest codes are compared in full; against
// comparing all of them, 8 lose under 1 % of the right matches and let 2 % more
// wrong ones pass (DEVELOPERS.md, "What was compared").
const candidates = 8

// MatchSets returns the matches between two sets that pass the ratio test and
// choose each other, one for each place in either frame, surest first.
func MatchSets(a, b *Set, o MatchOptions) ([]Match, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if o.MaxRatio == 0 {
		o.MaxRatio = 0.85
	}
	ab, ba := nearest(a, b), nearest(b, a)
	var out []Match
	for i, m := range ab {
		if m.best < 0 || ba[m.best].best != int32(i) {
			continue
		}
		// The ratio must hold seen from either side.
		r := max(m.ratio, ba[m.best].ratio)
		if float64(r) <= o.MaxRatio {
			out = append(out, Match{A: i, B: int(m.best), Ratio: r})
		}
	}
	slices.SortStableFunc(out, func(x, y Match) int { return cmp.Compare(x.Ratio, y.Ratio) })
	return dedupe(out, a, b), nil
}

type choice struct {
	best  int32 // −1 if none
	ratio float32
}

// nearest finds, for each point of a, its nearest in b and the ratio to the
// next nearest elsewhere in the frame: a second descriptor of the same corner
// is no rival.
func nearest(a, b *Set) []choice {
	out := make([]choice, len(a.desc))
	type cand struct {
		dist int32
		i    int32
	}
	// Side by side the codes stay in a processor's nearest memory.
	codes := make([]code, len(b.desc))
	for j := range codes {
		codes[j] = b.desc[j].code
	}
	for i := range a.desc {
		d := &a.desc[i]
		var top [candidates]cand
		n := 0
		worst := int32(1 << 30)
		for j := range codes {
			h := int32(d.code.hamming(&codes[j]))
			if h >= worst {
				continue
			}
			k := n
			if n < candidates {
				n++
			} else {
				k = candidates - 1
			}
			for k > 0 && top[k-1].dist > h {
				top[k] = top[k-1]
				k--
			}
			top[k] = cand{h, int32(j)}
			if n == candidates {
				worst = top[candidates-1].dist
			}
		}
		out[i] = choice{best: -1, ratio: 1}
		var exact [candidates]float32
		best := -1
		for k := range n {
			exact[k] = d.distSq(&b.desc[top[k].i])
			if best < 0 || exact[k] < exact[best] {
				best = k
			}
		}
		if best < 0 {
			continue
		}
		p := &b.Points[top[best].i]
		second := float32(2)
		for k := range n {
			if q := &b.Points[top[k].i]; near(p, q) {
				continue
			}
			second = min(second, exact[k])
		}
		out[i] = choice{top[best].i, sqrt32(exact[best] / max(second, 1e-12))}
	}
	return out
}

// near reports whether two points are the same place seen at about the same
// scale, or at neighbouring ones.
func near(p, q *Point) bool {
	r := 3 * max(p.Scale, q.Scale)
	dx, dy := p.X-q.X, p.Y-q.Y
	return dx*dx+dy*dy < r*r
}

// dedupe keeps the surest match at each place: corners found again on the
// next pyramid level would count the same evidence twice.
func dedupe(ms []Match, a, b *Set) []Match {
	type key struct{ x, y int32 }
	const cell = 3.0
	seenA, seenB := map[key]bool{}, map[key]bool{}
	at := func(p *Point) key { return key{int32(p.X / cell), int32(p.Y / cell)} }
	out := ms[:0]
	for _, m := range ms {
		ka, kb := at(&a.Points[m.A]), at(&b.Points[m.B])
		if seenA[ka] || seenB[kb] {
			continue
		}
		seenA[ka], seenB[kb] = true, true
		out = append(out, m)
	}
	return out
}
