package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"image"
	"io"
	"math"
	"path/filepath"
	"strings"

	"flatfell.example/geom"
	"flatfell.example/plan"
	"flatfell.example/stitch"
)

// Run is the page about a joined row.
type Run struct {
	Solution *stitch.Solution
	Evidence *stitch.Evidence
	// Tiles are where the picture's tiles of TileSide pixels are found: in the page
	// (a data URL) or beside it (a relative one), by lines and columns.
	Tiles    [][]string
	TileSide int
	// Command is what was typed, Version the program's.
	Command []string
	Version string
}

//go:embed run.html
var runHTML string

var runPage = newPage("run", runHTML)

// residualScale is by how much residuals are drawn longer than they are.
const residualScale = 100

// WriteTo writes the page: the same bytes for the same run, whenever it was.
func (r Run) WriteTo(w io.Writer) (int64, error) {
	var b bytes.Buffer
	if err := runPage.Execute(&b, r.view()); err != nil {
		return 0, fmt.Errorf("report: %w", err)
	}
	return b.WriteTo(w)
}

// runView is what the page says.
type runView struct {
	Title, Size, Print, Verdict, Fit, Alt string
	Advice                                []string
	W, H                                  int
	Scale                                 float64 // of the picture's pixels to the screen's, before it is shown
	Overview                              template.URL
	Overlays                              []overlay
	Places                                []placeView
	Frames                                []frameView
	LeftOut                               []string
	Pairs                                 []pairView
	Row, Levels, Resolution               plot
	Light                                 []string
	ResolutionText                        string
	Prints                                []printView
	Crops                                 []cropView
	Command, Version                      string
	Data                                  pageData
}

// overlay is a layer that can be laid on the picture. A new kind of evidence that
// belongs on the picture is one more of them.
type overlay struct {
	ID, Name string
	On       bool
	Paths    []string
	Labels   []label
	Note     string
}

type label struct {
	X, Y float64
	Text string
	// DX and DY move it by so many times its size.
	DX, DY float64
}

type placeView struct {
	Image      template.URL
	W, H       int
	Kind, Text string
	PX, PY     float64 // the place in the image, per cent
}

type frameView struct{ Number, Name, Yaw, Pitch, Roll, Gain, White, Share string }

type pairView struct {
	Names, Verdict, Overlap, Fit, RMS string
	Bad                               bool
}

type printView struct{ PPI, Size, From, Sheet string }

type cropView struct{ Name, Pixels, MP string }

// plot is a drawing.
type plot struct {
	W, H      int
	Alt, Note string
	Lines     []plotLine
	Shapes    []shape
	Curves    []curve
	Labels    []label
	Cells     []plotCell
}

type plotLine struct {
	Class          string
	X1, Y1, X2, Y2 float64
}

type shape struct{ Class, D string }

type curve struct{ D, Colour, Dash string }

type plotCell struct {
	X, Y, W, H float64
	Colour     string
}

// pageData is what the page's script works with.
type pageData struct {
	W      int         `json:"w"`
	H      int         `json:"h"`
	Shrink int         `json:"shrink"`
	OW     int         `json:"ow"`
	Side   int         `json:"side"`
	Tiles  [][]string  `json:"tiles"`
	Places []dataPlace `json:"places"`
	Frames []dataFrame `json:"frames"`
}

type dataPlace struct {
	X int `json:"x"`
	Y int `json:"y"`
	W int `json:"w"`
	H int `json:"h"`
}

type dataFrame struct {
	X   int          `json:"x"`
	Y   int          `json:"y"`
	W   int          `json:"w"`
	H   int          `json:"h"`
	Src template.URL `json:"src"`
}

// kinds are the words for the kinds of places.
var kinds = map[stitch.PlaceKind]string{
	stitch.PlaceSeam: "Out of place. ", stitch.PlaceLight: "Light. ", stitch.PlaceMoved: "Moved. ",
	stitch.PlaceSoft: "Soft. ", stitch.PlaceClipped: "White. ",
}

