package stitch

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/features"
	"flatfell.example/geom"
	"flatfell.example/internal/optim"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// Errors of [Align] about the set of frames; test with errors.Is. The text of
// the error that wraps them names the frames and the remedy.
var (
	// ErrNotJoined: the frames do not all belong to one row.
	ErrNotJoined = errors.New("the frames do not join")
	// ErrStray is an ErrNotJoined: all frames but one do join.
	ErrStray = fmt.Errorf("%w: all but one do", ErrNotJoined)
	// ErrFrames: the set can't be a row: too few frames, or frames that
	// differ in size.
	ErrFrames = errors.New("the frames can't form a row")
	// ErrOtherSize is an ErrFrames: some frames differ in size from most, see [OtherSize].
	ErrOtherSize = fmt.Errorf("%w: not all have one size", ErrFrames)
	// ErrMemory: Options.Memory is too small for frames of this size.
	ErrMemory = errors.New("the memory allowed is too small")
)

// workingPixels is the size to which frames are reduced for finding corners,
// by a whole factor: enough for 2500 corners, and noise is averaged away.
const workingPixels = 1.7e6

// maxFrames bounds the pairs that are matched (all of them).
const maxFrames = 200

// mostNamed is how many frames that do not join are named.
const mostNamed = 12

// aligner is one run of Align.
type aligner struct {
	o      Options
	frames []*Frame
	kept   *cache
	sets   []*features.Set
	small  []*raster.Plane // luma at the working size
	shrink int
	start  rig // shared parameters before anything is measured
	// knowFocal: start.focalPx comes from the metadata or the caller.
	knowFocal bool
	// narrow: the frames show nearly the same view, from which neither focal
	// length nor distortion can be told.
	narrow      bool
	focalSource string
	pairs       []*pair
	accepted    []*pair
	placed      []int // indices of the frames in the row; rig.rot is in this order
	rig         rig
	// pupil is what the ties say of the pupil, though the rig's own be zero as
	// they agree as well without; pupilSigma is its standard deviation.
	pupil      pupil
	pupilSigma [2]float64
	scale      float64 // of the ties' loss, in whitened units: two sigmas
	evidence   []evidence
	rmsPx      float64
}

func newAligner(frames []*Frame, o Options) *aligner {
	return &aligner{o: o, frames: frames, kept: newCache(frames, o)}
}

// Align finds how the frames of a row lie: their common focal length and
// distortion and each one's rotation, levelled. The frames may come in any
// order. They must have one size after orientation, as one camera held one
// way gives.
//
// The error wraps [ErrFrames] or [ErrNotJoined] if the set is no row, and is
// the reader's own if a file can't be read. A Solution that comes without an
// error joins all its placed frames.
func Align(ctx context.Context, frames []*Frame, o Options) (*Solution, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := checkFrames(frames); err != nil {
		return nil, err
	}
	if err := checkKeep(frames, o.Keep); err != nil {
		return nil, err
	}
	if err := checkMemory(frames, o); err != nil {
		return nil, err
	}
	a := newAligner(frames, o)
	sol := &Solution{Version: solutionVersion}
	c := newClock(sol)
	if err := a.look(ctx); err != nil {
		return nil, err
	}
	c.lap("find corners")
	if err := a.match(ctx); err != nil {
		return nil, err
	}
	if err := a.join(); err != nil {
		return nil, err
	}
	c.lap("match")
	if err := a.refine(ctx); err != nil {
		return nil, err
	}
	c.lap("refine")
	if err := a.finish(ctx, sol); err != nil {
		return nil, err
	}
	c.lap("level and light")
	return sol, nil
}

