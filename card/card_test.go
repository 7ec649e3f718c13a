package card

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// fill draws a card of every kind of set, without metadata, and returns what
// belongs together: the names of each set after its kind.
func fill(t testing.TB, dir string) map[string]Kind {
	t.Helper()
	coast := drawn{w: 160, h: 240, focal: 236, seed: 7}
	want := map[string]Kind{}
	n := 9994
	var names []string
	take := func(d drawn, s shot) {
		name := fmt.Sprintf("100FELLS/DSC_%04d.JPG", n)
		d.store(t, filepath.Join(dir, name), s)
		names = append(names, filepath.Base(name))
		if n++; n > 9999 { // in the same folder
			n = 1
		}
	}
	end := func(k Kind) {
		want[strings.Join(names, " ")] = k
		names = nil
	}
	step := 0.43
	for i := range 4 { // left to right
		take(coast, shot{yaw: step * float64(i)})
	}
	end(Row)
	other := coast
	other.seed = 90
	take(other, shot{})
	end(Single)
	for k := range 3 {
		take(other, shot{yaw: 2, blurUpper: 2 - k, blurLower: k})
	}
	end(FocusBracket)
	for _, ev := range []float64{0, -1.2, 0.8} {
		take(other, shot{yaw: 4, stops: ev})
	}
	end(Exposures)
	for i := range 3 { // brackets of focus, right to left
		for k := range 2 {
			take(coast, shot{yaw: 7 - step*float64(i), blurUpper: 2 * k, blurLower: 2 - 2*k})
		}
	}
	end(BracketRow)
	for i := range 2 { // touched a little: no copies
		take(other, shot{yaw: 9 + 0.003*float64(i)})
	}
	end(Repeats)
	for i := range 2 { // broken off, and begun again
		take(coast, shot{yaw: 11 + step*float64(i)})
	}
	end(Row)
	var row []string
	for i := range 4 {
		take(coast, shot{yaw: 11.003 + step*float64(i)})
		if i == 1 {
			row, names = names, nil
			take(other, shot{yaw: 14})
			end(Single)
			names = row
		}
	}
	end(Row)
	return want
}

func names(r *Result, s *Set) string {
	var out []string
	for _, i := range s.Shots() {
		for _, f := range r.Shots[i].Files {
			out = append(out, filepath.Base(f))
		}
	}
	return strings.Join(out, " ")
}