func (r Run) view() *runView {
	sol, ev := r.Solution, r.Evidence
	out := &sol.Output
	v := &runView{
		Title: filepath.Base(out.File), W: out.Width, H: out.Height, Advice: sol.Advice,
		Overview: jpegURL(ev.Overview), Scale: round2(float64(out.Width) / 1100), Version: "flatfell " + r.Version,
		Command: commandLine(r.Command),
	}
	v.Size = fmt.Sprintf("%d × %d pixels", out.Width, out.Height)
	v.Print = fmt.Sprintf("%.1f megapixels, %s, %.0f bits", float64(out.Width)*float64(out.Height)/1e6, out.Surface, float64(out.Bits))
	v.Alt = fmt.Sprintf("The picture, %d by %d pixels, put together of %d frames", out.Width, out.Height, len(ev.Frames))
	switch sol.Verdict {
	case stitch.Joined:
		v.Verdict = "Joined."
	case stitch.Weak:
		v.Verdict = "Joined, but weakly."
	default:
		v.Verdict = string(sol.Verdict) + "."
	}
	v.Fit = fmt.Sprintf("%d of %d frames agree to %.2f pixels.", len(ev.Frames), len(sol.Frames), sol.RMSPx)
	r.overlays(v)
	r.frames(v)
	r.light(v)
	r.resolution(v)
	v.Row = r.row()
	v.Prints = prints(out.Width, out.Height)
	for _, c := range ev.Crops {
		v.Crops = append(v.Crops, cropView{c.Name, fmt.Sprintf("%d × %d", c.Width, c.Height), fmt.Sprintf("%.1f", float64(c.Width)*float64(c.Height)/1e6)})
	}
	v.Data = pageData{W: out.Width, H: out.Height, Shrink: ev.Shrink, OW: ev.OverviewWidth, Side: r.TileSide, Tiles: r.Tiles, Places: []dataPlace{}, Frames: []dataFrame{}}
	for _, p := range ev.Places {
		v.Places = append(v.Places, placeView{
			jpegURL(p.Detail), p.DetailRect.Dx(), p.DetailRect.Dy(), kinds[p.Kind], p.Text,
			round2(100 * float64(p.At.X-p.DetailRect.Min.X) / float64(p.DetailRect.Dx())), round2(100 * float64(p.At.Y-p.DetailRect.Min.Y) / float64(p.DetailRect.Dy())),
		})
		v.Data.Places = append(v.Data.Places, dataPlace{p.At.X, p.At.Y, p.DetailRect.Dx(), p.DetailRect.Dy()})
	}
	for i := range ev.Frames {
		f := &ev.Frames[i]
		v.Data.Frames = append(v.Data.Frames, dataFrame{f.At.Min.X, f.At.Min.Y, f.At.Dx(), f.At.Dy(), jpegURL(f.Before)})
	}
	return v
}

// commandLine is how the arguments are typed again.
func commandLine(args []string) string {
	quoted := make([]string, len(args))
	for i, a := range args {
		quoted[i] = a
		if a == "" || strings.ContainsAny(a, " \t\n'\"\\$`&|;<>()*?[]{}!#~") {
			quoted[i] = "'" + strings.ReplaceAll(a, "'", `'\''`) + "'"
		}
	}
	return strings.Join(quoted, " ")
}

// path is a line in the notation of SVG, to a tenth of a pixel.
func path(pts []geom.Pt, closed bool) string {
	var b strings.Builder
	for i, p := range pts {
		c := "L"
		if i == 0 {
			c = "M"
		}
		fmt.Fprintf(&b, "%s%.1f %.1f", c, p.X, p.Y)
	}
	if closed {
		b.WriteByte('Z')
	}
	return b.String()
}

func rectPath(r image.Rectangle) string {
	return fmt.Sprintf("M%d %dH%dV%dH%dZ", r.Min.X, r.Min.Y, r.Max.X, r.Max.Y, r.Min.X)
}

// name is a frame as it is called on the page.
func (r Run) name(frame int) string { return filepath.Base(r.Solution.Frames[frame].File) }

