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

// stages are what a run goes through, what it is called while it lasts, and
// its usual share of the time in thousandths: measured on six frames of 26
// megapixels on two cores, so that the time left is about right.
var stages = []struct {
	name, words string
	share       float64
}{
	{"render", "rendering frames", barLength}, // of the demo, a run of its own
	{"find corners", "finding details", 250},
	{"match", "matching frames", 60},
	{"refine", "measuring joins", 170},
	{"level and light", "levelling", 40},
	{"read", "reading frames", 120},
	{"seams", "choosing seams", 60},
	{"blend", "blending", 220},
	{"write", "writing", 80},
}

// barLength is the bar's number of steps.
const barLength = 1000

// plainEvery is how often a stage without a bar says how far it is.
const plainEvery = 10 * time.Second

// progress shows how far a run is: a bar on a terminal, lines elsewhere,
// nothing if quiet. It uses no colour.
type progress struct {
	mu    sync.Mutex
	w     io.Writer // nil if quiet
	bar   *progressbar.ProgressBar
	name  string
	lined time.Time
}

func newProgress(w io.Writer, quiet bool) *progress {
	p := &progress{}
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

// stage is the callback of package stitch: a stage has come as far as done, 0
// to 1.
func (p *progress) stage(name string, done float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.w == nil {
		return
	}
	words, before, share := name, 0.0, 0.0
	for _, s := range stages {
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
