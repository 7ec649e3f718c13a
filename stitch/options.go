package stitch

import (
	"errors"
	"fmt"
	"slices"
	"sync"

	"flatfell.example/blend"
	"flatfell.example/geom"
	"flatfell.example/warp"
)

// Options are the settings of [Align] and [Render]. The zero value is the
// default.
type Options struct {
	// Surface is the name of the output surface, see warp.SurfaceNames; empty
	// means "cylinder". Plane keeps all straight lines straight but serves
	// narrow rows only; cylinder keeps verticals and the horizon straight.
	Surface string
	// Crop says which part of the covered area is written.
	Crop Crop
	// Level, if not nil, is how the middle frame was held, and overrides what
	// the row and the picture tell. It is for Align; of a Solution that is
	// there see [Solution.Hold].
	Level *Level
	// Centre, if not nil, is how far right of the row's middle the picture's
	// middle looks. It is for Align; of a Solution that is there see
	// [Solution.Face].
	Centre *geom.Angle
	// MaxWidth is the most pixels that the picture is wide; zero means as many
	// as the frames carry. Frames are reduced before anything else is done, so
	// that a small picture takes little time. It is for Render.
	MaxWidth int
	// FocalPx is the focal length in full-size pixels, if known better than
	// from the metadata; zero means not. It is refined from the pictures.
	FocalPx float64
	// Undistorted says that the frames are free of lens distortion, as many
	// cameras' own JPEG files are; none is then estimated. It steadies the
	// focal length of small or thinly overlapping frames, and bends the row
	// where it is not so.
	Undistorted bool
	// EyeM is the height in metres of the lens above the ground, which turns what
	// the pictures tell of distances into metres; zero means [UsualEyeM].
	EyeM float64
	// Keep lists places that the picture takes from a frame of the
	// photographer's choice, where that frame covers them.
	Keep []Keep
	// AllowMissing joins the largest group of frames that belong together and
	// leaves the others out, named in the Solution. By default a frame that
	// does not belong stops the run. One of another size always does, see
	// [OtherSize].
	AllowMissing bool
	// Workers is the number of goroutines; zero means one a processor. The
	// result is the same for any number.
	Workers int
	// Memory is how many bytes the pictures may take, about; zero means 640 MiB.
	// With less, frames are read again when they are needed again, and the
	// finished picture waits in a file. The result is the same. Less than some
	// frames need at a time is an error, [ErrMemory].
	Memory int64
	// Once says that the picture of [Finish] will be written once, and nothing else
	// done with it. If all frames fit into Memory, or lie in files of which parts
	// can be read, it is drawn from above to below while it is written, and never
	// held: [Finished.Write] then tells the progress and what goes wrong, and
	// needs the frames and the context of Finish; as many goroutines again encode.
	Once bool
	// TempDir is the folder for what has to wait in a file; empty means the system's.
	TempDir string
	// Seed selects the random stream of the robust search.
	Seed uint64
	// Progress, if not nil, is told how far a stage has come, 0 to 1, one call
	// at a time but from changing goroutines.
	Progress func(stage string, done float64)
	// Seams, if not nil, is given the frames that Render takes each part of
	// the picture from, as indices among those placed.
	Seams func(labels *blend.Labels)
}

// Keep is a round place of a frame that the picture is to take from it: the
// wave as it broke there, not as the next frame has it.
type Keep struct {
	// Frame is the frame's name, with or without its folder.
	Frame string
	// X and Y are its middle as shares of the frame's width and height, from
	// the top left corner, and Radius its radius as a share of the width.
	X, Y, Radius float64
}

// Level says how the middle frame was held: rolled clockwise as the
// photographer sees it, and pitched above the horizon.
type Level struct{ Roll, Pitch geom.Angle }

// Crop says which part of the covered area is written. The zero value is the
// largest rectangle that is covered throughout.
type Crop struct {
	// Whole writes everything that any frame covers, with transparency where
	// none does.
	Whole bool
	// AspectW and AspectH, if not zero, ask for the largest covered rectangle
	// of that shape, such as 5:2.
	AspectW, AspectH float64
	// OffsetX and OffsetY move such a rectangle right and down of the middle, as
	// shares of the width and height of all that the frames cover, as far as
	// there is room for it.
	OffsetX, OffsetY float64
}