func (r Run) overlays(v *runView) {
	ev := r.Evidence
	outlines := overlay{ID: "outlines", Name: "frames", On: true}
	light := overlay{ID: "light", Name: "light", Note: "Light: by how much each frame was brightened, in stops (EV), and lines of equal loss toward its corners, a quarter of a stop apart."}
	shaded := false
	for i := range ev.Frames {
		f := &ev.Frames[i]
		outlines.Paths = append(outlines.Paths, path(f.Outline, true))
		outlines.Labels = append(outlines.Labels, label{X: f.Middle.X, Y: f.Middle.Y, Text: r.name(f.Index)})
		light.Labels = append(light.Labels, label{X: f.Middle.X, Y: f.Middle.Y, Text: fmt.Sprintf("%+.2f EV", f.GainEV), DY: 1.5})
		for _, s := range f.Shade {
			light.Paths = append(light.Paths, path(s.Line, false))
			shaded = true
		}
	}
	if !shaded {
		light.Note = "Light: by how much each frame was brightened, in stops (EV). Toward its corners no frame had lost as much as a quarter of a stop."
	}
	seams := overlay{ID: "seams", Name: "seams", On: true}
	for _, s := range ev.Seams {
		seams.Paths = append(seams.Paths, path(s, false))
	}
	crops := overlay{ID: "crops", Name: "other crops"}
	for _, c := range ev.Crops {
		crops.Paths = append(crops.Paths, rectPath(c.Rect))
		if c.Rect.In(image.Rect(0, 0, v.W, v.H)) {
			crops.Labels = append(crops.Labels, label{X: float64(c.Rect.Min.X), Y: float64(c.Rect.Min.Y), Text: c.Name, DX: 2.5, DY: 1.4})
		}
	}
	residuals := overlay{ID: "residuals", Name: "residuals", Note: fmt.Sprintf("Residuals: from where one frame shows a detail to where the other does, drawn %d times as long as they are; the root mean square is %.2f pixels.", residualScale, r.Solution.RMSPx)}
	for _, t := range ev.Residuals {
		residuals.Paths = append(residuals.Paths, arrow(t.At, scaled(t.Off, residualScale), 12*v.Scale))
	}
	places := overlay{ID: "places", Name: "places to look at"}
	for i, p := range ev.Places {
		places.Paths = append(places.Paths, rectPath(p.Rect))
		places.Labels = append(places.Labels, label{X: float64(p.At.X), Y: float64(p.At.Y), Text: fmt.Sprint(i + 1)})
	}
	v.Overlays = []overlay{outlines, seams, crops, residuals, light, places}
}

// arrow is a line with a head.
func arrow(from, by geom.Pt, head float64) string {
	to := geom.Pt{X: from.X + by.X, Y: from.Y + by.Y}
	n := by.Norm()
	if !(n > 0) {
		return fmt.Sprintf("M%.1f %.1fh.1", from.X, from.Y)
	}
	h := math.Min(head/2, n/2)
	u := scaled(by, h/n)
	side := geom.Pt{X: -u.Y * 0.6, Y: u.X * 0.6}
	back := to.Sub(u)
	return fmt.Sprintf("M%.1f %.1fL%.1f %.1fM%.1f %.1fL%.1f %.1fL%.1f %.1f", from.X, from.Y, to.X, to.Y,
		back.X+side.X, back.Y+side.Y, to.X, to.Y, back.X-side.X, back.Y-side.Y)
}

func scaled(p geom.Pt, k float64) geom.Pt { return geom.Pt{X: k * p.X, Y: k * p.Y} }

