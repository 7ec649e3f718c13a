package photo

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

func TestList(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{
		"dune10.jpg", "dune9.JPG", "Dune 1.jpeg", "dune09.tif", "b.png", ".hidden.jpg", "notes.txt", "a.TIFF", "jpg",
		"dune99999999999999999999999.jpg", "dune100000000000000000000000.jpg",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("x"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "folder.jpg"), 0o777); err != nil {
		t.Fatal(err)
	}
	single := filepath.Join(dir, "notes.txt")
	got, err := List([]string{single, dir, single})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"notes.txt", "a.TIFF", "b.png", "Dune 1.jpeg", "dune09.tif", "dune9.JPG", "dune10.jpg",
		"dune99999999999999999999999.jpg", "dune100000000000000000000000.jpg", "notes.txt",
	}
	// "09" and "9" are one number: what follows decides, ".jpg" before ".tif".
	want[4], want[5] = want[5], want[4]
	for i := range want {
		want[i] = filepath.Join(dir, want[i])
	}
	if !slices.Equal(got, want) {
		t.Errorf("List = %q\nwant   %q", got, want)
	}
	if _, err := List([]string{filepath.Join(dir, "folder.jpg")}); !errors.Is(err, ErrNotAPicture) {
		t.Errorf("folder without pictures: %v", err)
	}
	if _, err := List([]string{filepath.Join(dir, "none")}); !errors.Is(err, ErrUnreadable) {
		t.Errorf("missing path: %v", err)
	}
}

// TestCompareNaturalIsAnOrder: antisymmetric, and transitive by sorting from
// every rotation to the same result.
func TestCompareNaturalIsAnOrder(t *testing.T) {
	names := []string{"", "a", "A", "a1", "a01", "a001", "a1b", "a01a", "a10", "a2", "1", "01", "1a", "b", "a-1", "a1.jpg", "a01.jpg", "é"}
	want := slices.Clone(names)
	slices.SortFunc(want, compareNatural)
	for i := range names {
		for j := range names {
			if a, b := compareNatural(names[i], names[j]), compareNatural(names[j], names[i]); a != -b || (a == 0) != (i == j) {
				t.Errorf("%q, %q: %d and %d", names[i], names[j], a, b)
			}
		}
		turned := append(slices.Clone(names[i:]), names[:i]...)
		slices.SortFunc(turned, compareNatural)
		if !slices.Equal(turned, want) {
			t.Errorf("rotation %d sorts to %q, want %q", i, turned, want)
		}
	}
}

func TestSameFile(t *testing.T) {
	a := store(t, "a.png", []byte("x"))
	dir := filepath.Dir(a)
	b, link := filepath.Join(dir, "b.png"), filepath.Join(dir, "link.png")
	if err := os.WriteFile(b, []byte("x"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(a, link); err != nil {
		t.Skip(err)
	}
	if !SameFile(a, link) || !SameFile(a, filepath.Join(dir, ".", "..", filepath.Base(dir), "a.png")) {
		t.Error("one file under two names is taken for two")
	}
	if SameFile(a, b) || SameFile(a, filepath.Join(dir, "none")) || SameFile("none", "none") {
		t.Error("two files, or missing ones, are taken for one")
	}
}
