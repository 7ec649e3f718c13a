package card

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
)

const (
	// leastSame is the correlation of two views from which they are the same:
	// see TestSameness.
	leastSame = 0.45
	// memory is how many shots of a position a further one is compared with, as
	// the darkest and the brightest of a bracket may share little.
	memory = 4
	// maxPause is the longest pause between two shots of a set, beside the
	// exposure itself.
	maxPause = 4 * time.Minute
	// maxStrangers is how many unrelated frames may lie within a set.
	maxStrangers = 3
	// leastStep is the smallest turn, in shares of the frame, that makes another
	// position.
	leastStep = 0.12
	// stopsApart is the difference of exposure from which two shots are
	// variants.
	stopsApart = 0.3
	// focusApart is the change of sharpness, see focusChange, from which two
	// shots are focused differently.
	focusApart = 1.5
	// straight is the least cosine between two steps of a row.
	straight = 0.6
	// uneven is the largest ratio of two steps of a row that follow each other.
	uneven = 1.9
)

// Sort looks at all photographs below the given files and folders and groups
// them. A file that can't be read, for whatever reason, is listed in
// Result.Unread and stops nothing. The error wraps [ErrNothing] if nothing is
// left to sort; it is ctx's if that is cancelled.
func Sort(ctx context.Context, paths []string, o Options) (*Result, error) {
	res := &Result{Shots: []Shot{}, Sets: []Set{}, Unread: []Unread{}}
	fail := func(path string, err error) {
		res.Unread = append(res.Unread, Unread{path, strings.TrimPrefix(err.Error(), path+": ")})
	}
	files, others, err := list(paths, fail)
	if err != nil {
		return nil, err
	}
	res.Others = others
	looks, err := readAll(ctx, files, o, fail)
	if err != nil {
		return nil, err
	}
	if len(looks) == 0 {
		return res, nothing(res)
	}
	s := &sorter{o: o}
	for _, stream := range streams(mergeFiles(looks)) {
		if err := s.sort(ctx, stream); err != nil {
			return nil, err
		}
	}
	s.result(res)
	return res, nil
}

// nothing says why there is nothing to sort.
func nothing(r *Result) error {
	switch {
	case len(r.Unread) > 0:
		return fmt.Errorf("%w: none of %d files could be read; the first, %s: %s", ErrNothing, len(r.Unread), r.Unread[0].File, r.Unread[0].Why)
	case r.Others > 0:
		return fmt.Errorf("%w: none of %d files ends in .jpg, .jpeg, .png, .tif or .tiff; name the folder of the photographs", ErrNothing, r.Others)
	}
	return fmt.Errorf("%w: the folder is empty; name the folder of the photographs", ErrNothing)
}

// sorter groups looks; indices count all streams.
type sorter struct {
	o     Options
	looks []*look
	of    []int // the stream of each
	sets  []set
	turns sync.Map // of [2]int to what turned found, so that no pair is matched twice
	nth   int      // streams so far
}

// set is a set in the making.
type set struct {
	positions [][]int
	steps     []geom.Pt // from each position to the next
	overlaps  []float64
	unordered bool
}

// same reports whether two shots show the same view.
func (s *sorter) same(i, j int) bool {
	a, b := s.looks[i], s.looks[j]
	if !s.comparable(i, j) {
		return false
	}
	c, _, _ := sameness(&a.view, &b.view)
	return c >= leastSame
}

// comparable reports whether nothing but their pictures can keep two shots
// apart.
func (s *sorter) comparable(i, j int) bool {
	a, b := s.looks[i], s.looks[j]
	if a.luma.Rect != b.luma.Rect || a.view.contrast < blank || b.view.contrast < blank {
		return false
	}
	if f, g := a.shot.FocalMM, b.shot.FocalMM; f > 0 && g > 0 && math.Abs(f/g-1) > 0.03 {
		return false
	}
	return s.pause(i, j) <= maxPause
}

// pause is the time between the end of one exposure and the start of the other,
// zero if unknown.
func (s *sorter) pause(i, j int) time.Duration {
	a, b := s.looks[i], s.looks[j]
	if a.shot.Time.IsZero() || b.shot.Time.IsZero() {
		return 0
	}
	if a.shot.Time.After(b.shot.Time) {
		a, b = b, a
	}
	return max(0, b.shot.Time.Sub(a.shot.Time)-time.Duration(a.seconds*float64(time.Second)))
}

