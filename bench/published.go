package bench

import (
	"context"
	"fmt"
	"math"

	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/photo"
	"flatfell.example/stitch"
)

// publishedCheck is the width of the frames at which a pixel is the limit.
const publishedCheck = 150

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
	if len(frames) != len(measure.Goldengate)+1 {
		return nil, fmt.Errorf("the set has %d frames, got %d", len(measure.Goldengate)+1, len(frames))
	}
	sol, err := stitch.Align(ctx, frames, stitch.Options{Workers: c.Workers, Undistorted: true})
	if err != nil {
		return nil, err
	}
	first := &sol.Frames[0]
	smaller := float64(measure.GoldengateWidth / first.Width)
	if smaller < 1 || measure.GoldengateWidth%first.Width != 0 || measure.GoldengateHeight%first.Height != 0 || 3*first.Width != 2*first.Height {
		return nil, fmt.Errorf("%s: has %d × %d pixels, and the set %d × %d, or a whole number of times fewer",
			first.File, first.Width, first.Height, measure.GoldengateWidth, measure.GoldengateHeight)
	}
	res := &PublishedResult{Width: first.Width, Height: first.Height, FocalPx: first.FocalPx, PublishedFocalPx: measure.GoldengateFocalPx / smaller}
	for m := range measure.Goldengate {
		res.Pairs = append(res.Pairs, publishedOff(&measure.Goldengate[m], sol.Frames[m].Camera(), sol.Frames[m+1].Camera(), smaller))
	}
	return res, nil
}

// publishedOff compares a frame and the one before it with their homography.
func publishedOff(p *measure.PublishedPair, before, frame geom.Camera, smaller float64) (o PublishedOff) {
	unit := smaller * publishedCheck / measure.GoldengateWidth
	o.PublishedYawDeg = p.YawDeg
	o.YawDeg = -frame.CamFromWorld.Mul(before.CamFromWorld.Inv()).Log().Y / geom.Degree.Radians()
	// What a homography says can't be better than the rotation that fits it best.
	ideal := before
	ideal.FocalPx = measure.GoldengateFocalPx / smaller
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
			to := p.BeforeFrom(q, smaller)
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
		o.CornersPx += found(q).Sub(p.BeforeFrom(q, smaller)).Norm() * unit / 4
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
	yaw, corners, rms, beyond := 0.0, 0.0, 0.0, 0.0
	for i := range r.Pairs {
		p := &r.Pairs[i]
		yaw, corners = max(yaw, math.Abs(p.YawDeg-p.PublishedYawDeg)), max(corners, p.CornersPx)
		rms, beyond = max(rms, p.RMSPx), max(beyond, p.WorstPx-p.ItselfPx)
	}
	return []Bar{
		{"focal length", 100 * math.Abs(r.FocalPx/r.PublishedFocalPx-1), 5, " %"},
		{"turn from frame to frame", yaw, 0.3, "°"},
		{fmt.Sprintf("corners of a frame in the one before, mean, at %d px a frame", publishedCheck), corners, 1, " px"},
		{"points of the overlaps, RMS", rms, 0.5, " px"},
		{"the worst of them, beyond what the homography is off any rotation", beyond, 0.5, " px"},
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
