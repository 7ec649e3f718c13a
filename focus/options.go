package focus

import (
	"errors"
	"fmt"
	"math"
)

// Options are the settings of [Align] and [Merge]. The zero value is the default.
type Options struct {
	// KeepOrder says that the slices are given in the order of their focus,
	// from near to far or back; by default that is found from the pictures.
	KeepOrder bool
	// Like, if not nil, is the plan of another bracket of the same row, shot
	// with the same steps of focus: with as many slices, their order is taken
	// from it, and poses are searched from its own.
	Like *Plan
	// Workers is the number of goroutines; zero means one a processor. The
	// result is the same for any number.
	Workers int
	// Progress, if not nil, is told how far a stage has come, 0 to 1.
	Progress func(stage string, done float64)
}

// The bounds of the number of slices.
const minSlices, maxSlices = 2, 40

// Errors about the set of slices; test with errors.Is. The text of the error that wraps
// them names the slices and the remedy.
var (
	// ErrSlices: too few or too many, or of different size or colour.
	ErrSlices = errors.New("these are no slices of one bracket")
	// ErrNotOneView: a slice does not show what its neighbours show.
	ErrNotOneView = errors.New("the slices of the bracket are not one view")
)

// Validate reports the first field out of range.
func (o Options) Validate() error {
	if o.Workers < 0 {
		return fmt.Errorf("focus: Workers %d is negative", o.Workers)
	}
	return nil
}

func (o Options) stage(name string) func(done float64) {
	if o.Progress == nil {
		return func(float64) {}
	}
	o.Progress(name, 0)
	return func(done float64) { o.Progress(name, math.Min(done, 1)) }
}
