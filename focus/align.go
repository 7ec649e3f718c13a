package focus

import (
	"context"
	"fmt"
	"image"
	"math"
	"path/filepath"
	"slices"

	"flatfell.example/blend"
)

// Plan is what Align found. Frames are listed from near to far.
type Plan struct {
	// Width and Height of the slices in pixels.
	Width, Height int
	// Frames are the slices from near to far; the last is the reference, which
	// lies in the picture as it was taken.
	Frames []Placed
	// Crop is the part of the reference that all slices cover: the picture. It
	// begins on a whole cell.
	Crop image.Rectangle
	// Cell is the side of a cell in pixels.
	Cell int
	// Labels tells for each cell of the picture which of Frames it is taken
	// from.
	Labels *blend.Labels
	// BlurPx is for each of Frames but the last the radius of the disc to which
	// what is sharp in it spreads in the next.
	BlurPx []float64

	// held marks the cells of Labels that show something as it was at one moment, and
	// casting is Labels without these: what may spread over the slices behind.
	held    []bool
	casting *blend.Labels
}

// Placed is a slice in its place.
type Placed struct {
	// Index is that among the slices given to Align.
	Index int
	Pose  Pose
	// Gain is of linear light, to match the reference: red, green, blue.
	Gain [3]float64
	// Likeness is the correlation with the next, on its coarse bands.
	Likeness float64
	// Share of the picture that is taken from it.
	Share float64
}

// Align finds how the slices of a bracket belong together, in any order. The
// error wraps [ErrSlices] or [ErrNotOneView], or is a file's own.
func Align(ctx context.Context, slicesGiven []*Slice, o Options) (*Plan, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := check(slicesGiven); err != nil {
		return nil, err
	}
	w, h := slicesGiven[0].Width, slicesGiven[0].Height
	p := &Plan{Width: w, Height: h, Cell: cellOf(w, h)}
	l := &looker{cell: p.Cell, shrink: max(1, (max(w, h)+mostSmall/2)/mostSmall), workers: o.Workers}
	progress := o.stage("look")
	looks := make([]*look, len(slicesGiven))
	for i, s := range slicesGiven {
		var err error
		if looks[i], err = l.look(ctx, s); err != nil {
			return nil, err
		}
		progress(float64(i+1) / float64(len(looks)))
	}
	cw, ch := w/p.Cell, h/p.Cell
	order := nearToFar(looks, cw, ch, o.KeepOrder)
	if o.Like != nil && len(o.Like.Frames) == len(order) {
		for k := range order {
			order[k] = o.Like.Frames[k].Index
		}
	}
	p.Frames = make([]Placed, len(order))
	sorted := make([]*look, len(order))
	for k, i := range order {
		p.Frames[k].Index = i
		sorted[k] = looks[i]
	}
	progress = o.stage("register")
	if err := p.registerAll(ctx, sorted, slicesGiven, float64(l.shrink), o.Like, progress); err != nil {
		return nil, err
	}
	p.balance(sorted)
	poses := make([]Pose, len(p.Frames))
	for k := range poses {
		poses[k] = p.Frames[k].Pose
	}
	p.Crop = inside(poses, w, h)
	p.Crop.Min.X, p.Crop.Min.Y = roundUp(p.Crop.Min.X, p.Cell), roundUp(p.Crop.Min.Y, p.Cell)
	if p.Crop.Dx() < leastSide/2 || p.Crop.Dy() < leastSide/2 {
		return nil, fmt.Errorf("%w: they have hardly a place in common; leave out what belongs to another bracket", ErrNotOneView)
	}
	progress = o.stage("choose")
	if err := p.choose(ctx, sorted, float64(l.shrink), o.Workers, progress); err != nil {
		return nil, err
	}
	return p, nil
}

// mostSmall is about the longer side of the luma on which slices are
// registered.
const mostSmall = 1600

// cellOf returns the side of a cell: small pictures have small things.
func cellOf(w, h int) int {
	if w*h > 6e6 {
		return 4
	}
	return 2
}

// registerAll places the slices one by one, each against its farther neighbour,
// from where that lies or from where the slice lies in a plan that is like this
// one.
func (p *Plan) registerAll(ctx context.Context, looks []*look, given []*Slice, shrink float64, like *Plan, progress func(float64)) error {
	w, h := float64(p.Width)/shrink, float64(p.Height)/shrink
	last := len(looks) - 1
	known := bandPass(looks[last].small)
	var knownPose Pose // its shift in units of the side
	side := float64(max(p.Width, p.Height))
	p.Frames[last].Likeness = 1
	for k := last - 1; k >= 0; k-- {
		if err := ctx.Err(); err != nil {
			return err
		}
		bands := bandPass(looks[k].small)
		start := knownPose
		if like != nil && len(like.Frames) == len(looks) {
			start = like.Frames[k].Pose
			start.Shift[0] /= side
			start.Shift[1] /= side
		}
		pose, likes := register(bands, known, w, h, knownPose, start)
		if likes < likeness || math.Abs(pose.Scale) > mostScale || math.Abs(pose.Turn) > mostTurn || math.Hypot(pose.Shift[0], pose.Shift[1]) > mostShift {
			return fmt.Errorf("%w: %s does not show what %s shows, its neighbour in focus; leave out what belongs to another bracket",
				ErrNotOneView, filepath.Base(given[p.Frames[k].Index].Name), filepath.Base(given[p.Frames[k+1].Index].Name))
		}
		f := &p.Frames[k]
		f.Pose, f.Likeness = pose, likes
		f.Pose.Shift[0] *= side
		f.Pose.Shift[1] *= side
		known, knownPose = bands, pose
		progress(float64(last-k) / float64(last))
	}
	return nil
}

// sameGain is the largest difference of gains in stops that counts as a locked
// exposure: it is then left alone.
const sameGain = 0.012

// balance finds the gains: the medians, over blocks, of the ratio of light
// between neighbours.
func (p *Plan) balance(looks []*look) {
	last := len(looks) - 1
	p.Frames[last].Gain = [3]float64{1, 1, 1}
	varies := false
	for k := last - 1; k >= 0; k-- {
		for c := range 3 {
			var ratios []float64
			for b, v := range looks[k].light {
				if u := looks[k+1].light[b]; v[c] > 1e-4 && u[c] > 1e-4 {
					ratios = append(ratios, u[c]/v[c])
				}
			}
			r := 1.0
			if len(ratios) > 0 {
				slices.Sort(ratios)
				r = ratios[len(ratios)/2]
			}
			p.Frames[k].Gain[c] = p.Frames[k+1].Gain[c] * r
			varies = varies || math.Abs(math.Log2(r)) > sameGain
		}
	}
	if !varies {
		for k := range p.Frames {
			p.Frames[k].Gain = [3]float64{1, 1, 1}
		}
	}
}
