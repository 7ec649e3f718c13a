package stitch

import (
	"context"
	"fmt"
	"image"
	"math"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/internal/photo"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

// Evidence is what there is to see of a finished picture beside its pixels. All
// coordinates are pixels of the written picture.
type Evidence struct {
	// Overview is the whole picture as a JPEG of OverviewWidth × OverviewHeight
	// pixels, each the mean of Shrink × Shrink.
	Overview                              []byte
	OverviewWidth, OverviewHeight, Shrink int
	Frames                                []FrameEvidence // the placed ones
	// Seams are lines between what two frames give.
	Seams [][]geom.Pt
	Crops []CropChoice
	// Residuals are the details that frames have in common.
	Residuals []Residual
	// Levels is the share of the picture's samples in each 64th of the scale, red,
	// green and blue.
	Levels [3][levelSteps]float64
	// White and Black are the shares of the pixels of which all samples are lost.
	White, Black float64
	// Resolution has the pixels of a frame that go into a pixel of the picture,
	// along a side, on a grid of ResolutionWidth columns; 0 where no frame is.
	Resolution      []float64
	ResolutionWidth int
	Places          []Place
}

// FrameEvidence is one frame in the picture.
type FrameEvidence struct {
	// Index counts the Solution's frames.
	Index   int
	Outline []geom.Pt
	Middle  geom.Pt
	// Share of the picture that comes from the frame.
	Share float64
	// GainEV is by how much it was brightened, in stops of green light.
	GainEV float64
	// Shade are lines of equal loss of light toward the corners.
	Shade []ShadeLine
	// Before is the frame laid on the picture without any correction of its light,
	// a JPEG at the overview's scale, and At where it lies there.
	Before []byte
	At     image.Rectangle
	// White is the share of the frame's pixels of which all samples are lost;
	// Levels as those of the picture, of means of 4 × 4 pixels.
	White  float64
	Levels [3][levelSteps]float64
}

// ShadeLine is where a frame lost Stops of light.
type ShadeLine struct {
	Stops float64
	Line  []geom.Pt
}

// CropChoice is what a crop would leave.
type CropChoice struct {
	Name          string
	Rect          image.Rectangle // in the written picture, which may be smaller
	Width, Height int
}

// Residual is a detail that two frames show: where the first puts it, and by how
// much the second is off.
type Residual struct{ At, Off geom.Pt }

const (
	levelSteps = 64
	// overviewWidth is the width of the overview in pixels, about.
	overviewWidth = 2400
	// resolutionColumns is the number of places across the picture at which the
	// resolution is told.
	resolutionColumns = 48
	// outlinePoints of a side of a frame follow its curve.
	outlinePoints = 24
	// lostFrom is the sample of 8 bits from which light counts as lost.
	lostFrom = 253
)

// shapes are the crops that Examine tries beside the largest.
var shapes = []Crop{{}, {AspectW: 3, AspectH: 2}, {AspectW: 2, AspectH: 1}, {AspectW: 5, AspectH: 2}, {AspectW: 3, AspectH: 1}, {Whole: true}}

// Examine gathers the evidence of a picture that [Finish] made of sol and frames
// with the same options. Frames are read again if they are not in memory.
func Examine(ctx context.Context, sol *Solution, frames []*Frame, pic *Finished, o Options) (*Evidence, error) {
	if pic.passing() {
		return nil, errPassed
	}
	if err := matchesFrames(sol, frames); err != nil {
		return nil, err
	}
	if o.MaxWidth > 0 {
		var err error
		if sol, frames, err = matchReduced(sol, frames, o); err != nil {
			return nil, err
		}
	}
	view, err := sol.Output.View()
	if err != nil {
		return nil, err
	}
	x := &examiner{sol: sol, frames: frames, pic: pic, labels: pic.labels, view: view, o: o, kept: newCache(frames, o)}
	x.layers = newLayers(ctx, sol, x.kept, view)
	x.ev.Shrink = max(1, ceilDiv(view.Rect.Dx(), overviewWidth))
	progress := o.stage("examine")
	for i, step := range []func(context.Context) error{x.overview, x.lookAtFrames, x.count, x.geometry, x.places} {
		if err := step(ctx); err != nil {
			return nil, err
		}
		progress(float64(i+1) / 5)
	}
	return &x.ev, nil
}

// examiner is the work of Examine.
type examiner struct {
	sol    *Solution
	frames []*Frame
	pic    *Finished
	labels *blend.Labels
	view   warp.View
	o      Options
	kept   *cache
	layers []*layer
	ev     Evidence

	// On the seams' grid, cells of cell pixels.
	seen    []blend.SeamLayer
	cell    int
	details []*detailMap
	blocks  blockCounts
}

// matchReduced returns the Solution and frames of a picture that was rendered
// small, as Render made it.
func matchReduced(sol *Solution, frames []*Frame, o Options) (*Solution, []*Frame, error) {
	full := *sol
	if err := planOutput(&full, o, 1); err != nil || full.Output.Width <= o.MaxWidth {
		return sol, frames, err
	}
	return reduce(&full, frames, o)
}

// overview makes the small picture.
func (x *examiner) overview(ctx context.Context) error {
	small, err := x.pic.Shrink(ctx, x.ev.Shrink)
	if err != nil {
		return err
	}
	x.ev.OverviewWidth, x.ev.OverviewHeight = small.Rect.Dx(), small.Rect.Dy()
	x.ev.Overview, err = photo.JPEGBytes(ctx, small, 85)
	if err != nil {
		return err
	}
	x.ev.Frames = make([]FrameEvidence, len(x.layers))
	for k, l := range x.layers {
		f := &x.ev.Frames[k]
		f.Index = l.index
		f.At = image.Rect(floorDiv(l.bounds.Min.X, x.ev.Shrink), floorDiv(l.bounds.Min.Y, x.ev.Shrink),
			ceilDiv(l.bounds.Max.X, x.ev.Shrink), ceilDiv(l.bounds.Max.Y, x.ev.Shrink)).Intersect(small.Rect)
		if f.Before, err = x.before(ctx, l, f.At, small); err != nil {
			return err
		}
	}
	return nil
}

// before lays a frame as it came on part r of the overview.
func (x *examiner) before(ctx context.Context, l *layer, r image.Rectangle, overview *raster.Picture) ([]byte, error) {
	if r.Empty() {
		return nil, nil
	}
	img, err := x.kept.hold(ctx, l.index)
	if err != nil {
		return nil, err
	}
	small, err := raster.Shrink(ctx, x.o.Workers, img, x.ev.Shrink)
	x.kept.free(l.index)
	if err != nil {
		return nil, err
	}
	cam := l.cam.Scaled(1 / float64(x.ev.Shrink))
	cam.Width, cam.Height = small.Rect.Dx(), small.Rect.Dy()
	view := coarseView(x.view, x.ev.Shrink)
	view.WrapPx = 0
	planes := [3]*raster.Plane{raster.NewPlane(r), raster.NewPlane(r), raster.NewPlane(r)}
	valid := make([]uint8, r.Dx()*r.Dy())
	warp.NewSampler(small, cam, view, warp.Options{Local: l.frame.Local}).Fill(&planes, valid, r)
	out := raster.NewPicture(image.Rect(0, 0, r.Dx(), r.Dy()))
	for y := range r.Dy() {
		row, shown := out.Row(y), overview.Row(y + r.Min.Y)[3*r.Min.X:]
		for i := range r.Dx() {
			for c := range 3 {
				if valid[y*r.Dx()+i] == 0 {
					row[3*i+c] = shown[3*i+c]
					continue
				}
				row[3*i+c] = raster.Sample16(planes[c].Pix[y*planes[c].Stride+i])
			}
		}
	}
	return photo.JPEGBytes(ctx, out, 80)
}

// lookAtFrames measures the frames: on the seams' grid, their detail and levels.
func (x *examiner) lookAtFrames(ctx context.Context) error {
	quiet := x.o
	quiet.Progress = nil
	judged, _, cell, err := lookForSeams(ctx, x.layers, x.view, quiet)
	if err != nil {
		return err
	}
	x.seen, x.cell = judged, cell
	x.details = make([]*detailMap, len(x.layers))
	return par.Do(ctx, x.o.Workers, len(x.layers), func(k int) error {
		img, err := x.kept.hold(ctx, x.layers[k].index)
		if err != nil {
			return err
		}
		defer x.kept.free(x.layers[k].index)
		if x.details[k], err = newDetailMap(ctx, img); err != nil {
			return err
		}
		small, err := raster.Shrink(ctx, 1, img, 4)
		if err != nil {
			return err
		}
		f := &x.ev.Frames[k]
		lost := 0
		for i := 0; i < len(small.Pix); i += 3 {
			least := uint16(0xffff)
			for c, v := range small.Pix[i : i+3] {
				f.Levels[c][int(v)*levelSteps>>16]++
				least = min(least, v)
			}
			if least >= lostFrom*0x101 {
				lost++
			}
		}
		n := float64(max(1, len(small.Pix)/3))
		for c := range f.Levels {
			for i := range f.Levels[c] {
				f.Levels[c][i] /= n
			}
		}
		f.White = float64(lost) / n
		return nil
	})
}

// lostBlock is the side in pixels of the blocks in which lost light is counted.
const lostBlock = 16

// blockCounts has the share of each block's pixels that are white.
type blockCounts struct {
	w, h  int
	white []float32
}

// count goes through the picture once.
func (x *examiner) count(ctx context.Context) error {
	w, h := x.pic.Size()
	b := blockCounts{w: ceilDiv(w, lostBlock), h: ceilDiv(h, lostBlock)}
	b.white = make([]float32, b.w*b.h)
	type counts struct {
		levels       [3][levelSteps]int
		white, black int
		seen         int
	}
	rows := make([]counts, b.h)
	samples := 3
	if x.pic.HasAlpha() {
		samples = 4
	}
	err := par.Do(ctx, x.o.Workers, b.h, func(by int) error {
		lines := min(lostBlock, h-by*lostBlock)
		pix := make([]uint8, lines*w*samples)
		if err := x.pic.Rows8(ctx, pix, by*lostBlock, lines); err != nil {
			return err
		}
		n := &rows[by]
		for i := 0; i < len(pix); i += samples {
			if samples == 4 && pix[i+3] == 0 {
				continue
			}
			r, g, bl := pix[i], pix[i+1], pix[i+2]
			n.levels[0][r>>2]++
			n.levels[1][g>>2]++
			n.levels[2][bl>>2]++
			n.seen++
			if min(r, g, bl) >= lostFrom {
				n.white++
				b.white[by*b.w+(i/samples)%w/lostBlock]++
			}
			if max(r, g, bl) <= 1 {
				n.black++
			}
		}
		for bx := range b.w {
			b.white[by*b.w+bx] /= float32(lines * min(lostBlock, w-bx*lostBlock))
		}
		return nil
	})
	if err != nil {
		return err
	}
	seen := 0
	for i := range rows {
		seen += rows[i].seen
	}
	n := float64(max(1, seen))
	for i := range rows {
		x.ev.White += float64(rows[i].white) / n
		x.ev.Black += float64(rows[i].black) / n
		for c := range 3 {
			for v, k := range rows[i].levels[c] {
				x.ev.Levels[c][v] += float64(k) / n
			}
		}
	}
	x.blocks = b
	return nil
}

// geometry draws the frames, seams, crops, residuals and the resolution.
func (x *examiner) geometry(context.Context) error {
	shares := make([]int, len(x.layers))
	cells := 0
	for _, l := range x.labels.L {
		if l >= 0 {
			shares[l]++
			cells++
		}
	}
	for k, l := range x.layers {
		f := &x.ev.Frames[k]
		f.Share = float64(shares[k]) / float64(max(1, cells))
		f.GainEV = math.Log2(l.frame.Gain[1])
		f.Outline = x.outline(&l.cam)
		if p, ok := x.pixelOf(&l.cam, l.cam.CentrePx); ok {
			f.Middle = p
		}
		f.Shade = x.shade(l)
	}
	x.ev.Seams = seamLines(x.labels)
	x.residuals()
	x.resolution()
	return x.crops()
}

// pixelOf returns where a camera's pixel falls in the picture.
func (x *examiner) pixelOf(cam *geom.Camera, p geom.Pt) (geom.Pt, bool) {
	ray, ok := cam.WorldFromPixel(p)
	if !ok {
		return geom.Pt{}, false
	}
	return x.view.PixelOf(ray)
}

// near returns p, by whole turns as near to q as it can be: what crosses the ends of
// a picture that closes stays in one piece.
func (x *examiner) near(p, q geom.Pt) geom.Pt {
	if turn := float64(x.view.WrapPx); turn > 0 {
		p.X += turn * math.Round((q.X-p.X)/turn)
	}
	return p
}

func (x *examiner) outline(cam *geom.Camera) (out []geom.Pt) {
	w, h := float64(cam.Width), float64(cam.Height)
	for _, side := range [4][2]geom.Pt{{{}, {X: w}}, {{X: w}, {X: w, Y: h}}, {{X: w, Y: h}, {Y: h}}, {{Y: h}, {}}} {
		for i := range outlinePoints {
			t := float64(i) / outlinePoints
			p, ok := x.pixelOf(cam, geom.Pt{X: side[0].X + t*(side[1].X-side[0].X), Y: side[0].Y + t*(side[1].Y-side[0].Y)})
			if ok && len(out) > 0 {
				p = x.near(p, out[len(out)-1])
			}
			if ok {
				out = append(out, p)
			}
		}
	}
	return out
}

// shade returns the lines of each quarter of a stop.
func (x *examiner) shade(l *layer) (out []ShadeLine) {
	v := l.frame.Vignetting
	if v == (blend.Vignetting{}) {
		return nil
	}
	half := math.Hypot(float64(l.cam.Width), float64(l.cam.Height)) / 2
	last := 0.0
	for r := 0.02; r <= 1; r += 0.01 {
		stops := -math.Log2(v.At(r * r))
		step := math.Floor(math.Abs(stops) * 4)
		if step == math.Floor(math.Abs(last)*4) {
			continue
		}
		last = stops
		var line []geom.Pt
		for i := range 97 {
			a := 2 * math.Pi * float64(i) / 96
			p := geom.Pt{X: l.cam.CentrePx.X + r*half*math.Cos(a), Y: l.cam.CentrePx.Y + r*half*math.Sin(a)}
			q, ok := x.pixelOf(&l.cam, p)
			if ok && l.cam.Contains(p, 0) {
				if len(line) > 0 {
					q = x.near(q, line[len(line)-1])
				}
				line = append(line, q)
				continue
			}
			if len(line) > 1 {
				out = append(out, ShadeLine{step / 4, line})
			}
			line = nil
		}
		if len(line) > 1 {
			out = append(out, ShadeLine{step / 4, line})
		}
	}
	return out
}

// seamLines follows the borders between labels, along the sides of the cells.
func seamLines(l *blend.Labels) (out [][]geom.Pt) {
	w, h, cell := l.Rect.Dx(), l.Rect.Dy(), float64(l.Cell)
	differ := func(a, b int16) bool { return a != b && a >= 0 && b >= 0 }
	// Right sides and lower sides of cells that lie on a border, each used once.
	right, below := make([]bool, w*h), make([]bool, w*h)
	for y := range h {
		for x := range w {
			i := y*w + x
			right[i] = x+1 < w && differ(l.L[i], l.L[i+1])
			below[i] = y+1 < h && differ(l.L[i], l.L[i+w])
		}
	}
	// take uses the side between the corners (x, y) and its neighbour.
	take := func(x, y, dx, dy int) bool {
		var side *bool
		switch {
		case dy == 1 && x >= 1 && y < h && x <= w:
			side = &right[y*w+x-1]
		case dy == -1 && x >= 1 && y >= 1 && x <= w:
			side = &right[(y-1)*w+x-1]
		case dx == 1 && y >= 1 && x < w && y <= h:
			side = &below[(y-1)*w+x]
		case dx == -1 && y >= 1 && x >= 1 && y <= h:
			side = &below[(y-1)*w+x-1]
		}
		if side == nil || !*side {
			return false
		}
		*side = false
		return true
	}
	ways := [4][2]int{{0, 1}, {1, 0}, {-1, 0}, {0, -1}}
	for y := 0; y <= h; y++ {
		for x := 0; x <= w; x++ {
			for {
				line := []geom.Pt{{X: float64(x) * cell, Y: float64(y) * cell}}
				at, went := [2]int{x, y}, [2]int{}
				for {
					moved := false
					for _, d := range ways {
						if !take(at[0], at[1], d[0], d[1]) {
							continue
						}
						at = [2]int{at[0] + d[0], at[1] + d[1]}
						p := geom.Pt{X: float64(at[0]) * cell, Y: float64(at[1]) * cell}
						if d == went {
							line[len(line)-1] = p
						} else {
							line = append(line, p)
						}
						went, moved = d, true
						break
					}
					if !moved {
						break
					}
				}
				if len(line) < 2 {
					break
				}
				out = append(out, line)
			}
		}
	}
	return out
}

// residuals lays the pairs' ties on the picture.
func (x *examiner) residuals() {
	for i := range x.sol.Pairs {
		p := &x.sol.Pairs[i]
		if !x.sol.Frames[p.A].Placed || !x.sol.Frames[p.B].Placed {
			continue
		}
		a, b := x.sol.Frames[p.A].Camera(), x.sol.Frames[p.B].Camera()
		scale := float64(a.Width) / float64(max(1, x.frameWidth(p.A)))
		for _, t := range p.Ties {
			at, ok := x.pixelOf(&a, geom.Pt{X: t[0] * scale, Y: t[1] * scale})
			other, ok2 := x.pixelOf(&b, geom.Pt{X: t[2] * scale, Y: t[3] * scale})
			if ok && ok2 && image.Pt(int(at.X), int(at.Y)).In(x.view.Rect) {
				x.ev.Residuals = append(x.ev.Residuals, Residual{at, x.near(other, at).Sub(at)})
			}
		}
	}
}

// frameWidth is the width of frame i at full size: ties are in its pixels.
func (x *examiner) frameWidth(i int) int {
	if f := x.frames[i]; f.full > 0 {
		return f.full
	}
	return x.frames[i].Width
}

// resolution samples the scale of the frames in the picture.
func (x *examiner) resolution() {
	w, h := x.view.Rect.Dx(), x.view.Rect.Dy()
	cols := resolutionColumns
	rows := max(1, int(math.Round(float64(cols)*float64(h)/float64(w))))
	x.ev.ResolutionWidth = cols
	for j := range rows {
		for i := range cols {
			px, py := (float64(i)+0.5)*float64(w)/float64(cols), (float64(j)+0.5)*float64(h)/float64(rows)
			x.ev.Resolution = append(x.ev.Resolution, x.scaleAt(px, py))
		}
	}
}

// scaleAt is the number of pixels of the frame along a side of the picture's pixel.
func (x *examiner) scaleAt(px, py float64) float64 {
	k := x.labels.At(int(px)/x.labels.Cell, int(py)/x.labels.Cell)
	if k < 0 {
		return 0
	}
	cam := &x.layers[k].cam
	at := func(px, py float64) (geom.Pt, bool) {
		ray, ok := x.view.RayAt(px, py)
		if !ok {
			return geom.Pt{}, false
		}
		return cam.PixelFromWorld(ray)
	}
	p, ok0 := at(px, py)
	q, ok1 := at(px+1, py)
	r, ok2 := at(px, py+1)
	if !ok0 || !ok1 || !ok2 {
		return 0
	}
	u, v := q.Sub(p), r.Sub(p)
	return math.Sqrt(math.Abs(u.X*v.Y - u.Y*v.X))
}

// crops tells what other crops would leave of the row.
func (x *examiner) crops() error {
	written := x.sol.Output
	for _, c := range shapes {
		other := *x.sol
		o := x.o
		o.Surface, o.Crop = written.Surface, c
		scale := written.PxPerRadian / x.layers[0].cam.FocalPx
		if err := planOutput(&other, o, scale); err != nil {
			continue // no such rectangle
		}
		out := &other.Output
		dx, dy := out.CropPx[0]-written.CropPx[0], out.CropPx[1]-written.CropPx[1]
		x.ev.Crops = append(x.ev.Crops, CropChoice{
			Name: cropName(c), Width: out.Width, Height: out.Height,
			Rect: image.Rect(dx, dy, dx+out.Width, dy+out.Height),
		})
	}
	return nil
}

// cropName is a crop as the command line has it.
func cropName(c Crop) string {
	switch {
	case c.Whole:
		return "whole"
	case c.AspectW > 0:
		return fmt.Sprintf("%g:%g", c.AspectW, c.AspectH)
	}
	return "inside"
}
