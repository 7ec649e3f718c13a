package focus

import (
	"math"
	"slices"
)

// nearToFar returns the slices in the order of their focus, the nearest first.
// Neighbours in focus are sharp in the same places: the order is the shortest
// path through all slices by how far their maps of sharpness differ. Which end
// is near can't be told from sharpness alone; in a landscape what is near lies
// lower. keep leaves the order but for a reversal.
func nearToFar(looks []*look, w, h int, keep bool) []int {
	maps := sharpMaps(looks, w, h)
	n := len(looks)
	dist := make([][]float64, n)
	for i := range dist {
		dist[i] = make([]float64, n)
		for j := range dist[i] {
			for b := range maps[i] {
				dist[i][j] += math.Abs(maps[i][b] - maps[j][b])
			}
		}
	}
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	if !keep {
		if best := shortestPath(dist); length(best, dist) < givenLead*length(order, dist) {
			order = best
		}
	}
	// The line about which each half of the order is sharp.
	var rise float64
	for i, k := range order {
		sum, mean := 0.0, 0.0
		for b, v := range maps[k] {
			sum += v
			mean += v * float64(b/blocksX)
		}
		rise += (float64(i) - float64(n-1)/2) * mean / math.Max(sum, 1e-9)
	}
	if rise > 0 {
		slices.Reverse(order)
	}
	return order
}

// givenLead is how much shorter another order must be to be trusted more than
// the one in which the files are given.
const givenLead = 0.97

// sharpMaps returns for each slice and block the share that it has of the
// detail of all slices there, squared so that the sharpest stands out.
func sharpMaps(looks []*look, w, h int) [][]float64 {
	maps := make([][]float64, len(looks))
	for k, l := range looks {
		maps[k] = make([]float64, blocksX*blocksY)
		count := make([]float64, blocksX*blocksY)
		for y := range h {
			for x := range w {
				b := y*blocksY/h*blocksX + x*blocksX/w
				for band := range 2 {
					maps[k][b] += unpackEnergy(l.detail[band][y*w+x])
				}
				count[b]++
			}
		}
		for b := range maps[k] {
			maps[k][b] /= math.Max(1, count[b])
		}
	}
	for b := range blocksX * blocksY {
		most, least := 0.0, math.Inf(1)
		for k := range maps {
			most, least = math.Max(most, maps[k][b]), math.Min(least, maps[k][b])
		}
		if most < 1.5*least { // says nothing
			least, most = 0, math.Inf(1)
		}
		for k := range maps {
			maps[k][b] = math.Sqrt((maps[k][b] - least) / (most - least))
		}
	}
	return maps
}

func length(order []int, dist [][]float64) (sum float64) {
	for i := 1; i < len(order); i++ {
		sum += dist[order[i-1]][order[i]]
	}
	return sum
}

// shortestPath starts at each slice, goes on to the nearest one that is left,
// and improves that by reversing parts and moving single slices (2-opt and
// or-opt: Lin, Bell System Technical Journal 44, 1965).
func shortestPath(dist [][]float64) []int {
	n := len(dist)
	var best []int
	for start := range n {
		path, left := []int{start}, map[int]bool{}
		for i := range n {
			left[i] = i != start
		}
		for len(path) < n {
			last, next := path[len(path)-1], -1
			for i := range n {
				if left[i] && (next < 0 || dist[last][i] < dist[last][next]) {
					next = i
				}
			}
			left[next] = false
			path = append(path, next)
		}
		for improved := true; improved; {
			improved = false
			try := func(q []int) {
				if length(q, dist) < length(path, dist)-1e-9 {
					path, improved = q, true
				}
			}
			for i := range n {
				for j := i + 1; j < n; j++ {
					q := slices.Clone(path)
					slices.Reverse(q[i : j+1])
					try(q)
				}
			}
			for i := range n {
				for j := range n {
					q := slices.Delete(slices.Clone(path), i, i+1)
					try(slices.Insert(q, j, path[i]))
				}
			}
		}
		if best == nil || length(path, dist) < length(best, dist)-1e-9 {
			best = path
		}
	}
	return best
}
