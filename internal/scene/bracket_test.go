package scene

import (
	"image"
	"math"
	"testing"

	"flatfell.example/geom"
)

// flatSheet is a sheet of one colour and full cover in r.
func flatSheet(r image.Rectangle, near float64, c rgb) sheet {
	l := sheet{rect: r.Inset(-1), near: near}
	l.pix = make([]float32, 4*l.rect.Dx()*l.rect.Dy())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			copy(l.pix[4*((y-l.rect.Min.Y)*l.rect.Dx()+x-l.rect.Min.X):], []float32{float32(c.r), float32(c.g), float32(c.b), 1})
		}
	}
	return l
}

// seen is what a line shows, the mean over the aperture.
func seen(sheets []sheet, y, width int, blur, focus float64) []float32 {
	sum, front := make([]float32, 4*width), make([]float32, 4*width)
	lookThrough(sum, front, sheets, y, blur, focus, lensPoints)
	for i := range sum {
		sum[i] /= lensPoints
	}
	return sum
}

// TestThinLens: a point at inverse distance n spreads to a disc of radius
// blur·|n − focus| that keeps its light. A disc has a variance of r²/4 along each
// axis, and the bilinear sampling adds 1/6 on average.
func TestThinLens(t *testing.T) {
	const side, mid, blur = 41, 20, 12.
	point := []sheet{flatSheet(image.Rect(mid, mid, mid+1, mid+1), 0.9, rgb{1, 1, 1})}
	for _, focus := range []float64{0, 0.3, 0.5, 0.9} {
		var sum, xx, yy float64
		for y := range side {
			for x, row := 0, seen(point, y, side, blur, focus); x < side; x++ {
				v := float64(row[4*x])
				sum += v
				xx += v * float64((x-mid)*(x-mid))
				yy += v * float64((y-mid)*(y-mid))
			}
		}
		r := blur * math.Abs(0.9-focus)
		want := r * r / 4
		if r > 0 {
			want += 1. / 6
		}
		if !(math.Abs(sum-1) < 1e-3) || !(math.Abs(xx-want) < 0.03*want+1e-3) || !(math.Abs(yy-want) < 0.03*want+1e-3) {
			t.Errorf("focused at %v: light %.4f, variance %.2f and %.2f, want 1 and %.2f", focus, sum, xx, yy, want)
		}
	}
}

// TestLensOcclusion: a near sheet in focus hides what is behind it to its very edge,
// and nothing beside it; out of focus it covers, at distance d from its straight
// edge, the share of the disc beyond it.
func TestLensOcclusion(t *testing.T) {
	const width, edge, blur = 60, 30, 8.
	sheets := []sheet{
		flatSheet(image.Rect(-20, -20, 80, 80), 0, rgb{0, 1, 0}),   // far
		flatSheet(image.Rect(-20, -20, edge, 80), 1, rgb{1, 0, 0}), // near, on the left
	}
	sharp := seen(sheets, 10, width, blur, 1)
	for x := range width {
		want := [2]float32{1, 0}
		if x >= edge {
			want = [2]float32{0, 1}
		}
		if !near32(sharp[4*x], want[0], 1e-4) || !near32(sharp[4*x+1], want[1], 1e-4) {
			t.Errorf("near in focus, %d px from its edge: %v, want %v", x-edge, sharp[4*x:4*x+2], want)
		}
	}
	soft := seen(sheets, 10, width, blur, 0)
	for x := edge - 10; x < edge+10; x++ {
		d := max(-1, min(1, (float64(x)+0.5-edge)/blur))
		want := float32((math.Acos(d) - d*math.Sqrt(1-d*d)) / math.Pi)
		if !near32(soft[4*x], want, 0.02) || !near32(soft[4*x+1], 1-want, 0.02) {
			t.Errorf("near out of focus, at %.2f of the radius: near %.3f and far %.3f, want %.3f and %.3f", d, soft[4*x], soft[4*x+1], want, 1-want)
		}
	}
}

func near32(got, want, tol float32) bool { return math.Abs(float64(got-want)) <= float64(tol) }

// TestBracketRow: the positions of a row see one world: a direction that two
// cameras see has the same colour when all is sharp.
func TestBracketRow(t *testing.T) {
	b := Bracket{Seed: 4, Width: 96, Height: 144, Slices: 2, BlurPx: 2, Positions: 3, Step: 20 * geom.Degree}
	pics := make([][]uint16, 2)
	cams := make([]geom.Camera, 2)
	for i := range pics {
		b.Position = i
		pic, err := b.Sharp(t.Context(), 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		pics[i], cams[i] = pic.Pix, b.Shots()[1].Camera
	}
	var sum, n float64
	for y := 20; y < 124; y++ {
		for x := 50; x < 94; x++ {
			ray, _ := cams[0].WorldFromPixel(geom.Pt{X: float64(x) + 0.5, Y: float64(y) + 0.5})
			q, ok := cams[1].PixelFromWorld(ray)
			if !ok || !cams[1].Contains(q, 2) {
				continue
			}
			sum += math.Abs(float64(pics[0][3*(y*96+x)+1])-float64(pics[1][3*(int(q.Y)*96+int(q.X))+1])) / 0xffff
			n++
		}
	}
	// Nearest samples of a textured world differ by some hundredths.
	if !(n > 500) || !(sum/n < 0.03) {
		t.Errorf("%v directions seen by both differ by %.4f", n, sum/n)
	}
	b.Position = 3
	if err := b.Validate(); err == nil {
		t.Error("a position beyond the row is accepted")
	}
}
