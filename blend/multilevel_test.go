package blend

import (
	"math/rand/v2"
	"testing"
)

// seamGrid is an overlap as seams meet it: the source on the left, the sink
// on the right, costs of noise and of smooth hills (misfit) between.
func seamGrid(w, h int, seed uint64) *gridCut {
	rng := rand.New(rand.NewPCG(seed, 0))
	type hill struct{ x, y, r, c float64 }
	hills := make([]hill, 25)
	for i := range hills {
		hills[i] = hill{rng.Float64() * float64(w), rng.Float64() * float64(h), 5 + rng.Float64()*float64(h)/5, rng.Float64() * 4000}
	}
	cost := make([]float64, w*h)
	for i := range cost {
		cost[i] = 100 + 200*rng.Float64()
		for _, p := range hills {
			dx, dy := float64(i%w)-p.x, float64(i/w)-p.y
			if dx*dx+dy*dy < p.r*p.r {
				cost[i] += p.c
			}
		}
	}
	g := newGridCut(w, h)
	for y := range h {
		for x := range w {
			p := g.index(x, y)
			for d, q := range map[int][2]int{right: {x + 1, y}, down: {x, y + 1}, downRight: {x + 1, y + 1}, downLeft: {x - 1, y + 1}} {
				if q[0] < 0 || q[0] >= w || q[1] >= h {
					continue
				}
				c := int32(cost[y*w+x] + cost[q[1]*w+q[0]])
				if d >= downRight {
					c = c * 7 / 10
				}
				g.join(p, d, c, c)
			}
			if x == 0 {
				g.terminal(p, hardLink, 0)
			}
			if x == w-1 {
				g.terminal(p, 0, hardLink)
			}
		}
	}
	return g
}

// cutCost is the capacity of the arcs from the source's side to the sink's.
func (g *gridCut) cutCost(onSink func(p int) bool) (sum int64) {
	for y := range g.h {
		for x := range g.w {
			p := g.index(x, y)
			for d, step := range g.step {
				if c := g.arcs[8*p+d]; c > 0 && !onSink(p) && onSink(p+step) {
					sum += int64(c)
				}
			}
			if onSink(p) {
				sum += int64(max(g.tr[p], 0))
			} else {
				sum += int64(max(-g.tr[p], 0))
			}
		}
	}
	return sum
}

func TestMultilevel(t *testing.T) {
	// Up to exactCells it is the minimum.
	for seed := range uint64(4) {
		exact, fast, costs := seamGrid(80, 90, seed), seamGrid(80, 90, seed), seamGrid(80, 90, seed)
		want := exact.solve()
		fast.solveMultilevel()
		if got := costs.cutCost(fast.onSink); got != want {
			t.Errorf("seed %d: cost %d, want the minimum %d", seed, got, want)
		}
	}
	// Above it is close: no more than 5 % over the minimum, on two levels.
	const tol = 1.05
	seeds := uint64(4)
	if testing.Short() {
		seeds = 1
	}
	for seed := range seeds {
		exact, fast, costs := seamGrid(200, 170, seed), seamGrid(200, 170, seed), seamGrid(200, 170, seed)
		want := exact.solve()
		fast.solveMultilevel()
		got := costs.cutCost(fast.onSink)
		if got < want || !(float64(got) <= tol*float64(want)) {
			t.Errorf("seed %d: cost %d, minimum %d", seed, got, want)
		}
		t.Logf("seed %d: cost %d, minimum %d: ratio %.4f", seed, got, want, float64(got)/float64(want))
	}
}
