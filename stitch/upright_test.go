package stitch

import (
	"encoding/gob"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	_ "image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"flatfell.example/geom"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
)

// tiltedRow renders a hand-held row and returns its planes and its true
// cameras in a world that is tilted at random by up to 1° about x and z.
func tiltedRow(t testing.TB, seed uint64, o scene.Options) (luma []*raster.Plane, r *rig, trueUp geom.Vec) {
	t.Helper()
	s := scene.New(seed, o)
	truth := s.Plan(scene.Row{
		Frames: 5, Width: 500, Height: 750, Supersample: 1,
		RollErr: geom.Degree, PitchErr: geom.Degree, YawErr: geom.Degree,
		Radial: [3]float64{-0.02}, Noise: 0.01, Seed: seed,
	})
	rng := rand.New(rand.NewPCG(seed, 5))
	tilt := geom.Exp(geom.Vec{X: (2*rng.Float64() - 1) * degree, Z: (2*rng.Float64() - 1) * degree})
	r = &rig{width: 500, height: 750, focalPx: truth.Frames[0].Camera.FocalPx, radial: [3]float64{-0.02}}
	for i := range truth.Frames {
		pic, err := s.Frame(t.Context(), 0, &truth, i)
		if err != nil {
			t.Fatal(err)
		}
		p, err := raster.Luma(t.Context(), 0, scene.Encode8(pic), 1)
		if err != nil {
			t.Fatal(err)
		}
		luma = append(luma, p)
		r.rot = append(r.rot, truth.Frames[i].Camera.CamFromWorld.Mul(tilt.Inv()))
	}
	return luma, r, tilt.Apply(geom.Vec{Y: -1})
}

func between(a, b geom.Vec) float64 {
	return math.Atan2(r3.Norm(cross(a, b)), r3.Dot(a, b)) / degree
}

func TestUprightProbe(t *testing.T) {
	if os.Getenv("PROBE_UP") == "" {
		t.Skip()
	}
	for v, o := range []scene.Options{{}, {Posts: -1}, {NoHorizon: true}, {NoHorizon: true, Posts: -1}} {
		if s := os.Getenv("PROBE_V"); s != "" && s != fmt.Sprint(v) {
			continue
		}
		fmt.Printf("%+v\n", o)
		for seed := range uint64(20) {
			if s := os.Getenv("PROBE_SEED"); s != "" && s != fmt.Sprint(seed) {
				continue
			}
			luma, r, want := cachedRow(t, seed, v, o)
			up, e, ok, err := pictureUp(t.Context(), luma, 1, r, 0)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Printf("seed %2d: before %.3f after %.3f  %v %+v\n", seed, between(geom.Vec{Y: -1}, want), between(up, want), ok, e)
			if os.Getenv("PROBE_SEED") != "" {
				drawEvidence(t, fmt.Sprintf("/tmp/ff/up_%d_%d", v, seed), luma, 1, r, up)
			}
		}
	}
}

func cachedRow(t testing.TB, seed uint64, v int, o scene.Options) (luma []*raster.Plane, r *rig, up geom.Vec) {
	name := fmt.Sprintf("/tmp/ff/upcache/%d_%d.gob", v, seed)
	type entry struct {
		Luma []*raster.Plane
		Rot  []geom.Rotation
		F    float64
		Up   geom.Vec
	}
	var e entry
	if f, err := os.Open(name); err == nil {
		defer f.Close()
		if err := gob.NewDecoder(f).Decode(&e); err != nil {
			t.Fatal(err)
		}
		return e.Luma, &rig{width: 500, height: 750, focalPx: e.F, radial: [3]float64{-0.02}, rot: e.Rot}, e.Up
	}
	luma, r, up = tiltedRow(t, seed, o)
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := gob.NewEncoder(f).Encode(entry{luma, r.rot, r.focalPx, up}); err != nil {
		t.Fatal(err)
	}
	return luma, r, up
}

