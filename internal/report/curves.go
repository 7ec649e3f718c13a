package report

import (
	"fmt"
	"html"
	"strings"
)

// CurvePanel is one diagram of [Curves]: shares, 0 to 1, against what the
// horizontal axis shows, 0 to [Curves]' right end. The points are sorted by X.
type CurvePanel struct {
	Name   string
	Points []CurvePoint
}

// CurvePoint is a share of successes with the interval in which it is known to
// lie, and the share of failures of the worse kind.
type CurvePoint struct{ X, Right, Low, High, Wrong float64 }

// The sizes of a drawing of panels, in its units.
const (
	curveColumns               = 3
	curveWide, curveHigh       = 300, 210 // a panel with its margins
	curveLeft, curveTop        = 44, 34   // margins of a panel
	curveRight, curveBottom    = 12, 36
	plotWide                   = curveWide - curveLeft - curveRight
	plotHigh                   = curveHigh - curveTop - curveBottom
	curveTitle                 = 44 // above the panels
	curveTicksX, curveTicksY   = 5, 4
	curveHeadLine, curveKeyTop = 18, 34
)

// Curves draws panels as an SVG document of its own, legible in light and dark:
// a line of successes in a band of their intervals, and a dashed one of the
// failures of the worse kind. Both axes are in per cent; end is the right end of
// the horizontal one, as a share.
func Curves(title, axis, right, wrong string, end float64, panels []CurvePanel) []byte {
	rows := (len(panels) + curveColumns - 1) / curveColumns
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" font-family="system-ui, sans-serif" font-size="11">
<title>%s</title>
<style>
:root { color-scheme: light dark }
.paper { fill: #fdfdfb } .ink { fill: #16191c } .soft { fill: #4d565e } .line { stroke: #b9bfc4; fill: none }
.band { fill: #2f6f8f; fill-opacity: .22 } .right { stroke: #2f6f8f; fill: none; stroke-width: 2 } .dot { fill: #2f6f8f }
.wrong { stroke: #a3401f; fill: none; stroke-width: 2; stroke-dasharray: 5 3 }
@media (prefers-color-scheme: dark) {
.paper { fill: #14171a } .ink { fill: #f1f1ec } .soft { fill: #b6bec5 } .line { stroke: #454d54 }
.band { fill: #86c3e0 } .right { stroke: #86c3e0 } .dot { fill: #86c3e0 } .wrong { stroke: #f2a07e }
}
</style>
<rect class="paper" width="100%%" height="100%%"/>
`, curveColumns*curveWide, curveTitle+rows*curveHigh, html.EscapeString(title))
	fmt.Fprintf(&b, "<text class=\"ink\" x=\"%d\" y=\"%d\" font-size=\"14\" font-weight=\"700\">%s</text>\n", curveLeft, curveHeadLine, html.EscapeString(title))
	fmt.Fprintf(&b, "<path class=\"right\" d=\"M%d %dh24\"/><text class=\"soft\" x=\"%d\" y=\"%d\">%s</text>\n", curveLeft, curveKeyTop-4, curveLeft+30, curveKeyTop, html.EscapeString(right))
	second := curveWide + curveLeft
	fmt.Fprintf(&b, "<path class=\"wrong\" d=\"M%d %dh24\"/><text class=\"soft\" x=\"%d\" y=\"%d\">%s</text>\n", second, curveKeyTop-4, second+30, curveKeyTop, html.EscapeString(wrong))
	for i := range panels {
		fmt.Fprintf(&b, "<g transform=\"translate(%d %d)\">\n", i%curveColumns*curveWide+curveLeft, curveTitle+i/curveColumns*curveHigh+curveTop)
		panels[i].draw(&b, axis, end)
		b.WriteString("</g>\n")
	}
	b.WriteString("</svg>\n")
	return []byte(b.String())
}

func (p *CurvePanel) draw(b *strings.Builder, axis string, end float64) {
	x := func(v float64) string { return fmt.Sprintf("%.1f", v/end*plotWide) }
	y := func(v float64) string { return fmt.Sprintf("%.1f", (1-v)*plotHigh) }
	fmt.Fprintf(b, "<text class=\"ink\" y=\"-8\" font-weight=\"700\">%s</text>\n", html.EscapeString(p.Name))
	for k := range curveTicksY + 1 {
		v := float64(k) / curveTicksY
		fmt.Fprintf(b, "<path class=\"line\" d=\"M0 %sh%d\"/><text class=\"soft\" x=\"-5\" y=\"%s\" dy=\"4\" text-anchor=\"end\">%.0f %%</text>\n", y(v), plotWide, y(v), 100*v)
	}
	for k := range curveTicksX + 1 {
		v := end * float64(k) / curveTicksX
		fmt.Fprintf(b, "<path class=\"line\" d=\"M%s %dv4\"/><text class=\"soft\" x=\"%s\" y=\"%d\" text-anchor=\"middle\">%.0f %%</text>\n", x(v), plotHigh, x(v), plotHigh+15, 100*v)
	}
	fmt.Fprintf(b, "<text class=\"soft\" x=\"%d\" y=\"%d\" text-anchor=\"middle\">%s</text>\n", plotWide/2, plotHigh+28, html.EscapeString(axis))
	if len(p.Points) == 0 {
		return
	}
	path := func(of func(CurvePoint) float64, back bool) string {
		var s []string
		for i := range p.Points {
			if back {
				i = len(p.Points) - 1 - i
			}
			q := p.Points[i]
			s = append(s, x(q.X)+" "+y(of(q)))
		}
		return strings.Join(s, "L")
	}
	fmt.Fprintf(b, "<path class=\"band\" d=\"M%sL%sZ\"/>\n",
		path(func(q CurvePoint) float64 { return q.High }, false), path(func(q CurvePoint) float64 { return q.Low }, true))
	fmt.Fprintf(b, "<path class=\"wrong\" d=\"M%s\"/>\n", path(func(q CurvePoint) float64 { return q.Wrong }, false))
	fmt.Fprintf(b, "<path class=\"right\" d=\"M%s\"/>\n", path(func(q CurvePoint) float64 { return q.Right }, false))
	for _, q := range p.Points {
		fmt.Fprintf(b, "<circle class=\"dot\" cx=\"%s\" cy=\"%s\" r=\"2.5\"/>\n", x(q.X), y(q.Right))
	}
}
