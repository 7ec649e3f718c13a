package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"strings"

	"flatfell.example/geom"
)

//go:embed card.html
var cardPage string

// cardTemplate fails at the start of the program, in every test, if the page is
// not well formed.
var cardTemplate = template.Must(template.New("card").Funcs(template.FuncMap{
	"points": func(pts []geom.Pt) string {
		var s []string
		for _, p := range pts {
			s = append(s, fmt.Sprintf("%.1f,%.1f", p.X, p.Y))
		}
		return strings.Join(s, " ")
	},
	"f":    func(v float64) string { return fmt.Sprintf("%.1f", v) },
	"plus": func(a, b float64) string { return fmt.Sprintf("%.1f", a+b) },
}).Parse(cardPage))

// browserType is by how much the text is smaller on paper than that of the
// PDF, as browsers choose wider fonts and larger gaps.
const browserType = 0.88

func (v *cardView) html() ([]byte, error) {
	page, err := v.page()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := cardTemplate.Execute(&b, struct {
		*cardView
		PrintSize template.CSS
	}{v, template.CSS(fmt.Sprintf("%.2fpt", browserType*page.size))}); err != nil {
		return nil, fmt.Errorf("report: card: %w", err)
	}
	return b.Bytes(), nil
}
