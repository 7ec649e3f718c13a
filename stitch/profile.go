package stitch

import (
	"fmt"
	"math"
	"path/filepath"

	"flatfell.example/blend"
	"flatfell.example/internal/photo"
)

// Transfer returns the curve between the frame's samples and linear light: that
// of its profile, or nil, which stands for sRGB's, if it has none that is usable.
func (f *Frame) Transfer() *blend.Transfer {
	f.once.Do(func() {
		decode, ok := f.profile().Curve()
		if ok && !isSRGB(decode) {
			f.transfer = blend.NewTransfer(decode)
		}
	})
	return f.transfer
}

// profile returns the parsed profile, nil if there is none.
func (f *Frame) profile() *photo.Profile {
	if f.Profile == nil {
		return nil
	}
	p, err := photo.ParseProfile(f.Profile)
	if err != nil { // only if the caller made the frame
		return nil
	}
	return p
}

// isSRGB reports whether a curve is sRGB's in the precision of profiles.
func isSRGB(decode func(float64) float64) bool {
	for i := range 257 {
		v := float64(i) / 256
		if !(math.Abs(decode(v)-blend.DecodeSRGB(v)) < 3e-5) {
			return false
		}
	}
	return true
}

// checkProfiles refuses frames of different colour profiles: their numbers
// mean different colours, and a gain can't mend that.
func checkProfiles(frames []*Frame) error {
	if len(frames) == 0 {
		return nil
	}
	kinds := []*photo.Profile{}
	kind := make([]int, len(frames)) // of each frame
	count := []int{}
	for i, f := range frames {
		p := f.profile()
		k := 0
		for k < len(kinds) && !kinds[k].Same(p) {
			k++
		}
		if k == len(kinds) {
			kinds, count = append(kinds, p), append(count, 0)
		}
		kind[i] = k
		count[k]++
	}
	most := 0
	for k := range kinds {
		if count[k] > count[most] {
			most = k
		}
	}
	var usual string
	for i, f := range frames {
		if kind[i] == most {
			usual = filepath.Base(f.Name)
			break
		}
	}
	for i, f := range frames {
		if kind[i] != most {
			return fmt.Errorf("%w: %s has %s, %s has %s; export all frames with one colour profile",
				ErrFrames, filepath.Base(f.Name), profileName(kinds[kind[i]]), usual, profileName(kinds[most]))
		}
	}
	return nil
}

// profileName says what to call a profile in a message.
func profileName(p *photo.Profile) string {
	switch {
	case p == nil:
		return "no colour profile"
	case p.Description == "":
		return "a colour profile without a name"
	}
	return fmt.Sprintf("the colour profile %q", p.Description)
}
