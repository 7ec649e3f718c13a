package blend

// gridCut finds a minimum cut of a grid in which every cell is joined to its
// eight neighbours and to two terminals, source and sink. Capacities are
// whole numbers: the flow is exact, the search ends, and the answer does not
// depend on rounding.
//
// The method is the augmenting-path search with two trees that are kept from
// path to path: Boykov & Kolmogorov, "An Experimental Comparison of
// Min-Cut/Max-Flow Algorithms for Energy Minimization in Vision", IEEE PAMI
// 26(9), 2004, 1124-1137, with the distance and time marks of its sec. 3.2.3
// (footnote) for picking short paths. Instead of nodes and arcs that point at
// each other there are flat arrays: the arc of cell p in direction d is
// arcs[8p+d], its reverse arcs[8(p+step[d])+d^1]. A frame of cells without
// arcs surrounds the grid, so that no neighbour needs a bounds test.
//
// Worst case O(cells² · arcs · cut); on picture grids nearly linear.
type gridCut struct {
	w, h   int    // grid without the frame of cells
	step   [8]int // index step in each direction
	arcs   []int32
	tr     []int32 // residual capacity from the source (> 0) or to the sink (< 0)
	parent []int8  // direction toward the root, or one of the constants below
	sink   []bool  // tree of a cell that has a parent
	dist   []int32 // steps to the terminal, as of stamp
	stamp  []int32
	next   []int32 // next in the queue of active cells; itself at the end; 0 = not queued
	first  int32   // queue of active cells
	last   int32
	orphan []int32 // cells that lost their parent; the last is served first
	later  []int32 // orphans found on the way, served in order after those
	time   int32
	flow   int64
}

// Directions come in opposite pairs: d^1 leads back.
const (
	right = iota
	left
	down
	up
	downRight
	upLeft
	downLeft
	upRight
)

const (
	parentNone     int8 = -1
	parentTerminal int8 = -2
	parentOrphan   int8 = -3
)

// newGridCut returns a grid of w × h cells without capacities.
func newGridCut(w, h int) *gridCut {
	s := w + 2
	n := s * (h + 2)
	return &gridCut{
		w: w, h: h,
		step:   [8]int{right: 1, left: -1, down: s, up: -s, downRight: s + 1, upLeft: -s - 1, downLeft: s - 1, upRight: -s + 1},
		arcs:   make([]int32, 8*n),
		tr:     make([]int32, n),
		parent: make([]int8, n),
		sink:   make([]bool, n),
		dist:   make([]int32, n),
		stamp:  make([]int32, n),
		next:   make([]int32, n),
	}
}

// index returns the number of cell (x, y), never 0.
func (g *gridCut) index(x, y int) int { return (y+1)*(g.w+2) + x + 1 }

// join sets the capacities of the arcs from cell p in direction d and back.
func (g *gridCut) join(p, d int, there, back int32) {
	g.arcs[8*p+d] = there
	g.arcs[8*(p+g.step[d])+d^1] = back
}

// terminal adds capacities between the source and p and between p and the
// sink. What both share flows at once.
func (g *gridCut) terminal(p int, fromSource, toSink int32) {
	from, to := int64(fromSource), int64(toSink)
	if g.tr[p] > 0 {
		from += int64(g.tr[p])
	} else {
		to -= int64(g.tr[p])
	}
	g.flow += min(from, to)
	g.tr[p] = saturate(from - to)
}

// onSink reports, after solve, whether the cut leaves p with the sink. A cell
// that neither terminal reaches stays with the source.
func (g *gridCut) onSink(p int) bool { return g.parent[p] != parentNone && g.sink[p] }

// solve finds the maximum flow and returns it: the cost of the cheapest cut.
func (g *gridCut) solve() int64 {
	for p, c := range g.tr {
		g.parent[p] = parentNone
		if c != 0 {
			g.sink[p] = c < 0
			g.parent[p] = parentTerminal
			g.dist[p] = 1
			g.activate(int32(p))
		}
	}
	current := int32(0)
	for {
		if current != 0 {
			g.next[current] = 0
			if g.parent[current] == parentNone {
				current = 0
			}
		}
		if current == 0 {
			if current = g.nextActive(); current == 0 {
				return g.flow
			}
		}
		d := g.grow(current)
		g.time++
		if d < 0 {
			current = 0
			continue
		}
		g.next[current] = current // keep it out of the queue: it is served again at once
		if g.sink[current] {
			g.augment(int(current)+g.step[d], d^1)
		} else {
			g.augment(int(current), d)
		}
		g.adopt()
	}
}

func (g *gridCut) activate(p int32) {
	if g.next[p] != 0 {
		return
	}
	if g.last != 0 {
		g.next[g.last] = p
	} else {
		g.first = p
	}
	g.last, g.next[p] = p, p
}

// nextActive takes the first cell off the queue that is still in a tree.
func (g *gridCut) nextActive() int32 {
	for g.first != 0 {
		p := g.first
		if g.next[p] == p {
			g.first, g.last = 0, 0
		} else {
			g.first = g.next[p]
		}
		g.next[p] = 0
		if g.parent[p] != parentNone {
			return p
		}
	}
	return 0
}