func checkFrames(frames []*Frame) error {
	if len(frames) < 2 {
		return fmt.Errorf("%w: a row needs two frames or more, got %d", ErrFrames, len(frames))
	}
	if len(frames) > maxFrames {
		return fmt.Errorf("%w: %d frames are more than the %d that one row may have; give the frames of one row only", ErrFrames, len(frames), maxFrames)
	}
	odd, usual := OtherSize(frames)
	if len(odd) == 0 {
		return checkProfiles(frames)
	}
	f := frames[odd[0]]
	at := slices.IndexFunc(frames, func(f *Frame) bool { return f.Width == usual.X && f.Height == usual.Y })
	switch {
	case f.made && frames[at].made:
		return fmt.Errorf("%w: %s is %d×%d pixels, most are %d×%d; brackets that were stacked one by one are cut differently: give them to flatfell stitch --brackets",
			ErrOtherSize, f.Name, f.Width, f.Height, usual.X, usual.Y)
	case f.made:
		return fmt.Errorf("%w: %s is a picture that flatfell made, %d×%d pixels, most are %d×%d; keep results in another folder",
			ErrOtherSize, f.Name, f.Width, f.Height, usual.X, usual.Y)
	case f.Width == usual.Y && f.Height == usual.X:
		return fmt.Errorf("%w: %s was held the other way, %d×%d pixels, the others are %d×%d; turn it upright or leave it out",
			ErrOtherSize, f.Name, f.Width, f.Height, usual.X, usual.Y)
	}
	return fmt.Errorf("%w: %s is %d×%d pixels, another size than most, which are %d×%d; export it at full size or leave it out",
		ErrOtherSize, f.Name, f.Width, f.Height, usual.X, usual.Y)
}

// OtherSize returns the indices of the frames that are not of the size that most have,
// and that size: the first of several that as many have.
func OtherSize(frames []*Frame) (odd []int, usual image.Point) {
	count := map[image.Point]int{}
	for _, f := range frames {
		count[image.Pt(f.Width, f.Height)]++
	}
	for _, f := range frames { // in order, so that the answer is the same each time
		if s := image.Pt(f.Width, f.Height); count[s] > count[usual] {
			usual = s
		}
	}
	for i, f := range frames {
		if f.Width != usual.X || f.Height != usual.Y {
			odd = append(odd, i)
		}
	}
	return odd, usual
}

// look decodes each frame once and finds its corners.
func (a *aligner) look(ctx context.Context) error {
	n := len(a.frames)
	w, h := a.frames[0].Width, a.frames[0].Height
	a.shrink = max(1, int(math.Ceil(math.Sqrt(float64(w)*float64(h)/workingPixels))))
	if min(w, h)/a.shrink < 48 {
		return fmt.Errorf("%w: %s is %d×%d pixels, too small to find anything in; use the camera's full-size files", ErrFrames, a.frames[0].Name, w, h)
	}
	a.sets = make([]*features.Set, n)
	a.small = make([]*raster.Plane, n)
	done := newCounter(n, a.o.stage("find corners"))
	if err := par.Do(ctx, a.o.Workers, n, func(i int) error {
		img, err := a.kept.hold(ctx, i)
		if err != nil {
			return err
		}
		a.small[i], err = raster.Luma(ctx, 1, img, a.shrink)
		a.kept.free(i)
		a.kept.rest() // the next to need it will be after many others
		if err != nil {
			return err
		}
		if a.sets[i], err = features.Detect(ctx, a.small[i], features.Options{}); err != nil {
			return err
		}
		done()
		return nil
	}); err != nil {
		return err
	}
	for i := range n {
		for j := range i {
			if samePicture(a.small[i], a.small[j]) {
				return fmt.Errorf("%w: %s and %s are the same picture; leave one out", ErrFrames, a.frames[j].Name, a.frames[i].Name)
			}
		}
	}
	a.start = rig{width: w, height: h}
	a.startFocal()
	return nil
}

// samePicture reports whether two frames are copies of each other, perhaps
// saved twice: no two exposures agree to a thousandth throughout, as their
// noise differs.
func samePicture(p, q *raster.Plane) bool {
	var sum float64
	for i, v := range p.Pix {
		sum += math.Abs(float64(v - q.Pix[i]))
		if i%4096 == 0 && sum > 0.001*float64(len(p.Pix)) {
			return false
		}
	}
	return sum <= 0.001*float64(len(p.Pix))
}