// turned returns the turn from i to j, if there is one.
func (s *sorter) turned(i, j int) (turn, bool) {
	if !s.comparable(i, j) {
		return turn{}, false
	}
	v, _ := s.turns.LoadOrStore([2]int{i, j}, sync.OnceValues(func() (turn, bool) {
		t, ok := findTurn(s.looks[i], s.looks[j], s.o.Seed, uint64(i)<<32|uint64(j))
		return t, ok && math.Hypot(t.step.X, t.step.Y) >= leastStep
	}))
	return v.(func() (turn, bool))()
}

// between returns the turn between two positions: of the pair of their shots
// with the most agreement, tried until one is sure. Shots at the same place of
// their brackets are tried first, as they are focused alike.
func (s *sorter) between(p, q []int) (best turn, ok bool) {
	type try struct{ i, j int }
	var tries []try
	for k := range min(len(p), len(q)) {
		tries = append(tries, try{p[k], q[k]})
	}
	for a, i := range p {
		for b, j := range q {
			if a != b {
				tries = append(tries, try{i, j})
			}
		}
	}
	const most, sure = 12, 40
	for _, t := range tries[:min(len(tries), most)] {
		if r, found := s.turned(t.i, t.j); found && (!ok || r.inliers > best.inliers) {
			best, ok = r, true
			if best.inliers >= sure {
				break
			}
		}
	}
	return best, ok
}

