package report

import (
	"testing"

	"flatfell.example/stitch"
)

func TestWords(t *testing.T) {
	for _, tt := range []struct{ got, want string }{
		{Signed("%+.1f°", -0.04), "+0.0°"},
		{Signed("%+6.2f EV", -0.004), " +0.00 EV"},
		{Signed("%+.1f", -0.06), "-0.1"},
		{Counted(0, "set", "sets"), "0 sets"},
		{Counted(1, "set", "sets"), "1 set"},
		{Shift(&stitch.CheckPair{ParallaxPx: 0.14}), "0.1 px"},
		{Shift(&stitch.CheckPair{ParallaxPx: 12, Shift: stitch.ShiftParallax}), "12.0 px near"},
		{Shift(&stitch.CheckPair{ParallaxPx: 5, Shift: stitch.ShiftMovement}), "5.0 px moving"},
		{Lost(&stitch.CheckOutput{LossPercent: 0.4}), ""},
		{Lost(&stitch.CheckOutput{LossPercent: 0.6}), "; 1 % lost to a camera that was not level"},
	} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
}
