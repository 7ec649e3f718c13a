package bench

import (
	"image"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

func speckled(seed uint64, w, h int) *raster.Picture {
	r := rand.New(rand.NewPCG(seed, 3))
	p := raster.NewPicture(image.Rect(0, 0, w, h))
	for i := range p.Pix {
		p.Pix[i] = uint16(10000 + r.IntN(40000))
	}
	return p
}

// TestBoxMean: running sums give what summing up each window gives.
func TestBoxMean(t *testing.T) {
	p := channel(speckled(1, 23, 17), 0)
	got := boxMean(p, 3)
	for y := range 17 {
		for x := range 23 {
			var sum, n float64
			for v := max(0, y-3); v <= min(16, y+3); v++ {
				for u := max(0, x-3); u <= min(22, x+3); u++ {
					sum += float64(p.At(u, v))
					n++
				}
			}
			if !(math.Abs(sum/n-float64(got.At(x, y))) < 1e-5) {
				t.Fatalf("(%d, %d): %v, want %v", x, y, got.At(x, y), sum/n)
			}
		}
	}
}

// TestPlainMergers: of equal slices both published mergers make the same again;
// where each of two is sharp in a half and flat in the other, both take the
// sharp halves.
func TestPlainMergers(t *testing.T) {
	const w, h = 128, 64
	truth := speckled(2, w, h)
	left, right := raster.NewPicture(truth.Rect), raster.NewPicture(truth.Rect)
	for i := range truth.Pix {
		left.Pix[i], right.Pix[i] = 30000, truth.Pix[i]
		if i/3%w < w/2 {
			left.Pix[i], right.Pix[i] = truth.Pix[i], 30000
		}
	}
	for name, merge := range map[string]func([]*raster.Picture) *raster.Picture{"plain": plainLaplacian, "guided": guidedWeights} {
		for _, c := range []struct {
			slices []*raster.Picture
			limit  float64
		}{{[]*raster.Picture{truth, truth}, 20}, {[]*raster.Picture{left, right}, 3500}} {
			got := merge(c.slices)
			var sum, n float64
			for y := 8; y < h-8; y++ {
				for x := 8; x < w-8; x++ {
					if x > w/2-12 && x < w/2+12 {
						continue
					}
					sum += math.Abs(float64(got.Pix[3*(y*w+x)]) - float64(truth.Pix[3*(y*w+x)]))
					n++
				}
			}
			if !(sum/n < c.limit) {
				t.Errorf("%s: off by %.0f of 65535, want less than %.0f", name, sum/n, c.limit)
			}
		}
	}
}

// TestFocusSmall: a small bracket given out of order comes out better than by plain
// selection, and the report says so.
func TestFocusSmall(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a bracket")
	}
	r, err := Focus(t.Context(), Config{Seeds: 1, Width: 200, Height: 300})
	if err != nil {
		t.Fatal(err)
	}
	s := r.Scenes[0]
	t.Logf("%.2f dB, plain %.2f, guided %.2f, best %.2f", s.Merged.PSNR, s.Plain.PSNR, s.Guided.PSNR, s.Best.PSNR)
	if s.Refused || !(s.Merged.PSNR > s.Plain.PSNR+1) || !(s.Merged.PSNR < s.Best.PSNR) || !(s.Merged.SSIM > 0.97) {
		t.Errorf("%+v", s)
	}
	if m := median(s.AlignPx); !(m < 0.15) {
		t.Errorf("slices off by %.3f px in the median", m)
	}
	if text := r.Report().String(); !strings.Contains(text, "## Focus: 1 brackets of 8 slices of 200 × 300 pixels") || !strings.Contains(text, "alignment, median") {
		t.Error(text)
	}
}

// TestPairsOf: a folder holds a pair, files are taken two by two.
func TestPairsOf(t *testing.T) {
	dir := t.TempDir()
	var files []string
	for _, name := range []string{"a.png", "b.png"} {
		files = append(files, filepath.Join(dir, name))
		if err := photo.Write(t.Context(), files[len(files)-1], speckled(3, 8, 8), photo.WriteOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	if pairs, err := pairsOf([]string{dir, files[1], files[0]}); err != nil || len(pairs) != 2 || pairs[1][0] != files[1] {
		t.Errorf("%v, %v", pairs, err)
	}
	if _, err := pairsOf(files[:1]); err == nil {
		t.Error("a file without its second is accepted")
	}
}
