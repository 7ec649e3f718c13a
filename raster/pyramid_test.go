package raster

import (
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"testing"
)

func randomPlane(r image.Rectangle, seed uint64) *Plane {
	rng := rand.New(rand.NewPCG(seed, 1))
	p := NewPlane(r)
	for i := range p.Pix {
		p.Pix[i] = rng.Float32()
	}
	return p
}

var binomial = [5]float64{1. / 16, 4. / 16, 6. / 16, 4. / 16, 1. / 16}

func clampedAt(p *Plane, x, y int) float64 {
	x = min(max(x, p.Rect.Min.X), p.Rect.Max.X-1)
	y = min(max(y, p.Rect.Min.Y), p.Rect.Max.Y-1)
	return float64(p.At(x, y))
}

// naiveReduce and naiveExpand are the sums of the doc comments.
func naiveReduce(p *Plane, x, y int) float64 {
	sum := 0.
	for j := -2; j <= 2; j++ {
		for i := -2; i <= 2; i++ {
			sum += binomial[i+2] * binomial[j+2] * clampedAt(p, 2*x+i, 2*y+j)
		}
	}
	return sum
}

func naiveExpand(p *Plane, x, y int) float64 {
	sum := 0.
	for j := -2; j <= 2; j++ {
		for i := -2; i <= 2; i++ {
			if (x-i)&1 == 0 && (y-j)&1 == 0 {
				sum += 4 * binomial[i+2] * binomial[j+2] * clampedAt(p, (x-i)>>1, (y-j)>>1)
			}
		}
	}
	return sum
}

var pyramidRects = []image.Rectangle{
	image.Rect(0, 0, 1, 1), image.Rect(-1, -1, 0, 0), image.Rect(3, -5, 4, 9), image.Rect(-7, 2, 6, 3),
	image.Rect(0, 0, 2, 2), image.Rect(5, 5, 8, 9), image.Rect(-9, -4, 14, 11), image.Rect(0, 0, 33, 17), image.Rect(-64, -32, 0, 31),
}

func TestPyramidAgainstNaive(t *testing.T) {
	const tol = 1e-6 // samples in [0, 1), sums of 25 terms in float32
	var up, down Plane
	for _, r := range pyramidRects {
		p := randomPlane(r, 7)
		Reduce(&down, p)
		if down.Rect != HalfRect(r) || down.Rect.Empty() {
			t.Fatalf("Reduce of %v has bounds %v", r, down.Rect)
		}
		for y := down.Rect.Min.Y; y < down.Rect.Max.Y; y++ {
			for x := down.Rect.Min.X; x < down.Rect.Max.X; x++ {
				if got, want := float64(down.At(x, y)), naiveReduce(p, x, y); !(math.Abs(got-want) <= tol) {
					t.Fatalf("Reduce of %v at (%d, %d) = %v, want %v", r, x, y, got, want)
				}
			}
		}
		// Any rectangle may be asked of Expand, also one past src's border.
		for _, want := range []image.Rectangle{{}, r, r.Inset(-5), r.Add(image.Pt(1, -3)), image.Rect(2*r.Min.X+1, 2*r.Min.Y, 2*r.Max.X, 2*r.Max.Y)} {
			Expand(&up, want, p)
			if up.Rect != want {
				t.Fatalf("Expand to %v has bounds %v", want, up.Rect)
			}
			for y := want.Min.Y; y < want.Max.Y; y++ {
				for x := want.Min.X; x < want.Max.X; x++ {
					if got, want := float64(up.At(x, y)), naiveExpand(p, x, y); !(math.Abs(got-want) <= tol) {
						t.Fatalf("Expand of %v at (%d, %d) = %v, want %v", r, x, y, got, want)
					}
				}
			}
		}
	}
}

