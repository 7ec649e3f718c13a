package scene

import (
	"context"
	"encoding/json"
	"errors"
	"image"
	"math"
	"reflect"
	"slices"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

func smallRow() Row { return Row{Frames: 2, Width: 80, Height: 120, Seed: 3} }

// The same bytes for any number of workers, and other bytes for other seeds.
func TestDeterminism(t *testing.T) {
	row := smallRow()
	row.Noise, row.ExposureEV = 0.01, 0.3
	s := New(1, Options{Movers: 3})
	tr := s.Plan(row)
	var first *raster.Picture
	for _, workers := range []int{1, 2, 7} {
		pic, err := New(1, Options{Movers: 3}).Frame(context.Background(), workers, &tr, 1)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = pic
		} else if !slices.Equal(first.Pix, pic.Pix) {
			t.Errorf("%d workers: other pixels", workers)
		}
	}
	differs := func(s *Scene, row Row) float64 {
		tr := s.Plan(row)
		pic := render(t, s, &tr, 1)
		n := 0
		for i := range pic.Pix {
			if pic.Pix[i] != first.Pix[i] {
				n++
			}
		}
		return float64(n) / float64(len(pic.Pix))
	}
	if d := differs(s, row); d != 0 {
		t.Errorf("planned again: %v of the samples differ", d)
	}
	if d := differs(New(2, Options{Movers: 3}), row); !(d > 0.9) {
		t.Errorf("another scene seed: only %v of the samples differ", d)
	}
	row.Seed++
	if d := differs(s, row); !(d > 0.9) {
		t.Errorf("another row seed: only %v of the samples differ", d)
	}
}

func TestFrameStops(t *testing.T) {
	s := New(1, Options{})
	tr := s.Plan(smallRow())
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.Frame(ctx, 2, &tr, 0); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := s.Frame(context.Background(), 2, &tr, 2); !errors.Is(err, ErrOptions) {
		t.Errorf("frame 2 of 2: %v", err)
	}
}

// Noise has the σ asked for in the encoded picture, no mean, and none of it
// is shared by channels, neighbours or frames.
func TestNoise(t *testing.T) {
	s := New(1, Options{Clouds: -1})
	row := smallRow()
	tr := s.Plan(row)
	clean := render(t, s, &tr, 0)
	tr.Noise = 0.02
	noise := func(i int) []float64 {
		base := clean
		if i == 1 {
			quiet := tr
			quiet.Noise = 0
			base = render(t, s, &quiet, 1)
		}
		pic := render(t, s, &tr, i)
		d := make([]float64, len(pic.Pix))
		for k := range d {
			d[k] = (float64(pic.Pix[k]) - float64(base.Pix[k])) / 65535
		}
		return d
	}
	a, b := noise(0), noise(1)
	corr := func(x, y []float64) (c, sigma, mean float64) {
		var sx, sxx, sxy float64
		n := float64(min(len(x), len(y)))
		for i := range int(n) {
			sx += x[i]
			sxx += x[i] * x[i]
			sxy += x[i] * y[i]
		}
		return sxy / sxx, math.Sqrt(sxx/n - sx/n*sx/n), sx / n
	}
	n := math.Sqrt(float64(len(a)))
	_, sigma, mean := corr(a, a)
	if !(math.Abs(sigma/0.02-1) < 3/n) || !(math.Abs(mean) < 4*0.02/n) {
		t.Errorf("σ = %.5f, mean %.6f, want 0.02, 0", sigma, mean)
	}
	for name, y := range map[string][]float64{
		"next channel": a[1:], "next but one": a[2:], "next pixel": a[3:],
		"next line": a[3*80:], "next frame": b,
	} {
		if c, _, _ := corr(a, y); !(math.Abs(c) < 4.5/n) {
			t.Errorf("correlation %.4f with the %s", c, name)
		}
	}
}

