package stitch_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"

	"flatfell.example/internal/scene"
	"flatfell.example/stitch"
)

// Join frames that are already in memory. Frames in files come from
// [stitch.OpenFrame], and [stitch.WriteFile] stores the picture.
func Example() {
	ctx := context.Background()
	left, right := twoPhotographs(ctx)

	frames := []*stitch.Frame{stitch.NewFrame("left", left), stitch.NewFrame("right", right)}
	sol, err := stitch.Align(ctx, frames, stitch.Options{})
	if err != nil {
		fmt.Println("these do not join:", err)
		return
	}
	pic, err := stitch.Render(ctx, sol, frames, stitch.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	var file bytes.Buffer
	if err := png.Encode(&file, pic); err != nil {
		fmt.Println(err)
		return
	}

	fmt.Println("verdict:", sol.Verdict)
	fmt.Println("wider than a frame:", pic.Bounds().Dx() > left.Bounds().Dx()*3/2)
	fmt.Println("PNG:", bytes.HasPrefix(file.Bytes(), []byte("\x89PNG")))
	// Output:
	// verdict: joined
	// wider than a frame: true
	// PNG: true
}

// twoPhotographs stands for your own photographs: it renders two.
func twoPhotographs(ctx context.Context) (left, right image.Image) {
	coast := scene.New(1, scene.Options{})
	row := coast.Plan(scene.Row{Frames: 2, Width: 300, Height: 450})
	var pics [2]image.Image
	for i := range pics {
		pic, err := coast.Frame(ctx, 0, &row, i)
		if err != nil {
			panic(err)
		}
		pics[i] = pic
	}
	return pics[0], pics[1]
}
