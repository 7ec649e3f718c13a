package scene

import (
	"context"
	"image"
	"math"
	"testing"

	"flatfell.example/geom"
	"flatfell.example/raster"
)

// hardRow is a row with every geometric dial turned.
func hardRow() Row {
	return Row{
		Frames: 3, Width: 240, Height: 360,
		RollErr: 2 * geom.Degree, PitchErr: 2 * geom.Degree, YawErr: geom.Degree,
		Pitch: 1.5 * geom.Degree, Radial: [3]float64{-0.06, 0.02, -0.003},
		CentreOffsetPx: geom.Pt{X: 4.3, Y: -6.1}, Supersample: 3, Seed: 5,
	}
}

// linear returns the channel means of pic in linear light.
func linear(pic *raster.Picture) *raster.Plane {
	p := raster.NewPlane(pic.Rect)
	for y := pic.Rect.Min.Y; y < pic.Rect.Max.Y; y++ {
		src, dst := pic.Row(y), p.Row(y)
		for x := range dst {
			for c := range 3 {
				dst[x] += float32(decode(float64(src[3*x+c])/65535) / 3)
			}
		}
	}
	return p
}

// decode is the inverse of encode.
func decode(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

func render(t testing.TB, s *Scene, tr *Truth, i int) *raster.Picture {
	t.Helper()
	pic, err := s.Frame(context.Background(), 0, tr, i)
	if err != nil {
		t.Fatal(err)
	}
	return pic
}

// A pixel is the mean of the radiance over its square: Frame against a plain
// sum of many rays from the public camera model.
func TestPixelIsAreaMean(t *testing.T) {
	s := New(3, Options{Movers: 4})
	row := hardRow()
	row.PupilOffset = geom.Vec{X: 0.03, Y: -0.01, Z: 0.08}
	row.Supersample = 2
	tr := s.Plan(row)
	f := &tr.Frames[2]
	pic := render(t, s, &tr, 2)
	var sum, worst float64
	n := 0
	for y := 3; y < 360; y += 23 {
		for x := 2; x < 240; x += 17 {
			var want [3]float64
			const k = 8
			for j := range k * k {
				p := geom.Pt{X: float64(x) + (float64(j%k)+0.5)/k, Y: float64(y) + (float64(j/k)+0.5)/k}
				dir, ok := f.Camera.WorldFromPixel(p)
				if !ok {
					t.Fatal(p)
				}
				r, g, b := s.Radiance(f.Origin, dir, 1/f.Camera.FocalPx, f.Seconds)
				want[0] += float64(r) / (k * k)
				want[1] += float64(g) / (k * k)
				want[2] += float64(b) / (k * k)
			}
			for c := range 3 {
				d := math.Abs(float64(pic.Row(y)[3*x+c])/65535 - encode(want[c]))
				sum += d
				worst = max(worst, d)
				n++
			}
		}
	}
	// 2² samples of detail no finer than a pixel.
	if mean := sum / float64(n); !(mean < 0.0015) || !(worst < 0.05) {
		t.Errorf("mean difference %.5f, largest %.4f", mean, worst)
	}
}

// The sea's horizon is where the ray has y = 0, in every column of a tilted,
// rolled, distorted frame.
func TestHorizonPosition(t *testing.T) {
	s := New(1, Options{Clouds: -1, Posts: -1})
	for i := range s.shells {
		s.shells[i].height = make([]float32, profileSize+1)
	}
	row := hardRow()
	// A very long lens: four pixels below the horizon the sea is 10 km off,
	// and of one colour.
	row.FocalPx, row.Radial = 30000, [3]float64{-300, 1e6, 0}
	row.Pitch, row.PitchErr = 0.03*geom.Degree, 0.1*geom.Degree
	tr := s.Plan(row)
	for i := range tr.Frames {
		cam := &tr.Frames[i].Camera
		lin := linear(render(t, s, &tr, i))
		var worst float64
		for x := 10; x < cam.Width-10; x += 5 {
			// The horizon in this column, by bisection.
			up, down := 0.0, float64(cam.Height)
			for range 50 {
				mid := (up + down) / 2
				dir, _ := cam.WorldFromPixel(geom.Pt{X: float64(x) + 0.5, Y: mid})
				if dir.Y < 0 {
					up = mid
				} else {
					down = mid
				}
			}
			// The edge from the area under the step in a window about it.
			const w = 4
			y0 := int(math.Floor(up)) - w
			y1 := y0 + 2*w
			sky, sea := float64(lin.At(x, y0)), float64(lin.At(x, y1))
			// The sky brightens toward the horizon: extrapolate both sides.
			skySlope := float64(lin.At(x, y0+2)-lin.At(x, y0)) / 2
			seaSlope := float64(lin.At(x, y1)-lin.At(x, y1-2)) / 2
			got := 0.0
			for y := y0; y <= y1; y++ {
				a := sky + skySlope*float64(y-y0)
				b := sea + seaSlope*float64(y-y1)
				got += min(max((float64(lin.At(x, y))-b)/(a-b), 0), 1)
			}
			if x == 10 && !(sky > 1.1*sea) {
				t.Errorf("frame %d: no visible edge: sky %.3f, sea %.3f", i, sky, sea)
			}
			worst = max(worst, math.Abs(float64(y0)+got-up))
		}
		t.Logf("frame %d: horizon off by at most %.3f px", i, worst)
		if !(worst < 0.005) {
			t.Errorf("frame %d: horizon off by %.3f px", i, worst)
		}
	}
}

// postCover renders the fraction of each pixel of line y that post k covers.
func postCover(t *testing.T, s *Scene, f *FrameTruth, k, y int) *raster.Picture {
	t.Helper()
	pic := raster.NewPicture(image.Rect(0, y, f.Camera.Width, y+1))
	err := stripes(context.Background(), 0, pic, 4, func(x, y float64) (rgb, bool) {
		d, ok := f.Camera.WorldFromPixel(geom.Pt{X: x, Y: y})
		q := newRay(f.Origin, d, 1/f.Camera.FocalPx, 0.25/f.Camera.FocalPx)
		_, cover := s.post(&q, k, math.Inf(1))
		return rgb{cover, cover, cover}, ok
	}, func(x, y int, c rgb, _ float64) { pic.Row(y)[3*x] = uint16(65535*c.r + 0.5) })
	if err != nil {
		t.Fatal(err)
	}
	return pic
}

// A post's two edges lie where the tangent planes of its cylinder meet the
// sensor, from the axis and from an entrance pupil off it.
func TestPostEdges(t *testing.T) {
	for _, off := range []geom.Vec{{}, {X: 0.06}, {X: -0.02, Y: 0.05, Z: 0.1}} {
		s := New(4, Options{})
		row := hardRow()
		row.PupilOffset = off
		tr := s.Plan(row)
		checked := 0
		for i := range tr.Frames {
			f := &tr.Frames[i]
			for k := range s.posts {
				p := &s.posts[k]
				// The middle of its upper half on the sensor.
				axis := geom.Vec{X: p.X - f.Origin.X, Y: EyeHeight - 0.7*p.Height - f.Origin.Y, Z: p.Z - f.Origin.Z}
				m, ok := f.Camera.PixelFromWorld(axis)
				if !ok || !f.Camera.Contains(m, 25) || p.dist > 15 {
					continue
				}
				checked++
				d := math.Hypot(axis.X, axis.Z)
				az, half := math.Atan2(axis.X, axis.Z), math.Asin(p.Radius/d)
				y := int(m.Y)
				var want [2]float64
				for e, a := range [2]float64{az - half, az + half} {
					// Where the edge's upright line crosses the middle of line y.
					lo, hi := -1.0, 1.0
					for range 60 {
						mid := (lo + hi) / 2
						c, _ := f.Camera.PixelFromWorld(geom.Vec{X: math.Sin(a), Y: mid, Z: math.Cos(a)})
						if c.Y < float64(y)+0.5 {
							lo = mid
						} else {
							hi = mid
						}
					}
					c, _ := f.Camera.PixelFromWorld(geom.Vec{X: math.Sin(a), Y: lo, Z: math.Cos(a)})
					want[e] = c.X
				}
				cover := postCover(t, s, f, k, y)
				var area, moment float64
				for x := range f.Camera.Width {
					c := float64(cover.Row(y)[3*x]) / 65535
					area += c
					moment += c * (float64(x) + 0.5)
				}
				gotMid, gotWidth := moment/area, area
				if !(math.Abs(gotMid-(want[0]+want[1])/2) < 0.02) || !(math.Abs(gotWidth-(want[1]-want[0])) < 0.03) {
					t.Errorf("offset %v, frame %d, post %d: middle %.3f width %.3f, want %.3f %.3f",
						off, i, k, gotMid, gotWidth, (want[0]+want[1])/2, want[1]-want[0])
				}
			}
		}
		if checked < 4 {
			t.Errorf("offset %v: only %d posts seen", off, checked)
		}
	}
}

// An entrance pupil r to the side moves a thing at distance D by f·r/D.
func TestParallaxFormula(t *testing.T) {
	s := New(4, Options{Posts: 1})
	p := &s.posts[0]
	az := math.Atan2(p.X, p.Z)
	mid := func(offset float64) float64 {
		f := FrameTruth{
			Camera: geom.Camera{
				Width: 300, Height: 20, FocalPx: 900, CentrePx: geom.Pt{X: 150, Y: 10},
				CamFromWorld: geom.FromYawPitchRoll(geom.Angle(az), 0, 0),
			},
		}
		f.Origin = f.Camera.CamFromWorld.Inv().Apply(geom.Vec{X: offset})
		var area, moment float64
		cover := postCover(t, s, &f, 0, 15)
		for x := range 300 {
			c := float64(cover.Row(15)[3*x])
			area += c
			moment += c * (float64(x) + 0.5)
		}
		return moment / area
	}
	for _, r := range []float64{0.005, 0.02, 0.06} {
		got, want := mid(0)-mid(r), 900*r/p.dist
		if !(math.Abs(got-want) < 0.02) {
			t.Errorf("r = %v m: moved %.3f px, want %.3f", r, got, want)
		}
	}
}

// across solves |o + t·d| = dist and names the azimuth of that point.
func TestAcross(t *testing.T) {
	st := newStream(9, 1)
	for range 200 {
		o := geom.Vec{X: st.sym(0.3), Y: st.sym(0.3), Z: st.sym(0.3)}
		a, m, dist := st.sym(math.Pi), st.sym(0.7), st.in(5, 500)
		q := newRay(o, geom.Vec{X: math.Sin(a), Y: m, Z: math.Cos(a)}, 1e-3, 1e-3)
		az, y := q.across(dist)
		// The point on the cylinder lies on the ray.
		px, pz := dist*math.Sin(az)-o.X, dist*math.Cos(az)-o.Z
		tt := px*math.Sin(a) + pz*math.Cos(a)
		miss := math.Abs(px*math.Cos(a) - pz*math.Sin(a))
		if !(tt > 0) || !(miss < 1e-9) || !(math.Abs(o.Y+tt*m-y) < 1e-9) {
			t.Fatalf("o %v az %v dist %v: miss %v, t %v, y %v", o, a, dist, miss, tt, y)
		}
	}
}

// cubic samples p at a point by Catmull-Rom interpolation (third order).
func cubic(p *raster.Plane, at geom.Pt) float64 {
	x, y := at.X-0.5, at.Y-0.5
	ix, iy := int(math.Floor(x)), int(math.Floor(y))
	w := func(t float64) [4]float64 {
		return [4]float64{
			t * (-0.5 + t*(1-0.5*t)), 1 + t*t*(-2.5+1.5*t),
			t * (0.5 + t*(2-1.5*t)), t * t * (-0.5 + 0.5*t),
		}
	}
	wx, wy := w(x-float64(ix)), w(y-float64(iy))
	var sum float64
	for j := range 4 {
		for i := range 4 {
			sum += wx[i] * wy[j] * float64(p.At(ix-1+i, iy-1+j))
		}
	}
	return sum
}

// soften is a binomial filter of 9 taps both ways, σ = √2 px: what is left,
// cubic can follow.
func soften(p *raster.Plane) *raster.Plane {
	taps := [9]float32{1. / 256, 8. / 256, 28. / 256, 56. / 256, 70. / 256, 56. / 256, 28. / 256, 8. / 256, 1. / 256}
	at := func(p *raster.Plane, x, y int) float32 {
		return p.At(min(max(x, 0), p.Rect.Max.X-1), min(max(y, 0), p.Rect.Max.Y-1))
	}
	across, out := raster.NewPlane(p.Rect), raster.NewPlane(p.Rect)
	for y := range p.Rect.Max.Y {
		for x := range p.Rect.Max.X {
			var v float32
			for k, w := range taps {
				v += w * at(p, x+k-4, y)
			}
			across.Set(x, y, v)
		}
	}
	for y := range p.Rect.Max.Y {
		for x := range p.Rect.Max.X {
			var v float32
			for k, w := range taps {
				v += w * at(across, x, y+k-4)
			}
			out.Set(x, y, v)
		}
	}
	return out
}

// Two frames show the same scene: what frame 1 shows at a pixel, frame 0
// shows where its camera says, with no offset left over.
func TestFramesAgree(t *testing.T) {
	s := New(6, Options{})
	row := hardRow()
	row.Width, row.Height, row.Supersample, row.Overlap = 360, 540, 4, 0.6
	tr := s.Plan(row)
	a, b := soften(linear(render(t, s, &tr, 0))), soften(linear(render(t, s, &tr, 1)))
	ca, cb := &tr.Frames[0].Camera, &tr.Frames[1].Camera
	const half = 20
	patches := 0
	var sumU, sumV float64
	for cy := 30; cy < 510; cy += 41 {
		for cx := 30; cx < 330; cx += 41 {
			// Least squares for the shift (du, dv) with a(map(p) + shift) = b(p).
			var n, sa, sb, saa, sbb, sab float64
			var gxx, gxy, gyy, ex, ey, sdd float64
			inside := true
			for y := cy - half; y <= cy+half && inside; y++ {
				for x := cx - half; x <= cx+half; x++ {
					dir, _ := cb.WorldFromPixel(geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5})
					p, ok := ca.PixelFromWorld(dir)
					if !ok || !ca.Contains(p, 8) {
						inside = false
						break
					}
					va, vb := cubic(a, p), float64(b.At(x, y))
					gx := cubic(a, geom.Pt{X: p.X + 0.5, Y: p.Y}) - cubic(a, geom.Pt{X: p.X - 0.5, Y: p.Y})
					gy := cubic(a, geom.Pt{X: p.X, Y: p.Y + 0.5}) - cubic(a, geom.Pt{X: p.X, Y: p.Y - 0.5})
					n++
					sa, sb = sa+va, sb+vb
					sdd += (vb - va) * (vb - va)
					saa, sbb, sab = saa+va*va, sbb+vb*vb, sab+va*vb
					gxx, gxy, gyy = gxx+gx*gx, gxy+gx*gy, gyy+gy*gy
					ex, ey = ex+gx*(vb-va), ey+gy*(vb-va)
				}
			}
			if !inside {
				continue
			}
			varA, varB := saa/n-sa/n*sa/n, sbb/n-sb/n*sb/n
			det := gxx*gyy - gxy*gxy
			large := (gxx+gyy)/2 + math.Sqrt((gxx-gyy)*(gxx-gyy)/4+gxy*gxy)
			if varB < 1e-4 || det < 0.1*large*large {
				continue // not textured both ways
			}
			patches++
			corr := (sab/n - sa/n*sb/n) / math.Sqrt(varA*varB)
			du, dv := (gyy*ex-gxy*ey)/det, (gxx*ey-gxy*ex)/det
			stdErr := math.Sqrt(sdd / n * large / det)
			sumU, sumV = sumU+du, sumV+dv
			if !(corr > 0.98) || !(math.Hypot(du, dv) < 0.02+4*stdErr) {
				t.Errorf("patch at (%d, %d): correlation %.4f, offset (%.4f, %.4f) ± %.4f px", cx, cy, corr, du, dv, stdErr)
			}
		}
	}
	sumU, sumV = sumU/float64(patches), sumV/float64(patches)
	t.Logf("%d patches, mean offset (%.4f, %.4f) px", patches, sumU, sumV)
	if !(math.Hypot(sumU, sumV) < 0.02) {
		t.Errorf("mean offset (%.4f, %.4f) px", sumU, sumV)
	}
	if patches < 15 {
		t.Errorf("only %d textured patches", patches)
	}
}
