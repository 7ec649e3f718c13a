package blend

import (
	"math/rand/v2"
	"testing"
)

// denseFlow is a maximum flow by shortest augmenting paths over a matrix of
// capacities (Edmonds & Karp 1972). It destroys c. seen tells which nodes the
// source still reaches.
func denseFlow(c [][]int64, s, t int) (flow int64, seen []bool) {
	for {
		from := make([]int, len(c))
		seen = make([]bool, len(c))
		seen[s] = true
		queue := []int{s}
		for len(queue) > 0 && !seen[t] {
			u := queue[0]
			queue = queue[1:]
			for v, room := range c[u] {
				if room > 0 && !seen[v] {
					seen[v], from[v] = true, u
					queue = append(queue, v)
				}
			}
		}
		if !seen[t] {
			return flow, seen
		}
		room := int64(1 << 60)
		for v := t; v != s; v = from[v] {
			room = min(room, c[from[v]][v])
		}
		for v := t; v != s; v = from[v] {
			c[from[v]][v] -= room
			c[v][from[v]] += room
		}
		flow += room
	}
}

// Networks whose flow is known, laid out on a grid.
func TestMaxflowKnown(t *testing.T) {
	// Cormen, Leiserson, Rivest & Stein, Introduction to Algorithms, the
	// chapter on maximum flow (from memory): v1 (0,0), v3 (1,0), v2 (0,1), v4 (1,1).
	g := newGridCut(2, 2)
	v1, v3, v2, v4 := g.index(0, 0), g.index(1, 0), g.index(0, 1), g.index(1, 1)
	g.terminal(v1, 16, 0)
	g.terminal(v2, 13, 0)
	g.terminal(v3, 0, 20)
	g.terminal(v4, 0, 4)
	g.join(v1, down, 0, 4)     // v2 → v1: 4
	g.join(v1, right, 12, 0)   // v1 → v3: 12
	g.join(v3, downLeft, 9, 0) // v3 → v2: 9
	g.join(v2, right, 14, 0)   // v2 → v4: 14
	g.join(v4, up, 7, 0)       // v4 → v3: 7
	if got := g.solve(); got != 23 {
		t.Errorf("flow = %d, want 23", got)
	}
	for v, want := range map[int]bool{v1: false, v2: false, v4: false, v3: true} {
		if got := g.onSink(v); got != want {
			t.Errorf("cell %d on the sink's side: %v, want %v", v, got, want)
		}
	}

	// The example of networkx' maximum_flow documentation (from memory):
	// a (0,0), c (1,0), b (2,0), d (3,0), e (3,1).
	g = newGridCut(4, 2)
	g.terminal(g.index(0, 0), 3, 0)
	g.terminal(g.index(2, 0), 1, 0)
	g.terminal(g.index(1, 0), 0, 2)
	g.terminal(g.index(3, 1), 0, 3)
	g.join(g.index(0, 0), right, 3, 0)
	g.join(g.index(2, 0), left, 5, 0)
	g.join(g.index(2, 0), right, 4, 0)
	g.join(g.index(3, 0), down, 2, 0)
	if got := g.solve(); got != 3 {
		t.Errorf("flow = %d, want 3", got)
	}
}

// On random grids the flow is the naive one, and the labelling cuts arcs of
// exactly that capacity (maximum flow = minimum cut proves both).
func TestMaxflowRandom(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for trial := range 400 {
		w, h := 1+rng.IntN(7), 1+rng.IntN(7)
		g := newGridCut(w, h)
		n := w * h
		dense := make([][]int64, n+2)
		for i := range dense {
			dense[i] = make([]int64, n+2)
		}
		maxCap, terminals := int32(1+rng.IntN(30)), rng.Float64()
		for y := range h {
			for x := range w {
				p := g.index(x, y)
				for _, d := range []int{right, down, downRight, downLeft} {
					q := p + g.step[d]
					qx, qy := q%(w+2)-1, q/(w+2)-1
					if qx < 0 || qx >= w || qy >= h || (d >= downRight && trial%2 == 0) {
						continue
					}
					there, back := rng.Int32N(maxCap), rng.Int32N(maxCap)
					g.join(p, d, there, back)
					dense[y*w+x][qy*w+qx] = int64(there)
					dense[qy*w+qx][y*w+x] = int64(back)
				}
				for range 2 { // twice: capacities add up
					if rng.Float64() < terminals {
						a, b := rng.Int32N(2*maxCap), rng.Int32N(2*maxCap)
						g.terminal(p, a, b)
						dense[n][y*w+x] += int64(a)
						dense[y*w+x][n+1] += int64(b)
					}
				}
			}
		}
		arcs := make([][]int64, n+2)
		for i := range dense {
			arcs[i] = append([]int64(nil), dense[i]...)
		}
		want, _ := denseFlow(dense, n, n+1)
		got := g.solve()
		side := func(i int) bool {
			switch i {
			case n:
				return false
			case n + 1:
				return true
			}
			return g.onSink(g.index(i%w, i/w))
		}
		cut := int64(0)
		for i := range arcs {
			for j, c := range arcs[i] {
				if !side(i) && side(j) {
					cut += c
				}
			}
		}
		if got != want || cut != want {
			t.Fatalf("trial %d, %d × %d: flow %d, cut %d, want %d", trial, w, h, got, cut, want)
		}
	}
}
