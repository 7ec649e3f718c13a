package card

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// Kind is what a set is.
type Kind string

// The kinds of sets.
const (
	// Row: the camera turned from frame to frame, which overlap.
	Row Kind = "row"
	// FocusBracket: one view, focused at several distances.
	FocusBracket Kind = "focus bracket"
	// BracketRow: a row that has a bracket of focus or exposure at each position.
	BracketRow Kind = "row of brackets"
	// Exposures: one view, exposed differently.
	Exposures Kind = "exposure variants"
	// Repeats: one view, exposed and focused alike, such as for the right wave.
	Repeats Kind = "repeats"
	// Single: nothing else on the card goes with it.
	Single Kind = "single"
)

// inName is the kind in the name of a set.
func (k Kind) inName() string { return strings.ReplaceAll(string(k), " ", "-") }

// Result is what [Sort] found.
type Result struct {
	Shots []Shot `json:"shots"`
	Sets  []Set  `json:"sets"`
	// Unread are the files that could not be read, and why.
	Unread []Unread `json:"unread"`
	// Others counts the files that are no pictures by their names.
	Others int `json:"other_files"`
}

// Shot is one exposure.
type Shot struct {
	// Files hold it: usually one; a JPEG and a TIFF of the same shot, or copies.
	Files  []string `json:"files"`
	Width  int      `json:"width"` // pixels, after orientation
	Height int      `json:"height"`
	// Camera is its maker and model; empty if unknown.
	Camera string `json:"camera,omitempty"`
	// Time of the exposure; the zero time if unknown. A camera that told no zone is
	// taken to run on UTC, and its time is written without a zone.
	Time    time.Time `json:"time,omitzero"`
	FocalMM float64   `json:"focal_mm,omitempty"`
	// ExposureEV is the light gathered, in stops, if Exposed; see
	// photo.Meta.ExposureEV.
	ExposureEV float64 `json:"exposure_ev,omitempty"`
	Exposed    bool    `json:"exposed,omitempty"`
	// ReadFrom says how it was looked at.
	ReadFrom string `json:"read_from"`
	// Small is a copy of at most smallSide pixels a side.
	Small *raster.Picture `json:"-"`
}

// MarshalJSON implements [json.Marshaler].
func (s Shot) MarshalJSON() ([]byte, error) {
	type fields Shot
	return json.Marshal(struct {
		fields
		Time clockTime `json:"time,omitzero"`
	}{fields(s), clockTime{s.Time}})
}

// UnmarshalJSON implements [json.Unmarshaler].
func (s *Shot) UnmarshalJSON(b []byte) error {
	type fields Shot
	read := struct {
		*fields
		Time clockTime `json:"time,omitzero"`
	}{fields: (*fields)(s)}
	if err := json.Unmarshal(b, &read); err != nil {
		return err
	}
	s.Time = read.Time.Time
	return nil
}

// clockTime is what a camera's clock showed: RFC 3339, but without a zone if that is
// UTC, which most cameras mean least of all.
type clockTime struct{ time.Time }

func (t clockTime) MarshalJSON() ([]byte, error) {
	b, err := t.Time.MarshalJSON()
	if rest, ok := bytes.CutSuffix(b, []byte(`Z"`)); ok {
		b = append(rest, '"')
	}
	return b, err
}

// UnmarshalJSON reads times with a zone, too.
func (t *clockTime) UnmarshalJSON(b []byte) error {
	if bare, err := time.Parse(`"2006-01-02T15:04:05"`, string(b)); err == nil {
		t.Time = bare
		return nil
	}
	return t.Time.UnmarshalJSON(b)
}

// Set is photographs that belong together.
type Set struct {
	// Name is unique in the result and fit for a folder.
	Name string `json:"name"`
	Kind Kind   `json:"kind"`
	// Positions are the indices of its shots: for each position of the camera,
	// in the order in which they were taken, the shots taken there.
	Positions [][]int `json:"positions"`
	// Overlaps are the shares of the frame's area that a position has in common
	// with the next, as seen at reduced size.
	Overlaps []float64 `json:"overlaps,omitempty"`
	// Direction of a row: "left to right", "right to left", "upward", "downward";
	// "unordered" if the files' order is not the row's.
	Direction string `json:"direction,omitempty"`
	// Varies is what differs between the shots of a position: "focus" or
	// "exposure".
	Varies string `json:"varies,omitempty"`
	// Notes say what the photographer may want to know, a sentence each.
	Notes []string `json:"notes,omitempty"`
}

// Shots returns the indices of all shots of the set.
func (s *Set) Shots() (all []int) {
	for _, p := range s.Positions {
		all = append(all, p...)
	}
	return all
}

// Unread is a file that could not be used.
type Unread struct {
	File string `json:"file"`
	Why  string `json:"why"`
}

// WriteTo writes the result as indented JSON.
func (r *Result) WriteTo(w io.Writer) (int64, error) {
	b, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return 0, err
	}
	n, err := w.Write(append(b, '\n'))
	return int64(n), err
}

// ReadResult reads what [Result.WriteTo] wrote, without the small pictures, and
// checks that every set is made of its shots.
func ReadResult(r io.Reader) (*Result, error) {
	var res Result
	d := json.NewDecoder(r)
	if err := d.Decode(&res); err != nil {
		return nil, fmt.Errorf("is no list of sorted sets (%w); flatfell sort --json prints one", err)
	}
	damaged := func(format string, a ...any) (*Result, error) {
		return nil, fmt.Errorf("the list of sorted sets is damaged: "+format+"; sort again", a...)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return damaged("it goes on after its end")
	}
	if len(res.Sets) == 0 {
		return damaged("it has no sets")
	}
	for i := range res.Shots {
		if f := res.Shots[i].Files; len(f) == 0 || slices.Contains(f, "") {
			return damaged("shot %d has no file", i)
		}
	}
	called := map[string]bool{}
	taken := make([]bool, len(res.Shots))
	for k := range res.Sets {
		s := &res.Sets[k]
		// A name becomes that of a folder.
		if !filepath.IsLocal(s.Name) || filepath.Base(s.Name) != s.Name || s.Name == "." {
			return damaged("%q is no name of a set", s.Name)
		}
		if called[s.Name] || len(s.Positions) == 0 {
			return damaged("set %s is there twice or has no shots", s.Name)
		}
		called[s.Name] = true
		for _, shots := range s.Positions {
			if len(shots) == 0 {
				return damaged("a position of set %s has no shots", s.Name)
			}
			for _, i := range shots {
				if i < 0 || i >= len(taken) {
					return damaged("set %s has shot %d, which is not there", s.Name, i)
				}
				if taken[i] {
					return damaged("set %s has shot %d, which another set has, too", s.Name, i)
				}
				taken[i] = true
			}
		}
	}
	return &res, nil
}

// Thumbnail returns the small copy of a shot as a JPEG file. What [ReadResult] read
// has none.
func (r *Result) Thumbnail(ctx context.Context, shot int) ([]byte, error) {
	if r.Shots[shot].Small == nil {
		return nil, fmt.Errorf("%s: there is no small copy of it; sort again", r.Shots[shot].Files[0])
	}
	return photo.JPEGBytes(ctx, r.Shots[shot].Small, 82)
}
