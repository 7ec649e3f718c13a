package stitch

import (
	"errors"
	"image"
	"math"
	"slices"
	"strings"
	"testing"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
	"flatfell.example/warp"
)

// cleanRow is a row of three frames without noise, so that what is left
// between the picture and the truth is the stitcher's.
func cleanRow(t testing.TB) *photographed {
	return sharedRow(t, scene.Row{
		Frames: 3, Width: 400, Height: 600, Seed: 6, RollErr: geom.Degree / 2, PitchErr: geom.Degree / 2,
		Radial: [3]float64{-0.02}, ExposureEV: 0.3,
	})
}

// truthOf renders the true picture on the view of a solution.
func (p *photographed) truthOf(t testing.TB, sol *Solution) *raster.Picture {
	t.Helper()
	view, err := sol.Output.View()
	if err != nil {
		t.Fatal(err)
	}
	_, solFromTrue := p.rotationErrors(sol)
	trueFromSol := solFromTrue.Inv()
	pic, err := p.coast.Surface(t.Context(), 0, view.Rect, 2, 1/view.PxPerRadian, func(x, y float64) (geom.Vec, bool) {
		ray, ok := view.RayAt(x, y)
		return trueFromSol.Apply(ray), ok
	})
	if err != nil {
		t.Fatal(err)
	}
	return pic
}

// leastPSNR is what a picture without noise must reach against the truth, in
// dB: cleanRow has 42.2 on the plane to 43.6 on the cylinder, most of it from
// the 8 bits of the frames and the resampling. With a frame that
// is off by a pixel it has 39.5.
const leastPSNR = 41.0

// TestPictureAgainstTruth: on every surface the picture is the scene, but for
// the resampling and a gain.
func TestPictureAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("a long one, and nothing in it runs at once that others do not run")
	}
	row := cleanRow(t)
	sol := row.align(t, Options{})
	for _, surface := range warp.SurfaceNames() {
		o := Options{Surface: surface}
		pic, err := Render(t.Context(), sol, row.frames, o)
		if err != nil {
			t.Errorf("%s: %v", surface, err)
			continue
		}
		if sol.Output.Surface != surface || pic.Rect.Dx() != sol.Output.Width || pic.Rect.Dy() != sol.Output.Height {
			t.Errorf("%s: the Solution says %+v of a picture of %v", surface, sol.Output, pic.Rect)
		}
		if db := measure.PSNR(pic, row.truthOf(t, sol), nil); !(db >= leastPSNR) {
			t.Errorf("%s: %.1f dB from the truth, want ≥ %g", surface, db, leastPSNR)
		}
	}
	// One frame a pixel off would show.
	f := &sol.Frames[slices.Index(row.of, 1)]
	cam := f.Camera()
	cam.CamFromWorld = geom.Exp(geom.Vec{Y: 1 / cam.FocalPx}).Mul(cam.CamFromWorld)
	f.setCamera(cam)
	pic, err := Render(t.Context(), sol, row.frames, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if db := measure.PSNR(pic, row.truthOf(t, sol), nil); !(db < leastPSNR) {
		t.Errorf("%.1f dB with a frame off by a pixel: this test would not see it", db)
	}
}

// TestTooWide: a plane can't hold 120° or more; the others can.
func TestTooWide(t *testing.T) {
	truth := scene.New(1, scene.Options{}).Plan(scene.Row{Frames: 5})
	sol := &Solution{Version: solutionVersion, Frames: make([]FrameSolution, len(truth.Frames))}
	for i := range sol.Frames {
		cam := truth.Frames[i].Camera
		sol.Frames[i] = FrameSolution{Width: cam.Width, Height: cam.Height, Placed: true, Gain: [3]float64{1, 1, 1}}
		sol.Frames[i].setCamera(cam)
	}
	for _, surface := range warp.SurfaceNames() {
		err := planOutput(sol, Options{Surface: surface}, 1)
		if surface != "plane" {
			if err != nil {
				t.Errorf("%s: %v", surface, err)
			}
			continue
		}
		if !errors.Is(err, ErrSurface) || !strings.Contains(err.Error(), "use the cylinder") {
			t.Errorf("plane: %v, want the advice to use the cylinder", err)
		}
		// The same way for Render, before anything is read.
		if _, err := Render(t.Context(), sol, framesOf(sol), Options{Surface: surface}); !errors.Is(err, ErrSurface) {
			t.Errorf("Render on a plane: %v", err)
		}
	}
}

// framesOf returns frames of a solution's sizes that can't be decoded.
func framesOf(sol *Solution) []*Frame {
	out := make([]*Frame, len(sol.Frames))
	for i := range out {
		out[i] = &Frame{Name: "frame", Width: sol.Frames[i].Width, Height: sol.Frames[i].Height}
	}
	return out
}

