package report

import (
	"context"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"path/filepath"

	"flatfell.example/card"
)

// Sheet writes a contact sheet of a sorted card: each set under its name, a
// picture a shot, those of one position together.
func Sheet(ctx context.Context, w io.Writer, r *card.Result) error {
	page := sheetPage{Shots: len(r.Shots), Unread: r.Unread}
	for k := range r.Sets {
		s := &r.Sets[k]
		set := sheetSet{Name: s.Name, Kind: string(s.Kind), Notes: s.Notes, Direction: s.Direction}
		if s.Kind == card.Single { // all singles in one section, at the end
			p, err := sheetPosition(ctx, r, s.Positions[0])
			if err != nil {
				return err
			}
			page.Singles = append(page.Singles, p.Shots...)
			continue
		}
		for i, shots := range s.Positions {
			p, err := sheetPosition(ctx, r, shots)
			if err != nil {
				return err
			}
			set.Shots += len(p.Shots)
			if i < len(s.Overlaps) {
				p.Overlap = fmt.Sprintf("%.0f %%", 100*s.Overlaps[i])
			}
			set.Positions = append(set.Positions, p)
		}
		page.Sets = append(page.Sets, set)
	}
	return sheetTemplate.Execute(w, page)
}

type sheetPage struct {
	Shots   int
	Sets    []sheetSet
	Singles []sheetShot
	Unread  []card.Unread
}

type sheetSet struct {
	Name, Kind, Direction string
	Shots                 int
	Notes                 []string
	Positions             []position
}

type position struct {
	Shots []sheetShot
	// Overlap with the next position; empty for the last.
	Overlap string
}

type sheetShot struct {
	File, Title   string
	Image         template.URL
	Width, Height int
}

func sheetPosition(ctx context.Context, r *card.Result, shots []int) (p position, err error) {
	for _, i := range shots {
		s := &r.Shots[i]
		b, err := r.Thumbnail(ctx, i)
		if err != nil {
			return p, err
		}
		shot := sheetShot{
			File:  filepath.Base(s.Files[0]),
			Title: fmt.Sprintf("%s, %d × %d pixels", s.Files[0], s.Width, s.Height),
			// The bytes are ours: a JPEG that was just encoded.
			Image: template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(b)),
			Width: s.Small.Rect.Dx(), Height: s.Small.Rect.Dy(),
		}
		if len(s.Files) > 1 {
			shot.File += fmt.Sprintf(" +%d", len(s.Files)-1)
		}
		if !s.Time.IsZero() {
			shot.Title += s.Time.Format(", 15:04:05")
		}
		p.Shots = append(p.Shots, shot)
	}
	return p, nil
}

var sheetTemplate = template.Must(template.New("sheet").Parse(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>Contact sheet</title>
<style>
body { margin: 1.5rem; background: #f4f3ef; color: #1c1c1a; font: 15px/1.45 system-ui, sans-serif; }
h1 { font-size: 1.4rem; margin: 0 0 .3rem; }
h2 { font-size: 1.05rem; margin: 1.6rem 0 .4rem; border-top: 1px solid #b9b6ab; padding-top: .6rem; }
h2 small { font-weight: normal; color: #55534b; }
.set { display: flex; flex-wrap: wrap; align-items: flex-start; gap: .5rem; }
.position { display: flex; flex-wrap: wrap; gap: .15rem; padding: .2rem; background: #fff; border: 1px solid #cfccc2; }
.overlap { align-self: center; font-size: .8rem; color: #55534b; }
figure { margin: 0; }
figure img { display: block; background: #ddd; }
figcaption { max-width: 15rem; overflow-wrap: anywhere; font-size: .75rem; padding: .1rem .1rem 0; }
.note { margin: .2rem 0; }
.note::before { content: "! "; font-weight: bold; }
@media print { body { margin: 0; background: #fff; } h2, .position { break-inside: avoid; } h2 { break-after: avoid; } }
</style>
</head>
<body>
<h1>Contact sheet</h1>
<p>{{.Shots}} photographs, {{len .Sets}} sets, {{len .Singles}} single frames{{with .Unread}}, {{len .}} files that could not be read{{end}}.</p>
{{range .Sets}}
<section>
<h2>{{.Name}} <small>{{.Kind}}, {{len .Positions}} {{if eq (len .Positions) 1}}position{{else}}positions{{end}}, {{.Shots}} shots{{with .Direction}}, {{.}}{{end}}</small></h2>
{{range .Notes}}<p class="note">{{.}}</p>
{{end}}<div class="set">
{{range .Positions}}<div class="position">
{{range .Shots}}{{template "shot" .}}{{end}}</div>
{{with .Overlap}}<span class="overlap" title="overlap with the next">{{.}}</span>
{{end}}{{end}}</div>
</section>
{{end}}{{with .Singles}}
<section>
<h2>singles <small>{{len .}} frames that nothing else goes with</small></h2>
<div class="set">
{{range .}}<div class="position">{{template "shot" .}}</div>
{{end}}</div>
</section>
{{end}}{{with .Unread}}
<section>
<h2>not read</h2>
<ul>
{{range .}}<li>{{.File}}: {{.Why}}</li>
{{end}}</ul>
</section>
{{end}}</body>
</html>
{{define "shot"}}<figure><img src="{{.Image}}" width="{{.Width}}" height="{{.Height}}" alt="{{.Title}}" title="{{.Title}}" loading="lazy"><figcaption>{{.File}}</figcaption></figure>
{{end}}`))
