package bench

import (
	"errors"
	"math"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/plan"
	"flatfell.example/raster"
	"flatfell.example/stitch"
)

// planned is a row as package plan sees it, of frames as package scene renders
// them: the same focal length in pixels.
func planned(t *testing.T, row scene.Row, wish plan.Wish) plan.Row {
	t.Helper()
	long, short := max(row.Width, row.Height), min(row.Width, row.Height)
	c := plan.FromFocalPx(23, row.FocalPx, long, short)
	c.Portrait = row.Height > row.Width
	r, err := wish.Row(c)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// rendered photographs a planned row, out of level by tilt.
func rendered(t *testing.T, row scene.Row, r plan.Row, tilt plan.Tilt) (frames []*stitch.Frame, truth []geom.Camera) {
	t.Helper()
	row.Frames, row.Overlap = r.Frames, r.Overlap()
	coast := scene.New(row.Seed, scene.Options{})
	taken := coast.Plan(row)
	for i, cam := range r.Cameras(tilt) {
		taken.Frames[i].Camera.CamFromWorld = cam.CamFromWorld
		pic, err := coast.Frame(t.Context(), 0, &taken, i)
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, stitch.NewFrame(taken.Frames[i].File, scene.Encode8(pic)))
	}
	return frames, taken.Cameras()
}

// off is the relative difference of what is planned from what is so.
func off(planned float64, is int) float64 { return math.Abs(planned/float64(is) - 1) }

// TestPlanAgainstStitch: the outer size and what is left after the crop are
// those that stitch writes, within half a per cent, on each surface; from the
// pictures alone on the first, with the true cameras on the others.
func TestPlanAgainstStitch(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and joins rows")
	}
	for _, tt := range []struct {
		surface plan.Surface
		align   bool
		row     scene.Row
		wish    plan.Wish
	}{
		{plan.Cylinder, true, scene.Row{Width: 400, Height: 600, FocalPx: 590}, plan.Wish{Frames: 4, Overlap: 1.0 / 3}},
		{plan.Cylinder, false, scene.Row{Width: 360, Height: 540, FocalPx: 530}, plan.Wish{Coverage: 360 * geom.Degree, Overlap: 0.3}},
		{plan.Plane, false, scene.Row{Width: 360, Height: 540, FocalPx: 530}, plan.Wish{Frames: 4, Overlap: 0.4}},
		{plan.Sphere, false, scene.Row{Width: 540, Height: 360, FocalPx: 525}, plan.Wish{Coverage: 110 * geom.Degree}},
	} {
		tt.row.Seed = 2
		r := planned(t, tt.row, tt.wish)
		frames, truth := rendered(t, tt.row, r, plan.Tilt{})
		o := stitch.Options{Surface: string(tt.surface), Undistorted: true}
		sol := solutionOf(truth)
		if tt.align {
			var err error
			if sol, err = stitch.Align(t.Context(), frames, o); err != nil {
				t.Fatalf("%s: %v", tt.surface, err)
			}
		}
		in := r.Inside(tt.surface, plan.Tilt{}, 0, 0)
		width, height, err := r.Outer(tt.surface)
		if err != nil {
			t.Fatal(err)
		}
		for _, size := range []struct {
			what          string
			whole         bool
			width, height float64
		}{{"inside", false, in.Width(), in.Height()}, {"in all", true, width, height}} {
			o.Crop.Whole = size.whole
			pic, err := stitch.Render(t.Context(), sol, frames, o)
			if err != nil {
				t.Fatal(err)
			}
			got := pic.Bounds().Size()
			t.Logf("%s %s: planned %.1f × %.1f px, written %v", tt.surface, size.what, size.width, size.height, got)
			if !(off(size.width, got.X) <= 0.005) || !(off(size.height, got.Y) <= 0.005) {
				t.Errorf("%s: planned %.1f × %.1f px %s, stitch writes %v", tt.surface, size.width, size.height, size.what, got)
			}
		}
	}
	// And where one refuses a plane, the other does.
	row := scene.Row{Width: 360, Height: 540, FocalPx: 530, Seed: 2}
	r := planned(t, row, plan.Wish{Coverage: plan.MaxPlane + geom.Degree, Frames: 5})
	frames, truth := rendered(t, row, r, plan.Tilt{})
	_, _, planErr := r.Outer(plan.Plane)
	_, err := stitch.Render(t.Context(), solutionOf(truth), frames, stitch.Options{Surface: "plane"})
	if planErr == nil || !errors.Is(err, stitch.ErrSurface) {
		t.Errorf("a plane of 121°: plan says %v, stitch %v", planErr, err)
	}
}