// The ratio of two frames that differ in gain and vignetting only is the
// truth's, in linear light.
func TestGainIsTrue(t *testing.T) {
	s := New(2, Options{})
	row := smallRow()
	plain := s.Plan(row)
	row.ExposureEV, row.WhiteBalanceK, row.VignettingStops = 0.5, 700, 1.2
	tr := s.Plan(row)
	a, b := render(t, s, &plain, 1), render(t, s, &tr, 1)
	f := &tr.Frames[1]
	if f.Gain[0] == f.Gain[1] || f.Gain == [3]float64{1, 1, 1} {
		t.Fatalf("gain %v", f.Gain)
	}
	n := 0
	for y := range 120 {
		for x := range 80 {
			light := tr.Light(&f.Camera, geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5})
			for c := range 3 {
				va, vb := float64(a.Row(y)[3*x+c])/65535, float64(b.Row(y)[3*x+c])/65535
				if va < 0.2 || va > 0.999 || vb > 0.999 || vb < 0.1 {
					continue
				}
				n++
				// 16 bits leave 1e-4 of a sample at this level.
				if got, want := decode(vb)/decode(va), f.Gain[c]*light; !(math.Abs(got/want-1) < 5e-4) {
					t.Fatalf("pixel (%d, %d) channel %d: ratio %v, want %v", x, y, c, got, want)
				}
			}
		}
	}
	if n < 80*120 {
		t.Errorf("only %d samples compared", n)
	}
	if corner := tr.Light(&f.Camera, geom.Pt{}); !(math.Abs(corner-math.Exp2(-1.2)) < 1e-12) {
		t.Errorf("corner light %v, want 2^-1.2", corner)
	}
}

// White balance follows Planck's law: a camera set to the light's own
// temperature changes nothing; set to a warmer light it makes blue of it.
func TestWhiteBalance(t *testing.T) {
	if g := whiteBalance(5500); g != [3]float64{1, 1, 1} {
		t.Errorf("5500 K: %v", g)
	}
	if g := whiteBalance(4000); !(g[0] < 0.95 && g[1] == 1 && g[2] > 1.05) {
		t.Errorf("4000 K: %v", g)
	}
}

func TestTransferCurves(t *testing.T) {
	// IEC 61966-2-1: encode(0.5) = 0.735356983052449.
	if got := encode(0.5); !(math.Abs(got-0.735356983052449) < 1e-7) {
		t.Errorf("encode(0.5) = %v", got)
	}
	for i := range 100000 {
		x := (float64(i) + 0.37) / 100000
		want := 12.92 * x
		if x > 0.0031308 {
			want = 1.055*math.Pow(x, 1/2.4) - 0.055
		}
		if got := encode(x); !(math.Abs(got-want) < 2e-6) {
			t.Fatalf("encode(%v) = %v, want %v", x, got, want)
		}
	}
	if encode(-1) != 0 || encode(math.NaN()) != 0 || encode(7) != 1 {
		t.Error("encode does not clip")
	}
	last := -1.0
	for i := range 1001 {
		v := ToneCurve(float64(i) / 1000)
		if !(v > last) {
			t.Fatalf("tone curve falls at %d/1000", i)
		}
		last = v
	}
	for _, x := range []float64{0, 0.5, 1} {
		if got := ToneCurve(x); !(math.Abs(got-x) < 1e-12) {
			t.Errorf("ToneCurve(%v) = %v", x, got)
		}
	}
	if !(ToneCurve(0.25) < 0.24 && ToneCurve(0.75) > 0.76) {
		t.Error("tone curve is no S")
	}
}

