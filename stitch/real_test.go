package stitch

import (
	"errors"
	"testing"

	"flatfell.example/internal/photo"
	"flatfell.example/internal/shareddata"
)

// TestRealRows: every real row joins whole, and a pair whose camera moved
// (strong parallax) is refused.
func TestRealRows(t *testing.T) {
	if testing.Short() {
		t.Skip("reads full rows")
	}
	for _, c := range []struct {
		set  string
		join bool
	}{
		{"rows/arches-fin", true},
		{"rows/arches-ridge", true},
		{"rows/yosemite", true},
		{"rows/kayak", true},
		{"rows/goldengate-quarter", true},
		{"rows/petra-portrait-row", true},
		{"pairs/roofs-pair", false},
	} {
		files, err := photo.List([]string{shareddata.Dir(t, c.set, "frames")})
		if err != nil {
			t.Fatal(err)
		}
		var frames []*Frame
		for _, f := range files {
			frame, err := OpenFrame(f)
			if err != nil {
				t.Fatal(err)
			}
			frames = append(frames, frame)
		}
		_, err = Align(t.Context(), frames, Options{})
		if c.join && err != nil || !c.join && !errors.Is(err, ErrNotJoined) {
			t.Errorf("%s: %v, want joined %v", c.set, err, c.join)
		}
	}
}
