package card

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"flatfell.example/features"
	"flatfell.example/internal/par"
	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// Options are the settings of [Sort]. The zero value is the default.
type Options struct {
	// Workers is the number of goroutines; zero means one a processor. The
	// result is the same for any number.
	Workers int
	// Seed selects the random stream of the robust searches.
	Seed uint64
	// Progress, if not nil, is told how far a stage has come, 0 to 1.
	Progress func(stage string, done float64)
}

// ErrNothing says that there is no photograph to sort, or none that could be read.
var ErrNothing = errors.New("no photographs")

const (
	// lookSide is the longer side in pixels at which photographs are compared:
	// enough for some hundreds of corners.
	lookSide = 480
	// smallSide is that of the copies for the contact sheet.
	smallSide = 240
	// maxCorners bounds the corners of a photograph.
	maxCorners = 450
)

// look is a photograph as it is compared.
type look struct {
	shot Shot
	// order: folder and name, split for sorting.
	name fileName
	// focalPx is the focal length in pixels of luma, 0 if unknown.
	focalPx float64
	seconds float64       // of the exposure, 0 if unknown
	luma    *raster.Plane // at the reduced size
	view    view
	sharp   sharpness
	corners *features.Set
}

// list returns the picture files below the given files and folders, and the
// number of other files. What a folder holds is looked at to any depth, as
// cards keep their photographs in folders of a thousand.
func list(paths []string, fail func(path string, err error)) (files []string, others int, err error) {
	seen := map[string]bool{}
	for _, root := range paths {
		info, err := os.Stat(root)
		if err != nil {
			return nil, 0, &photo.Error{Path: root, Kind: photo.ErrUnreadable, What: "cannot be read", Remedy: "check the name and the permissions", Cause: err}
		}
		if !info.IsDir() {
			if !seen[root] {
				seen[root] = true
				files = append(files, root)
			}
			continue
		}
		err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil: // a folder that can't be read: the others are
				fail(path, err)
				return nil
			case d.IsDir() && path != root && strings.HasPrefix(d.Name(), "."):
				return fs.SkipDir
			case d.IsDir():
				return nil
			case strings.HasPrefix(d.Name(), ".") || !photo.IsPictureName(d.Name()):
				others++
				return nil
			}
			if !seen[path] {
				seen[path] = true
				files = append(files, path)
			}
			return nil
		})
		if err != nil {
			return nil, 0, err
		}
	}
	return files, others, nil
}

// readAll looks at all files. A file that can't be used is told to fail, in
// the order of the files.
func readAll(ctx context.Context, files []string, o Options, fail func(path string, err error)) ([]*look, error) {
	looks := make([]*look, len(files))
	errs := make([]error, len(files))
	done := counter(len(files), o.Progress, "read")
	err := par.Do(ctx, o.Workers, len(files), func(i int) error {
		looks[i], errs[i] = read(ctx, files[i])
		done()
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	var good []*look
	for i, l := range looks {
		if errs[i] != nil {
			fail(files[i], errs[i])
			continue
		}
		good = append(good, l)
	}
	return good, nil
}

// read looks at one file.
func read(ctx context.Context, path string) (*look, error) {
	f, err := photo.Open(path)
	if err != nil {
		return nil, err
	}
	g, err := f.Glance(ctx, lookSide)
	if err != nil {
		return nil, err
	}
	l := &look{name: splitName(path), seconds: f.Meta.ExposureSeconds}
	l.shot = Shot{
		Files: []string{path}, Width: f.Width, Height: f.Height, Time: f.Meta.Time, FocalMM: f.Meta.FocalMM,
		Camera: cameraName(f.Meta.Make, f.Meta.Model), ReadFrom: string(g.From),
	}
	l.shot.ExposureEV, l.shot.Exposed = f.Meta.ExposureEV()
	if l.luma, err = raster.Luma(ctx, 1, g.Image, 1); err != nil {
		return nil, err
	}
	if w, h := l.luma.Rect.Dx(), l.luma.Rect.Dy(); min(w, h) < 16 {
		return nil, &photo.Error{Path: path, Kind: photo.ErrNotAPicture, What: fmt.Sprintf("is %d × %d pixels, too small for a photograph", f.Width, f.Height), Remedy: "leave it out"}
	}
	if px, _, ok := f.Meta.FocalPx(f.Width, f.Height); ok {
		l.focalPx = px / g.Shrink
	}
	l.view = newView(l.luma)
	l.sharp = newSharpness(l.luma, g.Fine, g.Coarse)
	if l.corners, err = features.Detect(ctx, l.luma, features.Options{MaxPoints: maxCorners, Levels: 4}); err != nil {
		return nil, err
	}
	n := (max(l.luma.Rect.Dx(), l.luma.Rect.Dy()) + smallSide - 1) / smallSide
	l.shot.Small, err = raster.Shrink(ctx, 1, g.Image, n)
	return l, err
}

// cameraName is a camera's maker and model. Many models begin with the maker's name
// already, in whatever case and without the form of the company.
func cameraName(maker, model string) string {
	m, n := strings.Fields(maker), strings.Fields(model)
	if len(m) > 0 && len(n) > 0 && strings.EqualFold(m[0], n[0]) {
		m = nil
	}
	return strings.Join(append(m, n...), " ")
}
