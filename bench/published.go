package bench

import (
	"context"
	"fmt"
	"math"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/stitch"
)

// publishedPair is what the authors of a set say of two frames.
type publishedPair struct {
	h      [9]float64
	yawDeg float64
}

// goldengate holds the homographies published with the set `goldengate` of the
// Adobe Panoramas Data Set (J. Brandt, "Transform coding for fast approximate
// nearest neighbor search in high dimensions", CVPR 2010): x_m ~ H x_n for
// frame n = m + 1, in pixels of 600 × 900, the middle of the first pixel at
// (0, 0). yawDeg is the turn at the focal length that fits all best, 1330 px.
var goldengate = []publishedPair{
	{[9]float64{0.943771, -0.000768, 241.087056, -0.047800, 1.008984, 4.553344, -0.000126, 0.000012, 1.018101}, 9.90},
	{[9]float64{0.928857, -0.011592, 293.893529, -0.063861, 1.001739, 9.463282, -0.000161, 0.000003, 1.024712}, 11.90},
	{[9]float64{0.940729, -0.010446, 262.305480, -0.055995, 0.999128, 9.846078, -0.000142, -0.000000, 1.024998}, 10.62},
	{[9]float64{0.943445, -0.007398, 271.641821, -0.054572, 1.001267, 8.343667, -0.000137, 0.000007, 1.019775}, 11.11},
	{[9]float64{0.933727, -0.009969, 291.487824, -0.060623, 1.000093, 9.413658, -0.000151, 0.000001, 1.024395}, 11.85},
}

const (
	goldengateWidth, goldengateHeight = 600, 900
	goldengateFocal                   = 1330.0
	// goldengateCheck is the width of the frames at which a pixel is the limit.
	goldengateCheck = 150
)

// beforeFrom maps a point of a frame that is the given number of times smaller
// than the published ones into the frame before.
func (p *publishedPair) beforeFrom(q geom.Pt, smaller float64) geom.Pt {
	h := &p.h
	x, y := smaller*q.X-0.5, smaller*q.Y-0.5
	w := h[6]*x + h[7]*y + h[8]
	return geom.Pt{
		X: ((h[0]*x+h[1]*y+h[2])/w + 0.5) / smaller,
		Y: ((h[3]*x+h[4]*y+h[5])/w + 0.5) / smaller,
	}
}

// PublishedResult is what [Published] measured.
type PublishedResult struct {
	Width, Height int
	// FocalPx is the focal length found, PublishedFocalPx that of the homographies,
	// pixels of the frames.
	FocalPx, PublishedFocalPx float64
	Pairs                     []PublishedOff
}

// PublishedOff compares two neighbouring frames with their homography.
type PublishedOff struct {
	YawDeg, PublishedYawDeg float64
	// CornersPx is the mean distance of the frame's four corners in the one before
	// (D. DeTone, T. Malisiewicz, A. Rabinovich, "Deep Image Homography
	// Estimation", 2016; from memory). WorstPx and RMSPx are by how much points of
	// the overlap are off, and ItselfPx by how much the homography itself is off
	// the rotation that fits it best, at worst. All in pixels of frames 150 wide.
	CornersPx, WorstPx, RMSPx, ItselfPx float64
}

// Published joins the photographs of the set goldengate of the Adobe Panoramas
// Data Set (J. Brandt 2010), 600 × 900 pixels or smaller by a whole number, and
// compares with the homographies that its authors published. These know no
// distortion, so none is looked for.
func Published(ctx context.Context, c Config, paths []string) (*PublishedResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(0, 0, 0, 0)
	files, err := photo.List(paths)
	if err != nil {
		return nil, err
	}
	var frames []*stitch.Frame
	for _, name := range files {
		f, err := stitch.OpenFrame(name)
		if err != nil {
			return nil, err
		}
		frames = append(frames, f)
	}
	if len(frames) != len(goldengate)+1 {
		return nil, fmt.Errorf("the set has %d frames, got %d", len(goldengate)+1, len(frames))
	}
	sol, err := stitch.Align(ctx, frames, stitch.Options{Workers: c.Workers, Undistorted: true})
	if err != nil {
		return nil, err
	}
	first := &sol.Frames[0]
	smaller := float64(goldengateWidth) / float64(first.Width)
	if first.Height != int(math.Round(goldengateHeight/smaller)) {
		return nil, fmt.Errorf("%s: has %d × %d pixels, and the set has the shape 2:3", first.File, first.Width, first.Height)
	}
	res := &PublishedResult{Width: first.Width, Height: first.Height, FocalPx: first.FocalPx, PublishedFocalPx: goldengateFocal / smaller}
	for m := range goldengate {
		res.Pairs = append(res.Pairs, goldengate[m].off(sol.Frames[m].Camera(), sol.Frames[m+1].Camera(), smaller))
	}
	return res, nil
}

