package raster

import (
	"bytes"
	"errors"
	"image"
	"io"
	"slices"
	"testing"
)

// storedTwins has pictures of each layout and what they hold as Go's own types.
func storedTwins() map[string]struct {
	stored *Stored
	twin   image.Image
} {
	type pair = struct {
		stored *Stored
		twin   image.Image
	}
	r := image.Rect(0, 0, 37, 51)
	gray, gray16, nrgba, nrgba64 := image.NewGray(r), image.NewGray16(r), image.NewNRGBA(r), image.NewNRGBA64(r)
	for i, pix := range [][]uint8{gray.Pix, gray16.Pix, nrgba.Pix, nrgba64.Pix} {
		fill(pix, uint64(20+i))
	}
	out := map[string]pair{}
	add := func(name string, twin image.Image, pix []byte, l StoredLayout) {
		l.Width, l.Height = r.Dx(), r.Dy()
		out[name+" in memory"] = pair{NewStoredMemory(pix, l), twin}
		// Strips of 4 lines, the last first.
		l.PerStrip = 4
		file := []byte("head")
		for y := (l.Height - 1) / 4 * 4; y >= 0; y -= 4 {
			l.Strips = append(l.Strips, int64(len(file)))
			file = append(file, pix[y*l.LineBytes():min(y+4, l.Height)*l.LineBytes()]...)
		}
		slices.Reverse(l.Strips)
		out[name+" in a file"] = pair{NewStored(bytes.NewReader(file), l), twin}
		// The strips in order, but for a gap before the last three.
		file, l.Strips = []byte("head"), nil
		for y := 0; y < l.Height; y += 4 {
			if y == 40 {
				file = append(file, "gap"...)
			}
			l.Strips = append(l.Strips, int64(len(file)))
			file = append(file, pix[y*l.LineBytes():min(y+4, l.Height)*l.LineBytes()]...)
		}
		out[name+" in a file, in order"] = pair{NewStored(bytes.NewReader(file), l), twin}
	}
	add("grey", gray, gray.Pix, StoredLayout{Samples: 1, Bytes: 1})
	add("grey of 16 bits", gray16, gray16.Pix, StoredLayout{Samples: 1, Bytes: 2, BigEndian: true})
	negative := image.NewGray(r)
	for i, v := range gray.Pix {
		negative.Pix[i] = 255 - v
	}
	add("negative", negative, gray.Pix, StoredLayout{Samples: 1, Bytes: 1, Inverted: true})
	add("alpha", nrgba, nrgba.Pix, StoredLayout{Samples: 4, Bytes: 1})
	add("alpha of 16 bits", nrgba64, nrgba64.Pix, StoredLayout{Samples: 4, Bytes: 2, BigEndian: true})
	rgb, opaque := []byte{}, image.NewNRGBA(r)
	for i := 0; i < len(nrgba.Pix); i += 4 {
		rgb = append(rgb, nrgba.Pix[i:i+3]...)
		copy(opaque.Pix[i:], nrgba.Pix[i:i+3])
		opaque.Pix[i+3] = 255
	}
	add("RGB", opaque, rgb, StoredLayout{Samples: 3, Bytes: 1})
	little, opaque64 := []byte{}, image.NewNRGBA64(r)
	for i := 0; i < len(nrgba64.Pix); i += 8 {
		p := nrgba64.Pix[i : i+6]
		little = append(little, p[1], p[0], p[3], p[2], p[5], p[4])
		copy(opaque64.Pix[i:], p)
		opaque64.Pix[i+6], opaque64.Pix[i+7] = 255, 255
	}
	add("RGB of 16 bits", opaque64, little, StoredLayout{Samples: 3, Bytes: 2})
	return out
}

