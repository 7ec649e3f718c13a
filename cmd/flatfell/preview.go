package main

import (
	"context"

	"github.com/disintegration/imaging"

	"flatfell.example/raster"
	"flatfell.example/stitch"
)

// previewWidth is the largest width of a preview, and previewHeight its
// largest height, in pixels: what a screen shows or a message carries.
const previewWidth, previewHeight = 2048, 2048

// writePreview writes a small JPEG copy of pic; what is transparent is black.
//
// A whole number of pixels is averaged first, down to no less than twice the
// final size, because imaging.Fit asks a picture of ours for one pixel at a
// time; that costs the result nothing visible.
func writePreview(ctx context.Context, path string, pic *stitch.Finished, origin *stitch.Origin, overwrite bool, workers int) error {
	w, h := pic.Size()
	averaged, err := pic.Shrink(ctx, max(1, min(w/(2*previewWidth), h/2)))
	if err != nil {
		return err
	}
	small, err := raster.FromImage(ctx, workers, imaging.Fit(averaged, previewWidth, previewHeight, imaging.Lanczos))
	if err != nil {
		return err
	}
	return stitch.WriteFile(ctx, path, small, stitch.WriteOptions{Quality: 88, Origin: origin, Overwrite: overwrite, Workers: workers})
}