func drawEvidence(t testing.TB, name string, luma []*raster.Plane, shrink int, r *rig, up geom.Vec) {
	w, h := luma[0].Rect.Dx(), luma[0].Rect.Dy()
	out := image.NewRGBA(image.Rect(0, 0, w*len(luma), h))
	t3 := tilt3{-up.X / up.Y, -up.Z / up.Y, 0}
	for i, l := range luma {
		for y := range h {
			for x := range w {
				g := uint8(min(255, 255*max(0, l.At(x, y))))
				out.SetRGBA(i*w+x, y, color.RGBA{g, g, g, 255})
			}
		}
		cam := r.camera(i)
		v, err := lookForEdges(t.Context(), l, shrink, &cam)
		if err != nil {
			t.Fatal(err)
		}
		plot := func(q geom.Vec, c color.RGBA) {
			if p, ok := cam.PixelFromWorld(q); ok {
				x, y := int(p.X)/shrink, int(p.Y)/shrink
				for d := range 2 {
					if x+d < w && x >= 0 {
						out.SetRGBA(i*w+x+d, y, c)
					}
				}
			}
		}
		tol := 1.2 * float64(shrink) / r.focalPx
		for _, s := range v.lines {
			c := color.RGBA{255, 160, 0, 255}
			if s.open < 0.6 {
				c = color.RGBA{120, 60, 255, 255}
			}
			if math.Abs(t3.residual(s.rays[0])) < 2*tol && math.Abs(t3.residual(s.rays[len(s.rays)-1])) < 2*tol {
				c = color.RGBA{255, 0, 0, 255}
			}
			for k := 0; k+1 < len(s.rays); k++ {
				for j := range 10 {
					f := float64(j) / 10
					plot(r3.Add(r3.Scale(1-f, s.rays[k]), r3.Scale(f, s.rays[k+1])), c)
				}
			}
		}
		for _, s := range v.edges {
			c := color.RGBA{0, 200, 255, 255}
			if math.Abs(t3.x*s.normal.X-s.normal.Y+t3.z*s.normal.Z) < 0.3*degree {
				c = color.RGBA{0, 255, 0, 255}
			}
			for j := range 200 {
				f := float64(j) / 199
				plot(r3.Add(r3.Scale(1-f, s.a), r3.Scale(f, s.b)), c)
			}
		}
	}
	f, err := os.Create(name + ".png")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	png.Encode(f, out)
}

func TestProbeVerticals(t *testing.T) {
	if os.Getenv("PROBE_E") == "" {
		t.Skip()
	}
	type bin struct{ r []float64 }
	bins := map[int]*bin{}
	for seed := range uint64(20) {
		luma, r, up := cachedRow(t, seed, 2, scene.Options{NoHorizon: true})
		for i := range luma {
			cam := r.camera(i)
			v, _ := lookForEdges(t.Context(), luma[i], 1, &cam)
			for _, e := range v.edges {
				res := math.Asin(r3.Dot(e.normal, up)) / degree
				px := e.length * r.focalPx
				k := int(math.Log2(px) * 2)
				if bins[k] == nil {
					bins[k] = &bin{}
				}
				bins[k].r = append(bins[k].r, math.Abs(res)*px*math.Pi/180)
			}
		}
	}
	for k := 0; k < 30; k++ {
		if b := bins[k]; b != nil {
			slices.Sort(b.r)
			n := len(b.r)
			fmt.Printf("len %.0f n %d: |err|·len px: q25 %.2f median %.2f q75 %.2f q90 %.2f\n", math.Exp2(float64(k)/2), n, b.r[n/4], b.r[n/2], b.r[3*n/4], b.r[9*n/10])
		}
	}
}

func TestProbeOne(t *testing.T) {
	if os.Getenv("PROBE_ONE") == "" {
		t.Skip()
	}
	var seed uint64
	fmt.Sscan(os.Getenv("PROBE_ONE"), &seed)
	luma, r, up := cachedRow(t, seed, 2, scene.Options{NoHorizon: true})
	got, _, _, _ := pictureUp(t.Context(), luma, 1, r, 0)
	for i := range luma {
		cam := r.camera(i)
		v, _ := lookForEdges(t.Context(), luma[i], 1, &cam)
		for _, e := range v.edges {
			if e.sigma < 1*degree {
				fmt.Printf("frame %d az %6.1f len %5.1f px sigma %.2f: truth %+.2f got %+.2f\n", i, e.az/degree, e.length*r.focalPx, e.sigma/degree,
					math.Asin(r3.Dot(e.normal, up))/degree, math.Asin(r3.Dot(e.normal, got))/degree)
			}
		}
	}
}

func loadRow(t testing.TB, dir string, seed uint64) (luma []*raster.Plane, r *rig, up geom.Vec) {
	b, err := os.ReadFile(dir + "/truth.json")
	if err != nil {
		t.Fatal(err)
	}
	var tr struct {
		T  scene.Truth
		Of []int
	}
	if err := json.Unmarshal(b, &tr); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(seed, 5))
	tilt := geom.Exp(geom.Vec{X: (2*rng.Float64() - 1) * degree, Z: (2*rng.Float64() - 1) * degree})
	c := tr.T.Frames[0].Camera
	r = &rig{width: c.Width, height: c.Height, focalPx: c.FocalPx, radial: c.Radial}
	for k, i := range tr.Of {
		f, err := os.Open(fmt.Sprintf("%s/frame%d.png", dir, k))
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		p, _ := raster.Luma(t.Context(), 0, img, 1)
		luma = append(luma, p)
		r.rot = append(r.rot, tr.T.Frames[i].Camera.CamFromWorld.Mul(tilt.Inv()))
	}
	return luma, r, tilt.Apply(geom.Vec{Y: -1})
}

