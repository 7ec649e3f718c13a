package stitch

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"

	"flatfell.example/blend"
	"flatfell.example/internal/photo"
	"flatfell.example/plan"
	"flatfell.example/raster"
)

// PrintOptions say how a picture comes onto paper. The zero value is not usable: a
// paper has a size.
type PrintOptions struct {
	// LongMM and ShortMM are the sides of the paper in millimetres; it is turned as
	// the picture is.
	LongMM, ShortMM float64
	// PPI is the resolution of the file in pixels an inch; zero means 300.
	PPI float64
	// BorderMM is a white border on all sides.
	BorderMM float64
	// Fill covers all within the border, cutting off what doesn't fit. Without it
	// the whole picture is on the paper, in its middle.
	Fill bool
	// BleedMM is by how much the picture goes on beyond each edge of the paper, to
	// be cut off. It needs Fill and no border.
	BleedMM float64
	// Sharpen is the strength of the output sharpening; zero means 1, negative
	// none. More shows as halos.
	Sharpen float64
}

const (
	printPPI = 300
	// printRadius is the radius of the lobes of the resampling kernel (Lanczos:
	// Duchon, J. Appl. Meteorology 18, 1979; Turkowski 1990).
	printRadius = 3
	// haloInch is the width of a halo on paper that an eye does not tell from the
	// edge, 1/100 inch (B. Fraser and J. Schewe, Real World Image Sharpening, 2nd
	// ed. 2010; from memory): the mask's σ is a half of it, ppi/200 pixels.
	haloInch = 0.01
	// printAmount is the gain of the mask at strength 1: what a Lanczos enlargement
	// and the spread of ink take from detail at half the sampling limit is about
	// a third (common practice: 0.5 to 1).
	printAmount = 0.7
	// printCoring is the detail, of full scale, up to which nothing is sharpened:
	// noise; printHalo the most that a sample is changed by.
	printCoring, printHalo = 0.006, 0.12
	// mostPrintPixels bounds a side of the file.
	mostPrintPixels = 1 << 17
)

// Validate reports the first setting that is out of range.
func (o PrintOptions) Validate() error {
	switch {
	case !(o.LongMM >= 20 && o.LongMM <= 50000 && o.ShortMM >= 20 && o.ShortMM <= o.LongMM):
		return fmt.Errorf("stitch: paper of %g × %g mm: give sides from 20 mm to 50 m", o.LongMM, o.ShortMM)
	case !(o.PPI == 0 || o.PPI >= 30 && o.PPI <= 2400):
		return fmt.Errorf("stitch: %g pixels an inch: give 30 to 2400", o.PPI)
	case !(o.BorderMM >= 0) || 2*o.BorderMM > 0.9*o.ShortMM:
		return fmt.Errorf("stitch: a border of %g mm leaves no room on the paper", o.BorderMM)
	case !(o.BleedMM >= 0 && o.BleedMM <= 50):
		return fmt.Errorf("stitch: a bleed of %g mm: give 0 to 50", o.BleedMM)
	case o.BleedMM > 0 && (o.BorderMM > 0 || !o.Fill):
		return errors.New("stitch: a bleed is for a picture that fills the paper without a border")
	case !(o.Sharpen <= 5):
		return fmt.Errorf("stitch: sharpening of %g: give up to 5", o.Sharpen)
	case o.LongMM/inchMM*o.ppi() > mostPrintPixels:
		return fmt.Errorf("stitch: the print would be %.0f pixels long; give fewer pixels an inch", o.LongMM/inchMM*o.ppi())
	}
	return nil
}

const inchMM = 25.4

func (o PrintOptions) ppi() float64 {
	if o.PPI == 0 {
		return printPPI
	}
	return o.PPI
}

