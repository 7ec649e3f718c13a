package report

import (
	"bytes"
	"errors"
	"fmt"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// The sheet is A6 of ISO 216, in millimetres.
const (
	pdfWidth, pdfHeight = 105, 148
	pdfMargin           = 5
	inner               = pdfWidth - 2*pdfMargin
	// pointMM is a typographic point.
	pointMM = 25.4 / 72
	// drawnMM is the largest height of the drawing.
	drawnMM = 28
)

// pdf writes the card as one page of A6.
func (v *cardView) pdf() ([]byte, error) {
	p, err := v.page()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := p.out.Output(&b); err != nil {
		return nil, fmt.Errorf("report: card: %w", err)
	}
	return b.Bytes(), nil
}

// page lays the card out in the largest type with which it fits.
func (v *cardView) page() (*pdfPage, error) {
	for size := 7.6; size >= 4.5; size -= 0.2 {
		p := newPDFPage(size)
		if p.card(v); p.y <= pdfHeight-pdfMargin {
			return p, nil
		}
	}
	return nil, errors.New("report: the card has more text than a page holds; shorten the title, or plan fewer focus slices")
}

// pdfPage is a page that is filled from the top.
type pdfPage struct {
	out  *fpdf.Fpdf
	size float64 // of the text in points
	y    float64 // millimetres from the top
}

func newPDFPage(size float64) *pdfPage {
	out := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: pdfWidth, Ht: pdfHeight}})
	// The same plan gives the same bytes: no clock, no order of a map.
	out.SetCatalogSort(true)
	epoch := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	out.SetCreationDate(epoch)
	out.SetModificationDate(epoch)
	out.SetProducer("flatfell", true)
	out.SetAutoPageBreak(false, 0)
	// The Go fonts are in the program, so that the card looks the same
	// everywhere, and has the signs that a PDF's own fonts lack.
	out.AddUTF8FontFromBytes("card", "", goregular.TTF)
	out.AddUTF8FontFromBytes("card", "B", gobold.TTF)
	out.AddPage()
	return &pdfPage{out: out, size: size, y: pdfMargin}
}

// write puts a text from x on, in lines as wide as there is room, and moves
// down.
func (p *pdfPage) write(x float64, style string, scale float64, text string) {
	size := p.size * scale
	p.out.SetFont("card", style, size)
	step := size * pointMM * 1.2
	for _, line := range p.out.SplitText(text, pdfWidth-pdfMargin-x) {
		p.out.Text(x, p.y+size*pointMM*0.95, line)
		p.y += step
	}
}

func (p *pdfPage) gap(lines float64) { p.y += lines * p.size * pointMM }

func (p *pdfPage) card(v *cardView) {
	if v.Title != "" {
		p.write(pdfMargin, "", 1, v.Title)
	}
	p.write(pdfMargin, "B", 1.7, v.Headline)
	p.write(pdfMargin, "", 1, v.Sub)
	p.gap(0.6)
	p.drawing(&v.Drawing)
	p.gap(0.6)
	for _, f := range v.Facts {
		p.labelled(f.Label, f.Text)
	}
	p.gap(0.6)
	for _, s := range v.Steps {
		const box = 0.8
		side := box * p.size * pointMM
		p.out.SetLineWidth(0.15)
		p.out.Rect(pdfMargin, p.y+0.2*p.size*pointMM, side, side, "D")
		p.labelled("    "+s.Name, s.Text)
	}
	p.gap(0.4)
	for _, m := range v.Mind {
		p.listed(m)
	}
	p.gap(0.4)
	for _, c := range v.Care {
		p.listed(c)
	}
}

// labelColumn is the width of the labels for text of a point.
const labelColumn = 1.75

// labelled writes a label and, beside it, a text.
func (p *pdfPage) labelled(label, text string) {
	top := p.y
	p.write(pdfMargin, "B", 1, label)
	below := p.y
	p.y = top
	p.write(pdfMargin+labelColumn*p.size, "", 1, text)
	p.y = max(p.y, below)
}

func (p *pdfPage) listed(text string) {
	top := p.y
	p.write(pdfMargin, "", 1, "–")
	p.y = top
	p.write(pdfMargin+0.5*p.size, "", 1, text)
}

// drawing draws the row to scale.
func (p *pdfPage) drawing(d *drawing) {
	k := min(inner/d.Width, drawnMM/d.Height)
	x0, y0 := pdfMargin+(inner-k*d.Width)/2, p.y
	p.out.SetLineWidth(0.2)
	p.out.SetDrawColor(47, 111, 143)
	p.out.SetFillColor(47, 111, 143)
	for _, f := range d.Frames {
		var pts []fpdf.PointType
		for _, q := range f.Outline {
			pts = append(pts, fpdf.PointType{X: x0 + k*q.X, Y: y0 + k*q.Y})
		}
		p.out.SetAlpha(0.22, "Normal")
		p.out.Polygon(pts, "F")
		p.out.SetAlpha(1, "Normal")
		p.out.Polygon(pts, "D")
	}
	p.out.SetDrawColor(163, 64, 31)
	p.out.SetLineWidth(0.4)
	p.out.SetDashPattern([]float64{1.5, 0.9}, 0)
	p.out.Rect(x0+k*d.Crop.X0, y0+k*d.Crop.Y0, k*d.Crop.Width(), k*d.Crop.Height(), "D")
	p.out.SetDashPattern(nil, 0)
	p.out.SetDrawColor(0, 0, 0)
	p.y += k * d.Height
	// Numbers and marks, as large as there is room between the frames.
	room := inner / float64(len(d.Frames))
	numbers, marks := min(10, room*1.6), p.size
	for _, f := range d.Frames {
		p.centred("B", numbers, x0+k*f.MiddleX, y0+k*d.HorizonY+numbers*pointMM*0.36, f.Number)
		p.centred("", marks, x0+k*f.MiddleX, p.y+marks*pointMM*1.1, f.Mark)
	}
	p.y += marks * pointMM * 1.3
}

func (p *pdfPage) centred(style string, size, x, y float64, text string) {
	p.out.SetFont("card", style, size)
	p.out.Text(x-p.out.GetStringWidth(text)/2, y, text)
}