func (r Run) frames(v *runView) {
	for i := range r.Evidence.Frames {
		f := &r.Evidence.Frames[i]
		yaw, pitch, roll := r.Solution.Frames[f.Index].Camera().CamFromWorld.YawPitchRoll()
		v.Frames = append(v.Frames, frameView{
			fmt.Sprint(i + 1), r.name(f.Index), degrees(yaw), degrees(pitch), degrees(roll),
			fmt.Sprintf("%+.2f EV", f.GainEV), fmt.Sprintf("%.2f %%", 100*f.White), fmt.Sprintf("%.0f %%", 100*f.Share),
		})
	}
	for i := range r.Solution.Frames {
		if !r.Solution.Frames[i].Placed {
			v.LeftOut = append(v.LeftOut, r.name(i))
		}
	}
	for _, p := range r.Solution.Pairs {
		v.Pairs = append(v.Pairs, pairView{
			r.name(p.A) + " – " + r.name(p.B), string(p.Verdict), fmt.Sprintf("%.0f %%", 100*p.Overlap),
			fmt.Sprintf("%d of %d", p.Inliers, p.Matches), fmt.Sprintf("%.2f px", p.RMSPx), p.Verdict != stitch.Joined,
		})
	}
}

func degrees(a geom.Angle) string { return Signed("%+.2f°", a.Degrees()) }

// row draws the frames by direction.
func (r Run) row() plot {
	var d rowDrawing
	for i := range r.Evidence.Frames {
		cam := r.Solution.Frames[r.Evidence.Frames[i].Index].Camera()
		yaw, pitch, _ := cam.CamFromWorld.YawPitchRoll()
		d.add(yaw, pitch, func(u, v float64) (geom.Vec, bool) {
			return cam.WorldFromPixel(geom.Pt{X: u * float64(cam.Width), Y: v * float64(cam.Height)})
		})
	}
	view, err := r.Solution.Output.View()
	if err != nil || view.WrapPx > 0 {
		return d.plot("Degrees to the right of the middle, and above the horizon.")
	}
	b := view.Rect
	corners := [5]image.Point{b.Min, {X: b.Max.X, Y: b.Min.Y}, b.Max, {X: b.Min.X, Y: b.Max.Y}, b.Min}
	for k := range 4 {
		for s := range 40 {
			t := float64(s) / 40
			ray, ok := view.RayAt(float64(corners[k].X)+t*float64(corners[k+1].X-corners[k].X), float64(corners[k].Y)+t*float64(corners[k+1].Y-corners[k].Y))
			if ok {
				d.crop = append(d.crop, direction(ray))
			}
		}
	}
	return d.plot("Degrees to the right of the middle, and above the horizon. The dashed line is what the picture shows.")
}

func (r Run) light(v *runView) {
	l, ev := &r.Solution.Light, r.Evidence
	say := func(format string, a ...any) { v.Light = append(v.Light, fmt.Sprintf(format, a...)) }
	if l.Samples > 0 {
		say("Where the frames overlap they differed by %.1f %% of the light, and by %.1f %% now.", l.BeforePercent, l.AfterPercent)
	}
	for _, p := range l.Parts {
		switch p {
		case "vignetting":
			say("The corners had lost %.2f stops.", l.CornerStops)
		case "tone":
			say("The camera's tone curve is allowed for.")
		case "field":
			say("A slow change of light of up to %.0f %% within a frame is taken up.", l.FieldPercent)
		}
	}
	say("White without detail: %.2f %% of the picture. Black: %.2f %%.", 100*ev.White, 100*ev.Black)
	v.Levels = levelsPlot(&ev.Levels)
}

