package raster

import (
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"io"
	"slices"
	"sync"
	"sync/atomic"
)

// Stored is a picture that lies in a file, or in memory as a file would have
// it, and hands out rectangles of its samples as they are asked for: a frame of
// any size takes the memory of the part that is looked at. It is safe for
// concurrent use.
//
// It implements image.Image, its bounds start at (0, 0); At reads one pixel at a
// time.
type Stored struct {
	l      StoredLayout
	r      io.ReaderAt
	memory []byte // instead of r
	// near, if not nil, is a part that is in memory as a Picture has it, without
	// alpha.
	near   *Picture
	shared *storedShared
}

// storedShared is what a Stored and those that are near have in common.
type storedShared struct {
	failed atomic.Pointer[storedError]
	spans  sync.Pool // of *[]byte
	pixels sync.Pool // of *Picture
}

// StoredLayout says how the samples lie: lines from top to bottom without gaps,
// in strips that each begin anywhere.
type StoredLayout struct {
	Width, Height int
	Samples       int  // a pixel: 1 grey; 3 RGB; 4 RGB and alpha, not premultiplied
	Bytes         int  // a sample: 1 or 2
	BigEndian     bool // the order of two bytes
	Inverted      bool // 0 is white
	Strips        []int64
	PerStrip      int // lines of a strip; the last may have fewer
}

// PixelBytes returns the bytes of a pixel.
func (l *StoredLayout) PixelBytes() int { return l.Samples * l.Bytes }

// LineBytes returns the bytes of a line.
func (l *StoredLayout) LineBytes() int { return l.Width * l.PixelBytes() }

// Offset returns where line y begins.
func (l *StoredLayout) Offset(y int) int64 {
	return l.Strips[y/l.PerStrip] + int64(y%l.PerStrip)*int64(l.LineBytes())
}

// NewStored returns the picture that r holds. If r is an io.Closer,
// [Stored.Close] closes it. It panics if the layout is none.
func NewStored(r io.ReaderAt, l StoredLayout) *Stored {
	l.check()
	return &Stored{l: l, r: r, shared: new(storedShared)}
}

// NewStoredMemory returns the picture of the samples in memory: one strip at 0.
func NewStoredMemory(samples []byte, l StoredLayout) *Stored {
	l.Strips, l.PerStrip = []int64{0}, l.Height
	l.check()
	if len(samples) != l.Height*l.LineBytes() {
		panic(fmt.Sprintf("raster: NewStoredMemory: %d bytes for %d × %d pixels of %d", len(samples), l.Width, l.Height, l.PixelBytes()))
	}
	return &Stored{l: l, memory: samples, shared: new(storedShared)}
}

// together returns how many of n lines from line y on lie one behind the other.
func (l *StoredLayout) together(y, n int) int {
	k := l.PerStrip - y%l.PerStrip
	for k < n && l.Offset(y+k) == l.Offset(y)+int64(k*l.LineBytes()) {
		k += l.PerStrip
	}
	return min(k, n)
}

func (l *StoredLayout) check() {
	if l.Width < 1 || l.Height < 1 || l.Bytes < 1 || l.Bytes > 2 || l.Samples != 1 && l.Samples != 3 && l.Samples != 4 ||
		l.PerStrip < 1 || len(l.Strips) != (l.Height+l.PerStrip-1)/l.PerStrip {
		panic(fmt.Sprintf("raster: no layout: %d × %d pixels of %d samples of %d bytes in %d strips of %d lines",
			l.Width, l.Height, l.Samples, l.Bytes, len(l.Strips), l.PerStrip))
	}
}

// Read stores the pixels of dst.Rect, which must lie inside the picture, in dst:
// as [FromImage] would convert them, alpha only if dst has some. A sample that
// cannot be read is 0; the error is told now and by Err from now on.
func (s *Stored) Read(dst *Picture) error {
	r := dst.Rect
	if !r.In(s.Bounds()) {
		panic(fmt.Sprintf("raster: Stored.Read: %v is not inside %v", r, s.Bounds()))
	}
	if s.near != nil && r.In(s.near.Rect) && (dst.Alpha == nil || s.Opaque()) {
		for y := r.Min.Y; y < r.Max.Y; y++ {
			copy(dst.Row(y), s.near.Row(y)[3*(r.Min.X-s.near.Rect.Min.X):])
		}
		opaque(dst.Alpha)
		return nil
	}
	err := s.readFar(dst)
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		s.shared.failed.CompareAndSwap(nil, &storedError{err})
		clear(dst.Pix)
	}
	return err
}

