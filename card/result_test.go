package card

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"
)

const sortedExample = `{"shots":[{"files":["a/1.jpg","a/1.tif"]},{"files":["a/2.jpg"]},{"files":["a/3.jpg"]}],
"sets":[{"name":"01-row","kind":"row","positions":[[0],[2]]},{"name":"02-single","kind":"single","positions":[[1]]}]}`

// TestReadResult: a list of sets is read as it was written, and refused if a set
// has shots that are not there, or no shots.
func TestReadResult(t *testing.T) {
	res, err := ReadResult(strings.NewReader(sortedExample))
	if err != nil {
		t.Fatal(err)
	}
	if got := res.Sets[0].Shots(); !slices.Equal(got, []int{0, 2}) || res.Shots[got[1]].Files[0] != "a/3.jpg" {
		t.Errorf("the row has the shots %v", got)
	}
	for _, tt := range []struct{ old, bad, say string }{
		{`[[0],[2]]`, `[[0],[3]]`, "has shot 3"},
		{`[[0],[2]]`, `[[0],[-1]]`, "has shot -1"},
		{`[[0],[2]]`, `[[0],[1]]`, "another set has"},
		{`"01-row"`, `"../row"`, "no name of a set"},
		{`"01-row"`, `""`, "no name of a set"},
		{`"01-row"`, `"02-single"`, "there twice"},
		{`[[1]]}]}`, `[[1]]}]}{}`, "after its end"},
		{`[[0],[2]]`, `[[0],[]]`, "no shots"},
		{`[[0],[2]]`, `[]`, "no shots"},
		{`["a/2.jpg"]`, `[]`, "shot 1 has no file"},
		{`"sets"`, `"frames"`, "no sets"},
		{`{"shots"`, `[`, "no list of sorted sets"},
	} {
		if _, err := ReadResult(strings.NewReader(strings.Replace(sortedExample, tt.old, tt.bad, 1))); err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("with %s for %s: error %v, want one that says %q", tt.bad, tt.old, err, tt.say)
		}
	}
}

// TestShotTime: the time of a camera that told no zone is written without one; it is
// read with and without.
func TestShotTime(t *testing.T) {
	east := time.FixedZone("", 2*3600)
	for _, tt := range []struct {
		at   time.Time
		text string
	}{
		{time.Date(2026, 7, 7, 18, 5, 9, 50e6, time.UTC), "2026-07-07T18:05:09.05"},
		{time.Date(2026, 7, 7, 18, 5, 9, 0, east), "2026-07-07T18:05:09+02:00"},
	} {
		b, err := json.Marshal(Shot{Files: []string{"a.jpg"}, Time: tt.at})
		if err != nil || !strings.Contains(string(b), `"time":"`+tt.text+`"`) {
			t.Errorf("%v is written as %s (%v), want %s", tt.at, b, err, tt.text)
		}
		var s Shot
		if err := json.Unmarshal(b, &s); err != nil || !s.Time.Equal(tt.at) || s.Files[0] != "a.jpg" {
			t.Errorf("%s is read as %v (%v)", b, s.Time, err)
		}
	}
	var s Shot
	if err := json.Unmarshal([]byte(`{"time":"2005-03-25T17:53:45Z"}`), &s); err != nil || s.Time.Hour() != 17 {
		t.Errorf("an older list's time is read as %v (%v)", s.Time, err)
	}
	if b, err := json.Marshal(Shot{}); err != nil || strings.Contains(string(b), "time") {
		t.Errorf("a shot without time is written as %s (%v)", b, err)
	}
	if err := json.Unmarshal([]byte(`{"time":"at low tide"}`), &s); err == nil {
		t.Error("what is no time was read")
	}
}

func TestCameraName(t *testing.T) {
	for _, tt := range [][3]string{
		{"Tern", "3 Mark II", "Tern 3 Mark II"},
		{"Tern", "Tern 3", "Tern 3"},
		{"TERN CORPORATION ", "Tern  3", "Tern 3"},
		{"Ter", "Tern 3", "Ter Tern 3"},
		{"", "3", "3"},
		{"Tern", "", "Tern"},
	} {
		if got := cameraName(tt[0], tt[1]); got != tt[2] {
			t.Errorf("maker %q, model %q: %q, want %q", tt[0], tt[1], got, tt[2])
		}
	}
}

// FuzzResult: whatever a list of sets holds, it is refused, or read the same once
// written.
func FuzzResult(f *testing.F) {
	f.Add([]byte(sortedExample))
	f.Add([]byte(strings.Replace(sortedExample, `"a/2.jpg"]`, `"a/2.jpg"],"time":"2026-07-07T18:05:09.05"`, 1)))
	f.Add([]byte(strings.Replace(sortedExample, `"a/2.jpg"]`, `"a/2.jpg"],"time":"2026-07-07T18:05:09+00:00"`, 1)))
	f.Fuzz(func(t *testing.T, data []byte) {
		res, err := ReadResult(bytes.NewReader(data))
		if err != nil {
			return
		}
		var once, twice bytes.Buffer
		if _, err := res.WriteTo(&once); err != nil {
			t.Skip("a time that cannot be written")
		}
		again, err := ReadResult(bytes.NewReader(once.Bytes()))
		if err != nil {
			t.Fatalf("read once, but not again: %v", err)
		}
		if _, err := again.WriteTo(&twice); err != nil || !bytes.Equal(once.Bytes(), twice.Bytes()) {
			t.Fatalf("%s\nreads\n%s\n%v", &once, &twice, err)
		}
	})
}
