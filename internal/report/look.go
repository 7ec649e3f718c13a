package report

import (
	_ "embed"
	"encoding/base64"
	"html/template"
)

// lookCSS is the look that the pages have in common.
//
//go:embed look.css
var lookCSS string

// plotHTML draws a plot.
//
//go:embed plot.html
var plotHTML string

// newPage parses a page that may ask for the common look by {{template "look"}} and
// for a [plot] by {{template "plot" .}}. It
// fails at the start of the program, in every test, if the page is not well formed.
func newPage(name, page string) *template.Template {
	t := template.Must(template.New(name).Parse(page))
	template.Must(t.New("look").Parse(lookCSS))
	template.Must(t.New("plot").Parse(plotHTML))
	return t
}

// jpegURL holds a picture in the page. The bytes are ours: a JPEG that was just
// encoded.
func jpegURL(jpeg []byte) template.URL {
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(jpeg))
}
