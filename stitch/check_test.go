package stitch

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

// careful is a row from a levelled tripod.
func careful() scene.Row {
	return scene.Row{
		Frames: 4, Width: 240, Height: 360, Overlap: 0.35, Seed: 11,
		RollErr: 0.3 * geom.Degree, PitchErr: 0.3 * geom.Degree, Radial: [3]float64{-0.02}, ExposureEV: 0.05, Noise: 0.006,
	}
}

// changed returns a copy of a frame with its encoded samples changed by f.
func changed(t *testing.T, frame *Frame, f func(pic *raster.Picture)) *Frame {
	t.Helper()
	img, err := frame.Image(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	pic, err := raster.FromImage(t.Context(), 0, img)
	if err != nil {
		t.Fatal(err)
	}
	f(pic)
	return NewFrame(frame.Name, pic)
}

// smear averages n pixels along the lines, and across them if both.
func smear(pic *raster.Picture, n int, both bool) {
	src := slices.Clone(pic.Pix)
	w, h := pic.Rect.Dx(), pic.Rect.Dy()
	for y := range h {
		for x := range w {
			for c := range 3 {
				sum, k := 0, 0
				for dy := -n; dy <= n; dy++ {
					if dy != 0 && !both {
						continue
					}
					for dx := -n; dx <= n; dx++ {
						if v, u := y+dy, x+dx; v >= 0 && u >= 0 && v < h && u < w {
							sum += int(src[v*pic.Stride+3*u+c])
							k++
						}
					}
				}
				pic.Pix[y*pic.Stride+3*x+c] = uint16(sum / k)
			}
		}
	}
}

func TestCheck(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a row")
	}
	row := sharedRow(t, careful())
	// In the order in which they were taken.
	frames := slices.Clone(row.frames)
	slices.SortFunc(frames, func(a, b *Frame) int {
		if a.Name < b.Name {
			return -1
		}
		return 1
	})
	truth := map[string]geom.Camera{}
	for i := range row.frames {
		truth[row.frames[i].Name] = row.truth.Frames[row.of[i]].Camera
	}
	with := func(i int, f *Frame) []*Frame {
		out := slices.Clone(frames)
		out[i] = f
		return out
	}
	brighten := func(i int) *Frame {
		return changed(t, frames[i], func(p *raster.Picture) {
			for i, v := range p.Pix { // 0.7 EV in linear light
				p.Pix[i] = uint16(min(float64(v)*math.Exp2(0.7/2.4), 65535))
			}
		})
	}
	brighter := brighten(1)
	soft := changed(t, frames[2], func(p *raster.Picture) { smear(p, 2, true) })
	shaken := changed(t, frames[2], func(p *raster.Picture) { smear(p, 3, false) })
	gap := slices.Delete(slices.Clone(frames), 1, 2)
	leftward := []*Frame{frames[3], frames[2], brighter, brighten(0)} // taken from the right
	for _, c := range []struct {
		name    string
		frames  []*Frame
		verdict CheckVerdict
		kind    FindingKind
		at      string
		remedy  string // part of the text
	}{
		{"clean", frames, Fine, "", "[]", ""},
		{"brighter", with(1, brighter), Reshoot, FoundExposure, "[1]", "reshoot " + frames[1].Name},
		{"brighter later", leftward, Reshoot, FoundExposure, "[1 2]", "reshoot from " + frames[1].Name + " on"},
		{"soft", with(2, soft), Reshoot, FoundFocus, "[2]", ""},
		{"shaken", with(2, shaken), Reshoot, FoundBlur, "[2]", ""},
		{"gap", gap, WillNotJoin, FoundGap, "[0 1]", ""},
	} {
		rep, err := Check(t.Context(), c.frames, CheckOptions{Overlap: 0.35})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if rep.Verdict != c.verdict {
			t.Errorf("%s: %s, want %s: %+v", c.name, rep.Verdict, c.verdict, rep.Findings)
		}
		if c.kind != "" && !slices.ContainsFunc(rep.Findings, func(f Finding) bool {
			return f.Kind == c.kind && fmt.Sprint(f.Frames) == c.at && f.Reshoot && strings.Contains(f.Text, c.remedy)
		}) {
			t.Errorf("%s: %+v", c.name, rep.Findings)
		}
		for _, p := range rep.Pairs {
			if p.Verdict == NotJoined {
				continue
			}
			a, b := truth[rep.Frames[p.A].File], truth[rep.Frames[p.B].File]
			if want := fullOverlap(&a, &b); !(math.Abs(p.Overlap-want) <= 0.01) {
				t.Errorf("%s: overlap %.3f, truly %.3f", c.name, p.Overlap, want)
			}
		}
	}
}

