package features

import (
	"cmp"
	"math"
	"slices"
	"testing"
)

// naiveMatch is MatchSets by its definition: everything is compared with
// everything, in float64.
func naiveMatch(a, b *Set, maxRatio float64) []Match {
	dist := func(d, e *descriptor) float64 {
		var dot float64
		for k := range d.v {
			dot += float64(d.v[k]) * float64(e.v[k])
		}
		return math.Sqrt(max(0, 2-2*dot))
	}
	type choice struct {
		best  int
		ratio float64
	}
	choose := func(a, b *Set) []choice {
		out := make([]choice, len(a.desc))
		for i := range out {
			all := make([]float64, len(b.desc))
			best := -1
			for j := range all {
				all[j] = dist(&a.desc[i], &b.desc[j])
				if best < 0 || all[j] < all[best] {
					best = j
				}
			}
			out[i] = choice{best, 1}
			if best < 0 {
				continue
			}
			second := math.Sqrt2
			for j, d := range all {
				p, q := b.Points[best], b.Points[j]
				if math.Hypot(p.X-q.X, p.Y-q.Y) >= 3*max(p.Scale, q.Scale) {
					second = min(second, d)
				}
			}
			out[i].ratio = all[best] / second
		}
		return out
	}
	ab, ba := choose(a, b), choose(b, a)
	var ms []Match
	for i, c := range ab {
		if c.best >= 0 && ba[c.best].best == i {
			if r := max(c.ratio, ba[c.best].ratio); r <= maxRatio {
				ms = append(ms, Match{i, c.best, float32(r)})
			}
		}
	}
	slices.SortStableFunc(ms, func(x, y Match) int { return cmp.Compare(x.Ratio, y.Ratio) })
	// One for each place, 3 × 3 pixels.
	var out []Match
	cell := func(p Point) [2]int { return [2]int{int(p.X / 3), int(p.Y / 3)} }
	for _, m := range ms {
		if !slices.ContainsFunc(out, func(n Match) bool {
			return cell(a.Points[m.A]) == cell(a.Points[n.A]) || cell(b.Points[m.B]) == cell(b.Points[n.B])
		}) {
			out = append(out, m)
		}
	}
	return out
}

// view returns the corners of a noisy view of a picture.
func view(t testing.TB, pic leaves, w, h int, deg float64, seed uint64) *Set {
	t.Helper()
	return detect(t, addNoise(pic.draw(w, h, about(w, h, deg*math.Pi/180, 1)), 0.01, seed), Options{MaxPoints: 600})
}

// TestMatchAgainstNaive: where no frame has more corners than are compared in
// full, nothing may differ from the definition.
func TestMatchAgainstNaive(t *testing.T) {
	const w, h = 160, 160
	some := func(s *Set, from, n int) *Set {
		to := min(from+n, len(s.Points))
		return &Set{Width: s.Width, Height: s.Height, Points: s.Points[from:to], desc: s.desc[from:to]}
	}
	found := 0
	for seed := range uint64(3) {
		pic := newLeaves(w, h, 20+seed)
		a, b := view(t, pic, w, h, 0, 1), view(t, pic, w, h, 0, 2)
		for from := 0; from+candidates < min(len(a.Points), 200); from += 5 {
			for _, maxRatio := range []float64{0.7, 0.85, 1} {
				x, y := some(a, from, candidates), some(b, from, candidates-int(seed))
				got, err := MatchSets(x, y, MatchOptions{MaxRatio: maxRatio})
				if err != nil {
					t.Fatal(err)
				}
				want := naiveMatch(x, y, maxRatio)
				same := slices.EqualFunc(got, want, func(m, n Match) bool {
					return m.A == n.A && m.B == n.B && math.Abs(float64(m.Ratio-n.Ratio)) <= 1e-3
				})
				if !same {
					t.Fatalf("seed %d, from %d, ratio %g: %v, want %v", seed, from, maxRatio, got, want)
				}
				found += len(got)
			}
		}
	}
	if found < 200 {
		t.Errorf("only %d matches: no test", found)
	}
}