// levelsPlot draws how often each level of red, green and blue occurs. Lines differ
// by their dashes too.
func levelsPlot(levels *[3][64]float64) plot {
	const w, h, left, top, bottom = 480, 190, 10, 8, 26
	most := 0.0
	for c := range levels {
		for i := 1; i < 63; i++ {
			most = max(most, levels[c][i])
		}
	}
	p := plot{W: w, H: h, Alt: "How often each level of red, green and blue occurs in the picture", Note: "Share of the picture at each level, from black to white (0 to 255): red a full line, green dashed, blue dotted. The ends are cut off where light is lost."}
	p.Lines = append(p.Lines, plotLine{"axis", left, h - bottom, w - left, h - bottom})
	for _, at := range []int{0, 64, 128, 192, 255} {
		x := left + float64(at)/255*(w-2*left)
		p.Lines = append(p.Lines, plotLine{"grid", x, top, x, h - bottom})
		p.Labels = append(p.Labels, label{X: min(max(x, 14), w-14), Y: h - 8, Text: fmt.Sprint(at)})
	}
	for c, look := range []curve{{Colour: "#d0543a"}, {Colour: "#5d8f2f", Dash: "7 3"}, {Colour: "#3f86c8", Dash: "2 3"}} {
		line := make([]geom.Pt, 0, 64)
		for i, v := range levels[c] {
			line = append(line, geom.Pt{
				X: left + (float64(i)+0.5)/64*(w-2*left),
				Y: h - bottom - math.Min(1, v/max(most, 1e-9))*(h-bottom-top),
			})
		}
		look.D = path(line, false)
		p.Curves = append(p.Curves, look)
	}
	return p
}

func (r Run) resolution(v *runView) {
	ev := r.Evidence
	least, most := math.Inf(1), math.Inf(-1)
	for _, s := range ev.Resolution {
		if s > 0 {
			least, most = min(least, s), max(most, s)
		}
	}
	out := &r.Solution.Output
	minute := 60 * geom.Angle(1/out.PxPerRadian).Degrees()
	v.ResolutionText = fmt.Sprintf("%.0f pixels a degree in the middle: %.2f minutes of arc a pixel. Into a pixel of the picture go %.2f to %.2f pixels of a frame along a side: below 1 it is stretched, above 1 the frame had more.",
		out.PxPerRadian*math.Pi/180, minute, least, most)
	cols := ev.ResolutionWidth
	rows := len(ev.Resolution) / max(1, cols)
	const w = 480
	side := float64(w) / float64(cols)
	p := plot{W: w, H: int(side*float64(rows)) + 34, Alt: fmt.Sprintf("Resolution over the picture, from %.2f to %.2f pixels of a frame for a pixel", least, most), Note: "Pixels of a frame along a side of a pixel of the picture."}
	for i, s := range ev.Resolution {
		if s > 0 {
			p.Cells = append(p.Cells, plotCell{round2(float64(i%cols) * side), round2(float64(i/cols) * side), round2(side + 0.3), round2(side + 0.3), sandToSea((s - least) / max(most-least, 1e-9))})
		}
	}
	y := side*float64(rows) + 8
	for k := range 24 {
		p.Cells = append(p.Cells, plotCell{float64(k) * 10, round2(y), 10, 10, sandToSea(float64(k) / 23)})
	}
	p.Labels = append(p.Labels, label{X: 20, Y: round2(y + 24), Text: fmt.Sprintf("%.2f", least)}, label{X: 220, Y: round2(y + 24), Text: fmt.Sprintf("%.2f", most)})
	v.Resolution = p
}

func round2(v float64) float64 { return math.Round(100*v) / 100 }

// sandToSea is a colour between that of sand, for 0, and that of the sea.
func sandToSea(t float64) string {
	a, b := [3]float64{226, 205, 150}, [3]float64{24, 84, 116}
	return fmt.Sprintf("#%02x%02x%02x", int(a[0]+t*(b[0]-a[0])), int(a[1]+t*(b[1]-a[1])), int(a[2]+t*(b[2]-a[2])))
}

// prints are the sizes on paper.
func prints(width, height int) (out []printView) {
	for _, ppi := range []float64{360, 300, 240, 180, 120} {
		w, h := plan.PrintCM(float64(width), ppi), plan.PrintCM(float64(height), ppi)
		p := printView{fmt.Sprintf("%.0f", ppi), fmt.Sprintf("%.1f × %.1f cm", w, h), fmt.Sprintf("%.0f cm", plan.DistanceCM(ppi, plan.Acuity)), "–"}
		if sheet, ok := plan.LargestSheet(float64(width), float64(height), ppi); ok {
			p.Sheet = sheet
		}
		out = append(out, p)
	}
	return out
}