// startFocal chooses the first focal length: the caller's, the metadata's (of
// the middle frame by value, as one wrong file must not lead), or a common
// lens, which then serves as a weak prior only.
func (a *aligner) startFocal() {
	if a.o.FocalPx > 0 {
		a.start.focalPx, a.knowFocal, a.focalSource = a.o.FocalPx, true, "given"
		return
	}
	var known []*Frame
	for _, f := range a.frames {
		if f.FocalPx > 0 {
			known = append(known, f)
		}
	}
	if len(known) > 0 {
		slices.SortStableFunc(known, func(x, y *Frame) int { return cmp.Compare(x.FocalPx, y.FocalPx) })
		f := known[len(known)/2]
		a.start.focalPx, a.knowFocal, a.focalSource = f.FocalPx, true, f.FocalSource
		return
	}
	a.start.focalPx = float64(max(a.start.width, a.start.height))
	a.focalSource = "pictures"
}

// match finds the pairs that belong together.
func (a *aligner) match(ctx context.Context) (err error) {
	a.pairs, err = matchAll(ctx, a.sets, a.shrink, a.start, a.knowFocal, a.o, a.o.stage("match"))
	if err != nil {
		return err
	}
	for i, s := range a.sets {
		a.sets[i] = s.Corners()
	}
	for _, p := range a.pairs {
		if p.accepted {
			a.accepted = append(a.accepted, p)
		}
	}
	return nil
}

// join finds one focal length for all pairs, the frames that hang together,
// and their rotations. Pairs that contradict the rest are dropped.
func (a *aligner) join() error {
	if len(a.accepted) > 0 {
		a.narrow = a.widestStep() < narrowStep
		a.agreeOnFocal()
	}
	for {
		groups := components(len(a.frames), a.accepted)
		a.placed = groups[0]
		if len(a.placed) < 2 || len(groups) > 1 && !a.o.AllowMissing {
			return a.notJoined(groups)
		}
		a.pairs = sortedPairs(a.pairs)
		inRow := a.rowPairs()
		a.placeByTree(inRow)
		a.adjust(inRow)
		worst, share := a.mostContradictory(inRow)
		if worst == nil {
			return nil
		}
		worst.accepted = false
		worst.why = fmt.Sprintf("its details contradict the other pairs (%.0f %% agree)", 100*share)
		a.accepted = slices.DeleteFunc(a.accepted, func(p *pair) bool { return p == worst })
	}
}

func sortedPairs(ps []*pair) []*pair {
	slices.SortStableFunc(ps, func(x, y *pair) int { return cmp.Or(cmp.Compare(x.a, y.a), cmp.Compare(x.b, y.b)) })
	return ps
}

// rowPairs returns the accepted pairs within the placed frames.
func (a *aligner) rowPairs() (out []*pair) {
	for _, p := range a.accepted {
		if slices.Contains(a.placed, p.a) && slices.Contains(a.placed, p.b) {
			out = append(out, p)
		}
	}
	return out
}

// components returns the connected groups of frames, the largest first, each
// ascending.
func components(n int, pairs []*pair) [][]int {
	group := make([]int, n)
	for i := range group {
		group[i] = i
	}
	find := func(i int) int {
		for group[i] != i {
			i = group[i]
		}
		return i
	}
	for _, p := range pairs {
		x, y := find(p.a), find(p.b)
		group[max(x, y)] = min(x, y)
	}
	byRoot := map[int][]int{}
	for i := range n {
		byRoot[find(i)] = append(byRoot[find(i)], i)
	}
	var out [][]int
	for i := range n {
		if g := byRoot[i]; len(g) > 0 {
			out = append(out, g)
		}
	}
	slices.SortStableFunc(out, func(x, y []int) int { return cmp.Compare(len(y), len(x)) })
	return out
}

// pairCost is the truncated squared error of a pair's inliers when its focal
// length is held at f: how well the pair can live with f.
func pairCost(p *pair, f float64, radial int) (cost float64, r rig) {
	diag := math.Hypot(float64(p.rig.width), float64(p.rig.height))
	limit := pairErrorShare * diag
	b := bundle{free: freedom{radial: radial}, loss: optim.Cauchy{Scale: limit / 3}, prior: pairPrior(p.rig, true, diag)}
	for _, i := range p.inliers {
		b.ties = append(b.ties, p.matches[i])
	}
	r = p.rig
	r.focalPx = f
	r, sum := b.solve(r, optim.LMOptions{MaxIterations: 8, RelTolerance: 1e-4})
	return sum.FinalCost, r
}