func TestSort(t *testing.T) {
	dir := t.TempDir()
	want := fill(t, dir)
	before := snapshot(t, dir)
	res, err := Sort(t.Context(), []string{dir}, Options{Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]Kind{}
	for k := range res.Sets {
		got[names(res, &res.Sets[k])] = res.Sets[k].Kind
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %v\nwant %v", got, want)
	}
	if d := res.Sets[0].Direction; d != "left to right" {
		t.Errorf("the first row goes %s", d)
	}
	again, err := Sort(t.Context(), []string{dir}, Options{Workers: 3})
	if err != nil || !reflect.DeepEqual(res.Sets, again.Sets) {
		t.Errorf("three workers find other sets (%v)", err)
	}
	if after := snapshot(t, dir); !reflect.DeepEqual(before, after) {
		t.Error("the card has changed")
	}
}

// snapshot is the content of every file below dir.
func snapshot(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		out[path] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestSortBadFiles: what can't be read is named, the rest is sorted.
func TestSortBadFiles(t *testing.T) {
	dir := t.TempDir()
	d := drawn{w: 160, h: 240, focal: 236, seed: 3}
	for i := range 2 {
		d.store(t, filepath.Join(dir, fmt.Sprintf("a%d.jpg", i+1)), shot{yaw: 0.43 * float64(i)})
	}
	d.store(t, filepath.Join(dir, "a1.tif"), shot{})
	whole, err := os.ReadFile(filepath.Join(dir, "a1.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{"half.jpg": whole[:len(whole)/2], "text.jpg": []byte("low tide at 6:40"), "empty.png": nil, "notes.txt": []byte("x"), ".hidden.jpg": whole} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	res, err := Sort(t.Context(), []string{dir}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var bad []string
	for _, u := range res.Unread {
		bad = append(bad, filepath.Base(u.File))
		if u.Why == "" || strings.Contains(u.Why, dir) {
			t.Errorf("%s: %q", u.File, u.Why)
		}
	}
	slices.Sort(bad)
	if fmt.Sprint(bad) != "[empty.png half.jpg text.jpg]" || res.Others != 2 {
		t.Errorf("unread %v, %d others", bad, res.Others)
	}
	if len(res.Sets) != 1 || names(res, &res.Sets[0]) != "a1.jpg a1.tif a2.jpg" {
		t.Errorf("sets %+v", res.Sets)
	}
}

func TestSortNothing(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []int{0, 1000} {
		for i := range n {
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%d.doc", i)), []byte("x"), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		_, err := Sort(t.Context(), []string{dir}, Options{})
		if !errors.Is(err, ErrNothing) || n > 0 && !strings.Contains(err.Error(), "none of 1000 files") {
			t.Errorf("%d other files: %v", n, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	drawn{w: 160, h: 240, focal: 236}.store(t, filepath.Join(dir, "a.jpg"), shot{})
	if _, err := Sort(ctx, []string{dir}, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// TestPulled: files that vanish while the card is read are named as such.
func TestPulled(t *testing.T) {
	dir := t.TempDir()
	d := drawn{w: 160, h: 240, focal: 236, seed: 3}
	for i := range 3 {
		d.store(t, filepath.Join(dir, fmt.Sprintf("a%d.jpg", i+1)), shot{yaw: 0.43 * float64(i)})
	}
	once := false
	res, err := Sort(t.Context(), []string{dir}, Options{Workers: 1, Progress: func(stage string, done float64) {
		if stage == "read" && !once {
			once = true
			for _, n := range []string{"a2.jpg", "a3.jpg"} {
				if err := os.Remove(filepath.Join(dir, n)); err != nil {
					t.Error(err)
				}
			}
		}
	}})
	if err != nil || len(res.Sets) != 1 || len(res.Unread) != 2 {
		t.Errorf("%+v, %v", res, err)
	}
}

func TestOrder(t *testing.T) {
	make := func(paths ...string) (out []*look) {
		for _, p := range paths {
			l := &look{name: splitName(p)}
			l.shot.Files = []string{p}
			out = append(out, l)
		}
		return out
	}
	for _, c := range []struct {
		in   []string
		want string
	}{
		{[]string{"c/IMG_0001.JPG", "c/IMG_0002.JPG", "c/IMG_9998.JPG", "c/IMG_9999.JPG"}, "[[IMG_9998 IMG_9999 IMG_0001 IMG_0002]]"},
		{[]string{"101A/IMG_0001.JPG", "100A/IMG_9998.JPG", "100A/IMG_9999.JPG"}, "[[IMG_9998 IMG_9999 IMG_0001]]"},
		{[]string{"c/IMG_0001.JPG", "c/IMG_0500.JPG", "c/IMG_2000.JPG"}, "[[IMG_0001 IMG_0500 IMG_2000]]"},
		{[]string{"c/DSC_0002.JPG", "c/_DSC0003.JPG", "c/DSC_0001.JPG"}, "[[DSC_0001 DSC_0002 _DSC0003]]"},
		{[]string{"b/IMG_0001.JPG", "a/IMG_0001.JPG", "a/IMG_0002.JPG"}, "[[IMG_0001 IMG_0002] [IMG_0001]]"},
		{[]string{"a/IMG_2.JPG", "a/DSC_1.JPG", "a/IMG_10.JPG"}, "[[IMG_2 IMG_10] [DSC_1]]"},
	} {
		var got [][]string
		for _, s := range streams(make(c.in...)) {
			var g []string
			for _, l := range s {
				g = append(g, strings.TrimSuffix(filepath.Base(l.shot.Files[0]), ".JPG"))
			}
			got = append(got, g)
		}
		if fmt.Sprint(got) != c.want {
			t.Errorf("%v: %v, want %v", c.in, got, c.want)
		}
	}
}

func TestLay(t *testing.T) {
	card, dir := t.TempDir(), t.TempDir()
	res := &Result{
		Shots: []Shot{{Files: []string{"a/1.jpg", "a/1.tif"}}, {Files: []string{"a/2.jpg"}}, {Files: []string{"b/1.jpg"}}, {Files: []string{"a/x\ny.jpg"}}},
		Sets: []Set{
			{Name: "01-row", Kind: Row, Positions: [][]int{{0}, {1}, {2}}},
			{Name: "02-single", Kind: Single, Positions: [][]int{{3}}},
		},
	}
	for i := range res.Shots {
		for k, f := range res.Shots[i].Files {
			path := filepath.Join(card, f)
			res.Shots[i].Files[k] = path
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(f), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	before := snapshot(t, card)
	for _, how := range []How{Copy, HardLink, SymLink} {
		into := filepath.Join(dir, string(how))
		got, err := Lay(t.Context(), res, into, how, nil)
		if err != nil || got.New != 5 || got.Old != 0 {
			t.Fatalf("%s: %+v, %v", how, got, err)
		}
		want := []string{"01-row/1.jpg", "01-row/1.tif", "01-row/2.jpg", "01-row/b-1.jpg", "singles/x\ny.jpg"}
		var found []string
		for path, content := range snapshot(t, into) {
			rel, err := filepath.Rel(into, path)
			if err != nil {
				t.Fatal(err)
			}
			found = append(found, filepath.ToSlash(rel))
			if content == "" {
				t.Errorf("%s: %s is empty", how, rel)
			}
		}
		slices.Sort(found)
		if fmt.Sprint(found) != fmt.Sprint(want) {
			t.Errorf("%s: %q", how, found)
		}
		// Taken up again after an interruption, and where another file stands.
		if err := os.Remove(filepath.Join(into, "01-row/2.jpg")); err != nil {
			t.Fatal(err)
		}
		if got, err := Lay(t.Context(), res, into, how, nil); err != nil || got.New != 1 || got.Old != 4 {
			t.Errorf("%s again: %+v, %v", how, got, err)
		}
	}
	into := filepath.Join(dir, "copy", "01-row", "2.jpg")
	if err := os.WriteFile(into, []byte("a/9.jpg"), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := Lay(t.Context(), res, filepath.Join(dir, "copy"), Copy, nil); !errors.Is(err, ErrOccupied) {
		t.Errorf("over another file: %v", err)
	}
	if b, err := os.ReadFile(into); err != nil || string(b) != "a/9.jpg" {
		t.Errorf("%q, %v", b, err)
	}
	if !reflect.DeepEqual(before, snapshot(t, card)) {
		t.Error("the card has changed")
	}
}

// TestRoom: more than any disk holds is refused before a file is laid.
func TestRoom(t *testing.T) {
	if _, ok := freeBytes(t.TempDir()); !ok {
		t.Skip("this system does not tell its free space")
	}
	path := filepath.Join(t.TempDir(), "a.jpg")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	err = errors.Join(f.Truncate(1<<42), f.Close()) // no room is taken
	if err != nil {
		t.Skip(err)
	}
	var todo []place
	for range 1 << 10 {
		todo = append(todo, place{path, ""})
	}
	if err := room(todo, t.TempDir()); !errors.Is(err, ErrNoRoom) {
		t.Error(err)
	}
}

// TestKindOf: what is laid tells its kind by its name, and other folders tell none.
func TestKindOf(t *testing.T) {
	for name, want := range map[string]Kind{
		"01-row": Row, "112-row-of-brackets": BracketRow, "03-focus-bracket": FocusBracket, "04-exposure-variants": Exposures,
		"05-repeats": Repeats, "singles": Single, "row": "", "-row": "", "01-rowing": "", "position-1": "", "100GROYN": "", "02-single": "",
	} {
		if got, ok := KindOf(name); got != want || ok != (want != "") {
			t.Errorf("%s: %q, %v", name, got, ok)
		}
	}
}