// sort groups one camera's photographs, which are in order.
func (s *sorter) sort(ctx context.Context, stream []*look) error {
	first, old := len(s.looks), len(s.sets)
	for range stream {
		s.of = append(s.of, s.nth)
	}
	s.nth++
	s.looks = append(s.looks, stream...)
	n := len(stream)
	// Same views, near in the sequence.
	sames := make([][memory]bool, n)
	done := counter(n, s.o.Progress, "compare")
	if err := par.Do(ctx, s.o.Workers, n, func(k int) error {
		for d := 1; d <= memory && k+d < n; d++ {
			sames[k][d-1] = s.same(first+k, first+k+d)
		}
		done()
		return nil
	}); err != nil {
		return err
	}
	stands := s.stands(first, n, sames)
	// Turns between stands that follow each other, and over strangers.
	const reach = maxStrangers + 1
	links := make([][reach]*turn, len(stands))
	done = counter(len(stands), s.o.Progress, "match")
	if err := par.Do(ctx, s.o.Workers, len(stands), func(k int) error {
		for d := 1; d <= reach && k+d < len(stands); d++ {
			if t, ok := s.between(stands[k], stands[k+d]); ok {
				links[k][d-1] = &t
			}
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		done()
		return nil
	}); err != nil {
		return err
	}
	limit := s.longPause(stands, func(k int) bool { return links[k][0] != nil })
	link := func(a, b int) *turn {
		if b-a > reach || s.pause(last(stands[a]), stands[b][0]) > limit {
			return nil
		}
		return links[a][b-a-1]
	}
	// Chains of linked stands; strangers within them stand apart.
	var chain []int
	var alone []int
	for k := 0; k < len(stands); {
		chain = append(chain[:0], k)
		for {
			end := last(chain)
			next := end + 1
			for next < len(stands) && next-end <= reach && link(end, next) == nil {
				next++
			}
			if next >= len(stands) || next-end > reach {
				break
			}
			// What was passed over must belong to neither side.
			strangers := true
			for m := end + 1; m < next; m++ {
				strangers = strangers && link(m, next) == nil && len(stands[m]) == 1
			}
			if next > end+1 && !strangers {
				break
			}
			for m := end + 1; m < next; m++ {
				alone = append(alone, m)
			}
			chain = append(chain, next)
		}
		k = last(chain) + 1
		s.cut(stands, chain, link)
	}
	for _, m := range alone {
		s.sets = append(s.sets, set{positions: [][]int{stands[m]}})
	}
	found := s.bridge(slices.Clone(s.sets[old:]), limit)
	if !s.trusted(found, stands, link) {
		var err error
		if found, err = s.gather(ctx, found); err != nil {
			return err
		}
	}
	s.sets = append(s.sets[:old], found...)
	return nil
}

// longPause returns the pause from which two stands that overlap belong to two
// rows: half a minute, or more for a photographer who takes his time.
func (s *sorter) longPause(stands [][]int, linked func(k int) bool) time.Duration {
	var pauses []float64
	for k := range len(stands) - 1 {
		if p := s.pause(last(stands[k]), stands[k+1][0]); p > 0 && linked(k) {
			pauses = append(pauses, p.Seconds())
		}
	}
	return time.Duration(max(30, 4*median(pauses)) * float64(time.Second))
}

func last[T any](p []T) T { return p[len(p)-1] }

// stands groups consecutive shots of the same view, over strangers in between.
func (s *sorter) stands(first, n int, sames [][memory]bool) (out [][]int) {
	used := make([]bool, n)
	for k := range n {
		if used[k] {
			continue
		}
		used[k] = true
		stand := []int{k}
		for m := k + 1; m < n; m++ {
			if used[m] {
				continue
			}
			belongs := false
			for _, j := range stand[max(0, len(stand)-memory):] {
				belongs = belongs || m-j <= memory && sames[j][m-j-1]
			}
			end := last(stand)
			if belongs && m > end+1 {
				// Frames between that overlap it are a row's, which came back.
				for x := end + 1; x < m; x++ {
					if _, ok := s.turned(first+end, first+x); ok {
						belongs = false
					}
					if _, ok := s.turned(first+x, first+m); ok {
						belongs = false
					}
				}
			}
			if belongs {
				used[m] = true
				stand = append(stand, m)
			} else if m-end >= memory {
				break
			}
		}
		for i := range stand {
			stand[i] += first
		}
		out = append(out, s.parts(stand)...)
	}
	slices.SortStableFunc(out, func(a, b []int) int { return cmp.Compare(a[0], b[0]) })
	return out
}

// parts divides the shots of one view where a pause is out of proportion: a test
// shot and what followed it, two brackets of one view.
func (s *sorter) parts(stand []int) (out [][]int) {
	var pauses []float64
	for k := 1; k < len(stand); k++ {
		pauses = append(pauses, s.pause(stand[k-1], stand[k]).Seconds())
	}
	usual := median(pauses)
	if len(pauses) > 0 {
		// Of two pauses the shorter is the usual one.
		sorted := slices.Clone(pauses)
		slices.Sort(sorted)
		usual = sorted[(len(sorted)-1)/2]
	}
	start := 0
	for k, p := range pauses {
		if p > max(15, 4*usual) {
			out = append(out, stand[start:k+1])
			start = k + 1
		}
	}
	return append(out, stand[start:])
}

// cut divides a chain of linked stands into rows where the camera turned back,
// and adds the sets.
func (s *sorter) cut(stands [][]int, chain []int, link func(a, b int) *turn) {
	n := len(chain)
	if n == 1 {
		s.sets = append(s.sets, set{positions: [][]int{stands[chain[0]]}})
		return
	}
	steps := make([]*turn, n-1)
	for k := range steps {
		steps[k] = link(chain[k], chain[k+1])
	}
	// A bracket and a single frame beside it are no row, unless the row goes on
	// on the bracket's other side.
	for k := range steps {
		c, size := k, len(stands[chain[k]])
		if m := len(stands[chain[k+1]]); m > size {
			c, size = k+1, m
		}
		other := min(len(stands[chain[k]]), len(stands[chain[k+1]]))
		unlike := size >= 3 && size >= 3*other || n == 2 && size != other
		if other > 1 {
			// Brackets of focus and of exposure are not one row, either.
			v, w := s.varies(stands[chain[k]]), s.varies(stands[chain[k+1]])
			unlike = unlike || v != w && v != "" && w != ""
		}
		if !unlike || c > 0 && c < n-1 && goesOn(steps[c-1], steps[c]) && other == 1 {
			continue
		}
		s.cut(stands, chain[:k+1], link)
		s.cut(stands, chain[k+1:], link)
		return
	}
	// Stretches of one direction, as first and last place in the chain.
	type stretch struct{ from, to int }
	var all []stretch
	cur := stretch{0, 1}
	for k := 1; k < len(steps); k++ {
		if goesOn(steps[k-1], steps[k]) {
			cur.to = k + 1
			continue
		}
		all = append(all, cur)
		cur = stretch{k, k + 1}
	}
	all = append(all, cur)
	// The longest takes its stands first. One at which two longer stretches meet
	// goes to the one whose step to it is the more regular.
	order := make([]int, len(all))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(all[b].to-all[b].from, all[a].to-all[a].from) })
	owner := make([]int, n)
	for i := range owner {
		owner[i] = -1
	}
	for _, i := range order {
		x := all[i]
		for k := x.from; k <= x.to; k++ {
			if owner[k] < 0 {
				owner[k] = i
			}
		}
		if i > 0 && owner[x.from] == i && irregular(steps[x.from:x.to], 0) > irregular(steps[all[i-1].from:x.from], -1) {
			owner[x.from] = i - 1
		}
		if i+1 < len(all) && owner[x.to] == i && irregular(steps[x.from:x.to], -1) > irregular(steps[x.to:all[i+1].to], 0) {
			owner[x.to] = i + 1
		}
	}
	for k := 0; k < n; {
		m := k
		for m+1 < n && owner[m+1] == owner[k] {
			m++
		}
		x := set{}
		for p := k; p <= m; p++ {
			x.positions = append(x.positions, stands[chain[p]])
			if p < m {
				x.steps = append(x.steps, steps[p].step)
				x.overlaps = append(x.overlaps, steps[p].overlap)
			}
		}
		s.sets = append(s.sets, x)
		k = m + 1
	}
}