func TestPlanGeometry(t *testing.T) {
	s := New(1, Options{})
	tr := s.Plan(Row{Width: 4160, Height: 6240})
	if len(tr.Frames) != 5 {
		t.Fatalf("%d frames", len(tr.Frames))
	}
	// 23 mm on 15.6 mm across, a third of overlap: f = 6133.33 px and steps
	// of 24.978° (plain trigonometry).
	for i := range tr.Frames {
		f := &tr.Frames[i]
		if want := 24.978 * float64(i-2); !(math.Abs(f.Yaw.Degrees()-want) < 1e-3) {
			t.Errorf("frame %d: yaw %v, want %v°", i, f.Yaw, want)
		}
		if !(math.Abs(f.Camera.FocalPx-6133.333) < 1e-3) {
			t.Errorf("focal %v", f.Camera.FocalPx)
		}
		y, p, r := f.Camera.CamFromWorld.YawPitchRoll()
		if !(math.Abs(float64(y-f.Yaw)) < 1e-12) || !(math.Abs(float64(p)) < 1e-12) || !(math.Abs(float64(r)) < 1e-12) {
			t.Errorf("frame %d: camera turned by %v %v %v", i, y, p, r)
		}
	}
	full := s.Plan(Row{FullTurn: true})
	if n := len(full.Frames); n != 15 { // 360 / 24.978 = 14.4
		t.Errorf("full turn: %d frames", n)
	}
	first, last := full.Frames[0].Yaw, full.Frames[14].Yaw
	if gap := (first - last).Wrap().Degrees(); !(math.Abs(gap-24) < 1e-9) {
		t.Errorf("full turn closes with a step of %v°", gap)
	}
	// The pupil is given in the camera's frame: to its right for every yaw.
	off := s.Plan(Row{PupilOffset: geom.Vec{X: 0.05, Z: 0.1}})
	for i := range off.Frames {
		f := &off.Frames[i]
		a := f.Yaw.Radians()
		want := geom.Vec{X: 0.05*math.Cos(a) + 0.1*math.Sin(a), Z: 0.1*math.Cos(a) - 0.05*math.Sin(a)}
		if d := norm(geom.Vec{X: f.Origin.X - want.X, Y: f.Origin.Y, Z: f.Origin.Z - want.Z}); !(d < 1e-12) {
			t.Errorf("frame %d: pupil at %v, want %v", i, f.Origin, want)
		}
	}
	// Errors stay within their bounds, and are drawn.
	var spread float64
	shaky := s.Plan(Row{Frames: 30, RollErr: 2 * geom.Degree, PitchErr: geom.Degree, Pitch: 5 * geom.Degree})
	for _, f := range shaky.Frames {
		if math.Abs(f.Roll.Degrees()) > 2 || math.Abs(f.Pitch.Degrees()-5) > 1 {
			t.Errorf("pitch %v, roll %v", f.Pitch, f.Roll)
		}
		spread = max(spread, math.Abs(f.Roll.Degrees()))
	}
	if spread < 1 {
		t.Errorf("roll errors within %v° of 30 draws from ±2°", spread)
	}
}

