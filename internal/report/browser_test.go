package report

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"image"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"flatfell.example/card"
	"flatfell.example/focus"
	"flatfell.example/geom"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/plan"
	"flatfell.example/raster"
	"flatfell.example/stitch"
)

// browser opens a page from disk in a browser without a window. Whatever the page
// complains of or fetches is an error of the test.
func browser(t *testing.T, page []byte) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" || testing.Short() {
		t.Skip("needs a browser, and some seconds")
	}
	file := filepath.Join(t.TempDir(), "page.html")
	if err := os.WriteFile(file, page, 0o666); err != nil {
		t.Fatal(err)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU)
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 3*time.Minute) // a browser that hangs
	t.Cleanup(cancel)
	var mu sync.Mutex
	var amiss []string
	say := func(format string, a ...any) {
		mu.Lock()
		defer mu.Unlock()
		amiss = append(amiss, fmt.Sprintf(format, a...))
	}
	if err := chromedp.Do(ctx); err != nil { // opens it, so that nothing is missed
		t.Fatal(err)
	}
	err := chromedp.Listen(ctx, func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			say("exception: %s", e.ExceptionDetails.Text)
		case *runtime.EventConsoleAPICalled:
			say("console: %s %v", e.Type, e.Args)
		case *cdplog.EventEntryAdded:
			say("log: %s %s %s", e.Entry.Level, e.Entry.Text, e.Entry.URL)
		case *network.EventRequestWillBeSent:
			if u := e.Request.URL; !strings.HasPrefix(u, "data:") && u != "file://"+file {
				say("fetched %.200s", u)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		mu.Lock()
		defer mu.Unlock()
		for _, a := range amiss {
			t.Error(a)
		}
	})
	_, err = chromedp.Call(ctx, network.Enable, network.EnableParams{})
	if err == nil {
		_, err = chromedp.Call(ctx, cdplog.Enable, cdp.Empty{})
	}
	if err == nil {
		err = chromedp.Do(ctx, chromedp.EmulateViewport(1600, 1000), chromedp.Navigate("file://"+file))
	}
	if err != nil {
		t.Fatal(err)
	}
	return ctx
}

// eval evaluates a script.
func eval[T any](t *testing.T, ctx context.Context, script string) (v T) {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", script, err)
	}
	return v
}

// faint lists texts whose contrast with what is behind them is below 4.5 to 1, as
// WCAG 2.2 (1.4.3) counts it. Text on pictures has an outline of its own.
const faint = `(() => {
  const rgb = s => (s.match(/[\d.]+/g) || [0,0,0,0]).map(Number);
  const lum = c => { const f = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; return 0.2126 * f(c[0]) + 0.7152 * f(c[1]) + 0.0722 * f(c[2]); };
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; n = walk.nextNode();) {
    if (!n.data.trim()) continue;
    let e = n.parentElement, st = getComputedStyle(e);
    if (e.closest("script,style,.sheet") || st.display === "none" || !e.getClientRects().length) continue;
    let fg = rgb(e.closest("svg") ? st.fill : st.color), bg = [255, 255, 255];
    for (let p = e; p; p = p.parentElement) { const c = rgb(getComputedStyle(p).backgroundColor); if (c.length < 4 || c[3] > 0.99) { bg = c; break; } }
    const a = lum(fg), b = lum(bg), k = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (k < 4.5) out.push(n.data.trim().slice(0, 40) + " " + k.toFixed(2));
  }
  return out;
})()`