// Print is a picture laid out for paper. It makes its lines when they are asked for.
type Print struct {
	// Width and Height are those of the file in pixels, bleed included, and
	// Picture the part of it that is not paper.
	Width, Height int
	Picture       image.Rectangle
	// Source is the part of the picture that is printed, in its pixels.
	Source image.Rectangle
	// Enlarged is the number of pixels of the file for one of the picture along a
	// side, and CarriedPPI how many of the picture's own come to an inch.
	Enlarged, CarriedPPI float64
	// NeededPPI is what an eye that tells apart one arcminute sees from the distance
	// at which a print of that size is looked at as a whole, DistanceCM.
	NeededPPI, DistanceCM float64

	src     *raster.Picture
	dec     *[65536]float32 // nil if it is resampled as it is encoded
	enc     *blend.EncodeTable
	cols    []tap
	rows    []tap
	amount  float32
	mask    []float32
	paperMM [2]float64
}

// tap is the source samples of an output sample and their weights.
type tap struct {
	from    int
	weights []float32
}

// NewPrint reads a picture and lays it out.
func NewPrint(ctx context.Context, f *Frame, o PrintOptions) (*Print, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	img, err := f.Image(ctx)
	if err != nil {
		return nil, err
	}
	defer f.Release()
	pic, ok := img.(*raster.Picture)
	if !ok {
		if pic, err = raster.FromImage(ctx, 0, img); err != nil {
			return nil, err
		}
	}
	p := &Print{src: pic}
	p.layOut(o, pic.Rect.Dx(), pic.Rect.Dy())
	if p.Enlarged < 1 {
		// Light adds up, encoded samples do not.
		p.dec, p.enc = blend.Tone{}.Tables(f.Transfer())
	}
	if o.Sharpen >= 0 {
		strength := o.Sharpen
		if strength == 0 {
			strength = 1
		}
		p.amount = float32(printAmount * strength)
		// No finer than what the picture holds: an enlarged pixel is that wide.
		p.mask = gaussian(max(o.ppi()*haloInch/2, p.Enlarged/2, 0.5))
	}
	return p, nil
}

// layOut works out what goes where.
func (p *Print) layOut(o PrintOptions, w, h int) {
	px := func(mm float64) float64 { return mm / inchMM * o.ppi() }
	long, short := o.LongMM+2*o.BleedMM, o.ShortMM+2*o.BleedMM
	p.paperMM = [2]float64{o.LongMM, o.ShortMM}
	if h > w {
		long, short = short, long
		p.paperMM = [2]float64{o.ShortMM, o.LongMM}
	}
	p.Width, p.Height = int(math.Round(px(long))), int(math.Round(px(short)))
	border := int(math.Round(px(o.BorderMM)))
	room := image.Rect(0, 0, p.Width, p.Height).Inset(border)
	src := image.Rect(0, 0, w, h)
	scale := min(float64(room.Dx())/float64(w), float64(room.Dy())/float64(h))
	if o.Fill {
		scale = max(float64(room.Dx())/float64(w), float64(room.Dy())/float64(h))
		sw, sh := min(w, int(math.Round(float64(room.Dx())/scale))), min(h, int(math.Round(float64(room.Dy())/scale)))
		src = image.Rect(0, 0, sw, sh).Add(image.Pt((w-sw)/2, (h-sh)/2))
		p.Picture = room
	} else {
		pw, ph := max(1, int(math.Round(scale*float64(w)))), max(1, int(math.Round(scale*float64(h))))
		p.Picture = image.Rect(0, 0, pw, ph).Add(room.Min).Add(image.Pt((room.Dx()-pw)/2, (room.Dy()-ph)/2))
	}
	p.Source, p.Enlarged, p.CarriedPPI = src, scale, o.ppi()/scale
	from, _ := plan.ViewingCM(float64(p.Picture.Dx())/o.ppi()*inchMM/10, float64(p.Picture.Dy())/o.ppi()*inchMM/10)
	p.DistanceCM, p.NeededPPI = from, plan.PPIAt(from, plan.Acuity)
	p.cols = taps(src.Min.X, src.Max.X, p.Picture.Dx())
	p.rows = taps(src.Min.Y, src.Max.Y, p.Picture.Dy())
}