// opaque fills a picture's alpha.
func opaque(alpha []uint16) {
	for i := range alpha {
		alpha[i] = 0xffff
	}
}

// readFar is Read of samples that are not near.
func (s *Stored) readFar(dst *Picture) error {
	r := dst.Rect
	buf, _ := s.shared.spans.Get().(*[]byte)
	if buf == nil {
		buf = new([]byte)
	}
	defer s.shared.spans.Put(buf)
	for y := r.Min.Y; y < r.Max.Y; {
		lines, span, err := s.span(buf, r, y)
		if err != nil {
			return err
		}
		for k := range lines {
			s.l.convert(dst.Row(y+k), dst.AlphaRow(y+k), span[k*s.l.LineBytes():])
		}
		y += lines
	}
	return nil
}

// mostSpan bounds the bytes that are read at once: few enough to be still in a
// processor's nearer memory when they are converted.
const mostSpan = 1 << 18

// span returns the bytes of some lines of r from y on, the first pixel of r
// first. Lines that r has most of are read together with what lies between.
func (s *Stored) span(buf *[]byte, r image.Rectangle, y int) (lines int, span []byte, err error) {
	line := s.l.LineBytes()
	at := s.l.Offset(y) + int64(r.Min.X*s.l.PixelBytes())
	if s.memory != nil {
		return r.Max.Y - y, s.memory[at:], nil
	}
	lines = 1
	if 2*r.Dx() > s.l.Width {
		lines = s.l.together(y, max(1, min(r.Max.Y-y, mostSpan/line)))
	}
	n := (lines-1)*line + r.Dx()*s.l.PixelBytes()
	if cap(*buf) < n {
		*buf = make([]byte, max(n, mostSpan))
	}
	span = (*buf)[:n]
	if read, err := s.r.ReadAt(span, at); read < n {
		return lines, span, err
	}
	return lines, span, nil
}

// Shelf keeps the memory of parts that were near for those after them: fresh memory
// costs about as much as what is read into it. The zero value is empty.
type Shelf struct {
	mu   sync.Mutex
	free []*Picture
}

// get returns a picture with bounds r; its samples are anything.
func (s *Shelf) get(r image.Rectangle) *Picture {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 3 * r.Dx() * r.Dy()
	best := -1
	for i, p := range s.free {
		if best < 0 || cap(p.Pix) >= n && (cap(p.Pix) < cap(s.free[best].Pix) || cap(s.free[best].Pix) < n) {
			best = i
		}
	}
	p := new(Picture)
	if best >= 0 {
		p = s.free[best]
		s.free = slices.Delete(s.free, best, best+1)
	}
	if cap(p.Pix) < n {
		p.Pix = make([]uint16, 0, n+n/8) // the next is as large, about
	}
	p.Reset(r)
	return p
}

func (s *Shelf) put(p *Picture) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.free = append(s.free, p)
}

// Clear lets the memory go.
func (s *Shelf) Clear() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.free = nil
}

// Near returns the same picture with its part r in memory, cut to its bounds: for
// many small rectangles of it. put gives the memory back to the shelf; the other
// must not be used then. A picture that is in memory already is returned itself.
func (s *Stored) Near(r image.Rectangle, shelf *Shelf) (near *Stored, put func(), err error) {
	r = s.nearRect(r)
	if s.memory != nil || r.Empty() {
		return s, func() {}, nil
	}
	p := shelf.get(r)
	put = func() { shelf.put(p) }
	if err := s.Read(p); err != nil {
		put()
		return nil, nil, err
	}
	return &Stored{l: s.l, r: s.r, near: p, shared: s.shared}, put, nil
}

