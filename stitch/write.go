package stitch

import (
	"context"

	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// WriteOptions are the settings of [WriteFile]. The zero value is the default.
type WriteOptions struct {
	// Bits of a sample, 8 or 16; zero means 8. JPEG has 8 only. From 16 to 8
	// each sample is rounded once.
	Bits int
	// Quality of a JPEG, 1 to 100; zero means 95. Higher is larger. Below 90
	// colours have half the resolution both ways.
	Quality int
	// Compression of a TIFF, a name of [Compressions]; empty means the first.
	// Deflate makes the smallest files.
	Compression string
	// Overwrite allows to replace a file of the same name.
	Overwrite bool
	// PPI is the resolution noted in the file, pixels an inch; zero notes none.
	PPI float64
	// Origin is the colour profile and the metadata, see [NewOrigin]; nil writes
	// none.
	Origin *Origin
	// Workers is the number of goroutines; zero means one a processor.
	Workers int
}

// WriteFile stores a picture as JPEG, PNG or TIFF by the ending of path. The
// file appears whole or not at all, and an error leaves an old file as it was.
func WriteFile(ctx context.Context, path string, pic *raster.Picture, o WriteOptions) error {
	return photo.Write(ctx, path, pic, o.photo())
}

// Write stores the picture as [WriteFile] does.
func (f *Finished) Write(ctx context.Context, path string, o WriteOptions) error {
	p, passing := f.pixels.(*passing)
	if !passing { // else it tells its stages itself
		f.stage("write")
	}
	err := photo.WritePixels(ctx, path, f, o.photo())
	switch {
	case err == nil:
		f.clock.lap("write")
	case passing:
		p.stop() // else it would be drawn a little further
	}
	return err
}

// Compressions lists how a TIFF can be packed, the usual way first.
func Compressions() (names []string) {
	for _, c := range photo.Compressions() {
		names = append(names, string(c))
	}
	return names
}

func (o WriteOptions) photo() photo.WriteOptions {
	p := photo.WriteOptions{
		Bits: o.Bits, Quality: o.Quality, Compression: photo.Compression(o.Compression),
		Overwrite: o.Overwrite, PPI: o.PPI, Workers: o.Workers,
	}
	if o.Origin != nil {
		p.Embed = &o.Origin.embed
	}
	return p
}
