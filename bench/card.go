package bench

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"flatfell.example/card"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
)

// CardResult is what [Card] measured.
type CardResult struct {
	Cards []CardRow
}

// CardRow is one card, sorted with its metadata and without.
type CardRow struct {
	Seed  uint64
	Files int
	Sets  int
	// Right files are in the set in which they belong, which has the right kind.
	RightWithMeta, RightBare int
	// Wrong names the sets that are not what they are.
	Wrong []string
	// Seconds that sorting took, both times.
	Seconds float64
}

// Card renders cards of a hundred files and more, with rows, brackets of focus
// and of exposure, rows of brackets, repeats, test shots, rows broken off and
// begun again, strangers within a row, numbers that start again at 9999, TIFF
// twins and a second camera; and sorts each twice: with metadata, which a
// seventh of the files have lost, and without any. The default is 10 cards.
func Card(ctx context.Context, c Config) (*CardResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	c = c.withDefaults(10, 10, 240, 360)
	res := &CardResult{}
	for seed := range uint64(c.Seeds) {
		row, err := c.sortCard(ctx, scene.NewCard(seed, scene.CardOptions{Width: c.Width, Height: c.Height}))
		if err != nil {
			return nil, err
		}
		res.Cards = append(res.Cards, *row)
		c.Progress(float64(seed+1) / float64(c.Seeds))
	}
	return res, nil
}

// sortCard renders a card into a folder for a time and sorts it.
func (c Config) sortCard(ctx context.Context, made *scene.Card) (row *CardRow, err error) {
	dir, err := os.MkdirTemp("", "flatfell-card-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	withMeta, bare := filepath.Join(dir, "meta"), filepath.Join(dir, "bare")
	if err := writeCard(ctx, c.Workers, made, withMeta, bare); err != nil {
		return nil, err
	}
	row = &CardRow{Seed: made.Seed, Sets: len(made.Kinds)}
	for _, root := range []string{withMeta, bare} {
		start := time.Now()
		found, err := card.Sort(ctx, []string{root}, card.Options{Workers: c.Workers})
		if err != nil {
			return nil, err
		}
		row.Seconds += time.Since(start).Seconds()
		files, right, wrong := scoreCard(made, found, root)
		row.Files = files
		if root == withMeta {
			row.RightWithMeta = right
		} else {
			row.RightBare = right
		}
		for _, w := range wrong {
			row.Wrong = append(row.Wrong, fmt.Sprintf("%s: %s", filepath.Base(root), w))
		}
	}
	return row, nil
}

// writeCard stores a card's files below two folders: with metadata, where they
// are not lost, and without any.
func writeCard(ctx context.Context, workers int, made *scene.Card, withMeta, bare string) error {
	for i := range made.Shots {
		s := &made.Shots[i]
		pic, err := made.Picture(ctx, workers, i)
		if err != nil {
			return err
		}
		for _, root := range []string{withMeta, bare} {
			path := filepath.Join(root, filepath.FromSlash(s.File))
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				return err
			}
			meta := &s.Meta
			if root == bare || s.MetaLost {
				meta = nil
			}
			if err := os.WriteFile(path, pic.JPEG(meta), 0o666); err != nil {
				return err
			}
			if s.Twin {
				twin := strings.TrimSuffix(path, filepath.Ext(path)) + ".TIF"
				if err := photo.Write(ctx, twin, pic.Picture, photo.WriteOptions{Bits: 16}); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// scoreCard counts the files of a card below root that were sorted right: for
// each true set, what it has in common with the one found set that has most of
// it, no found set counting twice, if the kinds agree.
func scoreCard(made *scene.Card, found *card.Result, root string) (files, right int, wrong []string) {
	truth := map[string]int{}
	for i := range made.Shots {
		s := &made.Shots[i]
		path := filepath.Join(root, filepath.FromSlash(s.File))
		truth[path] = s.Set
		if s.Twin {
			truth[strings.TrimSuffix(path, filepath.Ext(path))+".TIF"] = s.Set
		}
	}
	type common struct{ set, in, n int }
	var all []common
	of := map[int][]string{}
	for k := range found.Sets {
		count := map[int]int{}
		for _, i := range found.Sets[k].Shots() {
			for _, f := range found.Shots[i].Files {
				count[truth[f]]++
				of[k] = append(of[k], filepath.Base(f))
			}
		}
		for set, n := range count {
			all = append(all, common{set, k, n})
		}
	}
	slices.SortFunc(all, func(a, b common) int {
		if a.n != b.n {
			return b.n - a.n
		}
		if a.set != b.set {
			return a.set - b.set
		}
		return a.in - b.in
	})
	foundAs, used := map[int]common{}, map[int]bool{}
	for _, x := range all {
		if _, done := foundAs[x.set]; !done && !used[x.in] {
			foundAs[x.set], used[x.in] = x, true
		}
	}
	names := make([][]string, len(made.Kinds))
	for path, set := range truth {
		names[set] = append(names[set], filepath.Base(path))
	}
	for set, kind := range made.Kinds {
		slices.Sort(names[set])
		x, ok := foundAs[set]
		got := card.Kind("nothing")
		if ok {
			got = found.Sets[x.in].Kind
		}
		if ok && string(got) == kind {
			right += x.n
		}
		if !ok || string(got) != kind || x.n < len(names[set]) || x.n < len(of[x.in]) {
			wrong = append(wrong, fmt.Sprintf("%s %s found as %s %s", kind, strings.Join(names[set], " "), got, strings.Join(of[x.in], " ")))
		}
	}
	return len(truth), right, wrong
}

// Bars returns the figures that must hold.
func (r *CardResult) Bars() []Bar {
	files, meta, bare := 0, 0, 0
	for i := range r.Cards {
		files += r.Cards[i].Files
		meta += r.Cards[i].RightWithMeta
		bare += r.Cards[i].RightBare
	}
	share := func(right int) float64 { return 100 * float64(files-right) / float64(files) }
	return []Bar{
		{"files in a wrong set, with metadata", share(meta), 1, " %"},
		{"files in a wrong set, without", share(bare), 3, " %"},
	}
}

// Report returns the bars and the cards.
func (r *CardResult) Report() Report {
	t := &table{head: []string{"card", "files", "sets", "right with metadata", "without", "seconds"}}
	w := &table{head: []string{"sets that were not found as they are"}}
	for i := range r.Cards {
		c := &r.Cards[i]
		t.add(fmt.Sprint(c.Seed), fmt.Sprint(c.Files), fmt.Sprint(c.Sets), fmt.Sprint(c.RightWithMeta), fmt.Sprint(c.RightBare), fmt.Sprintf("%.1f", c.Seconds))
		for _, s := range c.Wrong {
			w.add(fmt.Sprintf("card %d, %s", c.Seed, s))
		}
	}
	tables := []*table{t}
	if len(w.rows) > 0 {
		tables = append(tables, w)
	}
	return report(fmt.Sprintf("Card: %d cards", len(r.Cards)), r.Bars(), tables...)
}