// leastWidth is the least Options.MaxWidth: a picture that closes on itself is
// so many pixels wide at least, see closedGrain.
const leastWidth = closedGrain

// Validate reports the first setting that is out of range.
func (o Options) Validate() error {
	if _, err := o.surface(); err != nil {
		return err
	}
	c := o.Crop
	switch {
	case c.AspectW < 0 || c.AspectH < 0 || (c.AspectW == 0) != (c.AspectH == 0):
		return fmt.Errorf("stitch: crop shape %g:%g: both sides must be above zero", c.AspectW, c.AspectH)
	case c.AspectW > 0 && (c.AspectW > 100*c.AspectH || c.AspectH > 100*c.AspectW):
		return fmt.Errorf("stitch: crop shape %g:%g is beyond 100:1", c.AspectW, c.AspectH)
	case c.Whole && c.AspectW > 0:
		return errors.New("stitch: a crop is either whole or of a shape")
	case c.AspectW == 0 && (c.OffsetX != 0 || c.OffsetY != 0):
		return errors.New("stitch: an offset is for a crop of a shape: there is no other room for the largest")
	case !(c.OffsetX >= -1 && c.OffsetX <= 1 && c.OffsetY >= -1 && c.OffsetY <= 1):
		return errors.New("stitch: the offset of the crop must be within ±100 %")
	case o.Centre != nil && !(*o.Centre >= -180*geom.Degree && *o.Centre <= 180*geom.Degree):
		return errors.New("stitch: the centre must be within ±180°")
	case o.MaxWidth != 0 && o.MaxWidth < leastWidth:
		return fmt.Errorf("stitch: a width of %d pixels: give at least %d", o.MaxWidth, leastWidth)
	case o.Memory < 0:
		return errors.New("stitch: the memory is negative")
	case !(o.EyeM >= 0 && o.EyeM <= maxEyeM):
		return fmt.Errorf("stitch: an eye %g m above the ground: give 0 to %g", o.EyeM, float64(maxEyeM))
	case o.FocalPx < 0:
		return errors.New("stitch: the focal length is negative")
	case slices.ContainsFunc(o.Keep, func(k Keep) bool {
		return !(k.X >= 0 && k.X <= 1 && k.Y >= 0 && k.Y <= 1 && k.Radius > 0 && k.Radius <= 1)
	}):
		return errors.New("stitch: keep: the middle must lie in the frame and the radius be above zero and at most the frame's width")
	case o.Level != nil && (max(o.Level.Roll, -o.Level.Roll) > 90*geom.Degree || max(o.Level.Pitch, -o.Level.Pitch) > 80*geom.Degree):
		return errors.New("stitch: level: roll must be within ±90° and pitch within ±80°")
	}
	return nil
}

func (o Options) surface() (warp.Surface, error) {
	if o.Surface == "" {
		return warp.Cylinder, nil
	}
	return warp.SurfaceByName(o.Surface)
}

// UsualEyeM is the height in metres of a camera on a tripod (common practice).
const UsualEyeM = 1.5

// maxEyeM bounds Options.EyeM: from a tower, nothing is near.
const maxEyeM = 100

func (o Options) eyeM() float64 {
	if o.EyeM == 0 {
		return UsualEyeM
	}
	return o.EyeM
}

func (o Options) memory() int64 {
	if o.Memory == 0 {
		return defaultMemory
	}
	return o.Memory
}

// radialTerms returns n, the number of radial terms to free, or none for
// frames without distortion.
func (o Options) radialTerms(n int) int {
	if o.Undistorted {
		return 0
	}
	return n
}

// stage returns the progress function of one stage, serialised.
func (o Options) stage(name string) func(float64) {
	if o.Progress == nil {
		return func(float64) {}
	}
	var mu sync.Mutex
	var last float64
	o.Progress(name, 0)
	return func(done float64) {
		mu.Lock()
		defer mu.Unlock()
		if done >= last {
			last = done
			o.Progress(name, done)
		}
	}
}