// taps returns the weights that make n samples of those from lo to hi, the kernel
// widened where that is fewer. Beyond the ends the last sample is repeated.
func taps(lo, hi, n int) []tap {
	step := float64(hi-lo) / float64(n)
	wide := math.Max(1, step)
	out := make([]tap, n)
	for i := range out {
		middle := float64(lo) + (float64(i)+0.5)*step - 0.5
		first, last := int(math.Ceil(middle-printRadius*wide)), int(math.Floor(middle+printRadius*wide))
		t := tap{from: max(first, lo)}
		t.weights = make([]float32, min(last, hi-1)-t.from+1)
		sum := 0.0
		for k := first; k <= last; k++ {
			sum += lanczosAt((float64(k) - middle) / wide)
		}
		for k := first; k <= last; k++ {
			t.weights[min(max(k, lo), hi-1)-t.from] += float32(lanczosAt((float64(k)-middle)/wide) / sum)
		}
		out[i] = t
	}
	return out
}

func lanczosAt(x float64) float64 {
	if math.Abs(x) < 1e-9 {
		return 1
	}
	if math.Abs(x) >= printRadius {
		return 0
	}
	a := math.Pi * x
	return math.Sin(a) / a * math.Sin(a/printRadius) / (a / printRadius)
}

// gaussian returns one half of a Gaussian of standard deviation sigma, from its
// middle to 3σ; all of it sums to 1.
func gaussian(sigma float64) []float32 {
	n := int(math.Ceil(3 * sigma))
	w := make([]float64, n+1)
	sum := 0.0
	for i := range w {
		w[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		sum += w[i]
		if i > 0 {
			sum += w[i]
		}
	}
	out := make([]float32, n+1)
	for i := range w {
		out[i] = float32(w[i] / sum)
	}
	return out
}

// Size returns the width and height in pixels.
func (p *Print) Size() (w, h int) { return p.Width, p.Height }

// HasAlpha is false: what is transparent lies on white paper.
func (p *Print) HasAlpha() bool { return false }

// Rows8 stores the samples of lines [y0, y0+n) in 8 bits.
func (p *Print) Rows8(ctx context.Context, dst []uint8, y0, n int) error {
	return p.lines(ctx, y0, n, func(i int, v float32) { dst[i] = raster.Sample8(v) })
}

// Rows16 stores the samples of lines [y0, y0+n) in 16 bits.
func (p *Print) Rows16(ctx context.Context, dst []uint16, y0, n int) error {
	return p.lines(ctx, y0, n, func(i int, v float32) { dst[i] = raster.Sample16(v) })
}

// lines makes lines of the file and hands over each sample.
func (p *Print) lines(ctx context.Context, y0, n int, put func(i int, v float32)) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	for i := range n * p.Width * 3 {
		put(i, 1)
	}
	top, bottom := max(y0, p.Picture.Min.Y)-p.Picture.Min.Y, min(y0+n, p.Picture.Max.Y)-p.Picture.Min.Y
	if top >= bottom {
		return nil
	}
	margin := max(0, len(p.mask)-1)
	first, last := max(0, top-margin), min(len(p.rows), bottom+margin)
	band := p.resample(first, last)
	w := p.Picture.Dx()
	if p.mask != nil {
		p.sharpen(band, w, top-first, bottom-first)
	}
	for y := top; y < bottom; y++ {
		row := band[(y-first)*3*w:][:3*w]
		at := ((y+p.Picture.Min.Y-y0)*p.Width + p.Picture.Min.X) * 3
		for i, v := range row {
			put(at+i, v)
		}
	}
	return nil
}

