package photo

import (
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// List returns the picture files that paths stand for. A file stands for
// itself; a folder for the pictures directly in it, by the endings jpg, jpeg,
// png, tif and tiff in any case, without hidden ones, sorted so that numbers
// within names count as numbers. The order of paths is kept.
//
// It is an error if a path does not exist, or if a folder cannot be read or
// holds no picture.
func List(paths []string) ([]string, error) {
	var files []string
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil {
			return nil, unreadable(path, err)
		}
		if !info.IsDir() {
			files = append(files, path)
			continue
		}
		entries, err := os.ReadDir(path)
		if err != nil {
			return nil, unreadable(path, err)
		}
		var names []string
		for _, e := range entries {
			if strings.HasPrefix(e.Name(), ".") || formatOf(e.Name()) == 0 {
				continue
			}
			// A link counts by what it leads to; a dead one is reported by Open.
			if info, err := os.Stat(filepath.Join(path, e.Name())); err == nil && info.IsDir() {
				continue
			}
			names = append(names, e.Name())
		}
		if len(names) == 0 {
			return nil, &Error{path, ErrNotAPicture, "is a folder without JPEG, PNG or TIFF files", "name the right folder or the files", nil}
		}
		slices.SortFunc(names, compareNatural)
		for _, name := range names {
			files = append(files, filepath.Join(path, name))
		}
	}
	return files, nil
}

// formatOf returns the format that the ending of a name stands for, or 0.
func formatOf(name string) Format {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".jpg", ".jpeg":
		return JPEG
	case ".png":
		return PNG
	case ".tif", ".tiff":
		return TIFF
	}
	return 0
}

// compareNatural orders names with runs of digits as numbers, letters without
// regard to case; what is equal by that, by bytes.
func compareNatural(a, b string) int {
	x, y := strings.ToLower(a), strings.ToLower(b)
	for x != "" && y != "" {
		dx, dy := digits(x), digits(y)
		if dx == "" || dy == "" {
			if x[0] != y[0] {
				return cmp.Compare(x[0], y[0])
			}
			x, y = x[1:], y[1:]
			continue
		}
		// Without leading zeros the longer number is the larger.
		nx, ny := strings.TrimLeft(dx, "0"), strings.TrimLeft(dy, "0")
		if c := cmp.Or(cmp.Compare(len(nx), len(ny)), cmp.Compare(nx, ny)); c != 0 {
			return c
		}
		x, y = x[len(dx):], y[len(dy):]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(a, b))
}

// digits returns the decimal digits that s begins with.
func digits(s string) string { return s[:len(s)-len(strings.TrimLeft(s, "0123456789"))] }

// SameFile reports whether a and b are one existing file, by whatever names
// and links they lead there.
func SameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}