// goesOn reports whether a step goes on in the direction of the one before and
// about as far.
func goesOn(a, b *turn) bool {
	p, q := a.step, b.step
	m, n := math.Hypot(p.X, p.Y), math.Hypot(q.X, q.Y)
	return p.X*q.X+p.Y*q.Y >= straight*m*n && max(m, n) <= uneven*min(m, n)
}

// irregular returns by how much the first step of a stretch, or with −1 the last,
// differs from the mean of the others, as a share of that. A single step
// compares with nothing: it counts as more irregular than a hand.
func irregular(steps []*turn, which int) float64 {
	const single = 0.5
	n := len(steps)
	if n < 2 {
		return single
	}
	if which < 0 {
		which = n - 1
	}
	var mean geom.Pt
	for k, t := range steps {
		if k != which {
			mean.X, mean.Y = mean.X+t.step.X/float64(n-1), mean.Y+t.step.Y/float64(n-1)
		}
	}
	return steps[which].step.Sub(mean).Norm() / max(mean.Norm(), leastStep)
}

// bridge joins rows of one stream that follow each other as if they were one,
// but for a pair in which nothing shows that it overlaps: bare sand, a gap. Their
// clock must tell that there was no pause, as most rows of a photographer look
// alike but for what they show.
func (s *sorter) bridge(sets []set, limit time.Duration) (out []set) {
	slices.SortStableFunc(sets, func(a, b set) int { return cmp.Compare(a.positions[0][0], b.positions[0][0]) })
	for _, x := range sets {
		if n := len(out); n > 0 && s.bridges(&out[n-1], &x, limit) {
			y := &out[n-1]
			y.positions = append(y.positions, x.positions...)
			y.steps = append(append(y.steps, geom.Pt{}), x.steps...)
			y.overlaps = append(append(y.overlaps, 0), x.overlaps...)
			continue
		}
		out = append(out, x)
	}
	return out
}