// agreeOnFocal chooses the focal length with the least cost over all accepted
// pairs among those that the pairs (and the metadata) propose, and makes the
// pairs' rotations fit it. One pair's own focal length can be far off when
// its turn is small; all together are not.
func (a *aligner) agreeOnFocal() {
	cands := make([]float64, 0, len(a.accepted)+1)
	byInliers := slices.Clone(a.accepted)
	slices.SortStableFunc(byInliers, func(x, y *pair) int { return cmp.Compare(len(y.inliers), len(x.inliers)) })
	for _, p := range byInliers[:min(len(byInliers), 12)] {
		cands = append(cands, p.rig.focalPx)
	}
	if a.knowFocal {
		cands = append(cands, a.start.focalPx)
	}
	radial := a.lens(1, false).radial
	best, bestCost := a.start.focalPx, math.Inf(1)
	if a.narrow {
		cands = []float64{a.start.focalPx}
	}
	for _, f := range cands {
		var cost float64
		for _, p := range a.accepted {
			c, _ := pairCost(p, f, radial)
			cost += c
		}
		if cost < bestCost {
			best, bestCost = f, cost
		}
	}
	for _, p := range a.accepted {
		_, p.rig = pairCost(p, best, radial)
	}
	a.rig = a.start
	a.rig.focalPx = best
}

// placeByTree gives each placed frame a rotation along the spanning tree of
// the pairs with the most inliers.
func (a *aligner) placeByTree(pairs []*pair) {
	pos := map[int]int{}
	for i, f := range a.placed {
		pos[f] = i
	}
	a.rig.rot = make([]geom.Rotation, len(a.placed))
	known := make([]bool, len(a.placed))
	a.rig.rot[0], known[0] = geom.Identity, true
	order := slices.Clone(pairs)
	slices.SortStableFunc(order, func(x, y *pair) int { return cmp.Compare(len(y.inliers), len(x.inliers)) })
	// Prim: the strongest pair that reaches a new frame, again and again.
	for grown := true; grown; {
		grown = false
		for _, p := range order {
			i, j := pos[p.a], pos[p.b]
			switch {
			case known[i] && !known[j]:
				a.rig.rot[j], known[j] = p.bFromA().Mul(a.rig.rot[i]), true
			case known[j] && !known[i]:
				a.rig.rot[i], known[i] = p.bFromA().Inv().Mul(a.rig.rot[j]), true
			default:
				continue
			}
			grown = true
			break
		}
	}
}

// rowTies returns the pairs' inlier matches as ties between placed frames.
func (a *aligner) rowTies(pairs []*pair) (ties []tie) {
	for _, p := range pairs {
		for _, i := range p.inliers {
			t := p.matches[i]
			t.a, t.b = slices.Index(a.placed, p.a), slices.Index(a.placed, p.b)
			ties = append(ties, t)
		}
	}
	return ties
}

// adjust runs the bundle adjustment over the matches.
func (a *aligner) adjust(pairs []*pair) {
	diag := math.Hypot(float64(a.rig.width), float64(a.rig.height))
	b := bundle{
		ties:  a.rowTies(pairs),
		free:  a.lens(1, false),
		prior: pairPrior(a.start, a.knowFocal, diag),
	}
	// Wide at first, so that errors along the tree can be undone.
	for _, scale := range []float64{pairErrorShare * diag, pairErrorShare * diag / 4} {
		b.loss = optim.Cauchy{Scale: scale}
		a.rig, _ = b.solve(a.rig, optim.LMOptions{MaxIterations: 30, RelTolerance: 1e-6})
	}
}

