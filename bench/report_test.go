package bench

import (
	"math"
	"testing"
)

func TestTable(t *testing.T) {
	tab := &table{head: []string{"what", "°"}}
	tab.add("größer", "1")
	tab.add("a", "10.5")
	want := "" +
		"| what   |    ° |\n" +
		"|:-------|-----:|\n" +
		"| größer |    1 |\n" +
		"| a      | 10.5 |\n"
	if got := tab.String(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestQuantile(t *testing.T) {
	v := []float64{4, 1, 3, 2}
	for _, tc := range []struct{ share, want float64 }{{0, 1}, {0.25, 1}, {0.26, 2}, {0.5, 2}, {0.95, 4}, {1, 4}} {
		if got := quantile(v, tc.share); got != tc.want {
			t.Errorf("quantile(%v, %g) = %g, want %g", v, tc.share, got, tc.want)
		}
	}
	if v[0] != 4 {
		t.Error("quantile sorted its argument")
	}
	if got := quantile(nil, 0.5); !math.IsNaN(got) {
		t.Errorf("of nothing: %g", got)
	}
}

// TestBar: nothing measured is no success.
func TestBar(t *testing.T) {
	for _, tc := range []struct {
		found float64
		ok    bool
	}{{1, true}, {1.1, false}, {math.NaN(), false}} {
		if b := (Bar{Found: tc.found, Limit: 1}); b.OK() != tc.ok {
			t.Errorf("found %g of at most 1: %v", tc.found, b.OK())
		}
	}
}

// The slope of a power law is its exponent, whatever stands before it.
func TestExponent(t *testing.T) {
	x := []float64{6, 12, 25, 50, 100, 200}
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = 3 * math.Pow(v, 1.07)
	}
	if got := exponent(x, y); !(math.Abs(got-1.07) <= 1e-12) {
		t.Errorf("exponent %v, want 1.07", got)
	}
}
