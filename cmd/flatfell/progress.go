package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// stage is a part of a run: what package stitch calls it, what it is called
// while it lasts, and its usual share of the time in thousandths.
type stage struct {
	name, words string
	share       float64
}

// stitchStages are the stages of joining a row. The shares were measured on
// six frames of 26 megapixels on two cores, so that the time left is about
// right. A picture is mostly written while it is blended.
var stitchStages = []stage{
	{"find corners", "finding details", 316},
	{"match", "matching frames", 58},
	{"refine", "measuring joins", 112},
	{"level and light", "levelling", 75},
	{"read", "reading frames", 51},
	{"seams", "choosing seams", 85},
	{"blend", "blending", 289},
	{"write", "writing", 14},
}

// examineStage follows them if there is a report; the bar is at its end then.
var examineStage = stage{"examine", "examining", 0}

// renderStages are those of rendering again, where reading has to decode.
var renderStages = []stage{
	{"read", "reading frames", 350},
	{"seams", "choosing seams", 140},
	{"blend", "blending", 490},
	{"write", "writing", 20},
}

// demoStages are those of photographing the demonstration.
var demoStages = []stage{{"render", "rendering frames", barLength}}

// barLength is the bar's number of steps.
const barLength = 1000

// plainEvery is how often a stage without a bar says how far it is.
const plainEvery = 10 * time.Second

// progress shows how far a run is: a bar on a terminal, lines elsewhere,
// nothing if quiet. It uses no colour.
type progress struct {
	stages []stage
	mu     sync.Mutex
	w      io.Writer // nil if quiet
	bar    *progressbar.ProgressBar
	name   string
	lined  time.Time
}

func newProgress(w io.Writer, quiet bool, stages []stage) *progress {
	p := &progress{stages: stages}
	if quiet {
		return p
	}
	p.w = w
	if f, ok := w.(*os.File); ok && os.Getenv("TERM") != "dumb" && term.IsTerminal(int(f.Fd())) {
		p.bar = progressbar.NewOptions(barLength,
			progressbar.OptionSetWriter(w),
			progressbar.OptionSetWidth(30),
			progressbar.OptionSetPredictTime(true),
			progressbar.OptionThrottle(100*time.Millisecond),
			progressbar.OptionClearOnFinish(),
		)
	}
	return p
}

// report is the callback of package stitch: a stage has come as far as done, 0
// to 1.
func (p *progress) report(name string, done float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.w == nil {
		return
	}
	words, before, share := name, 0.0, 0.0
	for _, s := range p.stages {
		if s.name == name {
			words, share = s.words, s.share
			break
		}
		before += s.share
	}
	if p.bar != nil {
		if name != p.name {
			p.bar.Describe(fmt.Sprintf("%-16s", words))
		}
		p.name = name
		// The bar is a nicety: a terminal that is gone stops no work.
		_ = p.bar.Set(min(int(before+share*done), barLength-1))
		return
	}
	switch now := time.Now(); {
	case name != p.name:
		fmt.Fprintf(p.w, "flatfell: %s\n", words)
		p.name, p.lined = name, now
	case now.Sub(p.lined) >= plainEvery && done < 1:
		fmt.Fprintf(p.w, "flatfell: %s, %.0f %%\n", words, 100*done)
		p.lined = now
	}
}

// note says what a part of the run found, on a line of its own.
func (p *progress) note(found string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.w == nil {
		return
	}
	if p.bar != nil {
		_ = p.bar.Clear()
	}
	fmt.Fprintf(p.w, "flatfell: %s\n", found)
}

// end takes the bar away, so that what follows starts on a fresh line.
func (p *progress) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bar != nil {
		_ = p.bar.Finish()
		p.bar = nil
	}
	p.w = nil
}