// mostContradictory returns the pair of which the smallest share of inliers
// fits the adjusted rig, if that is under a half.
func (a *aligner) mostContradictory(pairs []*pair) (worst *pair, share float64) {
	diag := math.Hypot(float64(a.rig.width), float64(a.rig.height))
	share = 0.5
	for _, p := range pairs {
		fit := 0
		for _, e := range residualsPx(&a.rig, a.rowTies([]*pair{p})) {
			if e < pairErrorShare*diag {
				fit++
			}
		}
		if s := float64(fit) / float64(len(p.inliers)); s < share {
			worst, share = p, s
		}
	}
	return worst, share
}

// notJoined makes the error that names what hangs together and what to do.
func (a *aligner) notJoined(groups [][]int) error {
	var lines []string
	kind, remedy := ErrNotJoined, "reshoot"
	if len(groups) == 2 && len(groups[0]) > 1 && len(groups[1]) == 1 {
		kind, remedy = ErrStray, "if it belongs to the row, reshoot"
		lines = append(lines, "leave out "+filepath.Base(a.frames[groups[1][0]].Name)+" if it shows another place")
	} else if len(groups[0]) > 1 {
		var left []string
		for _, g := range groups[1:] {
			for _, i := range g {
				left = append(left, filepath.Base(a.frames[i].Name))
			}
		}
		more := ""
		if n := len(left) - mostNamed; n > 1 {
			left, more = left[:mostNamed], fmt.Sprintf(" and %d more", n)
		}
		lines = append(lines, "left over: "+strings.Join(left, ", ")+more)
	}
	// The best evidence between the first group and the rest. A pair within
	// the group, accepted or not, says nothing about the gap.
	var best *pair
	for _, p := range a.pairs {
		if slices.Contains(groups[0], p.a) == slices.Contains(groups[0], p.b) {
			continue
		}
		if best == nil || len(p.inliers) > len(best.inliers) ||
			len(p.inliers) == len(best.inliers) && len(p.matches) > len(best.matches) {
			best = p
		}
	}
	if best != nil {
		lines = append(lines, fmt.Sprintf("nearest: %s and %s, %s",
			filepath.Base(a.frames[best.a].Name), filepath.Base(a.frames[best.b].Name), best.whyNot(remedy)))
	}
	return fmt.Errorf("%w: %s", kind, strings.Join(lines, "; "))
}

// refine measures ties at full size with the model so far, adjusts the rig to
// them and verifies that the pictures do look alike where they overlap.
func (a *aligner) refine(ctx context.Context) error {
	sets := make([]*features.Set, len(a.placed))
	for i, f := range a.placed {
		sets[i] = a.sets[f]
	}
	look := func(i int) (sight, func(), error) {
		f := a.placed[i]
		img, err := a.kept.hold(ctx, f)
		return sight{img, a.kept, a.small[f], a.shrink}, func() { a.kept.free(f) }, err
	}
	// Every two frames that overlap give ties, whether their corners matched
	// or not.
	var overlapping []*pair
	for i := range a.placed {
		for j := i + 1; j < len(a.placed); j++ {
			ci, cj := a.rig.camera(i), a.rig.camera(j)
			if overlapShare(&ci, &cj) >= minOverlap {
				overlapping = append(overlapping, &pair{a: i, b: j})
			}
		}
	}
	sides, err := refineTies(ctx, look, sets, a.shrink, &a.rig, overlapping, a.o.Workers, a.o.stage("refine"))
	if err = cmp.Or(err, a.kept.err()); err != nil {
		return err
	}
	var ties []tie
	for _, s := range sides {
		ties = append(ties, s.ties...)
	}
	a.settle(ties)
	if a.rig.pupil == (pupil{}) {
		return a.verify(overlapping, sides)
	}
	// Near windows were looked for in the wrong place, and bent wrongly.
	if sides, err = refineTies(ctx, look, sets, a.shrink, &a.rig, overlapping, a.o.Workers, func(float64) {}); err != nil {
		return err
	}
	ties = ties[:0]
	for _, s := range sides {
		ties = append(ties, s.ties...)
	}
	a.settle(ties)
	return a.verify(overlapping, sides)
}