func TestCheckErrors(t *testing.T) {
	f := NewFrame("a", image.NewGray(image.Rect(0, 0, 100, 150)))
	if _, err := Check(t.Context(), []*Frame{f}, CheckOptions{}); !errors.Is(err, ErrFrames) {
		t.Errorf("one frame: %v", err)
	}
	for _, o := range []CheckOptions{{MaxPixels: -1}, {Overlap: 1}, {FocalPx: -1}} {
		if _, err := Check(t.Context(), []*Frame{f, f}, o); err == nil {
			t.Errorf("%+v is accepted", o)
		}
	}
}

func TestMissingNumbers(t *testing.T) {
	for _, c := range []struct{ a, b, want string }{
		{"dunes-03.jpg", "dunes-05.jpg", "dunes-04"},
		{"DSC_0012.JPG", "DSC_0009.JPG", "DSC_0010 to DSC_0011"},
		{"a1.jpg", "a2.jpg", ""},
		{"a1.jpg", "b3.jpg", ""},
		{"sea.jpg", "sand.jpg", ""},
	} {
		if got, _ := missingNumbers(c.a, c.b); got != c.want {
			t.Errorf("%s, %s: %q, want %q", c.a, c.b, got, c.want)
		}
	}
}

// TestCheckShift: what shifts in an overlap is told as Align tells it: near things
// before a pupil off the axis, which is worth a reshoot, and drifting clouds, which
// is not.
func TestCheckShift(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a row")
	}
	near := photograph(t, scene.Row{Frames: 4, Width: 320, Height: 480, Overlap: 0.35, Seed: 3, PupilOffset: geom.Vec{Z: 0.06}, Noise: 0.005},
		scene.Options{EyeM: 0.9, Stakes: 20, NearM: 1.5})
	for _, c := range []struct {
		name   string
		frames []*Frame
		kind   ShiftKind // of one pair at least
		found  bool
	}{
		{"near", near.frames, ShiftParallax, true},
		{"clouds", openSet(t, "rows/yosemite"), ShiftMovement, false},
	} {
		rep, err := Check(t.Context(), c.frames, CheckOptions{})
		if err != nil {
			t.Fatal(c.name, err)
		}
		if got := slices.ContainsFunc(rep.Findings, func(f Finding) bool { return f.Kind == FoundParallax || f.Kind == FoundMoved }); got != c.found {
			t.Errorf("%s: findings %+v", c.name, rep.Findings)
		}
		if !slices.ContainsFunc(rep.Pairs, func(p CheckPair) bool { return p.Shift == c.kind && p.ParallaxPx > 2 }) {
			t.Errorf("%s: no pair shifts by %s: %+v", c.name, c.kind, rep.Pairs)
		}
		sol, err := Align(t.Context(), c.frames, Options{})
		if err != nil {
			t.Fatal(c.name, err)
		}
		for _, p := range rep.Pairs {
			a, b := rep.Frames[p.A].File, rep.Frames[p.B].File
			for _, s := range sol.Pairs {
				if x, y := sol.Frames[s.A].File, sol.Frames[s.B].File; s.Shift != nil && (x == a && y == b || x == b && y == a) && s.Shift.Kind != p.Shift {
					t.Errorf("%s: %s and %s: checked to be %q, joined as %q", c.name, a, b, p.Shift, s.Shift.Kind)
				}
			}
		}
	}
}
