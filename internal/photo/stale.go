package photo

import (
	"os"
	"path/filepath"
)

// removeStale removes what runs that were killed have left in a folder: hidden
// files of a pattern that no program holds any more. Whatever goes wrong with
// that is no error of the run that tidies up.
func removeStale(dir, pattern string) {
	left, err := filepath.Glob(filepath.Join(globEscape(dir), pattern))
	if err != nil {
		return
	}
	for _, path := range left {
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			continue
		}
		abandoned := lock(f)
		f.Close()
		if abandoned {
			os.Remove(path)
		}
	}
}

// globEscape returns a pattern that matches the name alone.
func globEscape(name string) string {
	out := make([]byte, 0, len(name))
	for i := range len(name) {
		switch name[i] {
		case '*', '?', '[', '\\':
			if os.PathSeparator != '\\' {
				out = append(out, '\\', name[i])
				continue
			}
			out = append(out, '?') // there is no escape on Windows
		default:
			out = append(out, name[i])
		}
	}
	return string(out)
}
