package focus

import (
	"fmt"
	"image"
	"slices"

	"flatfell.example/blend"
)

// CropAlike cuts the plans of the brackets of one row to the same part, the
// largest that each covers and whose middle is that of the frames: the merged
// pictures can then be joined as frames of one lens. The error wraps [ErrSlices]
// if the frames differ in size, or [ErrNotOneView] if hardly anything is left.
func CropAlike(plans []*Plan) error {
	first := plans[0]
	var in image.Point
	for _, p := range plans {
		if p.Width != first.Width || p.Height != first.Height {
			return fmt.Errorf("%w: the brackets of a row have frames of %d×%d and of %d×%d pixels; export all alike",
				ErrSlices, first.Width, first.Height, p.Width, p.Height)
		}
		in.X = max(in.X, p.Crop.Min.X, p.Width-p.Crop.Max.X)
		in.Y = max(in.Y, p.Crop.Min.Y, p.Height-p.Crop.Max.Y)
	}
	// Crops begin on whole cells.
	in.X, in.Y = roundUp(in.X, first.Cell), roundUp(in.Y, first.Cell)
	crop := image.Rect(in.X, in.Y, first.Width-in.X, first.Height-in.Y)
	if 2*in.X > first.Width-leastSide/2 || 2*in.Y > first.Height-leastSide/2 {
		return fmt.Errorf("%w: the brackets of the row have hardly a place in common", ErrNotOneView)
	}
	for _, p := range plans {
		p.cropTo(crop)
	}
	return nil
}

// cropTo leaves a part of the picture, which begins on a whole cell.
func (p *Plan) cropTo(crop image.Rectangle) {
	old := p.Labels
	from := crop.Min.Sub(p.Crop.Min).Div(p.Cell)
	grid := gridOf(crop, p.Cell)
	labels := &blend.Labels{Rect: grid, Cell: p.Cell, L: make([]int16, 0, grid.Dx()*grid.Dy())}
	var held []bool
	for y := range grid.Dy() {
		at := (from.Y+y)*old.Rect.Dx() + from.X
		labels.L = append(labels.L, old.L[at:][:grid.Dx()]...)
		if p.held != nil {
			held = append(held, p.held[at:][:grid.Dx()]...)
		}
	}
	p.Crop = crop
	p.setLabels(labels, held)
}

// gridOf is the grid of the cells of a crop.
func gridOf(crop image.Rectangle, cell int) image.Rectangle {
	return image.Rect(0, 0, (crop.Dx()+cell-1)/cell, (crop.Dy()+cell-1)/cell)
}

// setLabels stores the labels, which of their cells are held, and what they say of
// the frames; held may be nil.
func (p *Plan) setLabels(l *blend.Labels, held []bool) {
	if held == nil {
		held = make([]bool, len(l.L))
	}
	p.Labels, p.held = l, held
	casting := *l
	casting.L = slices.Clone(l.L)
	for i, h := range held {
		if h {
			casting.L[i] = int16(len(p.Frames) - 1) // nothing is behind the last
		}
	}
	p.casting = &casting
	count := make([]int, len(p.Frames))
	for _, k := range l.L {
		count[k]++
	}
	for k := range p.Frames {
		p.Frames[k].Share = float64(count[k]) / float64(len(l.L))
	}
}

func roundUp(v, unit int) int { return (v + unit - 1) / unit * unit }