// resample makes lines [first, last) of the picture on paper, encoded, 1 = full
// scale.
func (p *Print) resample(first, last int) []float32 {
	w := p.Picture.Dx()
	lo := p.rows[first].from
	hi := lo
	for _, t := range p.rows[first:last] {
		hi = max(hi, t.from+len(t.weights))
	}
	// Across: each source line becomes as long as the printed ones.
	across := make([]float32, (hi-lo)*3*w)
	line := make([]float32, 3*p.src.Rect.Dx())
	for y := lo; y < hi; y++ {
		p.read(line, y)
		out := across[(y-lo)*3*w:][:3*w]
		for x := range p.cols {
			t := &p.cols[x]
			var r, g, b float32
			in := line[3*t.from:]
			for k, wt := range t.weights {
				px := in[3*k : 3*k+3 : 3*k+3]
				r += wt * px[0]
				g += wt * px[1]
				b += wt * px[2]
			}
			out[3*x], out[3*x+1], out[3*x+2] = r, g, b
		}
	}
	band := make([]float32, (last-first)*3*w)
	for y := first; y < last; y++ {
		t := &p.rows[y]
		out := band[(y-first)*3*w:][:3*w]
		for k, wt := range t.weights {
			for i, v := range across[(t.from+k-lo)*3*w:][:3*w] {
				out[i] += wt * v
			}
		}
		if p.enc != nil {
			for i, v := range out {
				out[i] = p.enc.Encode(min(max(v, 0), 1))
			}
		}
	}
	return band
}

// read stores a line of the picture, laid on white.
func (p *Print) read(line []float32, y int) {
	row := p.src.Row(p.src.Rect.Min.Y + y)
	for i, v := range row {
		if p.dec != nil {
			line[i] = p.dec[v]
		} else {
			line[i] = float32(v) / 0xffff
		}
	}
	if p.src.Alpha == nil {
		return
	}
	for x, a := range p.src.AlphaRow(p.src.Rect.Min.Y + y) {
		if a == 0xffff {
			continue
		}
		cover := float32(a) / 0xffff
		for c := range 3 {
			line[3*x+c] = 1 - cover*(1-line[3*x+c])
		}
	}
}

// sharpen adds to lines [top, bottom) of a band, w pixels wide, the difference of
// their luma from its Gaussian: unsharp masking (Gonzalez and Woods, Digital Image
// Processing, 3.6.3), cored and limited. The same goes to all channels, so that
// colours stay.
func (p *Print) sharpen(band []float32, w, top, bottom int) {
	h := len(band) / (3 * w)
	luma := make([]float32, h*w)
	for i := range luma {
		luma[i] = 0.299*band[3*i] + 0.587*band[3*i+1] + 0.114*band[3*i+2]
	}
	across := make([]float32, h*w)
	for y := range h {
		row, out := luma[y*w:][:w], across[y*w:][:w]
		for x := range row {
			v := p.mask[0] * row[x]
			for k := 1; k < len(p.mask); k++ {
				v += p.mask[k] * (row[max(x-k, 0)] + row[min(x+k, w-1)])
			}
			out[x] = v
		}
	}
	soft := make([]float32, w)
	for y := top; y < bottom; y++ {
		clear(soft)
		for k := -len(p.mask) + 1; k < len(p.mask); k++ {
			wt := p.mask[max(k, -k)]
			for x, v := range across[min(max(y+k, 0), h-1)*w:][:w] {
				soft[x] += wt * v
			}
		}
		row := band[y*3*w:][:3*w]
		for x, s := range soft {
			d := luma[y*w+x] - s
			switch {
			case d > printCoring:
				d -= printCoring
			case d < -printCoring:
				d += printCoring
			default:
				continue
			}
			d = min(max(p.amount*d, -printHalo), printHalo)
			row[3*x] += d
			row[3*x+1] += d
			row[3*x+2] += d
		}
	}
}

// PaperMM returns the sides of the paper as the print lies on it, without bleed.
func (p *Print) PaperMM() (width, height float64) { return p.paperMM[0], p.paperMM[1] }

// Write stores the print as [WriteFile] does.
func (p *Print) Write(ctx context.Context, path string, o WriteOptions) error {
	return photo.WritePixels(ctx, path, p, o.photo())
}

// NewPrintOrigin gathers what a print of a picture says beside its pixels: the
// profile, and the metadata as far as they are not about the file.
func NewPrintOrigin(f *Frame, software string) (*Origin, error) {
	e := photo.Embedded{Profile: f.profile(), Software: software}
	if f.tags != nil {
		tags, err := f.tags()
		if err != nil {
			return nil, err
		}
		e.Tags = tags
		e.Sources, e.Used = tags.Composite()
	}
	return &Origin{e}, nil
}
