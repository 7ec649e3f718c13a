package card

import (
	"bytes"
	"slices"
	"strings"
	"testing"
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

// FuzzResult: whatever a list of sets holds, it is refused, or read the same once
// written.
func FuzzResult(f *testing.F) {
	f.Add([]byte(sortedExample))
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