// TestStored: all conversions of a stored picture give what they give of the
// same picture in memory.
func TestStored(t *testing.T) {
	for name, p := range storedTwins() {
		t.Run(name, func(t *testing.T) {
			ctx := t.Context()
			want, err := FromImage(ctx, 1, p.twin)
			if err != nil {
				t.Fatal(err)
			}
			for _, workers := range []int{1, 3} {
				got, err := FromImage(ctx, workers, p.stored)
				if err != nil || !slices.Equal(got.Pix, want.Pix) || !slices.Equal(got.Alpha, want.Alpha) {
					t.Fatalf("FromImage on %d workers differs, error %v", workers, err)
				}
			}
			var shelf Shelf
			for _, part := range []image.Rectangle{image.Rect(5, 7, 20, 45), image.Rect(5, 7, 99, 45)} {
				near, put, err := p.stored.Near(part, &shelf)
				if err != nil {
					t.Fatal(err)
				}
				defer put()
				for _, r := range []image.Rectangle{image.Rect(5, 7, 37, 33), image.Rect(9, 20, 12, 21), image.Rect(2, 3, 9, 8)} {
					a, putA := near.Part(r)
					for y := r.Min.Y; y < r.Max.Y; y++ {
						if !slices.Equal(a.Row(y)[3*(r.Min.X-a.Rect.Min.X):][:3*r.Dx()], want.Row(y)[3*r.Min.X:3*r.Max.X]) {
							t.Errorf("line %d of %v differs if it is near", y, r)
						}
					}
					putA()
				}
			}
			for _, shrink := range []int{1, 3} {
				got, err1 := Luma(ctx, 2, p.stored, shrink)
				twin, err2 := Luma(ctx, 2, want, shrink)
				if err1 != nil || err2 != nil || !slices.Equal(got.Pix, twin.Pix) {
					t.Errorf("Luma by %d differs, errors %v, %v", shrink, err1, err2)
				}
				small, err1 := Shrink(ctx, 2, p.stored, shrink)
				smallTwin, err2 := Shrink(ctx, 2, want, shrink)
				if err1 != nil || err2 != nil || !slices.Equal(small.Pix, smallTwin.Pix) {
					t.Errorf("Shrink by %d differs, errors %v, %v", shrink, err1, err2)
				}
				for _, r := range []image.Rectangle{
					image.Rect(2, 3, 9, 8), image.Rect(-5, -6, 3, 2), image.Rect(30, 40, 44, 60), image.Rect(-9, 4, -2, 6), image.Rect(2, 90, 5, 93),
				} {
					a, b := NewPlane(r), NewPlane(r)
					LumaPatch(a, p.stored, shrink)
					LumaPatch(b, want, shrink)
					if !slices.Equal(a.Pix, b.Pix) {
						t.Errorf("LumaPatch of %v by %d differs", r, shrink)
					}
				}
			}
			if got, want := p.stored.At(7, 11), straightTwin(p.twin.At(7, 11)); got != want {
				t.Errorf("At(7, 11) is %v, want %v", got, want)
			}
		})
	}
}

// TestStoredCut: a file that ends too early is an error of everything that can
// tell one, and black of what cannot.
func TestStoredCut(t *testing.T) {
	l := StoredLayout{Width: 4, Height: 40, Samples: 3, Bytes: 2, Strips: []int64{0}, PerStrip: 40}
	open := func() *Stored { return NewStored(bytes.NewReader(bytes.Repeat([]byte{9}, 30*l.LineBytes())), l) }
	if _, err := FromImage(t.Context(), 1, open()); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("FromImage: %v", err)
	}
	if _, err := Luma(t.Context(), 1, open(), 2); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("Luma: %v", err)
	}
	if _, err := Shrink(t.Context(), 1, open(), 2); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("Shrink: %v", err)
	}
	s, p := open(), NewPlane(image.Rect(0, 35, 2, 37))
	p.Pix[0] = 1
	LumaPatch(p, s, 1)
	if err := s.Err(); !errors.Is(err, io.ErrUnexpectedEOF) || p.Pix[0] != 0 {
		t.Errorf("LumaPatch: %v, sample %v", err, p.Pix[0])
	}
}
