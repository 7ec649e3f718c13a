package card

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// fileName is a path taken apart for sorting.
type fileName struct {
	dir, stem string
	// prefix is the stem up to its last run of digits, in small letters without
	// separators; _DSC0001 and DSC_0001 come from one camera (DCF).
	prefix string
	number int // of that run, −1 if there is none
	digits int // of the run
}

func splitName(path string) fileName {
	n := fileName{dir: filepath.Dir(path), number: -1}
	base := filepath.Base(path)
	n.stem = strings.ToLower(strings.TrimSuffix(base, filepath.Ext(base)))
	end := strings.LastIndexAny(n.stem, "0123456789") + 1
	start := end
	for start > 0 && n.stem[start-1] >= '0' && n.stem[start-1] <= '9' {
		start--
	}
	n.digits = end - start
	if v, err := strconv.Atoi(n.stem[start:end]); err == nil {
		n.number = v
	}
	n.prefix = strings.Map(func(r rune) rune {
		if strings.ContainsRune("_- .", r) {
			return -1
		}
		return r
	}, n.stem[:start])
	return n
}

// natural makes runs of digits comparable as texts.
func natural(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); {
		j := i
		for j < len(s) && s[j] >= '0' && s[j] <= '9' {
			j++
		}
		if j > i {
			digits := strings.TrimLeft(s[i:j], "0")
			fmt.Fprintf(&b, "%04d%s", len(digits), digits)
			i = j
			continue
		}
		b.WriteByte(s[i])
		i++
	}
	return strings.ToLower(b.String())
}

// mergeFiles makes one of the looks at files that hold the same exposure: files
// of one name but for the ending and the folder, that show the same, and copies.
// The JPEG, which is quickest to read, stays the one that is looked at.
func mergeFiles(looks []*look) []*look {
	var out []*look
	byStem, byView := map[string][]*look{}, map[string][]*look{}
next:
	for _, l := range looks {
		for _, m := range byStem[l.name.stem] {
			if sameExposure(m, l) {
				m.absorb(l)
				continue next
			}
		}
		key := fmt.Sprint(l.luma.Rect, l.view.contrast)
		for _, m := range byView[key] {
			if slices.Equal(m.luma.Pix, l.luma.Pix) && m.view.contrast > blank {
				m.absorb(l)
				continue next
			}
		}
		byStem[l.name.stem] = append(byStem[l.name.stem], l)
		byView[key] = append(byView[key], l)
		out = append(out, l)
	}
	return out
}

// blank is the contrast below which a photograph shows nothing, as with the
// cap on the lens.
const blank = 0.01

func sameExposure(a, b *look) bool {
	if !a.shot.Time.IsZero() && !b.shot.Time.IsZero() && a.shot.Time.Sub(b.shot.Time).Abs() > time.Second {
		return false
	}
	if strings.EqualFold(filepath.Ext(a.shot.Files[0]), filepath.Ext(b.shot.Files[0])) && a.name.dir == b.name.dir {
		return false
	}
	c, dx, dy := sameness(&a.view, &b.view)
	return c > 0.95 && dx == 0 && dy == 0
}

// absorb adds the file of another look at the same exposure.
func (l *look) absorb(m *look) {
	files := append(l.shot.Files, m.shot.Files...)
	rank := func(path string) int {
		if e := strings.ToLower(filepath.Ext(path)); e == ".jpg" || e == ".jpeg" {
			return 0
		}
		return 1
	}
	if l.shot.Time.IsZero() && !m.shot.Time.IsZero() || rank(m.shot.Files[0]) < rank(l.shot.Files[0]) {
		name := l.name
		*l = *m
		l.name = name // its place on the card
	}
	slices.SortStableFunc(files, func(a, b string) int { return cmp.Compare(rank(a), rank(b)) })
	l.shot.Files = files
}