func TestProbeRows(t *testing.T) {
	if os.Getenv("PROBE_R") == "" {
		t.Skip()
	}
	dirs, _ := filepath.Glob("/tmp/ff/rows/*")
	for k, d := range dirs {
		luma, r, want := loadRow(t, d, uint64(k))
		for _, n := range []int{len(luma), 3, 2} {
			// The n leftmost frames.
			q := *r
			order := leftToRight(r.rot, geom.Vec{Y: -1})[:n]
			q.rot = nil
			var l []*raster.Plane
			for _, i := range order {
				q.rot = append(q.rot, r.rot[i])
				l = append(l, luma[i])
			}
			for _, no := range []string{"", "h", "v"} {
				debugNo = no
				start := time.Now()
				up, e, ok, err := pictureUp(t.Context(), l, 1, &q, 1)
				if err != nil {
					t.Fatal(err)
				}
				fmt.Printf("%s n %d no %q: before %.3f after %.3f  %v %+v %v\n", d, n, no, between(geom.Vec{Y: -1}, want), between(up, want), ok, e, time.Since(start))
			}
		}
	}
}

func TestProbeDrawRow(t *testing.T) {
	d := os.Getenv("PROBE_D")
	if d == "" {
		t.Skip()
	}
	var k int
	fmt.Sscan(d, &k)
	luma, r, want := loadRow(t, fmt.Sprintf("/tmp/ff/rows/%02d", k), uint64(k))
	order := leftToRight(r.rot, geom.Vec{Y: -1})
	q := *r
	q.rot = nil
	var l []*raster.Plane
	for _, i := range order {
		q.rot = append(q.rot, r.rot[i])
		l = append(l, luma[i])
	}
	if n := os.Getenv("PROBE_N"); n != "" {
		var k int
		fmt.Sscan(n, &k)
		q.rot, l = q.rot[:k], l[:k]
	}
	debugNo = "v"
	up, e, ok, _ := pictureUp(t.Context(), l, 1, &q, 0)
	fmt.Println(between(geom.Vec{Y: -1}, want), between(up, want), e, ok)
	drawEvidence(t, "/tmp/ff/up_row", l, 1, &q, up)
	wt := tilt3{-want.X / want.Y, -want.Z / want.Y, 0}
	gt := tilt3{-up.X / up.Y, -up.Z / up.Y, 0.04 * degree}
	for i := range l {
		cam := q.camera(i)
		v, _ := lookForEdges(t.Context(), l[i], 1, &cam)
		for _, s := range v.lines {
			a, b := s.rays[0], s.rays[len(s.rays)-1]
			if s.open >= 0.6 {
				fmt.Printf("frame %d az %.1f..%.1f contrast %.4f: truth %+.3f %+.3f, got %+.3f %+.3f\n", i, math.Atan2(a.X, a.Z)/degree, math.Atan2(b.X, b.Z)/degree, s.contrast,
					wt.residual(a)/degree, wt.residual(b)/degree, gt.residual(a)/degree, gt.residual(b)/degree)
			}
		}
	}
}

func TestProbeReal(t *testing.T) {
	set := os.Getenv("PROBE_S")
	if set == "" {
		t.Skip()
	}
	for _, set := range strings.Fields(set) {
		files, _ := filepath.Glob("/work/shared/data/rows/" + set + "/frames/*")
		var frames []*Frame
		var imgs []image.Image
		for _, name := range files {
			f, err := os.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			img, _, err := image.Decode(f)
			f.Close()
			if err != nil {
				t.Fatal(err)
			}
			frames = append(frames, NewFrame(name, img))
			imgs = append(imgs, img)
		}
		sol, err := Align(t.Context(), frames, Options{})
		if err != nil {
			fmt.Println(set, err)
			continue
		}
		r := &rig{width: sol.Frames[0].Width, height: sol.Frames[0].Height}
		var luma []*raster.Plane
		shrink := 1
		for float64(r.width*r.height)/float64(shrink*shrink) > workingPixels {
			shrink++
		}
		var rots []geom.Rotation
		var li []*raster.Plane
		for i, f := range sol.Frames {
			if !f.Placed {
				continue
			}
			c := f.Camera()
			r.focalPx, r.radial = c.FocalPx, c.Radial
			r.centre = geom.Pt{X: c.CentrePx.X - float64(r.width)/2, Y: c.CentrePx.Y - float64(r.height)/2}
			rots = append(rots, c.CamFromWorld)
			p, _ := raster.Luma(t.Context(), 0, imgs[i], shrink)
			li = append(li, p)
		}
		for _, i := range leftToRight(rots, geom.Vec{Y: -1}) {
			r.rot = append(r.rot, rots[i])
			luma = append(luma, li[i])
		}
		for _, q := range r.rot {
			y, p, ro := q.YawPitchRoll()
			fmt.Printf("  yaw %.1f pitch %.2f roll %.2f\n", y.Degrees(), p.Degrees(), ro.Degrees())
		}
		up, e, ok, err := pictureUp(t.Context(), luma, shrink, r, 0)
		fmt.Println(set, "focal", r.focalPx, "shrink", shrink, ok, err, "up", up.X/degree, up.Z/degree, e)
		drawEvidence(t, "/tmp/ff/up_"+set, luma, shrink, r, up)
	}
}