// off compares a frame and the one before it with their homography.
func (p *publishedPair) off(before, frame geom.Camera, smaller float64) (o PublishedOff) {
	unit := smaller * goldengateCheck / goldengateWidth
	o.PublishedYawDeg = p.yawDeg
	o.YawDeg = -frame.CamFromWorld.Mul(before.CamFromWorld.Inv()).Log().Y / geom.Degree.Radians()
	// What a homography says can't be better than the rotation that fits it best.
	ideal := before
	ideal.FocalPx = goldengateFocal / smaller
	ray := func(q geom.Pt) geom.Vec {
		v, _ := ideal.RayFromPixel(q)
		return v
	}
	var points, maps []geom.Pt
	var inFrame, inBefore []geom.Vec
	step := float64(frame.Width) / 30
	for y := 0.0; y <= float64(frame.Height); y += step {
		for x := 0.0; x <= float64(frame.Width); x += step {
			q := geom.Pt{X: x, Y: y}
			to := p.beforeFrom(q, smaller)
			if !before.Contains(to, 0) {
				continue
			}
			points, maps = append(points, q), append(maps, to)
			inFrame, inBefore = append(inFrame, ray(q)), append(inBefore, ray(to))
		}
	}
	beforeFromFrame, _ := geom.FitRotation(inFrame, inBefore, nil)
	found := func(q geom.Pt) geom.Pt {
		w, _ := frame.WorldFromPixel(q)
		got, _ := before.PixelFromWorld(w)
		return got
	}
	wide, high := float64(frame.Width), float64(frame.Height)
	for _, q := range [4]geom.Pt{{}, {X: wide}, {Y: high}, {X: wide, Y: high}} {
		o.CornersPx += found(q).Sub(p.beforeFrom(q, smaller)).Norm() * unit / 4
	}
	sum := 0.0
	for i, q := range points {
		d := found(q).Sub(maps[i]).Norm() * unit
		o.WorstPx, sum = max(o.WorstPx, d), sum+d*d
		fit, _ := ideal.PixelFromRay(beforeFromFrame.Apply(inFrame[i]))
		o.ItselfPx = max(o.ItselfPx, fit.Sub(maps[i]).Norm()*unit)
	}
	o.RMSPx = math.Sqrt(sum / float64(len(points)))
	return o
}

// Bars returns the figures that must hold.
func (r *PublishedResult) Bars() []Bar {
	yaw, corners := 0.0, 0.0
	for i := range r.Pairs {
		p := &r.Pairs[i]
		yaw, corners = max(yaw, math.Abs(p.YawDeg-p.PublishedYawDeg)), max(corners, p.CornersPx)
	}
	return []Bar{
		{"focal length", 100 * math.Abs(r.FocalPx/r.PublishedFocalPx-1), 5, " %"},
		{"turn from frame to frame", yaw, 0.3, "°"},
		{fmt.Sprintf("corners of a frame in the one before, mean, at %d px a frame", goldengateCheck), corners, 1, " px"},
	}
}

// Report returns the bars and the pairs.
func (r *PublishedResult) Report() Report {
	t := &table{head: []string{"pair", "turned by °", "published °", "corners px", "overlap: RMS px", "worst px", "homography off any rotation, worst px"}}
	for i := range r.Pairs {
		p := &r.Pairs[i]
		t.add(fmt.Sprintf("%d and %d", i+1, i+2), fmt.Sprintf("%.2f", p.YawDeg), fmt.Sprintf("%.2f", p.PublishedYawDeg),
			fmt.Sprintf("%.2f", p.CornersPx), fmt.Sprintf("%.2f", p.RMSPx), fmt.Sprintf("%.2f", p.WorstPx), fmt.Sprintf("%.2f", p.ItselfPx))
	}
	title := fmt.Sprintf("Published: goldengate at %d × %d pixels, focal length %.1f px, published %.1f", r.Width, r.Height, r.FocalPx, r.PublishedFocalPx)
	return report(title, r.Bars(), t)
}
