package focus

import (
	"context"
	"fmt"

	"flatfell.example/internal/photo"
	"flatfell.example/raster"
)

// WriteOptions are the settings of [WriteFile]. The zero value is the default.
type WriteOptions struct {
	// Bits of a sample, 8 or 16; zero means 8. JPEG has 8 only.
	Bits int
	// Quality of a JPEG, 1 to 100; zero means 95.
	Quality int
	// Compression of a TIFF, see stitch.Compressions; empty means Deflate.
	Compression string
	// Overwrite allows to replace a file of the same name.
	Overwrite bool
	// Origin is the colour profile and the metadata; nil writes none.
	Origin *Origin
	// Workers is the number of goroutines; zero means one a processor.
	Workers int
}

// WriteFile stores a picture as JPEG, PNG or TIFF by the ending of path, whole
// or not at all.
func WriteFile(ctx context.Context, path string, pic *raster.Picture, o WriteOptions) error {
	opts := photo.WriteOptions{Bits: o.Bits, Quality: o.Quality, Compression: photo.Compression(o.Compression), Overwrite: o.Overwrite, Workers: o.Workers}
	if o.Origin != nil {
		opts.Embed = &o.Origin.embed
	}
	return photo.Write(ctx, path, pic, opts)
}

// Origin is what a picture's file says beside its pixels: the colour profile of
// the slices, and the metadata of the farthest, in whose place the picture lies.
type Origin struct{ embed photo.Embedded }

// NewOrigin gathers the Origin of the picture of a Plan. software is the name and
// version of the program that writes it.
func NewOrigin(p *Plan, given []*Slice, software string) (*Origin, error) {
	ref := given[p.Frames[len(p.Frames)-1].Index]
	used := 0
	for k := range p.Frames {
		if p.Frames[k].Share > 0 {
			used++
		}
	}
	e := photo.Embedded{Profile: ref.profile, Sources: len(given), Used: used, Software: software}
	if ref.tags != nil {
		var err error
		if e.Tags, err = ref.tags(); err != nil {
			return nil, err
		}
	}
	e.Properties = []photo.Property{
		{Name: "SourceCount", Value: fmt.Sprint(len(given))},
		{Name: "UsedCount", Value: fmt.Sprint(used)},
		{Name: "Software", Value: software},
	}
	return &Origin{e}, nil
}