// settle adjusts the rig to the refined ties and adds the shared parameters
// that pay.
func (a *aligner) settle(ties []tie) {
	if len(ties) < 8 {
		return
	}
	f := fitter{a: a, ties: ties, n: a.independent(ties), scale: 10, rig: a.rig}
	f.rig.pupil = pupil{}
	f.fit(false)
	// A pupil off the axis hides in the focal length, by several per cent, in the
	// distortion and in the turns: the ground is most of what two frames share.
	if !a.narrow {
		off := f
		off.rig.pupil = pupil{down: r3.Scale(-1, rowLevel(f.rig.rot))}
		off.free.pupil = true
		off.solve(off.rig, off.free)
		pays, before := f.pays(off.cost, pupilUnknowns), whitenedSigma(&f.rig, f.ties)
		if pays {
			off.fit(true)
		}
		// Where the ground is not level, or things move, a pupil takes up some of
		// what it has nothing to do with: kayak, uttower and three more sets of
		// photographs keep 0.57 to 0.96 of the residuals, 3.7 to 13 of the windows'
		// own standard deviations, and lose up to 16 % of the focal length. Rows of
		// a level beach keep 0.24 to 0.54, and 1.4 to 2.5.
		after := whitenedSigma(&off.rig, off.ties)
		explains := after <= 0.5*before || after <= 0.6*before && after <= 3
		if pays && explains {
			f = off
		}
		if !pays || explains {
			a.pupil, a.pupilSigma = off.rig.pupil, off.pupilSigma()
		} else {
			a.pupil = pupil{}
		}
	}
	a.rig, a.scale = f.rig, f.scale
}

// fitter adjusts a rig to ties.
type fitter struct {
	a    *aligner
	ties []tie
	n    float64 // of the ties that count as one
	// scale is that of the loss.
	scale float64
	// rig is the best so far, with cost, in which free was free.
	rig  rig
	cost float64
	free freedom
}

// unit is the cost that one standard deviation is worth: the square of the scale
// over 4, times the ties that count as one.
func (f *fitter) unit() float64 { return f.scale / 2 * f.scale / 2 * float64(len(f.ties)) / f.n }

// pays reports whether a cost is lower by far more than chance would make it with
// so many parameters more: twice the Bayesian information criterion, as they
// trade against the focal length.
func (f *fitter) pays(cost float64, extra int) bool {
	return (f.cost-cost)/f.unit() > 2*float64(extra)*math.Log(f.n)
}

func (f *fitter) bundle(r *rig, free freedom) bundle {
	return bundle{ties: f.ties, free: free, loss: optim.Cauchy{Scale: f.scale}, prior: f.a.lensPrior(r, f.unit())}
}

// solve makes the best rig that of the adjustment from r.
func (f *fitter) solve(r rig, free freedom) {
	b := f.bundle(&r, free)
	r, sum := b.solve(r, optim.LMOptions{MaxIterations: 60})
	f.rig, f.cost, f.free = r, sum.FinalCost, free
}

// fit finds the scale and then the parameters that pay: the distortion and the
// centre trade against the focal length.
func (f *fitter) fit(pupil bool) {
	lens := func(radial int, centre bool) freedom {
		l := f.a.lens(radial, centre)
		l.pupil = pupil
		return l
	}
	for range 3 {
		f.solve(f.rig, lens(1, false))
		f.scale = math.Max(2*whitenedSigma(&f.rig, f.ties), 0.5)
	}
	start := f.rig
	start.radial, start.centre = [3]float64{}, geom.Pt{}
	f.solve(start, lens(0, false))
	for _, free := range []freedom{lens(1, false), lens(2, false), lens(2, true)} {
		more := *f
		more.solve(f.rig, free)
		if f.pays(more.cost, free.shared()-f.free.shared()) {
			*f = more
		}
	}
}

// pupilSigma returns the standard deviations of the pupil's right and forward,
// infinite if the ties don't tell.
func (f *fitter) pupilSigma() (sigma [2]float64) {
	b := f.bundle(&f.rig, f.free)
	dim := b.dim(len(f.rig.rot))
	n := optim.NewNormal(dim)
	b.eval(f.rig, n)
	for i := range 3 {
		n.H[(3*b.fixed+i)*(dim+1)]++ // the frame that is held
	}
	cov, ok := n.Covariance()
	for i := range sigma {
		sigma[i] = math.Inf(1)
		if k := dim - pupilUnknowns + i; ok {
			sigma[i] = math.Sqrt(cov.At(k, k) * f.unit())
		}
	}
	return sigma
}