func (s *sorter) bridges(a, b *set, limit time.Duration) bool {
	if len(a.steps) == 0 || len(b.steps) == 0 || last(last(a.positions))+1 != b.positions[0][0] ||
		len(a.positions[0]) != len(b.positions[0]) {
		return false
	}
	mean := func(steps []geom.Pt) *turn {
		var m geom.Pt
		for _, p := range steps {
			m.X, m.Y = m.X+p.X/float64(len(steps)), m.Y+p.Y/float64(len(steps))
		}
		return &turn{step: m}
	}
	if !goesOn(mean(a.steps), mean(b.steps)) {
		return false
	}
	// The nearest shots on either side that have a time.
	timed := func(p []int) []int {
		return slices.DeleteFunc(slices.Clone(p), func(i int) bool { return s.looks[i].shot.Time.IsZero() })
	}
	before, after := timed(slices.Concat(a.positions...)), timed(slices.Concat(b.positions...))
	if len(before) == 0 || len(after) == 0 ||
		s.pause(last(before), after[0]) > limit*time.Duration(after[0]-last(before)) {
		return false
	}
	for _, p := range a.positions {
		for _, q := range b.positions {
			if s.same(p[0], q[0]) {
				return false
			}
			if _, ok := s.turned(p[0], q[0]); ok {
				return false
			}
		}
	}
	return true
}

// trusted reports whether the order of a stream explains what its photographs
// have in common: the sets found in it from first to last, against the overlaps
// of neighbours that it leaves between them. In files that were renamed or mixed
// most are left.
func (s *sorter) trusted(sets []set, stands [][]int, link func(a, b int) *turn) bool {
	of := map[int]int{}
	kept, left := 0, 0
	for k := range sets {
		for _, p := range sets[k].positions {
			of[p[0]] = k
			kept += len(p)
		}
		kept--
	}
	for a := range stands {
		for b := a + 1; b < len(stands) && b-a <= maxStrangers+1; b++ {
			x, y := &sets[of[stands[a][0]]], &sets[of[stands[b][0]]]
			if t := link(a, b); x != y && t != nil && t.inliers >= surely && !s.beside(x, y) && !s.beside(y, x) {
				left++
			}
		}
	}
	return kept > 0 && kept >= 2*left
}

// beside reports whether a stand by itself was taken beside a row, not as a part
// of it: a bracket beside single frames, or a test shot of what the row shows.
func (s *sorter) beside(x, row *set) bool {
	const least, most = 3, 0.6
	if len(x.positions) != 1 || len(row.positions) < least {
		return false
	}
	p := x.positions[0]
	return len(p) >= 3*len(row.positions[0]) || slices.ContainsFunc(row.positions, func(q []int) bool {
		t, ok := s.turned(min(p[0], q[0]), max(p[0], q[0]))
		return ok && t.overlap >= most || s.same(p[0], q[0])
	})
}

// gather looks, in a stream whose order is not trusted, for what the order did
// not bring together. All positions of different sets are compared with each
// other, and sets joined that overlap and do not show the same.
func (s *sorter) gather(ctx context.Context, sets []set) ([]set, error) {
	if !slices.ContainsFunc(sets, func(x set) bool {
		return slices.ContainsFunc(slices.Concat(x.positions...), func(i int) bool { return s.looks[i].shot.Time.IsZero() })
	}) {
		return sets, nil // the clock is the order
	}
	// All pairs of positions of different sets.
	type pair struct{ a, b, p, q int }
	var pairs []pair
	for a := range sets {
		for b := a + 1; b < len(sets); b++ {
			for p := range sets[a].positions {
				for q := range sets[b].positions {
					pairs = append(pairs, pair{a, b, p, q})
				}
			}
		}
	}
	type found struct {
		turn     turn
		ok, same bool
	}
	results := make([]found, len(pairs))
	done := counter(len(pairs), s.o.Progress, "gather")
	if err := par.Do(ctx, s.o.Workers, len(pairs), func(k int) error {
		i, j := sets[pairs[k].a].positions[pairs[k].p][0], sets[pairs[k].b].positions[pairs[k].q][0]
		r := &results[k]
		r.same = s.same(i, j)
		r.turn, r.ok = s.turned(i, j)
		done()
		return ctx.Err()
	}); err != nil {
		return nil, err
	}
	// Two sets join if they overlap somewhere and nowhere show the same.
	n := len(sets)
	joins, blocked := make([]int, n*n), make([]bool, n*n)
	for k, p := range pairs {
		r := &results[k]
		if r.same {
			blocked[p.a*n+p.b] = true
		}
		if r.ok && r.turn.inliers >= surely {
			joins[p.a*n+p.b] += r.turn.inliers
		}
	}
	group := make([]int, n)
	for i := range group {
		group[i] = i
	}
	type edge struct{ a, b, w int }
	var edges []edge
	for a := range n {
		for b := a + 1; b < n; b++ {
			if w := joins[a*n+b]; w > 0 && !blocked[a*n+b] {
				edges = append(edges, edge{a, b, w})
			}
		}
	}
	slices.SortStableFunc(edges, func(x, y edge) int { return cmp.Compare(y.w, x.w) })
	for _, e := range edges {
		g, h := group[e.a], group[e.b]
		if g == h {
			continue
		}
		free := true
		for i := range n {
			for j := range n {
				if group[i] == g && group[j] == h && blocked[min(i, j)*n+max(i, j)] {
					free = false
				}
			}
		}
		if !free {
			continue
		}
		for i := range group {
			if group[i] == h {
				group[i] = g
			}
		}
	}
	var out []set
	for g := range n {
		var members []int
		for i := range group {
			if group[i] == g {
				members = append(members, i)
			}
		}
		switch len(members) {
		case 0:
		case 1:
			out = append(out, sets[members[0]])
		default:
			out = append(out, s.laidOut(sets, members))
		}
	}
	return out, nil
}

