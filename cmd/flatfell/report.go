package main

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"flatfell.example/internal/photo"
	pages "flatfell.example/internal/report"
	"flatfell.example/raster"
	"flatfell.example/stitch"
)

const (
	// tileSide is the side in pixels of the tiles of a page's picture.
	tileSide = 512
	// insidePixels is the largest picture of which the tiles are held in the page;
	// those of a larger one are laid beside it.
	insidePixels = 12e6
	tileQuality  = 85
)

// checkReport is photo.CheckWhole for a page.
func checkReport(path string, overwrite bool) error {
	if e := strings.ToLower(filepath.Ext(path)); e != ".html" && e != ".htm" {
		return &photo.Error{Path: path, Kind: photo.ErrEnding, What: "is no name for a report", Remedy: "use .html"}
	}
	return photo.CheckWhole(path, overwrite)
}

// tilesFolder is where the tiles beside a page lie.
func tilesFolder(page string) string {
	return strings.TrimSuffix(page, filepath.Ext(page)) + "-tiles"
}

// tileName is the name of a tile; no other file in a folder of tiles is touched.
var tileName = regexp.MustCompile(`^[0-9]+-[0-9]+\.jpg$`)

// checkTiles refuses a folder of tiles that is there, unless it may be replaced, and
// one that holds a file that is read.
func (s *stitchCommand) checkTiles(inputs []string) error {
	if s.report == "" {
		return nil
	}
	dir := tilesFolder(s.report)
	for _, in := range inputs {
		if samePath(filepath.Dir(in), dir) {
			return s.usage("--report would lay its tiles into %s, which holds %s; give another name", dir, in)
		}
	}
	switch _, err := os.Lstat(dir); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("%s: cannot be looked at (%w)", dir, plainPathError(err))
	case !s.overwrite:
		return fmt.Errorf("%s is there already, and would take the tiles of %s; give another name, or --overwrite", dir, s.report)
	}
	return nil
}

// writeReport examines the picture and writes the page about it. The tiles of a
// picture of more than inside pixels are laid beside the page.
func (s *stitchCommand) writeReport(ctx context.Context, sol *stitch.Solution, frames []*stitch.Frame, pic *stitch.Finished, o stitch.Options, inside float64) error {
	ev, err := stitch.Examine(ctx, sol, frames, pic, o)
	if err != nil {
		return err
	}
	page := pages.Run{Solution: sol, Evidence: ev, TileSide: tileSide, Command: s.typed, Version: version()}
	put := func(tile []byte, _ string) (string, error) {
		return "data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(tile), nil
	}
	finish := func() error { return nil }
	if w, h := pic.Size(); float64(w)*float64(h) > inside {
		dir := tilesFolder(s.report)
		t, err := newTiles(dir)
		if err != nil {
			return err
		}
		defer t.drop()
		finish = t.finish
		put = func(tile []byte, name string) (string, error) {
			return url.PathEscape(filepath.Base(dir)) + "/" + name, t.add(name, tile)
		}
	}
	err = pic.Tiles(ctx, tileSide, tileQuality, s.workers.n, func(column, line int, tile []byte) error {
		src, err := put(tile, fmt.Sprintf("%d-%d.jpg", line, column))
		if column == 0 {
			page.Tiles = append(page.Tiles, nil)
		}
		page.Tiles[line] = append(page.Tiles[line], src)
		return err
	})
	if err != nil {
		return err
	}
	if err := finish(); err != nil {
		return err
	}
	return photo.WriteWhole(ctx, s.report, s.overwrite, page)
}

// tiles is a folder of tiles that is made beside its place, so that an old one stays
// until the new is there.
type tiles struct {
	dir, work string
	names     []string
}

func newTiles(dir string) (*tiles, error) {
	work, err := os.MkdirTemp(filepath.Dir(dir), ".tiles-")
	t := &tiles{dir: dir, work: work}
	if err != nil {
		return nil, t.failed(err)
	}
	return t, nil
}

func (t *tiles) failed(err error) error {
	return fmt.Errorf("%s: cannot hold the tiles of the report (%w); make room, or choose another folder", t.dir, plainPathError(err))
}

func (t *tiles) add(name string, tile []byte) error {
	t.names = append(t.names, name)
	if err := os.WriteFile(filepath.Join(t.work, name), tile, 0o666); err != nil {
		return t.failed(err)
	}
	return nil
}

// finish puts the tiles into their place, and takes old ones out of it; other files
// there stay.
func (t *tiles) finish() error {
	if err := os.MkdirAll(t.dir, 0o777); err != nil {
		return t.failed(err)
	}
	old, err := os.ReadDir(t.dir)
	if err != nil {
		return t.failed(err)
	}
	for _, e := range old {
		if tileName.MatchString(e.Name()) && e.Type().IsRegular() {
			if err := os.Remove(filepath.Join(t.dir, e.Name())); err != nil {
				return t.failed(err)
			}
		}
	}
	for _, name := range t.names {
		if err := os.Rename(filepath.Join(t.work, name), filepath.Join(t.dir, name)); err != nil {
			return t.failed(err)
		}
	}
	return nil
}

// drop takes away what is not in its place.
func (t *tiles) drop() { _ = os.RemoveAll(t.work) }

// typed is the command line that a command was called by: its name, what was given,
// and the options that were set.
func typed(cmd *cobra.Command, args []string) []string {
	line := append(strings.Fields(cmd.CommandPath()), args...)
	cmd.Flags().Visit(func(f *pflag.Flag) {
		if kept, ok := f.Value.(*keepFlag); ok {
			for k := range *kept {
				one := (*kept)[k : k+1]
				line = append(line, "--"+f.Name, one.String())
			}
			return
		}
		switch {
		case f.Value.Type() == "bool":
			line = append(line, "--"+f.Name)
		case strings.HasPrefix(f.Value.String(), "-"):
			line = append(line, "--"+f.Name+"="+f.Value.String())
		default:
			line = append(line, "--"+f.Name, f.Value.String())
		}
	})
	return line
}

// thumbnail is a picture made small by a whole number, its longer side no less than
// long pixels.
func thumbnail(ctx context.Context, img image.Image, long int) (pages.Thumbnail, error) {
	small, err := raster.Shrink(ctx, 1, img, max(1, max(img.Bounds().Dx(), img.Bounds().Dy())/long))
	if err != nil {
		return pages.Thumbnail{}, err
	}
	b, err := photo.JPEGBytes(ctx, small, 82)
	return pages.Thumbnail{JPEG: b, Width: small.Rect.Dx(), Height: small.Rect.Dy()}, err
}