// checkLooks checks a page at the widths of a phone and a desk, in light and dark.
func checkLooks(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int64{390, 1600} {
			_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
			})
			if err == nil {
				err = chromedp.Do(ctx, chromedp.EmulateViewport(width, 900))
			}
			if err != nil {
				t.Fatal(err)
			}
			if wide := eval[int64](t, ctx, `document.documentElement.scrollWidth`); wide > width {
				t.Errorf("%s, %d pixels wide: the page is %d", scheme, width, wide)
			}
			for _, f := range eval[[]string](t, ctx, faint) {
				t.Errorf("%s, %d pixels wide: too faint: %s", scheme, width, f)
			}
			if dir := os.Getenv("FLATFELL_SCREENSHOTS"); dir != "" { // to look at
				png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%s-%d.png", name, scheme, width)), png, 0o666); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// flawedRun joins a row in which something moved, with hostile names.
func flawedRun(t *testing.T) Run {
	t.Helper()
	row := scene.Row{Frames: 3, Width: 300, Height: 450, Seed: 2, ExposureEV: 0.3, VignettingStops: 1, Noise: 0.005}
	coast := scene.New(row.Seed, scene.Options{})
	truth := coast.Plan(row)
	var frames []*stitch.Frame
	for i := range truth.Frames {
		pic, err := coast.Frame(t.Context(), 0, &truth, i)
		if err != nil {
			t.Fatal(err)
		}
		if i == 1 {
			paint(pic, pic.Rect.Dx()-100, 250, 100, 30)
		}
		frames = append(frames, stitch.NewFrame(fmt.Sprintf(`dunes/<script>alert(%d)</script>"'&{{.}}.jpg`, i), scene.Encode8(pic)))
	}
	sol, err := stitch.Align(t.Context(), frames, stitch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	sol.Output.Bits, sol.Output.File = 8, `</title><img src=x onerror=alert(1)>.jpg`
	pic, err := stitch.Finish(t.Context(), sol, frames, stitch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer pic.Close()
	ev, err := stitch.Examine(t.Context(), sol, frames, pic, stitch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	sol.Advice = append(sol.Advice, "Look at <b>this</b>.")
	r := Run{Solution: sol, Evidence: ev, TileSide: 256, Command: []string{"flatfell", "stitch", `a'b <c>`}, Version: "1"}
	err = pic.Tiles(t.Context(), r.TileSide, 80, 0, func(column, line int, tile []byte) error {
		if column == 0 {
			r.Tiles = append(r.Tiles, nil)
		}
		r.Tiles[line] = append(r.Tiles[line], "data:image/jpeg;base64,"+base64.StdEncoding.EncodeToString(tile))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// paint fills a part of a picture.
func paint(pic *raster.Picture, x0, y0, w, h int) {
	for y := y0; y < y0+h; y++ {
		row := pic.Row(y)[3*x0:][:3*w]
		for i := range row {
			row[i] = [3]uint16{60000, 61000, 62000}[i%3]
		}
	}
}

// TestRunPage drives the page about a run in a browser.
func TestRunPage(t *testing.T) {
	if testing.Short() {
		t.Skip("joins a row")
	}
	r := flawedRun(t)
	var page strings.Builder
	if _, err := r.WriteTo(&page); err != nil {
		t.Fatal(err)
	}
	s := page.String()
	for _, bad := range []string{"<script>alert", "<img src=x", "<b>this", "ZgotmplZ"} {
		if strings.Contains(s, bad) {
			t.Errorf("the page holds %s", bad)
		}
	}
	for _, want := range []string{"px", "°", "EV", "%", "megapixels", "cm", `flatfell stitch &#39;a&#39;\&#39;&#39;b &lt;c&gt;&#39;`} {
		if !strings.Contains(s, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	var again strings.Builder
	if _, err := r.WriteTo(&again); err != nil || again.String() != s {
		t.Errorf("written again it differs (error %v)", err)
	}
	if len(r.Evidence.Places) == 0 {
		t.Fatal("nothing stands out in a flawed row")
	}

	ctx := browser(t, []byte(s))
	for _, id := range eval[[]string](t, ctx, `[...document.querySelectorAll("[data-layer]")].map(b => b.dataset.layer)`) {
		shown := func() bool {
			return eval[bool](t, ctx, `getComputedStyle(document.getElementById("layer-`+id+`")).display !== "none"`)
		}
		if n := eval[int](t, ctx, `document.getElementById("layer-`+id+`").childElementCount`); n == 0 {
			t.Errorf("layer %s is empty", id)
		}
		before := shown()
		eval[chromedp.Void](t, ctx, `document.getElementById("show-`+id+`").click()`)
		if shown() == before {
			t.Errorf("layer %s does not switch", id)
		}
	}
	for i := range r.Evidence.Places {
		if err := chromedp.Do(ctx, chromedp.Click(chromedp.CSS(fmt.Sprintf(`[data-place="%d"]`, i))), chromedp.WaitVisible(chromedp.ID("look-img"))); err != nil {
			t.Fatal(err)
		}
		if !eval[bool](t, ctx, `(async () => { const m = document.getElementById("look-img"); await m.decode(); return m.naturalWidth > 0 && m.clientWidth * devicePixelRatio === m.naturalWidth && document.getElementById("look-text").textContent.startsWith("`+fmt.Sprint(i+1)+` of") })()`) {
			t.Errorf("place %d does not open at 1:1", i)
		}
		if err := chromedp.Do(ctx, chromedp.Click(chromedp.ID("look-go"))); err != nil {
			t.Fatal(err)
		}
		if !eval[bool](t, ctx, `(async () => { const ts = [...document.querySelectorAll(".tile")]; await Promise.all(ts.map(m => m.decode())); return ts.length > 0 && ts.every(m => Math.abs(m.getBoundingClientRect().width * devicePixelRatio - m.naturalWidth) < 0.01) && !document.getElementById("look").open })()`) {
			t.Errorf("the picture does not show place %d at 1:1", i)
		}
	}
	// The whole again, by the keyboard.
	if err := chromedp.Do(ctx, chromedp.Focus(chromedp.ID("stage")), chromedp.KeyEvent("0")); err != nil {
		t.Fatal(err)
	}
	if got := eval[float64](t, ctx, `document.getElementById("sheet").getBoundingClientRect().width - document.getElementById("stage").clientWidth`); got > 1 {
		t.Errorf("all of the picture is %g pixels too wide", got)
	}
	clip := func(v int) string {
		return eval[string](t, ctx, fmt.Sprintf(`(() => { const s = document.getElementById("slider"); s.value = %d; s.dispatchEvent(new Event("input")); return document.getElementById("before").style.clipPath + document.getElementById("edge").style.left })()`, v))
	}
	if a, b := clip(20), clip(70); a == b || !strings.Contains(b, "30%") {
		t.Errorf("the slider makes %q and %q", a, b)
	}
	if !eval[bool](t, ctx, `(async () => { const m = document.getElementById("before"); await m.decode(); return m.naturalWidth > 0 })()`) {
		t.Error("the frame as it came is not shown")
	}
	// On paper the whole picture is as wide as the page, and its overlays lie on it.
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
	if err != nil {
		t.Fatal(err)
	}
	if !eval[bool](t, ctx, `(() => { const b = e => e.getBoundingClientRect(), s = b(document.getElementById("stage")), o = b(document.getElementById("over")), m = b(document.querySelector("#sheet > img")); return m.width > 0.9 * s.width && m.width <= s.width && m.height > 0.9 * s.height && Math.abs(o.width - m.width) < 1 && Math.abs(o.height - m.height) < 1 && !document.getElementById("fit").getClientRects().length })()`) {
		t.Error("the picture does not print whole")
	}
	checkLooks(t, ctx, "run")
}

// TestOtherPages: the pages without a script, in the same browser.
func TestOtherPages(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	small := raster.NewPicture(image.Rect(0, 0, 16, 24))
	thumb, err := photo.JPEGBytes(t.Context(), small, 80)
	if err != nil {
		t.Fatal(err)
	}
	const hostile = `<img src=x onerror=alert(1)>'"&{{.}}-a-long-name-of-a-photograph-that-does-not-end-0123456789.jpg`
	row, err := plan.New(plan.Request{
		Camera: plan.Camera{FocalMM: 23, LongMM: 23.5, ShortMM: 15.6, LongPx: 6240, ShortPx: 4160, Portrait: true},
		Wish:   plan.Wish{Coverage: 120 * geom.Degree},
	})
	if err != nil {
		t.Fatal(err)
	}
	var sheet strings.Builder
	err = Sheet(t.Context(), &sheet, &card.Result{
		Shots: []card.Shot{{Files: []string{hostile}, Width: 160, Height: 240, Small: small}, {Files: []string{"2.jpg"}, Small: small}},
		Sets:  []card.Set{{Name: "01-row", Kind: card.Row, Positions: [][]int{{0}, {1}}, Overlaps: []float64{0.3}, Notes: []string{hostile}}},
	}, []string{"flatfell", "sort", hostile}, "1")
	if err != nil {
		t.Fatal(err)
	}
	pages := map[string]io.WriterTo{
		"sheet": strings.NewReader(sheet.String()),
		"plan":  Plan{Plan: row, Title: hostile, Command: []string{"flatfell", "plan", hostile}, Version: "1"},
		"check": Check{
			Report: &stitch.CheckReport{
				Verdict: stitch.Reshoot, FieldDeg: [2]float64{38, 54},
				Frames:   []stitch.CheckFrame{{File: hostile, YawDeg: -12}, {File: "2.jpg", YawDeg: 13, RollDeg: 2}},
				Pairs:    []stitch.CheckPair{{A: 0, B: 1, Verdict: stitch.Weak, Overlap: 0.34, TurnDeg: 25, Matches: 100, Inliers: 20, ExposureStops: 0.7}},
				Findings: []stitch.Finding{{Kind: stitch.FoundRoll, Frames: []int{1}, Reshoot: true, Text: hostile + " is rolled by 2°."}},
				Output:   &stitch.CheckOutput{Width: 9000, Height: 5000, WidthCM: 76, HeightCM: 42, LossPercent: 4},
			},
			Thumbnails: []Thumbnail{{thumb, 16, 24}, {thumb, 16, 24}}, Command: []string{"flatfell", "check", hostile}, Version: "1",
		},
		"stack": Stack{
			File: hostile, Width: 4000, Height: 6000, Names: []string{hostile, "b.jpg"},
			Plan:     &focus.Plan{Frames: []focus.Placed{{Index: 1, Share: 0.6, Gain: [3]float64{1, 1, 1}}, {Index: 0, Share: 0.4, Gain: [3]float64{1, 1, 1}}}, BlurPx: []float64{3}},
			Overview: Thumbnail{thumb, 16, 24}, From: Thumbnail{thumb, 16, 24}, Command: []string{"flatfell", "stack", hostile}, Version: "1",
		},
	}
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		t.Run(name, func(t *testing.T) {
			var page bytes.Buffer
			if _, err := pages[name].WriteTo(&page); err != nil {
				t.Fatal(err)
			}
			for _, bad := range []string{"<img src=x", "ZgotmplZ"} {
				if strings.Contains(page.String(), bad) {
					t.Errorf("the page holds %s", bad)
				}
			}
			ctx := browser(t, page.Bytes())
			if name == "stack" {
				over := func() string {
					return eval[string](t, ctx, `getComputedStyle(document.querySelector(".over")).opacity`)
				}
				before := over()
				eval[chromedp.Void](t, ctx, `document.getElementById("lay").click()`)
				if over() == before {
					t.Error("the evidence does not switch")
				}
			}
			checkLooks(t, ctx, name)
		})
	}
}
