package features

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// edgePlane returns a plane of noise in which the half plane to the right of
// the line through p with direction d, as seen by who walks along d, is
// darker by step. Pixels are area means to within their sampling 8 × 8.
func edgePlane(w, h int, p, d geom.Pt, step, noise float64, seed uint64) *raster.Plane {
	rng := rand.New(rand.NewPCG(seed, 1))
	l := raster.NewPlane(image.Rect(0, 0, w, h))
	n := d.Norm()
	for y := range h {
		for x := range w {
			// Signed distance to the right of d, y down.
			dist := (d.X*(float64(y)+0.5-p.Y) - d.Y*(float64(x)+0.5-p.X)) / n
			dark := 0.0
			switch {
			case dist >= 1:
				dark = 1
			case dist > -1:
				for k := range 64 {
					fx, fy := (float64(k%8)+0.5)/8, (float64(k/8)+0.5)/8
					if d.X*(float64(y)+fy-p.Y)-d.Y*(float64(x)+fx-p.X) > 0 {
						dark += 1.0 / 64
					}
				}
			}
			l.Set(x, y, float32(0.7-step*dark+noise*rng.NormFloat64()))
		}
	}
	return l
}

func TestSegmentsSubPixel(t *testing.T) {
	const noise = 0.01
	for i, tc := range []struct {
		deg, step, tolPx float64
	}{
		// Without noise the sampling of the edge itself is left.
		{0.7, 0.3, 0.03},
		{5, 0.3, 0.03},
		{180.6, 0.3, 0.03},
		{90.4, 0.3, 0.03},
		{-94, 0.3, 0.03},
		{2, 0.06, 0.05},
		{88.5, 0.06, 0.05},
	} {
		d := geom.Pt{X: math.Cos(tc.deg * math.Pi / 180), Y: math.Sin(tc.deg * math.Pi / 180)}
		p := geom.Pt{X: 201.3, Y: 148.8}
		luma := edgePlane(400, 300, p, d, tc.step, noise, uint64(i))
		segs, err := Segments(t.Context(), luma, SegmentOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if len(segs) == 0 {
			t.Fatalf("%+v: no segment", tc)
		}
		s := segs[0]
		if got := s.Length(); !(got > 250) {
			t.Errorf("%+v: length %.1f, want the whole edge", tc, got)
		}
		ab := s.B.Sub(s.A)
		if ab.X*d.X+ab.Y*d.Y <= 0 {
			t.Errorf("%+v: runs from %v to %v with the brighter side on the right", tc, s.A, s.B)
		}
		for _, e := range []geom.Pt{s.A, s.B} {
			off := d.X*(e.Y-p.Y) - d.Y*(e.X-p.X)
			if !(math.Abs(off) <= tc.tolPx) {
				t.Errorf("%+v: end %v lies %.3f px off the edge, want ≤ %.3f", tc, e, off, tc.tolPx)
			}
		}
		if want := 0.35 * tc.step; !(math.Abs(s.Contrast-want) <= 0.1*want) {
			t.Errorf("%+v: contrast %.4f, want %.4f", tc, s.Contrast, want)
		}
	}
}

// TestSegmentsFalseAlarms: noise has no lines, and neither has a gentle slope.
func TestSegmentsFalseAlarms(t *testing.T) {
	n := 0
	for seed := range uint64(10) {
		rng := rand.New(rand.NewPCG(seed, 2))
		l := raster.NewPlane(image.Rect(0, 0, 400, 300))
		for i := range l.Pix {
			l.Pix[i] = float32(0.3 + 0.001*float64(i/l.Stride) + 0.03*rng.NormFloat64())
		}
		segs, err := Segments(t.Context(), l, SegmentOptions{OffHorizontal: 40 * geom.Degree, OffVertical: 40 * geom.Degree})
		if err != nil {
			t.Fatal(err)
		}
		n += len(segs)
	}
	if n > 2 {
		t.Errorf("%d segments in ten planes of noise, want at most one a plane in the mean", n)
	}
}

func TestSegmentsDirections(t *testing.T) {
	d := geom.Pt{X: math.Cos(20 * math.Pi / 180), Y: math.Sin(20 * math.Pi / 180)}
	luma := edgePlane(300, 200, geom.Pt{X: 150, Y: 100}, d, 0.3, 0.005, 1)
	for _, tc := range []struct {
		o    SegmentOptions
		want bool
	}{
		{SegmentOptions{}, false},
		{SegmentOptions{OffHorizontal: 25 * geom.Degree}, true},
		{SegmentOptions{OffHorizontal: -1, OffVertical: 25 * geom.Degree}, false},
		{SegmentOptions{OffHorizontal: 25 * geom.Degree, MinLengthPx: 400}, false},
	} {
		segs, err := Segments(t.Context(), luma, tc.o)
		if err != nil {
			t.Fatal(err)
		}
		if got := len(segs) > 0; got != tc.want {
			t.Errorf("%+v: found %v, want %v: %v", tc.o, got, tc.want, segs)
		}
	}
	if _, err := Segments(t.Context(), luma, SegmentOptions{OffVertical: 50 * geom.Degree}); err == nil {
		t.Error("no error for 50° off the vertical")
	}
}

// TestLogBinomialTail compares with the sum of the definition.
func TestLogBinomialTail(t *testing.T) {
	for n := range 30 {
		for k := range n + 2 {
			var want float64
			for i := k; i <= n; i++ {
				c := 1.0
				for j := range i {
					c *= float64(n-j) / float64(j+1)
				}
				want += c * math.Pow(alignChance, float64(i)) * math.Pow(1-alignChance, float64(n-i))
			}
			if got := math.Exp(logBinomialTail(n, k, alignChance)); !(math.Abs(got-want) <= 1e-12*want+1e-300) {
				t.Fatalf("n %d, k %d: got %g, want %g", n, k, got, want)
			}
		}
	}
}

func BenchmarkSegments(b *testing.B) {
	luma := edgePlane(1040, 1560, geom.Pt{X: 500, Y: 700}, geom.Pt{X: 1, Y: 0.02}, 0.3, 0.01, 1)
	for b.Loop() {
		if _, err := Segments(b.Context(), luma, SegmentOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
