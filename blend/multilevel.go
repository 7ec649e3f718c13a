package blend

const (
	// exactCells is the size up to which a grid is cut exactly. The search for
	// a maximum flow takes longer than in proportion to the way between the
	// terminals; at this size it takes some tens of milliseconds.
	exactCells = 8192
	// bandBlocks is how far, in blocks of 2 × 2 cells, the boundary may move
	// from where the level above has it.
	bandBlocks = 2
)

// solveMultilevel finds a cut that is close to the minimum, in a time that is
// nearly proportional to the cells. Blocks of 2 × 2 cells are merged until
// the grid is small (a cut of the merged grid is one of the grid itself, of
// the same cost), the smallest grid is cut exactly, and on the way back each
// grid is cut exactly within a band around the boundary found above it. Up to
// exactCells cells the result is the minimum; on larger grids it can miss a
// way through a gap of fewer cells than a block of the smallest grid.
//
// Lombaert, Sun, Grady & Xu, "A Multilevel Banded Graph Cuts Method for Fast
// Image Segmentation", ICCV 2005.
func (g *gridCut) solveMultilevel() {
	if g.w*g.h <= exactCells {
		g.solve()
		return
	}
	c := g.merge()
	c.solveMultilevel()
	band := c.band()
	g.restrict(c, band)
	g.solve()
	for y := range g.h {
		for x := range g.w {
			if block := c.index(x/2, y/2); !band[block] {
				p := g.index(x, y)
				g.parent[p], g.sink[p] = parentTerminal, c.onSink(block)
			}
		}
	}
}

// merge returns the grid of blocks of 2 × 2 cells.
func (g *gridCut) merge() *gridCut {
	c := newGridCut((g.w+1)/2, (g.h+1)/2)
	// Direction between blocks by the block's step in y and x.
	direction := [3][3]int{{upLeft, up, upRight}, {left, -1, right}, {downLeft, down, downRight}}
	for y := range g.h {
		for x := range g.w {
			p, block := g.index(x, y), c.index(x/2, y/2)
			c.tr[block] = saturate(int64(c.tr[block]) + int64(g.tr[p]))
			for d, room := range g.arcs[8*p : 8*p+8] {
				if room == 0 {
					continue
				}
				q := p + g.step[d]
				qx, qy := q%(g.w+2)-1, q/(g.w+2)-1
				if e := direction[qy/2-y/2+1][qx/2-x/2+1]; e >= 0 {
					a := &c.arcs[8*block+e]
					*a = saturate(int64(*a) + int64(room))
				}
			}
		}
	}
	return c
}

// saturate keeps a sum of capacities where flow can still be added to it.
func saturate(v int64) int32 { return int32(min(max(v, -hardLink), hardLink)) }

// band marks the blocks within bandBlocks of the other side of the cut.
func (g *gridCut) band() []bool {
	band := make([]bool, len(g.tr))
	for y := range g.h {
		for x := range g.w {
			p := g.index(x, y)
			side := g.onSink(p)
			if x+1 < g.w && g.onSink(p+1) != side || y+1 < g.h && g.onSink(p+g.step[down]) != side {
				for by := max(y-bandBlocks+1, 0); by <= min(y+bandBlocks, g.h-1); by++ {
					for bx := max(x-bandBlocks+1, 0); bx <= min(x+bandBlocks, g.w-1); bx++ {
						band[g.index(bx, by)] = true
					}
				}
			}
		}
	}
	return band
}

// restrict takes the cells outside the band out of the problem: they are on
// the side where c, the grid of blocks, has them, and pull at their
// neighbours in the band as a terminal.
func (g *gridCut) restrict(c *gridCut, band []bool) {
	free := make([]bool, len(g.tr))
	for y := range g.h {
		for x := range g.w {
			free[g.index(x, y)] = band[c.index(x/2, y/2)]
		}
	}
	for y := range g.h {
		for x := range g.w {
			p := g.index(x, y)
			if free[p] {
				continue
			}
			onSink := c.onSink(c.index(x/2, y/2))
			for d, step := range g.step {
				q := p + step
				if free[q] {
					if onSink {
						g.terminal(q, 0, g.arcs[8*q+(d^1)])
					} else {
						g.terminal(q, g.arcs[8*p+d], 0)
					}
				}
				g.join(p, d, 0, 0)
			}
			g.tr[p] = 0
		}
	}
}
