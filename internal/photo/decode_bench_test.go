package photo

import (
	"fmt"
	"path/filepath"
	"testing"
)

func BenchmarkDecode(b *testing.B) {
	m := photograph(b, "picosdeeuropa_by_Aitzol_Berasategi.jpg")
	mp := float64(m.Rect.Dx()*m.Rect.Dy()) / 1e6
	for _, name := range []string{"a.jpg", "a.png", "a.tif"} {
		for _, bits := range []int{8, 16} {
			if name == "a.jpg" && bits == 16 {
				continue
			}
			path := filepath.Join(b.TempDir(), name)
			if err := WritePixels(b.Context(), path, imagePixels{m}, WriteOptions{Bits: bits}); err != nil {
				b.Fatal(err)
			}
			f, err := Open(path)
			if err != nil {
				b.Fatal(err)
			}
			b.Run(fmt.Sprintf("%s/%d", name, bits), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := f.Decode(b.Context()); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(mp*float64(b.N)/b.Elapsed().Seconds(), "MP/s")
			})
		}
	}
}
