package card

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"flatfell.example/internal/photo"
	"flatfell.example/internal/shareddata"
	"flatfell.example/raster"
)

// TestRealSetsShuffled: photographs of seven rows, without metadata, under new
// names in random order. Each row is found whole, and nothing foreign in it.
func TestRealSetsShuffled(t *testing.T) {
	if testing.Short() {
		t.Skip("reads forty photographs")
	}
	rows := []string{"petra-portrait-row", "arches-fin", "arches-ridge", "yosemite", "kayak", "goldengate-quarter", "halfdome-quarter"}
	type frame struct{ row, path string }
	var all []frame
	count := map[string]int{}
	for _, row := range rows {
		files, err := photo.List([]string{shareddata.Dir(t, "rows", row, "frames")})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			all = append(all, frame{row, f})
			count[row]++
		}
	}
	rand.New(rand.NewPCG(4, 2)).Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	dir := t.TempDir()
	of := map[string]string{}
	for i, f := range all {
		path := filepath.Join(dir, fmt.Sprintf("%03d.jpg", i))
		of[path] = f.row
		if err := bare(t.Context(), f.path, path); err != nil {
			t.Fatal(err)
		}
	}
	res, err := Sort(t.Context(), []string{dir}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for k := range res.Sets {
		s := &res.Sets[k]
		var in []string
		for _, i := range s.Shots() {
			in = append(in, of[res.Shots[i].Files[0]])
		}
		slices.Sort(in)
		whole := len(slices.Compact(slices.Clone(in))) == 1 && len(in) == count[in[0]]
		if whole {
			found[in[0]] = s.Kind == Row
			continue
		}
		t.Errorf("%s holds %s", s.Name, strings.Join(in, " "))
	}
	for _, row := range rows {
		if !found[row] {
			t.Errorf("%s was not found whole, as a row", row)
		}
	}
}

// bare writes a photograph again, upright and without metadata.
func bare(ctx context.Context, from, to string) error {
	f, err := photo.Open(from)
	if err != nil {
		return err
	}
	img, err := f.Decode(ctx)
	if err != nil {
		return err
	}
	pic, err := raster.FromImage(ctx, 0, img)
	if err != nil {
		return err
	}
	return photo.Write(ctx, to, pic, photo.WriteOptions{Quality: 95})
}