// lens lets the focal length, so many radial terms and the centre go free, as
// far as the frames can tell them.
func (a *aligner) lens(radial int, centre bool) freedom {
	if a.narrow {
		return freedom{}
	}
	return freedom{focal: true, radial: a.o.radialTerms(radial), centre: centre}
}

// narrowStep is the widest step between two frames, as a share of the long
// side, below which a row is narrow.
const narrowStep = 0.08

// widestStep returns the largest way that the middle of a frame moves into an
// accepted neighbour, as a share of the long side: it hardly depends on the
// focal length.
func (a *aligner) widestStep() (widest float64) {
	long := float64(max(a.start.width, a.start.height))
	for _, p := range a.accepted {
		ca, cb := p.rig.camera(0), p.rig.camera(1)
		w, _ := ca.WorldFromPixel(ca.CentrePx)
		if q, ok := cb.PixelFromWorld(w); ok {
			widest = max(widest, q.Sub(cb.CentrePx).Norm()/long)
		}
	}
	return widest
}

// lensPrior is what is known of lenses before the ties speak: the metadata's
// focal length, which may be that of a crop, or a common lens; distortion of
// a few per cent of the radius at the corner; a principal point near the
// middle. unit is the cost of one standard deviation.
func (a *aligner) lensPrior(r *rig, unit float64) prior {
	corner := geom.Pt{X: float64(r.width), Y: float64(r.height)}.Norm() / 2 / r.focalPx
	long := float64(max(r.width, r.height))
	s := 1 / math.Sqrt(unit)
	p := prior{
		logFocal: math.Log(long), logFocalWidth: 0.5 * s,
		radialWidth:   0.03 / (corner * corner) * s,
		centreWidthPx: 0.015 * long * s,
		down:          r.pupil.down, downWidth: 0.03 * s, pupilWidth: 0.2 * s,
	}
	if a.knowFocal {
		p.logFocal, p.logFocalWidth = math.Log(a.start.focalPx), 0.1*s
	}
	return p
}

// independent returns how many of the ties count as independent: windows that
// overlap measure the same pixels again. A pair's overlap holds one for each
// half window.
func (a *aligner) independent(ties []tie) float64 {
	count := map[[2]int]float64{}
	for i := range ties {
		t := &ties[i]
		count[[2]int{min(t.a, t.b), max(t.a, t.b)}]++
	}
	var n float64
	for k := range len(a.placed) * len(a.placed) { // in order: the sum must not depend on the map's
		i, j := k/len(a.placed), k%len(a.placed)
		if c := count[[2]int{i, j}]; c > 0 {
			ci, cj := a.rig.camera(i), a.rig.camera(j)
			area := overlapShare(&ci, &cj) * float64(ci.Width) * float64(ci.Height)
			n += math.Min(c, math.Max(1, area/(windowSide*windowSide/2)))
		}
	}
	return math.Max(n, 2)
}

// whitenedSigma returns the robust standard deviation of one component of the
// whitened residuals: 1 if the ties' predicted errors are right.
func whitenedSigma(r *rig, ties []tie) float64 {
	es := make([]float64, 0, len(ties))
	var jac projection
	for i := range ties {
		t := &ties[i]
		q, ok := jac.transfer(r, t.a, t.b, t.inA, false)
		if !ok {
			continue
		}
		x, y := q.X-t.inB.X, q.Y-t.inB.Y
		es = append(es, math.Sqrt(t.info[0]*x*x+2*t.info[1]*x*y+t.info[2]*y*y))
	}
	// The median length of a 2-D normal is 1.1774 σ.
	return median(es) / 1.1774
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	v = slices.Clone(v)
	slices.Sort(v)
	return v[len(v)/2]
}

func sortBy(idx []int, key func(int) float64) {
	slices.SortStableFunc(idx, func(x, y int) int { return cmp.Compare(key(x), key(y)) })
}