// covered is the naive twin of the coverage: whether some frame has pixel
// (x, y) of the picture at least margin inside.
func covered(sol *Solution, view *warp.View, x, y int, margin float64) bool {
	ray, ok := view.RayAt(float64(x)+0.5, float64(y)+0.5)
	if !ok {
		return false
	}
	for i := range sol.Frames {
		cam := sol.Frames[i].Camera()
		if p, ok := cam.PixelFromWorld(ray); ok && cam.Contains(p, margin) {
			return true
		}
	}
	return false
}

// TestCropInside: every pixel of the crop is covered, no side of it can be
// moved outward, and a crop of a shape has the shape and is inside, too.
func TestCropInside(t *testing.T) {
	if testing.Short() {
		t.Skip("nothing in it runs at once that others do not run")
	}
	row := cleanRow(t)
	sol := row.align(t, Options{})
	for _, crop := range []Crop{{}, {AspectW: 5, AspectH: 2}, {AspectW: 1, AspectH: 1}, {AspectW: 1, AspectH: 3}} {
		if err := planOutput(sol, Options{Crop: crop}, 1); err != nil {
			t.Fatal(err)
		}
		view, err := sol.Output.View()
		if err != nil {
			t.Fatal(err)
		}
		w, h := sol.Output.Width, sol.Output.Height
		for y := range h {
			for x := range w {
				if !covered(sol, &view, x, y, coverMarginPx) {
					t.Fatalf("crop %+v: pixel (%d, %d) of %d × %d is not covered", crop, x, y, w, h)
				}
			}
		}
		if c := sol.Output.CropPx; c[2]-c[0] != w || c[3]-c[1] != h {
			t.Errorf("crop %+v: %v is not %d × %d", crop, c, w, h)
		}
		if crop.AspectW > 0 {
			if got := float64(h) * crop.AspectW / crop.AspectH; !(math.Abs(got-float64(w)) <= 0.5) {
				t.Errorf("crop %+v: %d × %d pixels, want %.1f wide", crop, w, h, got)
			}
			continue
		}
		for _, side := range []image.Rectangle{
			image.Rect(0, -1, w, 0), image.Rect(0, h, w, h+1), image.Rect(-1, 0, 0, h), image.Rect(w, 0, w+1, h),
		} {
			all := true
			for y := side.Min.Y; y < side.Max.Y; y++ {
				for x := side.Min.X; x < side.Max.X; x++ {
					all = all && covered(sol, &view, x, y, coverMarginPx)
				}
			}
			if all {
				t.Errorf("the crop of %d × %d could have %v, too", w, h, side)
			}
		}
	}
}

// TestCropWhole: the whole picture holds all that any frame covers, with alpha
// elsewhere.
func TestCropWhole(t *testing.T) {
	if testing.Short() {
		t.Skip("nothing in it runs at once that others do not run")
	}
	row := cleanRow(t)
	sol := row.align(t, Options{})
	inside, err := Render(t.Context(), sol, row.frames, Options{})
	if err != nil {
		t.Fatal(err)
	}
	whole, err := Render(t.Context(), sol, row.frames, Options{Crop: Crop{Whole: true}})
	if err != nil {
		t.Fatal(err)
	}
	view, err := sol.Output.View()
	if err != nil {
		t.Fatal(err)
	}
	if inside.Alpha != nil || whole.Alpha == nil {
		t.Fatal("a crop has alpha if and only if it is whole")
	}
	clear := 0
	for y := range whole.Rect.Dy() {
		for x := range whole.Rect.Dx() {
			a := whole.AlphaRow(y)[x]
			// The resampler's map is exact to 0.01 px; still what the crop finds
			// covered has content.
			if sure, none := covered(sol, &view, x, y, coverMarginPx), !covered(sol, &view, x, y, coverMarginPx-0.1); sure && a != 0xffff || none && a != 0 {
				t.Fatalf("pixel (%d, %d) has alpha %#x, covered %v", x, y, a, sure)
			}
			if a == 0 {
				clear++
				if v := whole.Row(y)[3*x : 3*x+3]; v[0]|v[1]|v[2] != 0 {
					t.Fatalf("pixel (%d, %d) is transparent and %v", x, y, v)
				}
			}
		}
	}
	if clear == 0 {
		t.Error("no pixel is transparent")
	}
	if db := measure.PSNR(whole, row.truthOf(t, sol), nil); !(db >= leastPSNR) {
		t.Errorf("%.1f dB from the truth", db)
	}
}