// TestPlanTilted: what is left of rows out of level, whose pictures are then
// levelled, is what stitch leaves, within one per cent of the level row's
// height.
func TestPlanTilted(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and joins rows")
	}
	row := scene.Row{Width: 320, Height: 480, FocalPx: 472, Seed: 2}
	r := planned(t, row, plan.Wish{Frames: 5, Overlap: 1.0 / 3})
	level := r.Inside(plan.Cylinder, plan.Tilt{}, 0, 0)
	for _, tilt := range []plan.Tilt{
		{AxisRoll: 0.5 * geom.Degree},
		{AxisRoll: 1 * geom.Degree},
		{AxisRoll: 2 * geom.Degree},
		{AxisRoll: 3 * geom.Degree},
		{AxisPitch: 1 * geom.Degree},
		{AxisPitch: 3 * geom.Degree},
		{CameraRoll: 1 * geom.Degree},
		{CameraRoll: 3 * geom.Degree},
	} {
		frames, truth := rendered(t, row, r, tilt)
		pic, err := stitch.Render(t.Context(), solutionOf(truth), frames, stitch.Options{})
		if err != nil {
			t.Fatalf("%+v: %v", tilt, err)
		}
		in, got := r.Inside(plan.Cylinder, tilt, 0, 0), pic.Bounds().Size()
		t.Logf("%+v: planned %.1f × %.1f px, written %v", tilt, in.Width(), in.Height(), got)
		if !(math.Abs(in.Height()-float64(got.Y)) <= 0.01*level.Height()) || !(math.Abs(in.Width()-float64(got.X)) <= 0.01*level.Width()) {
			t.Errorf("%+v: planned %.1f × %.1f px, stitch writes %v", tilt, in.Width(), in.Height(), got)
		}
	}
}

// TestPlanParallax: the shift between frames whose entrance pupil is off the
// axis, measured on rendered groyne posts, is the planned one within 5 %.
func TestPlanParallax(t *testing.T) {
	row := scene.Row{Width: 4160, Height: 6240, FocalPx: 6133, Frames: 2, Seed: 2}
	r := planned(t, row, plan.Wish{Frames: 2, Overlap: 1.0 / 3})
	coast := scene.New(row.Seed, scene.Options{})
	measured := 0
	for _, offsetM := range []float64{0.06, 0.2} {
		row.PupilOffset = geom.Vec{Z: offsetM}
		truth := coast.Plan(row)
		for _, post := range coast.Posts() {
			distance := math.Hypot(post.X, post.Z) - post.Radius // of what is seen of it
			if distance > 16 || measured >= 12 {
				break
			}
			azimuth := geom.Angle(math.Atan2(post.X, post.Z))
			// What both frames saw of the post, in windows that look the same
			// way, so that parallax alone is left between them.
			var window [2]*raster.Picture
			for i := range window {
				f := &truth.Frames[i]
				yaw := azimuth + r.Turn*(geom.Angle(i)-0.5)
				f.Origin = geom.FromYawPitchRoll(yaw, 0, 0).Inv().Apply(row.PupilOffset)
				down := geom.Angle(math.Atan2(scene.EyeHeight-0.6*post.Height, distance))
				f.Camera = geom.Camera{
					Width: windowWidth, Height: windowHeight, FocalPx: row.FocalPx,
					CentrePx: geom.Pt{X: windowWidth / 2, Y: windowHeight / 2}, CamFromWorld: geom.FromYawPitchRoll(azimuth, -down, 0),
				}
				var err error
				if window[i], err = coast.Frame(t.Context(), 0, &truth, i); err != nil {
					t.Fatal(err)
				}
			}
			got, ok := shiftOf(window[0], window[1])
			if !ok {
				continue // hidden behind another post
			}
			want := r.ParallaxPx(1000*offsetM, distance)
			measured++
			t.Logf("%.0f mm off, %.2f m: planned %.2f px, measured %.2f", 1000*offsetM, distance, want, got)
			if !(math.Abs(got-want) <= 0.05*want) {
				t.Errorf("%.0f mm off, %.2f m: planned %.2f px, measured %.2f", 1000*offsetM, distance, want, got)
			}
		}
	}
	if measured < 8 {
		t.Errorf("only %d posts measured", measured)
	}
}

// The windows of TestPlanParallax, in pixels, and the half of the patch that is
// looked for.
const windowWidth, windowHeight, patchHalf = 320, 64, 16

// shiftOf returns how far the middle of a lies to the left in b, by normalised
// correlation to a fraction of a pixel; ok is false without a clear match.
func shiftOf(a, b *raster.Picture) (px float64, ok bool) {
	score := func(shift int) float64 {
		var n, sa, sb, saa, sbb, sab float64
		for y := range windowHeight {
			ra, rb := a.Row(y), b.Row(y)
			for x := windowWidth/2 - patchHalf; x < windowWidth/2+patchHalf; x++ {
				u, v := float64(ra[3*x+1]), float64(rb[3*(x-shift)+1])
				n, sa, sb, saa, sbb, sab = n+1, sa+u, sb+v, saa+u*u, sbb+v*v, sab+u*v
			}
		}
		return (sab - sa*sb/n) / math.Sqrt((saa-sa*sa/n)*(sbb-sb*sb/n))
	}
	const reach = windowWidth/2 - patchHalf - 1
	best, at := math.Inf(-1), 0
	for s := -reach; s <= reach; s++ {
		if v := score(s); v > best {
			best, at = v, s
		}
	}
	if best < 0.9 || at == -reach || at == reach {
		return 0, false
	}
	l, r := score(at-1), score(at+1)
	return math.Abs(float64(at) + (l-r)/(2*(l-2*best+r))), true
}
