package stitch

import (
	"context"
	"fmt"
	"math"

	"flatfell.example/features"
	"flatfell.example/geom"
	"flatfell.example/internal/optim"
	"flatfell.example/internal/par"
)

// pair is what is known about two frames, a < b.
type pair struct {
	a, b    int
	matches []tie // putative, full-size pixels
	inliers []int // indices into matches
	// rig has the two frames' rotations, a at the identity, and the focal
	// length and k1 that suit this pair.
	rig     rig
	overlap float64 // share of the frame's area, 0 to 1
	// accepted: the matches are too many and too well placed for chance.
	accepted bool
	why      string // why not, in plain words
}

func (p *pair) bFromA() geom.Rotation { return p.rig.rot[1].Mul(p.rig.rot[0].Inv()) }

const (
	// pairErrorShare is the inlier threshold of the first search, as a share
	// of the frame's diagonal: 4.3 px for 800×1200, 23 px for 4160×6240. It
	// has to admit lens distortion, which the search does not yet know.
	pairErrorShare = 0.003
	// minMatches is the number of matches below which no search is made:
	// acceptance needs more than acceptBase inliers anyway.
	minMatches = 9
	// A pair is accepted if inliers > acceptBase + acceptShare · matches in
	// the overlap (Brown & Lowe, IJCV 74(1), 2007, sec. 3.2: with p(inlier |
	// right) = 0.6, p(inlier | wrong) = 0.1, p_min = 0.999).
	acceptBase, acceptShare = 8, 0.3
	// minOverlap and minSpread refuse pairs that hang on a sliver or on one
	// spot: shares of the area and of the diagonal.
	minOverlap, minSpread = 0.02, 0.04
	// Focal lengths outside this range of the long side are no camera's that
	// rows are shot with: 130° to 4° along it.
	minFocal, maxFocal = 0.23, 15.0
)

// matchAll matches every two frames and searches each pair's rotation.
func matchAll(ctx context.Context, sets []*features.Set, shrink int, start rig, knowFocal bool, o Options,
	progress func(float64),
) ([]*pair, error) {
	var pairs []*pair
	for a := range sets {
		for b := a + 1; b < len(sets); b++ {
			pairs = append(pairs, &pair{a: a, b: b})
		}
	}
	done := newCounter(len(pairs), progress)
	err := par.Do(ctx, o.Workers, len(pairs), func(i int) error {
		p := pairs[i]
		ms, err := features.MatchSets(sets[p.a], sets[p.b], features.MatchOptions{})
		if err != nil {
			return err
		}
		scale := float64(shrink)
		for _, m := range ms {
			qa, qb := sets[p.a].Points[m.A], sets[p.b].Points[m.B]
			p.matches = append(p.matches, tie{
				a: 0, b: 1,
				inA:  geom.Pt{X: qa.X * scale, Y: qa.Y * scale},
				inB:  geom.Pt{X: qb.X * scale, Y: qb.Y * scale},
				info: [3]float64{1, 0, 1},
			})
		}
		p.search(start, knowFocal, o)
		done()
		return nil
	})
	return pairs, err
}

// search finds the pair's rotation by RANSAC: from two matches when the focal
// length is known, and from two matches and the focal length at which they
// subtend the same angle when not. The local optimisation fits focal length
// and k1 too.
func (p *pair) search(start rig, knowFocal bool, o Options) {
	if len(p.matches) < minMatches {
		p.why = "too few matching details"
		return
	}
	diag := math.Hypot(float64(start.width), float64(start.height))
	long := float64(max(start.width, start.height))
	mid := geom.Pt{X: float64(start.width) / 2, Y: float64(start.height) / 2}
	fromFocal := func(dst []rig, sample []int, f float64) []rig {
		if !(f > minFocal*long && f < maxFocal*long) {
			return dst
		}
		var ra, rb [2]geom.Vec
		for k, i := range sample {
			ra[k] = rayThrough(p.matches[i].inA.Sub(mid), f)
			rb[k] = rayThrough(p.matches[i].inB.Sub(mid), f)
		}
		rot, ok := geom.FitRotation(ra[:], rb[:], nil)
		if !ok {
			return dst
		}
		m := start
		m.focalPx = f
		m.rot = []geom.Rotation{geom.Identity, rot}
		return append(dst, m)
	}
	var focals []float64
	var scratch projection
	est := optim.Estimator[rig]{
		SampleSize: 2,
		Fit: func(dst []rig, sample []int) []rig {
			if knowFocal {
				return fromFocal(dst, sample, start.focalPx)
			}
			var a, b [2]geom.Pt
			for k, i := range sample {
				a[k], b[k] = p.matches[i].inA.Sub(mid), p.matches[i].inB.Sub(mid)
			}
			focals = geom.FocalsFromTwoPoints(focals, a, b)
			for _, f := range focals {
				dst = fromFocal(dst, sample, f)
			}
			return dst
		},
		ErrorSq: func(m *rig, i int) float64 {
			q, ok := scratch.transfer(m, 0, 1, p.matches[i].inA, false)
			if !ok {
				return math.Inf(1)
			}
			d := q.Sub(p.matches[i].inB)
			return d.X*d.X + d.Y*d.Y
		},
		Refine: func(m rig, in []int) (rig, bool) {
			b := bundle{
				free:  freedom{focal: true, radial: o.radialTerms(1)},
				loss:  optim.Huber{Scale: pairErrorShare * diag / 3},
				prior: pairPrior(start, knowFocal, diag),
			}
			for _, i := range in {
				b.ties = append(b.ties, p.matches[i])
			}
			m, _ = b.solve(m, optim.LMOptions{MaxIterations: 10, RelTolerance: 1e-4})
			return m, m.focalPx > minFocal*long && m.focalPx < maxFocal*long
		},
	}
	m, rep, ok := optim.RANSAC(len(p.matches), est, optim.RANSACOptions{
		MaxError: pairErrorShare * diag,
		Seed:     o.Seed, Stream: uint64(p.a)<<32 | uint64(p.b),
	})
	if !ok {
		p.why = "no turn of the camera explains the matching details"
		return
	}
	p.rig, p.inliers = m, rep.Inliers
	p.judge()
}