// grow adds p's free neighbours to its tree and returns the direction in
// which it met the other tree, or −1.
func (g *gridCut) grow(p int32) int {
	toSink := g.sink[p]
	for d, step := range g.step {
		q := int(p) + step
		// In the source tree flow runs from p to q, in the sink tree to p.
		c := g.arcs[8*int(p)+d]
		if toSink {
			c = g.arcs[8*q+(d^1)]
		}
		if c == 0 {
			continue
		}
		switch {
		case g.parent[q] == parentNone:
			g.sink[q] = toSink
			g.parent[q] = int8(d ^ 1)
			g.stamp[q] = g.stamp[p]
			g.dist[q] = g.dist[p] + 1
			g.activate(int32(q))
		case g.sink[q] != toSink:
			return d
		case g.stamp[q] <= g.stamp[p] && g.dist[q] > g.dist[p]:
			// A shorter way to the terminal.
			g.parent[q] = int8(d ^ 1)
			g.stamp[q] = g.stamp[p]
			g.dist[q] = g.dist[p] + 1
		}
	}
	return -1
}

// augment sends all it can along the path source … p → neighbour d … sink.
func (g *gridCut) augment(p, d int) {
	q := p + g.step[d]
	room := g.arcs[8*p+d]
	i := p
	for g.parent[i] != parentTerminal {
		up := int(g.parent[i])
		i += g.step[up]
		room = min(room, g.arcs[8*i+(up^1)])
	}
	room = min(room, g.tr[i])
	i = q
	for g.parent[i] != parentTerminal {
		up := int(g.parent[i])
		room = min(room, g.arcs[8*i+up])
		i += g.step[up]
	}
	room = min(room, -g.tr[i])

	g.arcs[8*p+d] -= room
	g.arcs[8*q+(d^1)] += room
	i = p
	for g.parent[i] != parentTerminal {
		up := int(g.parent[i])
		above := i + g.step[up]
		g.arcs[8*i+up] += room
		if g.arcs[8*above+(up^1)] -= room; g.arcs[8*above+(up^1)] == 0 {
			g.abandon(i)
		}
		i = above
	}
	if g.tr[i] -= room; g.tr[i] == 0 {
		g.abandon(i)
	}
	i = q
	for g.parent[i] != parentTerminal {
		up := int(g.parent[i])
		above := i + g.step[up]
		g.arcs[8*above+(up^1)] += room
		if g.arcs[8*i+up] -= room; g.arcs[8*i+up] == 0 {
			g.abandon(i)
		}
		i = above
	}
	if g.tr[i] += room; g.tr[i] == 0 {
		g.abandon(i)
	}
	g.flow += int64(room)
}

func (g *gridCut) abandon(p int) {
	g.parent[p] = parentOrphan
	g.orphan = append(g.orphan, int32(p))
}

// adopt finds new parents for the orphans or sets them free.
func (g *gridCut) adopt() {
	for len(g.orphan) > 0 {
		p := g.orphan[len(g.orphan)-1]
		g.orphan = g.orphan[:len(g.orphan)-1]
		g.later = append(g.later[:0], p)
		for k := 0; k < len(g.later); k++ {
			g.adoptOne(int(g.later[k]))
		}
	}
}

func (g *gridCut) adoptOne(p int) {
	toSink := g.sink[p]
	best, bestDist := -1, int32(1<<30)
	for d, step := range g.step {
		q := p + step
		c := g.arcs[8*q+(d^1)]
		if toSink {
			c = g.arcs[8*p+d]
		}
		if c == 0 || g.sink[q] != toSink || g.parent[q] == parentNone {
			continue
		}
		if n, ok := g.rootDistance(q); ok && n < bestDist {
			best, bestDist = d, n
		}
	}
	if best >= 0 {
		g.parent[p] = int8(best)
		g.stamp[p] = g.time
		g.dist[p] = bestDist + 1
		return
	}
	g.parent[p] = parentNone
	for d, step := range g.step {
		q := p + step
		if g.sink[q] != toSink || g.parent[q] == parentNone {
			continue
		}
		c := g.arcs[8*q+(d^1)]
		if toSink {
			c = g.arcs[8*p+d]
		}
		if c != 0 {
			g.activate(int32(q))
		}
		if g.parent[q] == int8(d^1) {
			g.parent[q] = parentOrphan
			g.later = append(g.later, int32(q))
		}
	}
}

// rootDistance returns the number of steps from q to its terminal and marks
// the way with it; ok is false if the way ends at an orphan.
func (g *gridCut) rootDistance(q int) (n int32, ok bool) {
	for i := q; ; i += g.step[g.parent[i]] {
		if g.stamp[i] == g.time {
			n += g.dist[i]
			break
		}
		if g.parent[i] == parentOrphan {
			return 0, false
		}
		n++
		if g.parent[i] == parentTerminal {
			g.stamp[i], g.dist[i] = g.time, 1
			break
		}
	}
	d := n
	for i := q; g.stamp[i] != g.time; i += g.step[g.parent[i]] {
		g.stamp[i], g.dist[i] = g.time, d
		d--
	}
	return n, true
}
