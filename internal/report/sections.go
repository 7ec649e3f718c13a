package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
)

// sections is a page of one section below the other, for what needs no more.
type sections struct {
	Title, Lead, Strong string
	Notes               []note
	Sections            []section
	// Command is what was typed, Version the program's.
	Command, Version string
}

type section struct {
	Title, Aside string
	Notes        []note
	Text         []string
	Plot         *plot
	Picture      *laid
	Groups       []group
	Table        *grid
	Facts        []fact
	Steps        []step
}

// note is a sentence that stands out; a bad one calls for something.
type note struct {
	Mark, Text string
	Bad        bool
}

// laid is a picture over which another can be laid.
type laid struct {
	URL, Over template.URL
	W, H      int
	Alt       string
}

// group is pictures that belong together, and what comes between them and the next.
type group struct {
	Pictures []captioned
	Then     string
}

type captioned struct {
	URL          template.URL
	W, H         int
	Alt, Caption string
}

// grid is a table; its first column names the rows.
type grid struct {
	Head []string
	Rows [][]cell
}

type cell struct {
	Text string
	Bad  bool
}

type step struct{ Name, Text string }

// add adds a row of plain cells.
func (g *grid) add(texts ...string) {
	row := make([]cell, len(texts))
	for i, t := range texts {
		row[i].Text = t
	}
	g.Rows = append(g.Rows, row)
}

//go:embed sections.html
var sectionsHTML string

var sectionsPage = newPage("sections", sectionsHTML)

func (s *sections) WriteTo(w io.Writer) (int64, error) {
	var b bytes.Buffer
	if err := sectionsPage.Execute(&b, s); err != nil {
		return 0, fmt.Errorf("report: %w", err)
	}
	return b.WriteTo(w)
}