// streams divides the looks by the camera that took them and puts each camera's
// into the order in which they were taken.
//
// A camera shows itself in its metadata, in the letters of its files' names, in
// the size of its frames, and in that it gives each number once: of two folders
// that have photographs of one number each, the second is another camera's.
func streams(looks []*look) (out [][]*look) {
	type key struct {
		prefix      string
		long, short int
	}
	groups := map[key][]*look{}
	var keys []key
	for _, l := range looks {
		k := key{l.name.prefix, max(l.shot.Width, l.shot.Height), min(l.shot.Width, l.shot.Height)}
		if groups[k] == nil {
			keys = append(keys, k)
		}
		groups[k] = append(groups[k], l)
	}
	for _, k := range keys {
		for _, g := range byCamera(groups[k]) {
			for _, s := range byFolder(g) {
				out = append(out, inOrder(s))
			}
		}
	}
	// The cameras in the order of their first photographs, those with a clock
	// first.
	slices.SortStableFunc(out, func(a, b []*look) int {
		x, y := a[0].shot.Time, b[0].shot.Time
		if x.IsZero() != y.IsZero() {
			return cmp.Compare(b2i(x.IsZero()), b2i(y.IsZero()))
		}
		return x.Compare(y)
	})
	return out
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// byCamera divides by the camera in the metadata; photographs that don't name
// theirs go with the one that has the nearest number in the same folder.
func byCamera(looks []*look) (out [][]*look) {
	index := map[string]int{}
	for _, l := range looks {
		if c := l.shot.Camera; c != "" {
			if _, ok := index[c]; !ok {
				index[c] = len(out)
				out = append(out, nil)
			}
			out[index[c]] = append(out[index[c]], l)
		}
	}
	if len(out) == 0 {
		return [][]*look{looks}
	}
	var nameless []*look
	for _, l := range looks {
		if l.shot.Camera == "" {
			nameless = append(nameless, l)
		}
	}
	to := make([]int, len(nameless))
	for i, l := range nameless {
		best := math.MaxInt
		for k, g := range out {
			for _, m := range g {
				d := max(m.name.number-l.name.number, l.name.number-m.name.number)
				if m.name.dir != l.name.dir {
					d += 1 << 20
				}
				if d < best {
					best, to[i] = d, k
				}
			}
		}
	}
	for i, l := range nameless {
		out[to[i]] = append(out[to[i]], l)
	}
	return out
}

// byFolder divides where folders repeat a number.
func byFolder(looks []*look) (out [][]*look) {
	byDir := map[string][]*look{}
	var dirs []string
	for _, l := range looks {
		if byDir[l.name.dir] == nil {
			dirs = append(dirs, l.name.dir)
		}
		byDir[l.name.dir] = append(byDir[l.name.dir], l)
	}
	slices.SortStableFunc(dirs, func(a, b string) int { return cmp.Compare(natural(a), natural(b)) })
	var taken []map[int]bool
next:
	for _, dir := range dirs {
		for k := range out {
			if !slices.ContainsFunc(byDir[dir], func(l *look) bool { return l.name.number >= 0 && taken[k][l.name.number] }) {
				out[k] = append(out[k], byDir[dir]...)
				for _, l := range byDir[dir] {
					taken[k][l.name.number] = true
				}
				continue next
			}
		}
		numbers := map[int]bool{}
		for _, l := range byDir[dir] {
			numbers[l.name.number] = true
		}
		out, taken = append(out, byDir[dir]), append(taken, numbers)
	}
	return out
}

// inOrder sorts one camera's photographs: by the clock if all have its time, by
// folder and number if few have, and by the numbers between those that have.
func inOrder(looks []*look) []*look {
	out := bySequence(looks)
	var timed []*look
	for _, l := range out {
		if !l.shot.Time.IsZero() {
			timed = append(timed, l)
		}
	}
	if slices.IsSortedFunc(timed, func(a, b *look) int { return a.shot.Time.Compare(b.shot.Time) }) {
		return out // both agree
	}
	// One without a time keeps behind the one before it.
	at := make(map[*look]time.Time, len(out))
	var last time.Time
	for _, l := range out {
		if !l.shot.Time.IsZero() {
			last = l.shot.Time
		}
		at[l] = last
	}
	slices.SortStableFunc(out, func(a, b *look) int { return at[a].Compare(at[b]) })
	return out
}

// bySequence sorts by folder and number. Within a folder numbers that reach
// 9999 and begin again are put in the order in which they were given: the
// widest gap in the circle of numbers is where the card began.
func bySequence(looks []*look) []*look {
	out := slices.Clone(looks)
	start := map[string]int{}
	byDir := map[string][]int{}
	for _, l := range out {
		if l.name.number >= 0 && l.name.digits >= 3 {
			byDir[l.name.dir] = append(byDir[l.name.dir], l.name.number)
		}
	}
	for _, l := range out {
		if numbers, ok := byDir[l.name.dir]; ok {
			if _, done := start[l.name.dir]; !done {
				start[l.name.dir] = rollover(numbers, l.name.digits)
			}
		}
	}
	place := func(l *look) int {
		n := l.name.number
		if s, ok := start[l.name.dir]; ok && n < s {
			n += int(math.Pow10(l.name.digits))
		}
		return n
	}
	slices.SortStableFunc(out, func(a, b *look) int {
		return cmp.Or(
			cmp.Compare(natural(a.name.dir), natural(b.name.dir)),
			cmp.Compare(place(a), place(b)),
			cmp.Compare(natural(a.name.stem), natural(b.name.stem)),
			cmp.Compare(a.shot.Files[0], b.shot.Files[0]),
		)
	})
	return out
}

// rollover returns the number with which a folder's photographs begin: the
// smallest, unless the numbers reach over the largest of so many digits.
func rollover(numbers []int, digits int) int {
	slices.Sort(numbers)
	all := int(math.Pow10(min(digits, 9)))
	first, last := numbers[0], numbers[len(numbers)-1]
	if first > all/10 || last < all-all/10 {
		return first
	}
	widest, start := first+all-last, first
	for i := 1; i < len(numbers); i++ {
		if gap := numbers[i] - numbers[i-1]; gap > widest {
			widest, start = gap, numbers[i]
		}
	}
	return start
}
