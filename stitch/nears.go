package stitch

import (
	"image"
	"slices"
	"sync"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// nears are parts of frames that lie in files, brought into memory because many
// small pieces of them are looked at. A part stays as long as there is room:
// the two sides of a join ask for the same ones.
type nears struct {
	mu    sync.Mutex
	parts []*nearPart // the one asked for last at the end
	shelf raster.Shelf
}

// nearPart is the part rect of a frame.
type nearPart struct {
	of    *raster.Stored
	rect  image.Rectangle
	bytes int64
	users int
	read  sync.Once
	near  *raster.Stored
	put   func()
	err   error
}

// nearOverlap returns img with about that part of it in memory that another
// camera sees too, if it lies in a file and there is room for two of them for each
// worker. What is not in memory is read as it is asked for, more slowly.
func (c *cache) nearOverlap(img image.Image, cam, other *geom.Camera, workers int) (near image.Image, put func(), err error) {
	s, ok := img.(*raster.Stored)
	if !ok {
		return img, func() {}, nil
	}
	var r image.Rectangle
	step := max(1, cam.Width/64)
	for y := 0; y < cam.Height; y += step {
		for x := 0; x < cam.Width; x += step {
			if sees(cam, other, geom.Pt{X: float64(x), Y: float64(y)}, 0) {
				r = r.Union(image.Rect(x-step, y-step, x+step, y+step))
			}
		}
	}
	bytes := s.PartBytes(r)
	if bytes == 0 || bytes*2*int64(par.Workers(workers)) > c.budget {
		return img, func() {}, nil
	}
	return c.nears.get(s, r, bytes, c.budget)
}

// get returns part r of s, and lets others go that nobody uses if they would be
// more than budget together.
func (n *nears) get(s *raster.Stored, r image.Rectangle, bytes, budget int64) (image.Image, func(), error) {
	n.mu.Lock()
	var part *nearPart
	at := slices.IndexFunc(n.parts, func(p *nearPart) bool { return p.of == s && p.rect == r })
	if at >= 0 {
		part = n.parts[at]
		n.parts = slices.Delete(n.parts, at, at+1)
	} else {
		part = &nearPart{of: s, rect: r, bytes: bytes}
		n.shrink(budget - bytes)
	}
	n.parts = append(n.parts, part)
	part.users++
	n.mu.Unlock()
	put := func() {
		n.mu.Lock()
		defer n.mu.Unlock()
		part.users--
	}
	part.read.Do(func() { part.near, part.put, part.err = s.Near(r, &n.shelf) })
	if part.err != nil {
		put()
		return nil, nil, part.err
	}
	return part.near, put, nil
}

// shrink lets parts go that nobody uses until the others have at most some bytes.
func (n *nears) shrink(most int64) {
	var bytes int64
	for _, p := range n.parts {
		bytes += p.bytes
	}
	n.parts = slices.DeleteFunc(n.parts, func(p *nearPart) bool {
		if bytes <= most || p.users > 0 {
			return false
		}
		bytes -= p.bytes
		if p.err == nil {
			p.put()
		}
		return true
	})
}

// drop lets all parts and their memory go.
func (n *nears) drop() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.shrink(-1)
	n.shelf.Clear()
}