// pairPrior keeps the focal length near the metadata's (zooms are recorded to
// a few per cent, cropped files may be far off), or only weakly near a common
// lens where there are none, and k1 where lenses have it. The widths are in
// units of the residual's noise, about a fifth of the inlier threshold.
func pairPrior(start rig, knowFocal bool, diag float64) prior {
	noise := pairErrorShare * diag / 5
	p := prior{logFocal: math.Log(start.focalPx), logFocalWidth: 1.5 / noise, radialWidth: 0.05 / noise}
	if knowFocal {
		p.logFocalWidth = 0.1 / noise
	}
	return p
}

func rayThrough(p geom.Pt, f float64) geom.Vec {
	n := 1 / math.Sqrt(p.X*p.X+p.Y*p.Y+f*f)
	return geom.Vec{X: p.X * n, Y: p.Y * n, Z: f * n}
}

// judge decides whether the inliers are evidence enough.
func (p *pair) judge() {
	ca, cb := p.rig.camera(0), p.rig.camera(1)
	diag := math.Hypot(float64(ca.Width), float64(ca.Height))
	p.overlap = overlapShare(&ca, &cb)
	inOverlap := 0
	for i := range p.matches {
		w, _ := ca.WorldFromPixel(p.matches[i].inA)
		if q, ok := cb.PixelFromWorld(w); ok && cb.Contains(q, 0) {
			inOverlap++
		}
	}
	var sum, sumSq geom.Pt
	n := float64(len(p.inliers))
	for _, i := range p.inliers {
		q := p.matches[i].inA
		sum.X += q.X / n
		sum.Y += q.Y / n
		sumSq.X += q.X * q.X / n
		sumSq.Y += q.Y * q.Y / n
	}
	spread := math.Sqrt(max(0, sumSq.X-sum.X*sum.X+sumSq.Y-sum.Y*sum.Y))
	switch {
	case p.overlap < minOverlap:
		p.why = "the matching details lie in a sliver"
	case spread < minSpread*diag:
		p.why = "the matching details lie in one spot"
	case n <= acceptBase+acceptShare*float64(inOverlap):
		p.why = "too few matching details agree on one turn of the camera"
	default:
		p.accepted = true
	}
}

// movedInliers is the number of agreeing details from which two frames that
// are refused show the same subject all the same: chance reaches a handful.
const movedInliers = 20

// whyNot says what was found of a pair that was refused, and what to do: to reshoot, in
// the words of remedy.
func (p *pair) whyNot(remedy string) string {
	found := fmt.Sprintf("%d matching details, %d of them agreeing: %s", len(p.matches), len(p.inliers), p.why)
	if len(p.inliers) < movedInliers {
		return found + "; " + remedy + " between them with a third of overlap, or give the focal length"
	}
	return found + fmt.Sprintf(" (overlap about %.0f %%); the camera moved between the frames or something is near: "+
		"%s turning about the lens's entrance pupil, with a third of overlap", 100*p.overlap, remedy)
}

// overlapShare returns the share of frame a that frame b sees too, on a grid
// of 32×32.
func overlapShare(a, b *geom.Camera) float64 {
	const n = 32
	in := 0
	for i := range n * n {
		p := geom.Pt{
			X: (float64(i%n) + 0.5) / n * float64(a.Width),
			Y: (float64(i/n) + 0.5) / n * float64(a.Height),
		}
		w, ok := a.WorldFromPixel(p)
		if !ok {
			continue
		}
		if q, ok := b.PixelFromWorld(w); ok && b.Contains(q, 0) {
			in++
		}
	}
	return float64(in) / (n * n)
}
