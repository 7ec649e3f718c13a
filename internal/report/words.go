package report

import (
	"fmt"
	"math"
	"strings"

	"flatfell.example/stitch"
)

// The words that pages and the command share.

// Signed formats a number with its sign; what is rounded to nothing has a plus.
func Signed(format string, v float64) string {
	text := fmt.Sprintf(format, v)
	if !strings.ContainsAny(text, "123456789") {
		text = strings.Replace(text, "-", "+", 1)
	}
	return text
}

// Counted is a number and what it counts, in its singular or plural.
func Counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// Shift says by how much an overlap shifts, and what does if that is known.
func Shift(p *stitch.CheckPair) string {
	what := map[stitch.ShiftKind]string{stitch.ShiftParallax: " near", stitch.ShiftMovement: " moving", stitch.ShiftModel: " all"}
	return fmt.Sprintf("%.1f px%s", p.ParallaxPx, what[p.Shift])
}

// Lost goes on after the size of the picture that a row will make: how much a camera
// that was not level has cost; empty if that rounds to nothing.
func Lost(o *stitch.CheckOutput) string {
	if percent := math.Round(o.LossPercent); percent > 0 {
		return fmt.Sprintf("; %.0f %% lost to a camera that was not level", percent)
	}
	return ""
}