// TestSelectionLosesLittle: the selection by codes costs at most 1 % of the right
// matches and adds at most 1 % of wrong ones.
func TestSelectionLosesLittle(t *testing.T) {
	const w, h = 260, 260
	var right, rightNaive, all, allNaive int
	seeds := uint64(2)
	if testing.Short() {
		seeds = 1
	}
	for seed := range seeds {
		pic := newLeaves(w, h, 30+seed)
		deg := 20 * float64(seed)
		a, b := view(t, pic, w, h, 0, 3), view(t, pic, w, h, deg, 4)
		got, err := MatchSets(a, b, MatchOptions{})
		if err != nil {
			t.Fatal(err)
		}
		want := naiveMatch(a, b, 0.85)
		r, _ := judge(a, b, got, about(w, h, deg*math.Pi/180, 1).apply)
		rn, _ := judge(a, b, want, about(w, h, deg*math.Pi/180, 1).apply)
		right, rightNaive, all, allNaive = right+r, rightNaive+rn, all+len(got), allNaive+len(want)
	}
	t.Logf("right %d of %d, naive %d of %d", right, all, rightNaive, allNaive)
	if rightNaive < 250*int(seeds) {
		t.Fatalf("only %d right matches: no test", rightNaive)
	}
	if !(float64(right) >= 0.99*float64(rightNaive)) {
		t.Errorf("%d right matches, %d when all are compared", right, rightNaive)
	}
	if wrong, was := all-right, allNaive-rightNaive; !(float64(wrong-was) <= 0.01*float64(rightNaive)) {
		t.Errorf("%d wrong matches, %d when all are compared", wrong, was)
	}
}

// TestMatchProperties: matches are mutual, sorted, within the ratio, one to one,
// and the same seen from the other side.
func TestMatchProperties(t *testing.T) {
	const w, h = 240, 240
	pic := newLeaves(w, h, 40)
	a, b := view(t, pic, w, h, 0, 5), view(t, pic, w, h, 15, 6)
	for _, maxRatio := range []float64{0.6, 0.85, 0.95} {
		ab, err := MatchSets(a, b, MatchOptions{MaxRatio: maxRatio})
		if err != nil {
			t.Fatal(err)
		}
		ba, err := MatchSets(b, a, MatchOptions{MaxRatio: maxRatio})
		if err != nil {
			t.Fatal(err)
		}
		if len(ab) < 50 {
			t.Errorf("ratio %g: %d matches", maxRatio, len(ab))
		}
		back := map[[2]int]bool{}
		for _, m := range ba {
			back[[2]int{m.B, m.A}] = true
		}
		missing := 0
		usedA, usedB := map[int]bool{}, map[int]bool{}
		for i, m := range ab {
			if !(float64(m.Ratio) <= maxRatio) || i > 0 && m.Ratio < ab[i-1].Ratio || usedA[m.A] || usedB[m.B] {
				t.Errorf("ratio %g: match %d is %+v", maxRatio, i, m)
			}
			usedA[m.A], usedB[m.B] = true, true
			if !back[[2]int{m.A, m.B}] {
				missing++
			}
		}
		if missing > 0 || len(ab) != len(ba) {
			t.Errorf("ratio %g: %d of %d matches are not among the %d of the other side", maxRatio, missing, len(ab), len(ba))
		}
	}
	for _, r := range []float64{-0.1, 1.1} {
		if _, err := MatchSets(a, b, MatchOptions{MaxRatio: r}); err == nil {
			t.Errorf("no error for a ratio of %g", r)
		}
	}
	standard, err := MatchSets(a, b, MatchOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if stated, _ := MatchSets(a, b, MatchOptions{MaxRatio: 0.85}); !slices.Equal(standard, stated) {
		t.Error("the default is not that in the comment")
	}
}

// TestMatchUnrelated: different pictures have next to no matches.
func TestMatchUnrelated(t *testing.T) {
	const w, h = 240, 240
	a, b := view(t, newLeaves(w, h, 50), w, h, 0, 7), view(t, newLeaves(w, h, 51), w, h, 0, 8)
	ms, err := MatchSets(a, b, MatchOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d of %d", len(ms), len(a.Points))
	if !(float64(len(ms)) <= 0.05*float64(len(a.Points))) {
		t.Errorf("%d of %d corners matched with another picture", len(ms), len(a.Points))
	}
}

// TestDedupe: the surest match of a place is kept, in either frame.
func TestDedupe(t *testing.T) {
	a := &Set{Points: []Point{{X: 10, Y: 10, Scale: 1}, {X: 10.5, Y: 10.4, Scale: 1.4}, {X: 50, Y: 50, Scale: 1}, {X: 90, Y: 10, Scale: 1}}}
	b := &Set{Points: []Point{{X: 20, Y: 10, Scale: 1}, {X: 60, Y: 50, Scale: 1}, {X: 60.5, Y: 50.5, Scale: 2}, {X: 95, Y: 10, Scale: 1}}}
	got := dedupe([]Match{{0, 0, 0.1}, {1, 1, 0.2}, {2, 2, 0.3}, {3, 1, 0.4}, {3, 3, 0.5}}, a, b)
	// The second is the first's place in a; the fourth is the third's in b.
	if want := []Match{{0, 0, 0.1}, {2, 2, 0.3}, {3, 3, 0.5}}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
