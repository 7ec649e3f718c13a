package stitch

import (
	"context"
	"image"
	"sync"

	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// tiles are the pixels of a picture that is held, in memory or in a file: squares
// one behind the other, in columns, each with room for a whole one.
type tiles struct {
	f     *Finished
	grain int // side of a tile
	// A column in memory is made when it is begun: if strips go from left to right,
	// frames go while the picture grows.
	memory []column
	file   *photo.Scratch

	scratch sync.Pool // of *[]byte, a tile
	mu      sync.Mutex
	err     error // the first of Put
}

// column is a column of tiles in memory.
type column struct {
	begin sync.Once
	bytes []byte
}

// newTiles makes the pixels of a picture that is put together of tiles of grain
// pixels. It is kept in memory up to limit bytes, in dir else.
func newTiles(f *Finished, grain int, limit int64, dir string) (*tiles, error) {
	t := &tiles{f: f, grain: grain}
	t.scratch.New = func() any { b := make([]byte, t.tileBytes()); return &b }
	bytes := int64(t.columns()) * int64(t.rows()) * t.tileBytes()
	if bytes <= limit {
		t.memory = make([]column, t.columns())
		return t, nil
	}
	file, err := photo.NewScratch(dir)
	t.file = file
	return t, err
}

func (t *tiles) columns() int     { return ceilDiv(t.f.w, t.grain) }
func (t *tiles) rows() int        { return ceilDiv(t.f.h, t.grain) }
func (t *tiles) line() int        { return t.grain * t.f.pixel } // bytes of a tile's line
func (t *tiles) tileBytes() int64 { return int64(t.grain) * int64(t.line()) }

// offset returns where line y of the tile of a column begins.
func (t *tiles) offset(column, y int) int64 {
	return (int64(column)*int64(t.rows())+int64(y/t.grain))*t.tileBytes() + int64(y%t.grain)*int64(t.line())
}

func (t *tiles) close() error {
	t.memory = nil
	if t.file == nil {
		return nil
	}
	return t.file.Close()
}

// Put is a blend.Canvas of whole tiles.
func (t *tiles) Put(r image.Rectangle, rgb *[3]*raster.Plane, valid []uint8) {
	at := t.offset(r.Min.X/t.grain, r.Min.Y)
	if t.file == nil {
		c := r.Min.X / t.grain
		t.memory[c].begin.Do(func() { t.memory[c].bytes = make([]byte, t.offset(1, 0)) })
		t.f.pack(t.memory[c].bytes[at-t.offset(c, 0):], t.line(), r, rgb, valid)
		return
	}
	buf := t.scratch.Get().(*[]byte)
	defer t.scratch.Put(buf)
	t.f.pack(*buf, t.line(), r, rgb, valid)
	if _, err := t.file.WriteAt((*buf)[:r.Dy()*t.line()], at); err != nil {
		t.mu.Lock()
		if t.err == nil {
			t.err = err
		}
		t.mu.Unlock()
	}
}

// eachSpan implements pixelStore.
func (t *tiles) eachSpan(_ context.Context, y0, n int, use func(x, y int, pixels []byte)) error {
	line := t.line()
	var buf *[]byte
	if t.file != nil {
		buf = t.scratch.Get().(*[]byte)
		defer t.scratch.Put(buf)
	}
	for y := y0; y < y0+n; {
		lines := min(y0+n-y, t.grain-y%t.grain)
		for c := range t.columns() {
			x := c * t.grain
			at := t.offset(c, y)
			var tile []byte
			if t.file == nil {
				tile = t.memory[c].bytes[at-t.offset(c, 0):][:lines*line]
			} else {
				tile = (*buf)[:lines*line]
				if _, err := t.file.ReadAt(tile, at); err != nil {
					return err
				}
			}
			for k := range lines {
				use(x, y+k, tile[k*line:][:min(t.grain, t.f.w-x)*t.f.pixel])
			}
		}
		y += lines
	}
	return nil
}
