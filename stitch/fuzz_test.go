package stitch

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"testing"
	"time"

	"flatfell.example/geom"
)

// FuzzSolution: whatever a Solution file holds, it is refused, or it is read
// the same once written, and can be rendered or is refused then: without a
// panic, and without memory beyond what its frames ask for.
func FuzzSolution(f *testing.F) {
	sol := &Solution{Version: solutionVersion}
	for i := range 2 {
		f := FrameSolution{File: fmt.Sprintf("coast-%d.jpg", i), Width: 24, Height: 36, Placed: true, Gain: [3]float64{1, 1, 1}}
		f.setCamera(geom.Camera{
			FocalPx: 36, CentrePx: geom.Pt{X: 12, Y: 18}, CamFromWorld: geom.FromYawPitchRoll(geom.Angle(i)*0.4, 0, 0),
		})
		sol.Frames = append(sol.Frames, f)
	}
	var b bytes.Buffer
	if _, err := sol.WriteTo(&b); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Add([]byte(`{"version":1,"frames":[{"file":"a","width":1,"height":1,"placed":true}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		sol, err := ReadSolution(bytes.NewReader(data))
		if err != nil {
			return
		}
		var once, twice bytes.Buffer
		if _, err := sol.WriteTo(&once); err != nil {
			t.Fatal(err)
		}
		again, err := ReadSolution(bytes.NewReader(once.Bytes()))
		if err != nil {
			t.Fatalf("read once, but not again: %v", err)
		}
		if _, err := again.WriteTo(&twice); err != nil || !bytes.Equal(once.Bytes(), twice.Bytes()) {
			t.Fatalf("%s\nreads\n%s\n%v", &once, &twice, err)
		}
		var frames []*Frame
		for i := range sol.Frames {
			s := &sol.Frames[i]
			if s.Width < 1 || s.Height < 1 || s.Width > 64 || s.Height > 64 || len(sol.Frames) > 4 {
				return
			}
			pic := image.NewGray(image.Rect(0, 0, s.Width, s.Height))
			for k := range pic.Pix {
				pic.Pix[k] = color.Gray{uint8(16 * k)}.Y
			}
			frames = append(frames, NewFrame(s.File, pic))
		}
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		pic, err := Finish(ctx, sol, frames, Options{Workers: 1, Memory: 64 << 20, TempDir: t.TempDir()})
		if ctx.Err() != nil {
			t.Fatalf("%s\ntakes longer than any row of such frames", &once)
		}
		if err != nil {
			return
		}
		if err := pic.Close(); err != nil {
			t.Fatal(err)
		}
	})
}
