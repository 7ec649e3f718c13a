package bench

import (
	"context"
	"errors"
	"fmt"
	"image"
	"path/filepath"
	"sync"

	"flatfell.example/internal/par"
	"flatfell.example/internal/photo"
	"flatfell.example/internal/scene"
	"flatfell.example/raster"
	"flatfell.example/stitch"
)

// UnrelatedResult is what [Unrelated] measured.
type UnrelatedResult struct {
	Kinds []UnrelatedKind
}

// UnrelatedKind is one kind of pairs.
type UnrelatedKind struct {
	Name  string
	Tried int
	// Joined names the pairs that were joined: each is wrong.
	Joined []string
}

// shot is a frame of which it is known what it shows.
type shot struct {
	name string
	// Two shots of different places share nothing, and neither do those of
	// one source, such as a photograph, of which the parts differ by more
	// than one.
	place, source, part int
	pic                 image.Image
}

// unrelatedPair is two shots that share nothing.
type unrelatedPair struct{ a, b *shot }

// photoSizes are the sizes of the frames that are cut from photographs; the
// smaller has as few details as a join can live with.
var photoSizes = []image.Point{{X: 300, Y: 450}, {X: 150, Y: 225}}

// Unrelated tries to join pairs of frames that share nothing: of rendered
// coasts with and without horizon, clouds and posts, which look alike, and, if
// photographs are given, of frames cut from these. Each of places is one
// place: a file, or a folder of photographs that may show the same. No two of
// them may show the same place. The default is 24 coasts of 400 × 600 pixels.
func Unrelated(ctx context.Context, c Config, places []string) (*UnrelatedResult, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	sources, err := listSources(places)
	if err != nil {
		return nil, err
	}
	c = c.withDefaults(24, 2, 400, 600)
	coasts, err := c.coastShots(ctx)
	if err != nil {
		return nil, err
	}
	tried := [][]unrelatedPair{twoCoasts(coasts), withinSource(coasts)}
	res := &UnrelatedResult{Kinds: []UnrelatedKind{
		{Name: "rendered coasts of two seeds"},
		{Name: "frames of one coast that share nothing"},
	}}
	for _, size := range photoSizes {
		shots, err := cutSources(ctx, c.Workers, sources, size)
		if err != nil {
			return nil, err
		}
		if len(shots) == 0 {
			continue
		}
		small := c
		small.Seeds, small.Width, small.Height = min(c.Seeds, len(shots)), size.X, size.Y
		onCoast, err := small.coastShots(ctx)
		if err != nil {
			return nil, err
		}
		what := fmt.Sprintf(", %d × %d pixels", size.X, size.Y)
		res.Kinds = append(res.Kinds,
			UnrelatedKind{Name: "photographs of two places" + what},
			UnrelatedKind{Name: "the two ends of one photograph" + what},
			UnrelatedKind{Name: "a photograph and a coast" + what})
		tried = append(tried, twoPlaces(shots), withinSource(shots), inTurn(shots, onCoast))
	}
	all, done := 0, 0
	for _, pairs := range tried {
		all += len(pairs)
	}
	var mu sync.Mutex
	for k, pairs := range tried {
		joined := make([]bool, len(pairs))
		err := par.Do(ctx, c.Workers, len(pairs), func(i int) error {
			var err error
			joined[i], err = pairs[i].join(ctx)
			mu.Lock()
			defer mu.Unlock()
			done++
			c.Progress(float64(done) / float64(all))
			return err
		})
		if err != nil {
			return nil, err
		}
		res.Kinds[k].Tried = len(pairs)
		for i, p := range pairs {
			if joined[i] {
				res.Kinds[k].Joined = append(res.Kinds[k].Joined, p.a.name+" and "+p.b.name)
			}
		}
		c.Note(fmt.Sprintf("%s: %d tried, %d joined", res.Kinds[k].Name, len(pairs), len(res.Kinds[k].Joined)))
	}
	return res, nil
}

// join reports whether the two shots are joined.
func (p unrelatedPair) join(ctx context.Context) (bool, error) {
	frames := []*stitch.Frame{stitch.NewFrame(p.a.name, p.a.pic), stitch.NewFrame(p.b.name, p.b.pic)}
	_, err := stitch.Align(ctx, frames, stitch.Options{Workers: 1})
	if err != nil && !errors.Is(err, stitch.ErrNotJoined) {
		return false, fmt.Errorf("%s and %s: %w", p.a.name, p.b.name, err)
	}
	return err == nil, nil
}

// coastFrames is the number of frames of each coast.
const coastFrames = 5

// coastShots renders a row of each seed, in turn of a coast with everything,
// without posts, under a clear sky, and without a horizon. Neighbours share a
// third, so that others share nothing.
func (c Config) coastShots(ctx context.Context) (shots []shot, err error) {
	coasts := []scene.Options{{}, {Posts: -1}, {Clouds: -1}, {NoHorizon: true}}
	for seed := range c.Seeds {
		row := c.fieldRow(uint64(seed))
		row.Frames, row.YawErr = coastFrames, 0
		coast := scene.New(row.Seed, coasts[seed%len(coasts)])
		plan := coast.Plan(row)
		for i := range plan.Frames {
			pic, err := coast.Frame(ctx, c.Workers, &plan, i)
			if err != nil {
				return nil, err
			}
			shots = append(shots, shot{
				name:  fmt.Sprintf("coast %d frame %d", seed, i),
				place: seed, source: seed, part: i, pic: scene.Encode8(pic),
			})
		}
	}
	return shots, nil
}