// TestSets: what can't be a row is refused by name and with a remedy.
func TestSets(t *testing.T) {
	row := smallRow(t)
	wide := NewFrame("wide.jpg", image.NewGray(image.Rect(0, 0, 450, 300)))
	big := NewFrame("big.jpg", image.NewGray(image.Rect(0, 0, 600, 900)))
	img, err := row.frames[0].Image(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	twin := NewFrame("twin.jpg", img)
	tiny := []*Frame{NewFrame("tiny1.jpg", image.NewGray(image.Rect(0, 0, 1, 1))), NewFrame("tiny2.jpg", image.NewGray(image.Rect(0, 0, 1, 1)))}
	for _, tc := range []struct {
		name   string
		frames []*Frame
		says   []string
	}{
		{"none", nil, []string{"two frames or more"}},
		{"one", row.frames[:1], []string{"two frames or more"}},
		{"held the other way", append([]*Frame{wide}, row.frames...), []string{"wide.jpg", "held the other way"}},
		{"another size", append([]*Frame{big}, row.frames...), []string{"big.jpg", "another size"}},
		{"twice the same", append([]*Frame{twin}, row.frames...), []string{"twin.jpg", row.frames[0].Name, "same picture"}},
		{"tiny", tiny, []string{"tiny1.jpg", "too small"}},
	} {
		_, err := Align(t.Context(), tc.frames, Options{})
		if !errors.Is(err, ErrFrames) {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		for _, s := range tc.says {
			if !strings.Contains(err.Error(), s) {
				t.Errorf("%s: %q doesn't say %q", tc.name, err, s)
			}
		}
	}
}

// TestLeftOut: a frame of another coast stops the run and is named; with
// AllowMissing it is left out and the rest is joined as without it.
func TestLeftOut(t *testing.T) {
	row := smallRow(t)
	other := sharedRow(t, scene.Row{Frames: 1, Width: 300, Height: 450, Seed: 77})
	stranger := other.frames[0]
	stranger.Name = "stranger.jpg"
	frames := []*Frame{row.frames[0], stranger, row.frames[1], row.frames[2]}
	_, err := Align(t.Context(), frames, Options{})
	if !errors.Is(err, ErrNotJoined) || !errors.Is(err, ErrStray) || !strings.Contains(err.Error(), "leave out stranger.jpg") {
		t.Errorf("error %v, want stranger.jpg named", err)
	}
	sol, err := Align(t.Context(), frames, Options{AllowMissing: true})
	if err != nil {
		t.Fatal(err)
	}
	for i := range frames {
		if got, want := sol.Frames[i].Placed, frames[i] != stranger; got != want {
			t.Errorf("%s: placed %v", frames[i].Name, got)
		}
	}
	if len(sol.Advice) != 1 || !strings.Contains(sol.Advice[0], "stranger.jpg") {
		t.Errorf("advice %q, want stranger.jpg named", sol.Advice)
	}
	without := row.align(t, Options{})
	if got, want := sol.Frames[0].FocalPx, without.Frames[0].FocalPx; !(math.Abs(got/want-1) <= 1e-9) {
		t.Errorf("focal length %.4f px, without the stranger %.4f", got, want)
	}
	if _, err := Render(t.Context(), sol, frames, Options{}); err != nil {
		t.Error(err)
	}
}

// TestClippedIsWhite: what a frame has clipped is white in the picture, whatever
// its gains, and goes over into that without a step; the light of what isn't
// clipped is corrected and no more.
func TestClippedIsWhite(t *testing.T) {
	for _, vignetting := range []blend.Vignetting{{}, {-0.4, -0.1, 0}} {
		f := &FrameSolution{Width: 30, Height: 40, FocalPx: 40, CentrePx: [2]float64{15, 20}, Gain: [3]float64{0.6, 0.9, 1.3}, Vignetting: vignetting}
		enc := blend.SRGBEncodeTable()
		// shown returns a node of a curve as it is shown in the frame's middle.
		shown := func(light *warp.Light, c, node int) float64 {
			return float64(enc.Encode(light.Decode[c][node] * light.Gain[c]))
		}
		white, plain := lightOf(f, nil, true), lightOf(f, nil, false)
		if (white.Shade == nil) != (vignetting == blend.Vignetting{}) {
			t.Fatalf("%v: a shade is %v", vignetting, white.Shade != nil)
		}
		for c, g := range f.Gain {
			last := len(white.Decode[c]) - 1
			if got := shown(white, c, last); got != 1 {
				t.Errorf("%v: channel %d: clipped becomes %v, want 1", vignetting, c, got)
			}
			if got, want := shown(plain, c, last), math.Min(1, blend.EncodeSRGB(g)); !(math.Abs(got-want) < 2e-3) {
				t.Errorf("%v: channel %d: the least light that clipped can be is %v, want %v", vignetting, c, got, want)
			}
			for i := 1; i <= last; i++ {
				// Half a stop is made up for within 8 steps of 8 bits.
				if d := shown(white, c, i) - shown(white, c, i-1); d < 0 || d > 20/float64(last) {
					t.Fatalf("%v: channel %d: a step of %v at node %d of %d", vignetting, c, d, i, last)
				}
			}
			if i := int(clipped * float64(last)); white.Decode[c][i] != plain.Decode[c][i] {
				t.Errorf("%v: channel %d: %d is changed from %v to %v", vignetting, c, i, plain.Decode[c][i], white.Decode[c][i])
			}
		}
	}
}