// A Laplacian pyramid collapses to its picture, for any bounds and depth.
func TestPyramidCollapse(t *testing.T) {
	const tol = 1e-6 // a rounding or two a level
	for _, r := range pyramidRects {
		p := randomPlane(r, 3)
		levels := []*Plane{p}
		for range 6 {
			var next Plane
			Reduce(&next, levels[len(levels)-1])
			levels = append(levels, &next)
		}
		var e Plane
		lap := make([]*Plane, len(levels)-1)
		for l := range lap {
			Expand(&e, levels[l].Rect, levels[l+1])
			lap[l] = NewPlane(levels[l].Rect)
			for i := range e.Pix {
				lap[l].Pix[i] = levels[l].Pix[i] - e.Pix[i]
			}
		}
		sum := levels[len(lap)]
		for l := len(lap) - 1; l >= 0; l-- {
			Expand(&e, lap[l].Rect, sum)
			for i := range e.Pix {
				lap[l].Pix[i] += e.Pix[i]
			}
			sum = lap[l]
		}
		for i, got := range sum.Pix {
			if want := p.Pix[i]; !(math.Abs(float64(got-want)) <= tol) {
				t.Fatalf("%v: sample %d = %v after collapse, want %v", r, i, got, want)
			}
		}
	}
}

// A part of a picture with margin enough has the whole picture's bytes.
func TestPyramidAbsoluteGrid(t *testing.T) {
	whole := randomPlane(image.Rect(-50, -41, 77, 60), 11)
	for _, r := range []image.Rectangle{image.Rect(-33, -20, 40, 31), image.Rect(-50, -7, 12, 60), image.Rect(1, 1, 30, 12)} {
		part := NewPlane(r)
		for y := r.Min.Y; y < r.Max.Y; y++ {
			copy(part.Row(y), whole.Row(y)[r.Min.X-whole.Rect.Min.X:])
		}
		var gw, gp, ew, ep Plane
		Reduce(&gw, whole)
		Reduce(&gp, part)
		inner := image.Rect((r.Min.X+3)>>1, (r.Min.Y+3)>>1, (r.Max.X-3)>>1+1, (r.Max.Y-3)>>1+1)
		compare(t, fmt.Sprint("Reduce ", r), &gp, &gw, inner)
		fine := image.Rect(2*r.Min.X+2, 2*r.Min.Y+2, 2*r.Max.X-2, 2*r.Max.Y-2)
		Expand(&ew, image.Rect(-100, -82, 154, 120), whole)
		Expand(&ep, fine.Inset(-1), part)
		compare(t, fmt.Sprint("Expand ", r), &ep, &ew, fine)
	}
}

func compare(t *testing.T, what string, got, want *Plane, r image.Rectangle) {
	t.Helper()
	if r.Empty() {
		t.Fatalf("%s: nothing to compare", what)
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if g, w := got.At(x, y), want.At(x, y); !(g == w) {
				t.Fatalf("%s: (%d, %d) = %v, want the same bits as %v", what, x, y, g, w)
			}
		}
	}
}

// Constants pass through to one unit in the last place.
func TestPyramidConstant(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	p := NewPlane(image.Rect(-5, -4, 9, 8))
	var down, up Plane
	for range 500 {
		c := rng.Float32()
		for i := range p.Pix {
			p.Pix[i] = c
		}
		Reduce(&down, p)
		Expand(&up, p.Rect, p)
		for _, q := range []*Plane{&down, &up} {
			for i, v := range q.Pix {
				if !(math.Abs(float64(v-c)) <= 0x1p-23*float64(c)) {
					t.Fatalf("sample %d of a constant %v = %v", i, c, v)
				}
			}
		}
	}
}

func BenchmarkPyramid(b *testing.B) {
	src := randomPlane(image.Rect(0, 0, 1024, 1024), 1)
	var down, up Plane
	Reduce(&down, src)
	for _, c := range []struct {
		name string
		run  func()
	}{
		{"Reduce", func() { Reduce(&down, src) }},
		{"Expand", func() { Expand(&up, src.Rect, &down) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				c.run()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(src.Pix)), "ns/px")
		})
	}
}