// twoCoasts pairs each two coasts by one frame of each, ever others.
func twoCoasts(shots []shot) (pairs []unrelatedPair) {
	n := len(shots) / coastFrames
	for i := range n {
		for j := range i {
			pairs = append(pairs, unrelatedPair{&shots[coastFrames*j+(i+j)%coastFrames], &shots[coastFrames*i+(i+2*j)%coastFrames]})
		}
	}
	return pairs
}

// twoPlaces pairs all shots of different places.
func twoPlaces(shots []shot) (pairs []unrelatedPair) {
	for i := range shots {
		for j := range i {
			if shots[i].place != shots[j].place {
				pairs = append(pairs, unrelatedPair{&shots[j], &shots[i]})
			}
		}
	}
	return pairs
}

// withinSource pairs the shots of one source that share nothing.
func withinSource(shots []shot) (pairs []unrelatedPair) {
	for i := range shots {
		for j := range i {
			if a, b := &shots[j], &shots[i]; a.source == b.source && b.part-a.part > 1 {
				pairs = append(pairs, unrelatedPair{a, b})
			}
		}
	}
	return pairs
}

// inTurn pairs each of shots with the next of others.
func inTurn(shots, others []shot) (pairs []unrelatedPair) {
	for i := range shots {
		pairs = append(pairs, unrelatedPair{&shots[i], &others[i%len(others)]})
	}
	return pairs
}

// source is a photograph of a place.
type source struct {
	path  string
	place int
}

// listSources returns the first and the last photograph of each place.
func listSources(places []string) (sources []source, err error) {
	for i, place := range places {
		files, err := photo.List([]string{place})
		if err != nil {
			return nil, err
		}
		sources = append(sources, source{files[0], i})
		if n := len(files); n > 1 {
			sources = append(sources, source{files[n-1], i})
		}
	}
	return sources, nil
}

// cutSources cuts frames of one size out of photographs, reduced as far as
// they allow: the left end, and the right one if the two don't overlap.
// Photographs too small are left out.
func cutSources(ctx context.Context, workers int, sources []source, size image.Point) (shots []shot, err error) {
	ends := make([][]shot, len(sources))
	err = par.Do(ctx, workers, len(sources), func(i int) error {
		s := sources[i]
		pic, err := reduced(ctx, s.path, size)
		if err != nil || pic == nil {
			return err
		}
		y := (pic.Rect.Dy() - size.Y) / 2
		left := image.Rect(0, y, size.X, y+size.Y)
		right := left.Add(image.Pt(pic.Rect.Dx()-size.X, 0))
		name := filepath.Base(s.path)
		ends[i] = []shot{{name: name + ", left end", place: s.place, source: i, part: 0, pic: cut(pic, left)}}
		if !left.Overlaps(right) {
			ends[i] = append(ends[i], shot{name: name + ", right end", place: s.place, source: i, part: 2, pic: cut(pic, right)})
		}
		return nil
	})
	for _, e := range ends {
		shots = append(shots, e...)
	}
	return shots, err
}

// reduced reads a photograph and reduces it by the largest whole factor that
// leaves size; it returns nil if there is none.
func reduced(ctx context.Context, path string, size image.Point) (*raster.Picture, error) {
	f, err := photo.Open(path)
	if err != nil {
		return nil, err
	}
	n := min(f.Width/size.X, f.Height/size.Y)
	if n < 1 {
		return nil, nil
	}
	img, err := f.Decode(ctx)
	if err != nil {
		return nil, err
	}
	return raster.Shrink(ctx, 1, img, n)
}

// cut returns a copy of part r of pic.
func cut(pic *raster.Picture, r image.Rectangle) *raster.Picture {
	out := raster.NewPicture(image.Rectangle{Max: r.Size()})
	for y := range r.Dy() {
		copy(out.Row(y), pic.Row(r.Min.Y + y)[3*r.Min.X:])
	}
	return out
}

// Bars returns the figure that must hold.
func (r *UnrelatedResult) Bars() []Bar {
	joined := 0
	for _, k := range r.Kinds {
		joined += len(k.Joined)
	}
	return []Bar{{"unrelated pairs joined", float64(joined), 0, ""}}
}

// Report returns the bar, the kinds and the pairs wrongly joined.
func (r *UnrelatedResult) Report() Report {
	t := &table{head: []string{"kind", "pairs", "joined"}}
	wrong := &table{head: []string{"joined, though they share nothing"}}
	total := 0
	for _, k := range r.Kinds {
		t.add(k.Name, fmt.Sprint(k.Tried), fmt.Sprint(len(k.Joined)))
		total += k.Tried
		for _, name := range k.Joined {
			wrong.add(name)
		}
	}
	tables := []*table{t}
	if len(wrong.rows) > 0 {
		tables = append(tables, wrong)
	}
	return report(fmt.Sprintf("Unrelated: %d pairs of frames that share nothing", total), r.Bars(), tables...)
}