func TestTruthJSON(t *testing.T) {
	s := New(1, Options{Movers: 2})
	row := hardRow()
	row.PupilOffset = geom.Vec{X: 0.01}
	row.ExposureEV, row.VignettingStops = 1, 1
	tr := s.Plan(row)
	b, err := json.Marshal(tr)
	if err != nil {
		t.Fatal(err)
	}
	var back Truth
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	for i := range tr.Frames {
		a, b := &tr.Frames[i], &back.Frames[i]
		if d := math.Abs(float64(a.Yaw-b.Yaw)) + math.Abs(float64(a.Pitch-b.Pitch)) + math.Abs(float64(a.Roll-b.Roll)); !(d < 1e-14) {
			t.Errorf("frame %d: angles differ by %v", i, d)
		}
		b.Yaw, b.Pitch, b.Roll = a.Yaw, a.Pitch, a.Roll
	}
	if !reflect.DeepEqual(tr, back) {
		t.Errorf("got %+v\nwant %+v", back, tr)
	}
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{{Clouds: 1.1}, {Clouds: math.NaN()}, {Movers: -1}, {Posts: 5000}} {
		if err := o.Validate(); !errors.Is(err, ErrOptions) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	for _, r := range []Row{
		{Frames: -1},
		{Overlap: 1},
		{FocalPx: -3},
		{FocalPx: math.NaN()},
		{Noise: -1},
		{WhiteBalanceK: 4000},
		{Supersample: 100},
		{PupilOffset: geom.Vec{X: 0.4, Z: 0.4}},
	} {
		if err := r.Validate(); !errors.Is(err, ErrOptions) {
			t.Errorf("%+v: %v", r, err)
		}
	}
	want := Row{Frames: 5, Width: 800, Height: 1200, FocalPx: 800 * 23 / 15.6, Overlap: 1.0 / 3, FrameSeconds: 4, Supersample: 2}
	if got := (Row{}).withDefaults(); got != want {
		t.Errorf("defaults %+v, want %+v", got, want)
	}
	if n := len(New(1, Options{}).Posts()); n != 36 {
		t.Errorf("%d posts by default", n)
	}
	if n := len(New(1, Options{Posts: -1}).Posts()); n != 0 {
		t.Errorf("%d posts", n)
	}
}

// The sea meets the sky over a good part of the default row, and nowhere if
// the horizon is closed.
func TestHorizonOpenOrClosed(t *testing.T) {
	for seed := range uint64(12) {
		for _, closed := range []bool{false, true} {
			s := New(seed, Options{NoHorizon: closed, Posts: -1})
			open, total := 0, 0
			low, high := math.Inf(1), 0.0
			for deg := -68.0; deg <= 68; deg += 0.25 {
				total++
				top := 0.0
				for i := range s.shells {
					h, _ := s.shells[i].skyline(deg * math.Pi / 180)
					if h > EyeHeight {
						top = max(top, (h-EyeHeight)/s.shells[i].dist)
					}
				}
				if top == 0 {
					open++
				}
				low, high = min(low, top), max(high, top)
			}
			part := float64(open) / float64(total)
			if !closed && !(part > 0.3 && part < 0.95) {
				t.Errorf("seed %d: horizon open over %.2f of the row", seed, part)
			}
			if closed && (open > 0 || !(high > 1.5*low)) {
				t.Errorf("seed %d: closed horizon open at %d of %d azimuths, skyline %v to %v", seed, open, total, low, high)
			}
		}
	}
}

// Frames at two times differ at the movers and nowhere else.
func TestMovers(t *testing.T) {
	s := New(5, Options{Movers: 8})
	row := Row{Frames: 1, Width: 400, Height: 300, FocalPx: 400}
	tr := s.Plan(row)
	later := tr
	later.Frames = slices.Clone(tr.Frames)
	later.Frames[0].Seconds = 3
	later.Frames[0].Movers = s.moverTruth(&later.Frames[0])
	a, b := render(t, s, &tr, 0), render(t, s, &later, 0)
	seen := 0
	hit := map[int]bool{}
	for y := range 300 {
		for x := range 400 {
			if slices.Equal(a.Row(y)[3*x:3*x+3], b.Row(y)[3*x:3*x+3]) {
				continue
			}
			seen++
			near := false
			for _, ms := range [][]MoverTruth{tr.Frames[0].Movers, later.Frames[0].Movers} {
				for k, m := range ms {
					r := 400*math.Tan(m.HalfWidthDeg*math.Pi/180)*3.2 + 2
					if math.Hypot(float64(x)+0.5-m.X, float64(y)+0.5-m.Y) < r {
						near, hit[k] = true, true
					}
				}
			}
			if !near {
				t.Fatalf("pixel (%d, %d) changed with no mover near", x, y)
			}
		}
	}
	if seen == 0 || len(hit) < 3 {
		t.Errorf("%d pixels of %d movers changed", seen, len(hit))
	}
}

// Detail finer than a pixel is left out of the textures: more samples a pixel
// hardly change the picture.
func TestNoAliasing(t *testing.T) {
	s := New(7, Options{})
	row := Row{Frames: 3, Width: 160, Height: 240}
	tr := s.Plan(row)
	fine := tr
	fine.Supersample = 6
	for i := range tr.Frames {
		a, b := render(t, s, &tr, i), render(t, s, &fine, i)
		var sum, sq float64
		for k := range a.Pix {
			d := (float64(a.Pix[k]) - float64(b.Pix[k])) / 65535
			sum += d
			sq += d * d
		}
		n := float64(len(a.Pix))
		t.Logf("frame %d: mean %.5f, rms %.5f", i, sum/n, math.Sqrt(sq/n))
		if !(math.Abs(sum/n) < 2e-4) || !(math.Sqrt(sq/n) < 0.005) {
			t.Errorf("frame %d: mean %.5f, rms %.5f", i, sum/n, math.Sqrt(sq/n))
		}
	}
}

// The truth on a surface is what a perfect camera with the same pixels sees.
func TestSurfaceMatchesFrame(t *testing.T) {
	s := New(2, Options{})
	tr := s.Plan(Row{Frames: 1, Width: 90, Height: 60, FocalPx: 100})
	pic := render(t, s, &tr, 0)
	cam := tr.Frames[0].Camera
	r := image.Rect(-10, -5, 95, 60)
	got, err := s.Surface(context.Background(), 0, r, 0, 0.01, func(x, y float64) (geom.Vec, bool) {
		p := geom.Pt{X: x, Y: y}
		v, _ := cam.WorldFromPixel(p)
		return v, cam.Contains(p, 0)
	})
	if err != nil {
		t.Fatal(err)
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			a := got.AlphaRow(y)[x-r.Min.X]
			inside := image.Pt(x, y).In(pic.Rect)
			if inside != (a == 65535) || !inside && a != 0 {
				t.Fatalf("(%d, %d): alpha %d", x, y, a)
			}
			if !inside {
				continue
			}
			for c := range 3 {
				d := int(got.Row(y)[3*(x-r.Min.X)+c]) - int(pic.Row(y)[3*x+c])
				if d < -1 || d > 1 { // the rays differ in the last bits
					t.Fatalf("(%d, %d) channel %d differs by %d", x, y, c, d)
				}
			}
		}
	}
	if _, err := s.Surface(context.Background(), 0, r, 2, 0, nil); !errors.Is(err, ErrOptions) {
		t.Errorf("no footprint: %v", err)
	}
}

