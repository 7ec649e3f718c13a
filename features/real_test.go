package features

import (
	"image"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/internal/measure"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/shareddata"
	"flatfell.example/raster"
)

// openLuma reads a photograph as a plane, reduced by a whole factor.
func openLuma(t testing.TB, file string, shrink int) *raster.Plane {
	t.Helper()
	f, err := photo.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	img, err := f.Decode(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	p, err := raster.Luma(t.Context(), 0, img, shrink)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// agreement is how two sets agree by the true map of their frames.
type agreement struct {
	// repeated is the share of a's corners in the overlap that b has too, of
	// the same scale to an octave, within a pixel and a half of the level
	// (Schmid, Mohr & Bauckhage, IJCV 37(2), 2000, sec. 4, with a scale).
	repeated float64
	// chance is repeated for a map that is wrong by 20 pixels.
	chance         float64
	matches, right int // to 2 pixels of the level
	precision      float64
	medianPx       float64 // of the right matches
}

func agree(t testing.TB, a, b *Set, bFromA func(geom.Pt) (geom.Pt, bool)) (g agreement) {
	t.Helper()
	ms, err := MatchSets(a, b, MatchOptions{})
	if err != nil {
		t.Fatal(err)
	}
	g.matches = len(ms)
	var off []float64
	for _, m := range ms {
		p, q := &a.Points[m.A], &b.Points[m.B]
		at, ok := bFromA(geom.Pt{X: p.X, Y: p.Y})
		if d := at.Sub(geom.Pt{X: q.X, Y: q.Y}).Norm(); ok && d <= 2*max(p.Scale, q.Scale) {
			g.right++
			off = append(off, d)
		}
	}
	g.precision = float64(g.right) / float64(g.matches)
	g.medianPx = quantile(off, 0.5)
	share := func(shift float64) float64 {
		var again, all float64
		for i := range a.Points {
			p := &a.Points[i]
			at, ok := bFromA(geom.Pt{X: p.X, Y: p.Y})
			at.X += shift
			margin := 2 * border * p.Scale
			if !ok || min(at.X, at.Y, float64(b.Width)-at.X, float64(b.Height)-at.Y) < margin {
				continue
			}
			all++
			for j := range b.Points {
				q := &b.Points[j]
				d := at.Sub(geom.Pt{X: q.X, Y: q.Y}).Norm()
				if d <= 1.5*max(p.Scale, q.Scale) && q.Scale <= 2.1*p.Scale && p.Scale <= 2.1*q.Scale {
					again++
					break
				}
			}
		}
		return again / all
	}
	g.repeated, g.chance = share(0), share(20)
	return g
}

// TestGoldengate holds corners and matches of the quarter-size frames to the
// homographies published for the full ones.
func TestGoldengate(t *testing.T) {
	files, err := photo.List([]string{shareddata.Dir(t, "rows", "goldengate-quarter", "frames")})
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != len(measure.Goldengate)+1 {
		t.Fatalf("%d frames", len(files))
	}
	sets := make([]*Set, len(files))
	for i, f := range files {
		sets[i] = detect(t, openLuma(t, f, 1), Options{})
	}
	for m, pub := range measure.Goldengate {
		g := agree(t, sets[m+1], sets[m], func(p geom.Pt) (geom.Pt, bool) { return pub.BeforeFrom(p, 4), true })
		t.Logf("pair %d: %+v", m, g)
		if !(g.repeated >= 0.55 && g.repeated >= 1.7*g.chance) {
			t.Errorf("pair %d: %.0f %% of the corners are found again, %.0f %% by chance", m, 100*g.repeated, 100*g.chance)
		}
		if !(g.right >= 80 && g.precision >= 0.8 && g.medianPx <= 0.4) {
			t.Errorf("pair %d: %d of %d matches are right, to %.2f px in the median", m, g.right, g.matches, g.medianPx)
		}
	}
}

// TestTurnedPhotograph: a photograph taken for a picture at infinity, seen by two
// cameras turned against each other, one of them rolled and with another
// exposure and lens.
func TestTurnedPhotograph(t *testing.T) {
	if testing.Short() {
		t.Skip("decodes a large photograph")
	}
	far := openLuma(t, shareddata.Dir(t, "scenes", "picosdeeuropa_by_Aitzol_Berasategi.jpg"), 2)
	fw, fh := far.Rect.Dx(), far.Rect.Dy()
	source := geom.Camera{
		Width: fw, Height: fh, FocalPx: float64(fw), CentrePx: geom.Pt{X: float64(fw) / 2, Y: float64(fh) / 2},
		CamFromWorld: geom.Identity,
	}
	const w, h = 480, 640
	look := func(yaw, roll geom.Angle, focalPx, gain float64, seed uint64) (*raster.Plane, geom.Camera) {
		c := geom.Camera{
			Width: w, Height: h, FocalPx: focalPx, CentrePx: geom.Pt{X: w / 2, Y: h / 2},
			CamFromWorld: geom.FromYawPitchRoll(yaw, 0, roll),
		}
		p := raster.NewPlane(image.Rect(0, 0, w, h))
		for y := range h {
			for x := range w {
				ray, _ := c.WorldFromPixel(geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5})
				at, ok := source.PixelFromWorld(ray)
				if !ok || !source.Contains(at, 1) {
					t.Fatal("a camera looks past the photograph")
				}
				at.X, at.Y = at.X-0.5, at.Y-0.5
				x0, y0 := int(at.X), int(at.Y)
				fx, fy := float32(at.X)-float32(x0), float32(at.Y)-float32(y0)
				r0, r1 := far.Row(y0)[x0:], far.Row(y0 + 1)[x0:]
				v := (1-fy)*((1-fx)*r0[0]+fx*r0[1]) + fy*((1-fx)*r1[0]+fx*r1[1])
				p.Set(x, y, min(float32(gain)*v, 1))
			}
		}
		return addNoise(p, 0.01, seed), c
	}
	f := 0.9 * float64(fw)
	pa, ca := look(-3*geom.Degree, 0, f, 1, 1)
	for i, tc := range []struct {
		yaw, roll                      geom.Angle
		zoom, gain                     float64
		repeated, precision, rightWant float64
	}{
		{3 * geom.Degree, 0, 1, 1, 0.6, 0.95, 150},
		{3 * geom.Degree, 20 * geom.Degree, 1, 0.6, 0.5, 0.9, 100},
		{2 * geom.Degree, -10 * geom.Degree, 0.8, 1.3, 0.5, 0.9, 100},
	} {
		pb, cb := look(tc.yaw, tc.roll, tc.zoom*f, tc.gain, uint64(2+i))
		g := agree(t, detect(t, pa, Options{MaxPoints: 1000}), detect(t, pb, Options{MaxPoints: 1000}), func(p geom.Pt) (geom.Pt, bool) {
			ray, _ := ca.WorldFromPixel(p)
			return cb.PixelFromWorld(ray)
		})
		t.Logf("%+v: %+v", tc, g)
		if !(g.repeated >= tc.repeated && g.repeated >= 2*g.chance && g.precision >= tc.precision && float64(g.right) >= tc.rightWant && g.medianPx <= 0.5) {
			t.Errorf("%+v: %+v", tc, g)
		}
	}
}
