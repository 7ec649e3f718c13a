package plan

import (
	"fmt"
	"math"
)

// Seconds is a time as photographers write it: 1/125 s, 0.6 s, 8 s, 2 min 16 s,
// 1 h 5 min.
func Seconds(s float64) string {
	switch {
	case s <= 0:
		return "0 s"
	case s < 0.3:
		return fmt.Sprintf("1/%.0f s", 1/s)
	case s < 9.95:
		return fmt.Sprintf("%.2g s", s)
	}
	n := int(math.Round(s))
	switch h, m, rest := n/3600, n/60%60, n%60; {
	case h > 0:
		return fmt.Sprintf("%d h %d min", h, m)
	case m > 0 && rest > 0:
		return fmt.Sprintf("%d min %d s", m, rest)
	case m > 0:
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d s", n)
}

// Distance is a distance as a lens shows it: 0.85 m, 2.4 m, 14 m, ∞.
func Distance(m float64) string {
	switch {
	case math.IsInf(m, 1):
		return "∞"
	case m < 1:
		return fmt.Sprintf("%.2f m", m)
	case m < 10:
		return fmt.Sprintf("%.1f m", m)
	}
	return fmt.Sprintf("%.0f m", m)
}

// rough is a number of which no more than the first digit is known.
func rough(v float64) string {
	if !(v > 0) {
		return "0"
	}
	digit := math.Pow(10, math.Floor(math.Log10(v)))
	return fmt.Sprintf("%.4g", math.Round(v/digit)*digit)
}

// Clouds is how far low clouds drift from frame to frame, as roughly as that is
// known; empty if no time is planned.
func (p *Plan) Clouds() string {
	t := p.Time
	if t == nil {
		return ""
	}
	if t.CloudDeg >= p.Camera.AcrossDeg {
		return "more than a frame's width each time"
	}
	return fmt.Sprintf("some %s° (%s px) a frame", rough(t.CloudDeg), rough(t.CloudPx))
}

// Lean is an angle of [Row.LevelEnough] in degrees.
func Lean(degrees float64) string {
	if degrees >= maxLean.Degrees()-1e-9 {
		return fmt.Sprintf("%.0f° or more", maxLean.Degrees())
	}
	return fmt.Sprintf("%.1f°", degrees)
}

// Kept is the height that [LevelFacts] is about.
func (l LevelFacts) Kept() string {
	return fmt.Sprintf("%.3g %% of the height (%d px)", 100*l.KeepShare, l.KeepPx)
}

// Leans is how far the axis may lean for that, either way.
func (l LevelFacts) Leans() string {
	side, forward := Lean(l.EnoughDeg), Lean(l.EnoughForwardDeg)
	if side == forward {
		return side + " either way"
	}
	return side + " sideways or " + forward + " forward"
}

// Clicks counts stops.
func Clicks(n int) string {
	if n == 1 {
		return "1 click"
	}
	return fmt.Sprintf("%d clicks", n)
}

// Bytes is a size in the units of file managers: MB and GB of powers of ten.
func Bytes(n int64) string {
	switch {
	case n >= 995e6:
		return fmt.Sprintf("%.1f GB", float64(n)/1e9)
	case n >= 1e6:
		return fmt.Sprintf("%.0f MB", float64(n)/1e6)
	}
	return fmt.Sprintf("%.0f kB", float64(n)/1e3)
}