// surely is the number of agreeing corners from which two photographs that the
// order keeps apart are taken to overlap.
const surely = 14

// laidOut joins sets into one row, its positions in the order in which they
// lie: along the direction in which they spread most, by the turns that tie
// them together.
func (s *sorter) laidOut(sets []set, members []int) set {
	x := set{unordered: true}
	for _, m := range members {
		x.positions = append(x.positions, sets[m].positions...)
	}
	slices.SortStableFunc(x.positions, func(a, b []int) int { return cmp.Compare(a[0], b[0]) })
	n := len(x.positions)
	at, known := make([]geom.Pt, n), make([]bool, n)
	type tie struct {
		i, j int
		t    turn
	}
	var ties []tie
	for i := range n {
		for j := i + 1; j < n; j++ {
			if t, ok := s.between(x.positions[i][:1], x.positions[j][:1]); ok {
				ties = append(ties, tie{i, j, t})
			}
		}
	}
	slices.SortStableFunc(ties, func(a, b tie) int { return cmp.Compare(b.t.inliers, a.t.inliers) })
	known[0] = true
	for grown := true; grown; {
		grown = false
		for _, t := range ties {
			switch {
			case known[t.i] && !known[t.j]:
				at[t.j], known[t.j] = at[t.i].Sub(t.t.step), true
			case known[t.j] && !known[t.i]:
				at[t.i], known[t.i] = geom.Pt{X: at[t.j].X + t.t.step.X, Y: at[t.j].Y + t.t.step.Y}, true
			default:
				continue
			}
			grown = true
			break
		}
	}
	lo, hi := at[0], at[0]
	for _, p := range at {
		lo.X, lo.Y, hi.X, hi.Y = min(lo.X, p.X), min(lo.Y, p.Y), max(hi.X, p.X), max(hi.Y, p.Y)
	}
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if hi.X-lo.X >= hi.Y-lo.Y {
			return cmp.Compare(at[a].X, at[b].X)
		}
		return cmp.Compare(at[a].Y, at[b].Y)
	})
	sorted := make([][]int, n)
	for k, i := range order {
		sorted[k] = x.positions[i]
	}
	x.positions = sorted
	for k := range n - 1 {
		o := 0.0
		if t, ok := s.between(sorted[k][:1], sorted[k+1][:1]); ok {
			o = t.overlap
		}
		x.overlaps = append(x.overlaps, o)
		x.steps = append(x.steps, geom.Pt{X: at[order[k]].X - at[order[k+1]].X, Y: at[order[k]].Y - at[order[k+1]].Y})
	}
	return x
}

// counter returns a function that reports the share of total pieces done.
func counter(total int, progress func(string, float64), stage string) func() {
	if progress == nil || total == 0 {
		return func() {}
	}
	var done atomic.Int64
	var mu sync.Mutex
	last := 0.0
	return func() {
		d := float64(done.Add(1)) / float64(total)
		mu.Lock()
		defer mu.Unlock()
		if d > last {
			last = d
			progress(stage, d)
		}
	}
}