func TestViaJPEG(t *testing.T) {
	s := New(2, Options{})
	tr := s.Plan(smallRow())
	pic := render(t, s, &tr, 0)
	img, err := ViaJPEG(pic, 95)
	if err != nil {
		t.Fatal(err)
	}
	if img.Bounds() != pic.Rect {
		t.Fatalf("bounds %v", img.Bounds())
	}
	flat := Encode8(pic)
	var sum float64
	for y := range 120 {
		for x := range 80 {
			_, g, _, _ := img.At(x, y).RGBA()
			if d := int(flat.RGBAAt(x, y).G) - int((pic.Row(y)[3*x+1]+128)/257); d != 0 {
				t.Fatalf("8 bits off by %d", d)
			}
			sum += math.Abs(float64(g)-float64(pic.Row(y)[3*x+1])) / 65535
		}
	}
	if mean := sum / (80 * 120); !(mean < 0.02) || !(mean > 0) {
		t.Errorf("JPEG changes green by %.4f on average", mean)
	}
}

// Every direction has a finite colour between 0 and full scale and a bit.
func TestRadianceEverywhere(t *testing.T) {
	for seed := range uint64(4) {
		s := New(seed, Options{Movers: 8, Clouds: 0.5})
		st := newStream(seed, 8)
		dirs := []geom.Vec{{Y: 1}, {Y: -1}, {Z: -1}, {X: 1}, {X: -1e-9, Z: -1}, {X: 1e-9, Z: -1}, {Z: 1}, {Y: 1e-300, Z: 1}}
		for range 3000 {
			dirs = append(dirs, geom.Vec{X: st.sym(1), Y: st.sym(1), Z: st.sym(1)})
		}
		for _, d := range dirs {
			r, g, b := s.Radiance(geom.Vec{X: st.sym(0.3), Y: st.sym(0.1), Z: st.sym(0.3)}, d, 1e-3, 2)
			for _, v := range []float32{r, g, b} {
				if !(v >= 0 && v < 1.5) {
					t.Fatalf("seed %d, direction %v: %v %v %v", seed, d, r, g, b)
				}
			}
		}
	}
}
