package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"flatfell.example/focus"
	"flatfell.example/internal/photo"
	"flatfell.example/stitch"
)

// position is where the camera stood turned while a focus bracket was taken.
type position struct {
	folder string
	files  []string
}

// positionsOf returns the positions of a row of brackets: of each folder, if each
// is to be one; else of the folders in the one that is given, if it holds no
// pictures itself. It returns none if args are the frames of a row.
func positionsOf(args []string, each bool) ([]position, error) {
	folders := args
	if !each {
		if len(args) != 1 {
			return nil, nil
		}
		if _, err := photo.List(args); !errors.Is(err, photo.ErrNotAPicture) {
			return nil, nil // pictures, or an error that is told as ever
		}
		entries, err := os.ReadDir(args[0])
		if err != nil {
			return nil, nil
		}
		folders = nil
		for _, e := range entries {
			folder := filepath.Join(args[0], e.Name())
			if _, err := photo.List([]string{folder}); e.IsDir() && err == nil {
				folders = append(folders, folder)
			}
		}
		if len(folders) < 2 {
			return nil, nil
		}
	}
	out := make([]position, len(folders))
	for i, f := range folders {
		files, err := photo.List([]string{f})
		if err != nil {
			return nil, err
		}
		if len(files) < 2 {
			return nil, oneFrame(f)
		}
		out[i] = position{f, files}
	}
	return out, nil
}

func oneFrame(folder string) error {
	return fmt.Errorf("%s: holds one frame, and a focus bracket has two or more; give a folder for each position of the row", folder)
}

func allFolders(paths []string) bool {
	return !slices.ContainsFunc(paths, func(p string) bool {
		info, err := os.Stat(p)
		return err != nil || !info.IsDir()
	})
}

// mergedFrames are the merged brackets of a row, in files of their own.
type mergedFrames struct {
	frames []*stitch.Frame
	dir    string
}

// Close removes the files.
func (m *mergedFrames) Close() error { return os.RemoveAll(m.dir) }

// mergeBrackets merges each position of a row, one after the other, into files
// beside out. All are cut to the same part, so that they are frames of one lens;
// order and poses of the first help to find those of the others.
func mergeBrackets(ctx context.Context, positions []position, out string, workers int, w io.Writer, quiet bool) (_ *mergedFrames, err error) {
	progress := newProgress(w, quiet, []stage{{"align", "aligning brackets", 600}, {"merge", "merging brackets", 400}})
	defer progress.end()
	given := make([][]*focus.Slice, len(positions))
	plans := make([]*focus.Plan, len(positions))
	o := focus.Options{Workers: workers}
	progress.report("align", 0)
	for i, p := range positions {
		for _, f := range p.files {
			s, err := focus.OpenSlice(f)
			if err != nil {
				return nil, err
			}
			given[i] = append(given[i], s)
		}
		plans[i], err = focus.Align(ctx, given[i], o)
		if _, named := errors.AsType[*photo.Error](err); err != nil && !named {
			err = fmt.Errorf("%s: %w", p.folder, err)
		}
		if (errors.Is(err, focus.ErrNotOneView) || errors.Is(err, focus.ErrSlices)) && allFolders([]string{p.folder}) {
			err = &hintedError{err, "nothing was written; if these are rows, name one of the folders: flatfell stitch " + p.folder}
		}
		if err != nil {
			return nil, err
		}
		o.Like = plans[0]
		progress.report("align", float64(i+1)/float64(len(positions)))
	}
	if err := focus.CropAlike(plans); err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp(filepath.Dir(out), ".flatfell-*.part")
	if err != nil {
		return nil, fmt.Errorf("%s: the merged brackets cannot be kept beside the picture (%w); give another folder", out, plainPathError(err))
	}
	m := &mergedFrames{dir: dir}
	defer func() {
		if err != nil {
			err = errors.Join(err, m.Close())
		}
	}()
	progress.report("merge", 0)
	for i, p := range positions {
		pic, err := focus.Merge(ctx, plans[i], given[i], focus.Options{Workers: workers})
		if err != nil {
			return nil, err
		}
		origin, err := focus.NewOrigin(plans[i], given[i], "flatfell "+version())
		if err != nil {
			return nil, err
		}
		path := filepath.Join(dir, fmt.Sprintf("%d.tif", i+1))
		if err := focus.WriteFile(ctx, path, pic, focus.WriteOptions{Bits: 16, Compression: "none", Origin: origin, Workers: workers}); err != nil {
			return nil, err
		}
		f, err := stitch.OpenFrame(path)
		if err != nil {
			return nil, err
		}
		// What the file cannot tell: a crop has the focal length of the whole.
		ref, err := stitch.OpenFrame(p.files[plans[i].Frames[len(plans[i].Frames)-1].Index])
		if err != nil {
			return nil, err
		}
		f.Name, f.Bits, f.FocalPx, f.FocalSource = p.folder, ref.Bits, ref.FocalPx, ref.FocalSource
		m.frames = append(m.frames, f)
		progress.report("merge", float64(i+1)/float64(len(positions)))
	}
	return m, nil
}
