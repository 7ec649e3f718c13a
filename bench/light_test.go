package bench

import (
	"math"
	"slices"
	"strings"
	"testing"

	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// TestLightRow: what dimmed the light of small frames is found, and only that,
// as far as the bars ask for it.
func TestLightRow(t *testing.T) {
	if testing.Short() {
		t.Skip("renders rows")
	}
	c := Config{Width: 400, Height: 600}
	cases := lightCases()
	for _, want := range []struct {
		number int
		parts  []string
	}{
		{0, []string{}},
		{1, []string{"vignetting"}},
		{2, []string{"vignetting", "tone"}},
		{4, []string{"vignetting", "field"}},
		{5, []string{}},
	} {
		lc := &cases[want.number]
		row := c.fieldRow(1)
		lc.change(&row)
		shots, err := c.photograph(t.Context(), row, scene.Options{Clouds: -1})
		if err != nil {
			t.Fatal(err)
		}
		sol, err := stitch.Align(t.Context(), shots.frames, stitch.Options{})
		if err != nil {
			t.Fatal(err)
		}
		// Vignetting must not move what is registered: a pixel has 0.1°.
		e := Compare(sol, shots.truth)
		t.Logf("%s: rotations off by %.4f°, focal length by %.4f %%", lc.Name, e.Worst().Degrees(), 100*e.Focal)
		r, err := c.lightRow(t.Context(), shots, sol, true)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(r.Parts, want.parts) {
			t.Errorf("%s: found %q, want %q", lc.Name, r.Parts, want.parts)
		}
		// Patches of so small frames hold a quarter of the pixels of the
		// bars' rows, so that noise adds to their differences.
		const noisier = 1.5
		for _, b := range []struct {
			what         string
			found, limit float64
		}{
			{"vignetting off by, %", r.Vignetting, lc.limits.vignetting},
			{"a gain off by, %", r.Gain, lc.limits.gain},
			{"median ΔE00", r.After.Median, noisier * lc.limits.median},
			{"99 % of ΔE00", r.After.P99, noisier * lc.limits.p99},
			{"scallop, L*", r.Scallop, lc.limits.scallop},
			{"changed, ΔE00", r.Changed, lc.limits.unchanged},
		} {
			if b.limit > 0 && !(b.found <= b.limit) {
				t.Errorf("%s: %s %.3f, want ≤ %.3f", lc.Name, b.what, b.found, b.limit)
			}
		}
		if !(r.NoiseRatio > 0.8 && r.NoiseRatio < 1.25) {
			t.Errorf("%s: noise ratio %.2f", lc.Name, r.NoiseRatio)
		}
	}
}

// TestLightReport: each figure has its bar and each row its line.
func TestLightReport(t *testing.T) {
	res := &LightResult{Width: 8, Height: 12, Cases: lightCases()}
	for i := range res.Cases {
		res.Cases[i].Rows = []LightRow{{Seed: 7, PSNR: 40, NoiseRatio: 1, Parts: []string{"tone"}}, {Seed: 8, PSNR: 40, NoiseRatio: math.NaN(), Scallop: math.NaN()}}
	}
	for _, b := range res.Bars() {
		if !b.OK() {
			t.Errorf("%+v fails", b)
		}
	}
	res.Cases[1].Rows[0].Vignetting = 2
	res.Cases[3].Rows[1].PSNR = 37
	bad := 0
	for _, b := range res.Bars() {
		if !b.OK() {
			bad++
		}
	}
	if bad != 2 {
		t.Errorf("%d bars fail, want 2", bad)
	}
	if s := res.Report().String(); strings.Count(s, "| seed 7 ") != len(res.Cases) {
		t.Errorf("report:\n%s", s)
	}
}
