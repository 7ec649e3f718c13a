package scene

import (
	"context"
	"testing"
)

// BenchmarkFrame reports the time of one sample on one processor.
func BenchmarkFrame(b *testing.B) {
	s := New(2, Options{})
	tr := s.Plan(Row{Width: 416, Height: 624})
	for b.Loop() {
		for i := range tr.Frames {
			if _, err := s.Frame(context.Background(), 1, &tr, i); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(5*416*624*4), "ns/sample")
}