// nearRect returns the part that Near brings for r: lines that r has most of
// come whole, in one piece.
func (s *Stored) nearRect(r image.Rectangle) image.Rectangle {
	r = r.Intersect(s.Bounds())
	if 2*r.Dx() > s.l.Width {
		r.Min.X, r.Max.X = 0, s.l.Width
	}
	return r
}

// convert turns the bytes of a line into samples.
func (l *StoredLayout) convert(rgb, alpha []uint16, b []byte) {
	switch {
	case l.Samples == 1:
		for x := range len(rgb) / 3 {
			v := l.sample(b[x*l.Bytes:])
			if l.Inverted {
				v = 0xffff - v
			}
			setGray(rgb[3*x:], v)
		}
		opaque(alpha)
	case l.Samples == 4:
		for x := range len(rgb) / 3 {
			px := b[4*x*l.Bytes:]
			for c := range 3 {
				rgb[3*x+c] = l.sample(px[c*l.Bytes:])
			}
			if alpha != nil {
				alpha[x] = l.sample(px[3*l.Bytes:])
			}
		}
	default:
		switch {
		case l.Bytes == 1:
			b = b[:len(rgb)]
			for i, v := range b {
				rgb[i] = uint16(v) * 0x101
			}
		case l.BigEndian:
			b = b[:2*len(rgb)]
			for i := range rgb {
				rgb[i] = binary.BigEndian.Uint16(b[2*i : 2*i+2])
			}
		default:
			DecodeWords(rgb, b[:2*len(rgb)])
		}
		opaque(alpha)
	}
}

// sample returns the first sample of b.
func (l *StoredLayout) sample(b []byte) uint16 {
	switch {
	case l.Bytes == 1:
		return uint16(b[0]) * 0x101
	case l.BigEndian:
		return binary.BigEndian.Uint16(b)
	}
	return binary.LittleEndian.Uint16(b)
}

// Part returns a picture that has at least the part r of this one, without alpha;
// its memory is used again after put, and must not be written to. What cannot be
// read is black, see [Stored.Err].
func (s *Stored) Part(r image.Rectangle) (p *Picture, put func()) {
	if s.near != nil && r.In(s.near.Rect) {
		return s.near, func() {}
	}
	p, _ = s.shared.pixels.Get().(*Picture)
	if p == nil {
		p = new(Picture)
	}
	p.Reset(r)
	_ = s.Read(p) // kept by Err
	return p, func() { s.shared.pixels.Put(p) }
}

type storedError struct{ err error }

// Err returns the first error of a reading, nil if there was none.
func (s *Stored) Err() error {
	if e := s.shared.failed.Load(); e != nil {
		return e.err
	}
	return nil
}

// storedErr is Err of an image that is stored.
func storedErr(img image.Image) error {
	if s, ok := img.(*Stored); ok {
		return s.Err()
	}
	return nil
}

// PartBytes returns the memory that Near takes for a part, 0 if it is there.
func (s *Stored) PartBytes(r image.Rectangle) int64 {
	if s.memory != nil {
		return 0
	}
	r = s.nearRect(r)
	return 6 * int64(r.Dx()) * int64(r.Dy())
}

// Bytes returns the memory that the samples take; 0 if they lie in a file.
func (s *Stored) Bytes() int64 { return int64(len(s.memory)) }

// Close closes the file that the samples lie in, if they do. The picture must not
// be used any more then.
func (s *Stored) Close() error {
	if c, ok := s.r.(io.Closer); ok {
		return c.Close()
	}
	return nil
}

// Opaque reports whether the picture has no alpha.
func (s *Stored) Opaque() bool { return s.l.Samples != 4 }

// ColorModel implements image.Image.
func (s *Stored) ColorModel() color.Model { return color.NRGBA64Model }

// Bounds implements image.Image.
func (s *Stored) Bounds() image.Rectangle { return image.Rect(0, 0, s.l.Width, s.l.Height) }

// At implements image.Image.
func (s *Stored) At(x, y int) color.Color {
	if !(image.Point{X: x, Y: y}).In(s.Bounds()) {
		return color.NRGBA64{}
	}
	p := NewPicture(image.Rect(x, y, x+1, y+1))
	if !s.Opaque() {
		p.Alpha = make([]uint16, 1)
	}
	_ = s.Read(p) // kept by Err
	return p.At(x, y)
}
