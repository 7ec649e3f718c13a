package stitch

import (
	"image"
	"math"
	"path/filepath"
	"strconv"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/shareddata"
	"flatfell.example/raster"
)

// TestOrigin: the picture of a row of real photographs has the metadata of the
// frame in the middle, whatever order the files come in, and the angles that
// the cameras say.
func TestOrigin(t *testing.T) {
	dir := shareddata.Dir(t, "rows", "petra-portrait-row", "frames")
	var frames []*Frame
	for _, name := range []string{"DFM_4210.jpg", "DFM_4209.jpg", "DFM_4211.jpg"} { // 4210 in the middle below
		f, err := OpenFrame(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, f)
	}
	sol := &Solution{Version: solutionVersion, Verdict: Joined}
	for i, f := range frames {
		fs := FrameSolution{File: f.Name, Width: f.Width, Height: f.Height, Placed: true, Gain: [3]float64{1, 1, 1}}
		fs.setCamera(geom.Camera{
			Width: f.Width, Height: f.Height, FocalPx: 2000, CentrePx: geom.Pt{X: float64(f.Width) / 2, Y: float64(f.Height) / 2},
			CamFromWorld: geom.FromYawPitchRoll([]geom.Angle{0, -0.3, 0.3}[i], 0, 0),
		})
		sol.Frames = append(sol.Frames, fs)
	}
	sol.Frames[2].Placed = false // left out, but it was taken for the picture
	if err := planOutput(sol, Options{}, 1); err != nil {
		t.Fatal(err)
	}
	origin, err := NewOrigin(sol, frames, "flatfell test")
	if err != nil {
		t.Fatal(err)
	}
	e := origin.embed
	if e.Sources != 3 || e.Used != 2 || e.Profile == nil || e.Profile.Description != "sRGB IEC61966-2.1" {
		t.Errorf("%d sources, %d used, profile %+v", e.Sources, e.Used, e.Profile)
	}
	got := map[string]string{}
	for _, p := range e.Properties {
		got[p.Name] = p.Value
	}
	// On the cylinder the azimuth is the column and the elevation the arc
	// tangent of the line, over the pixels of a radian.
	across := float64(sol.Output.Width) / sol.Output.PxPerRadian / math.Pi * 180
	top, bottom := sol.Output.OriginPx[1], float64(sol.Output.Height)-sol.Output.OriginPx[1]
	up := (math.Atan(top/sol.Output.PxPerRadian) + math.Atan(bottom/sol.Output.PxPerRadian)) / math.Pi * 180
	for name, want := range map[string]float64{"HorizontalDegrees": across, "VerticalDegrees": up, "SourceCount": 3, "UsedCount": 2} {
		if v, err := strconv.ParseFloat(got[name], 64); err != nil || !(math.Abs(v-want) < 0.001) {
			t.Errorf("%s is %s, want %.3f", name, got[name], want)
		}
	}
	path := filepath.Join(t.TempDir(), "a.jpg")
	pic := raster.NewPicture(image.Rect(0, 0, 30, 20))
	if err := WriteFile(t.Context(), path, pic, WriteOptions{Origin: origin, PPI: 300}); err != nil {
		t.Fatal(err)
	}
	f, err := photo.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if !f.Meta.Time.Equal(frames[0].Time) || f.Meta.Time.IsZero() || f.Meta.FocalMM != 18 || f.Meta.Orientation != 1 {
		t.Errorf("time %v, want %v; %+v", f.Meta.Time, frames[0].Time, f.Meta)
	}
}
