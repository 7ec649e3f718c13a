package scene

import (
	"context"
	"fmt"
	"image"
	"math"
	"slices"

	"flatfell.example/geom"
	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// Bracket is how a focus bracket is taken: a near foreground of boulders, posts
// and grass on the sand before sea stacks and sky, focused from near to far.
type Bracket struct {
	Seed          uint64
	Width, Height int
	Slices        int
	// BlurPx is the radius of the disc to which a point of the nearest thing
	// spreads when the lens is focused on the horizon, in pixels.
	BlurPx float64
	// Breathing is by how much larger the picture of the nearest focus is than
	// that of the farthest: 0.03 is 3 %. Its radial part is a tenth of it.
	Breathing float64
	// ShiftPx and Roll are how far the camera wanders from slice to slice.
	ShiftPx float64
	Roll    geom.Angle
	// EV is how far exposures scatter to either side, in stops.
	EV float64
	// Noise is the standard deviation of the noise, of full scale, encoded.
	Noise float64
	// Wind moves the grass from slice to slice by up to so many pixels.
	Wind float64
	// Positions, if more than 1, is the number of brackets of a row, each turned
	// by Step to the right of the one before it; Position is which of them this
	// is, from 0. All see one world.
	Positions, Position int
	Step                geom.Angle
}

// world is the camera in whose picture the world is laid out: that of the reference
// slice, but wide enough for all positions.
func (b *Bracket) world() geom.Camera {
	f := float64(max(b.Width, b.Height))
	w := b.Width
	if b.Positions > 1 {
		half := b.Step.Radians()*float64(b.Positions-1)/2 + math.Atan(float64(b.Width)/2/f)
		w = int(math.Ceil(2 * f * math.Tan(half)))
	}
	return geom.Camera{Width: w, Height: b.Height, FocalPx: f, CentrePx: geom.Pt{X: float64(w) / 2, Y: float64(b.Height) / 2}, CamFromWorld: geom.Identity}
}

// yaw is the direction of the reference slice.
func (b *Bracket) yaw() geom.Angle {
	return geom.Angle(float64(b.Step) * (float64(b.Position) - float64(max(1, b.Positions)-1)/2))
}

// BracketShot is how one slice was taken.
type BracketShot struct {
	// Focus is the inverse distance that is sharp, 1 for the nearest thing and 0
	// for the horizon.
	Focus float64
	// Camera maps rays of the world to pixels; that of the reference slice is
	// level and looks straight ahead. Gain is of linear light.
	Camera geom.Camera
	Gain   float64
	wind   float64
}

// sheet is a flat thing: its colours and cover as they look when all is sharp.
type sheet struct {
	pix  []float32 // red, green, blue times cover, and cover
	rect image.Rectangle
	// near is its inverse distance. The ground has another in each line: lean
	// more per line below horizon.
	near, lean, horizon float64
}

// bracketScene is what stands before the camera.
type bracketScene struct {
	seed    uint32
	horizon float64 // line
	things  []thing
}

// thing is a sheet's outline: a lump, a post or a blade.
type thing struct {
	kind     int
	x, y     float64 // of the foot, in pixels of the reference
	w, h     float64
	near     float64
	seed     uint32
	tint     rgb
	leanSide float64
}

const (
	aBoulder = iota
	aPost
	aBlade
	aStack
)

// Validate returns an [ErrOptions] if a field is out of range.
func (b *Bracket) Validate() error {
	if b.Width < 32 || b.Height < 32 || b.Slices < 1 || b.Slices > 100 || !(b.BlurPx >= 0 && b.BlurPx < 64) ||
		b.Position < 0 || b.Position >= max(1, b.Positions) || math.Abs(b.yaw().Degrees()) > 60 {
		return fmt.Errorf("%w: bracket of %d slices of %d×%d, blur %v", ErrOptions, b.Slices, b.Width, b.Height, b.BlurPx)
	}
	return nil
}

// Shots plans the slices, from near to far. The last is the reference: its
// camera is that of the truth.
func (b *Bracket) Shots() []BracketShot {
	st := newStream(b.Seed, 31+100*uint64(b.Position))
	f := float64(max(b.Width, b.Height))
	shots := make([]BracketShot, b.Slices)
	for k := range shots {
		t := 1.0
		if b.Slices > 1 {
			t = float64(k) / float64(b.Slices-1)
		}
		s := &shots[k]
		s.Focus = 1 - t
		s.Gain = math.Exp2(st.sym(b.EV))
		s.wind = st.sym(b.Wind)
		dx, dy, roll := st.sym(b.ShiftPx), st.sym(b.ShiftPx), geom.Angle(st.sym(float64(b.Roll)))
		s.Camera = geom.Camera{
			Width: b.Width, Height: b.Height, FocalPx: f * (1 + b.Breathing*s.Focus),
			CentrePx: geom.Pt{X: float64(b.Width)/2 + dx, Y: float64(b.Height)/2 + dy},
			Radial:   [3]float64{-0.1 * b.Breathing * s.Focus * 4}, CamFromWorld: geom.FromYawPitchRoll(b.yaw(), 0, roll),
		}
	}
	last := &shots[b.Slices-1]
	last.Gain = 1
	last.Camera.CentrePx = geom.Pt{X: float64(b.Width) / 2, Y: float64(b.Height) / 2}
	last.Camera.CamFromWorld = geom.FromYawPitchRoll(b.yaw(), 0, 0)
	return shots
}

func (b *Bracket) layOut() *bracketScene {
	st := newStream(b.Seed, 32)
	w, h := float64(b.Width), float64(b.Height)
	wide := float64(b.world().Width)
	many := func(n int) int { return int(math.Round(float64(n) * wide / w)) }
	s := &bracketScene{seed: st.seed32(), horizon: h * st.in(0.35, 0.5)}
	foot := func(near float64) float64 { return s.horizon + near*(h*1.02-s.horizon) }
	for range many(3) {
		sz := st.in(0.15, 0.35) * w
		s.things = append(s.things, thing{kind: aStack, x: st.in(0, wide), y: s.horizon + 1, w: sz, h: st.in(0.5, 1.2) * sz, near: 0, seed: st.seed32(), tint: rgb{0.3, 0.27, 0.24}})
	}
	for range many(5) {
		near := st.in(0.15, 1)
		sz := (0.1 + 0.25*near) * st.in(0.6, 1.1) * w
		s.things = append(s.things, thing{kind: aBoulder, x: st.in(0, wide), y: foot(near), w: sz, h: sz * st.in(0.5, 0.9), near: near, seed: st.seed32(), tint: rgb{st.in(0.15, 0.4), 0.25, st.in(0.15, 0.3)}})
	}
	for range many(2) {
		near := st.in(0.5, 0.95)
		s.things = append(s.things, thing{kind: aPost, x: st.in(0.1, 0.9) * wide, y: foot(near), w: (0.02 + 0.06*near) * w, h: h * st.in(0.4, 0.7) * near, near: near, seed: st.seed32(), tint: rgb{0.12, 0.09, 0.06}})
	}
	tuft := 0.
	for i := range many(9) {
		if i%9 == 0 {
			tuft = st.in(0.15, 0.85) * wide
		}
		near := st.in(0.85, 1)
		s.things = append(s.things, thing{kind: aBlade, x: tuft + st.sym(0.12*w), y: foot(near), w: st.in(0.008, 0.016) * w, h: h * st.in(0.2, 0.45), near: near, seed: st.seed32(), tint: rgb{0.1, st.in(0.2, 0.4), 0.05}, leanSide: st.sym(0.25)})
	}
	slices.SortStableFunc(s.things, func(p, q thing) int {
		switch {
		case p.near < q.near:
			return -1
		case p.near > q.near:
			return 1
		}
		return 0
	})
	return s
}

// at returns the premultiplied colour and cover of a thing at a point of the
// reference picture.
func (t *thing) at(x, y float64) (rgb, float64) {
	dy := t.y - y // above the foot
	if dy < -2 || dy > t.h*1.1+2 {
		return rgb{}, 0
	}
	up := dy / t.h
	centre, half := t.x, 0.0
	switch t.kind {
	case aBoulder, aStack:
		e := max(0, 1-up*up)
		half = t.w / 2 * math.Sqrt(e) * (1 + 0.12*fbm(up*3+7, 0.5, 0.01, 3, 0.6, t.seed))
	case aPost:
		if up <= 1 {
			half = t.w / 2
		} else {
			half = -2
		}
	case aBlade:
		centre += t.leanSide * t.h * up * up
		half = t.w/2*(1-up) + 0.3
		if up > 1 {
			half = -2
		}
	}
	off := math.Abs(x - centre)
	if t.kind == aBoulder || t.kind == aStack {
		half *= 1 + 0.1*fbm(x/t.w*4, y/t.w*4, 0.02, 3, 0.6, t.seed+5)
	}
	a := clamp01(half-off+0.5) * clamp01(dy+0.5)
	if a == 0 {
		return rgb{}, 0
	}
	foot := 1.2 / (0.12 * t.w)
	v := fbm(x*foot/1.2, y*foot/1.2, foot, 7, 0.72, t.seed+9)
	side := (x - centre) / (half + 1)
	light := (0.75 - 0.35*side) * (1 + 0.45*v)
	if t.kind == aStack {
		light = 0.85 * (1 + 0.35*v)
	}
	c := t.tint.scale(max(0.03, light) * 1.6)
	return c.scale(a), a
}

func (s *bracketScene) sky(x, y, w float64) rgb {
	up := clamp01((s.horizon - y) / w)
	c := mix(rgb{0.75, 0.8, 0.85}, rgb{0.25, 0.4, 0.7}, math.Sqrt(up))
	return c.scale(1 + 0.05*fbm(x/w*2, y/w*5, 2/w, 3, 0.5, s.seed+77))
}

func (s *bracketScene) ground(x, y, h float64) rgb {
	near := max(1e-3, (y-s.horizon)/(h*1.02-s.horizon))
	v := bands(x/near/40, 40/near, 1/near/40, 40/(near*near)/(h-s.horizon), 0.06, 0.1, 9, s.seed+3)
	c := rgb{0.45, 0.38, 0.28}.scale(max(0.05, 1+0.22*v))
	return mix(rgb{0.3, 0.36, 0.4}, c, step(0.02, 0.2, near))
}

// sheets draws the things as a camera without blur sees them.
func (b *Bracket) sheets(ctx context.Context, workers int, s *bracketScene, shot *BracketShot) ([]sheet, error) {
	world := b.world()
	out := make([]sheet, len(s.things)+2)
	w, h := float64(b.Width), float64(b.Height)
	margin := int(math.Ceil(b.BlurPx)) + 2
	whole := image.Rect(0, 0, b.Width, b.Height).Inset(-margin)
	// Where each pixel lies in the reference picture, beyond all for one that no ray
	// reaches.
	at := make([]geom.Pt, whole.Dx()*whole.Dy())
	err := par.Do(ctx, workers, whole.Dy(), func(y int) error {
		for x := range whole.Dx() {
			p := geom.Pt{X: math.Inf(1), Y: math.Inf(1)}
			if ray, ok := shot.Camera.WorldFromPixel(geom.Pt{X: float64(x+whole.Min.X) + 0.5, Y: float64(y+whole.Min.Y) + 0.5}); ok {
				p, _ = world.PixelFromWorld(ray)
			}
			at[y*whole.Dx()+x] = p
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	err = par.Do(ctx, workers, len(out), func(i int) error {
		l := &out[i]
		l.rect = whole
		l.pix = make([]float32, 4*whole.Dx()*whole.Dy())
		var box image.Rectangle
		for y := whole.Min.Y; y < whole.Max.Y; y++ {
			for x := whole.Min.X; x < whole.Max.X; x++ {
				p := at[(y-whole.Min.Y)*whole.Dx()+x-whole.Min.X]
				if math.IsInf(p.X, 1) {
					continue
				}
				var c rgb
				a := 1.0
				switch i {
				case 0:
					c = s.sky(p.X, p.Y, w)
				case 1:
					if a = clamp01(p.Y - s.horizon + 0.5); a > 0 {
						c = s.ground(p.X-float64(world.Width)/2, p.Y, h).scale(a)
					}
				default:
					t := &s.things[i-2]
					if t.kind == aBlade {
						up := clamp01((t.y - p.Y) / t.h)
						p.X += shot.wind * up * up
					}
					c, a = t.at(p.X, p.Y)
				}
				if a == 0 {
					continue
				}
				box = box.Union(image.Rect(x, y, x+1, y+1))
				q := l.pix[4*((y-whole.Min.Y)*whole.Dx()+x-whole.Min.X):]
				q[0], q[1], q[2], q[3] = float32(c.r), float32(c.g), float32(c.b), float32(a)
			}
		}
		l.crop(box.Inset(-1).Intersect(whole))
		switch i {
		case 0:
		case 1:
			// The slice's own lines, near enough: breathing moves them by some
			// pixels of hundreds.
			l.lean, l.horizon = 1/(h*1.02-s.horizon), s.horizon
		default:
			l.near = s.things[i-2].near
		}
		return nil
	})
	return out, err
}

// crop leaves the part in r, where all cover is but for a rim of one pixel.
func (l *sheet) crop(r image.Rectangle) {
	n, from := 4*r.Dx(), 4*(r.Min.X-l.rect.Min.X)
	pix := make([]float32, n*r.Dy())
	for y := range r.Dy() {
		copy(pix[y*n:][:n], l.pix[4*l.rect.Dx()*(r.Min.Y-l.rect.Min.Y+y)+from:])
	}
	l.pix, l.rect = pix, r
}

// Slice renders slice k: the mean over points of the aperture of what is seen
// through each, where nearer things hide farther ones. Sharp gives the truth, all
// of it in focus, for the camera of that slice. Noise is added to Slice only.
//
// The thin lens of Potmesil & Chakravarty, "A lens and aperture camera model for
// synthetic image generation", SIGGRAPH 1981: a point at inverse distance n
// spreads to a disc of BlurPx·|n − focus|.
func (b *Bracket) Slice(ctx context.Context, workers, k int) (*raster.Picture, error) {
	pic, err := b.render(ctx, workers, k, false)
	if err == nil {
		b.AddNoise(pic, k)
	}
	return pic, err
}

// AddNoise adds to a picture the noise of slice k, the same each time.
func (b *Bracket) AddNoise(pic *raster.Picture, k int) {
	if b.Noise == 0 {
		return
	}
	for y := range pic.Rect.Dy() {
		at := uint64(k)<<40 + uint64(y)<<20
		for i, v := range pic.Row(y) {
			z := hash64(hash64(b.Seed+uint64(b.Position)<<32) ^ (at+uint64(i))*0x9e3779b97f4a7c15)
			e := b.Noise * math.Sqrt(-2*math.Log(1-float64(z>>40)*0x1p-24)) * math.Cos(2*math.Pi*float64(z&0xffffff)*0x1p-24)
			pic.Row(y)[i] = raster.Sample16(float32(float64(v)/0xffff + e))
		}
	}
}

// Sharp is described at [Bracket.Slice].
func (b *Bracket) Sharp(ctx context.Context, workers, k int) (*raster.Picture, error) {
	return b.render(ctx, workers, k, true)
}

// Nearness returns for each pixel of the reference picture, all in focus, the inverse
// distance of what is seen there, 1 for the nearest thing and 0 for the horizon.
func (b *Bracket) Nearness(ctx context.Context, workers int) (*raster.Plane, error) {
	if err := b.Validate(); err != nil {
		return nil, err
	}
	shot := b.Shots()[b.Slices-1]
	shot.wind = 0
	sheets, err := b.sheets(ctx, workers, b.layOut(), &shot)
	if err != nil {
		return nil, err
	}
	out := raster.NewPlane(image.Rect(0, 0, b.Width, b.Height))
	for i := range sheets { // from the back to the front
		l := &sheets[i]
		r := l.rect.Intersect(out.Rect)
		for y := r.Min.Y; y < r.Max.Y; y++ {
			for x := r.Min.X; x < r.Max.X; x++ {
				if l.pix[4*((y-l.rect.Min.Y)*l.rect.Dx()+x-l.rect.Min.X)+3] >= 0.5 {
					out.Set(x, y, float32(l.near+max(0, l.lean*(float64(y)-l.horizon))))
				}
			}
		}
	}
	return out, nil
}

// lensPoints is the number of points of the aperture.
const lensPoints = 61

func (b *Bracket) render(ctx context.Context, workers, k int, sharp bool) (*raster.Picture, error) {
	if err := b.Validate(); err != nil {
		return nil, err
	}
	shots := b.Shots()
	shot := shots[k]
	if sharp {
		shot.wind, shot.Gain = 0, 1
	}
	s := b.layOut()
	sheets, err := b.sheets(ctx, workers, s, &shot)
	if err != nil {
		return nil, err
	}
	points := 1
	if !sharp {
		points = lensPoints
	}
	pic := raster.NewPicture(image.Rect(0, 0, b.Width, b.Height))
	err = par.DoScratch(ctx, workers, b.Height, func() []float32 { return make([]float32, 8*b.Width) }, func(y int, line []float32) error {
		sum, front := line[:4*b.Width], line[4*b.Width:]
		lookThrough(sum, front, sheets, y, b.BlurPx, shot.Focus, points)
		row := pic.Row(y)
		for x := range b.Width {
			for c := range 3 {
				row[3*x+c] = raster.Sample16(float32(encode(float64(sum[4*x+c]) / float64(points) * shot.Gain)))
			}
		}
		return nil
	})
	return pic, err
}

// lookThrough adds up what line y shows through so many points of the aperture.
func lookThrough(sum, front []float32, sheets []sheet, y int, blur, focus float64, points int) {
	clear(sum)
	for i := range points {
		// A sunflower's seeds: evenly over the disc (Vogel, Mathematical
		// Biosciences 44, 1979). The middle alone is a pinhole.
		r, phi := 0.0, float64(i)*math.Pi*(3-math.Sqrt(5))
		if points > 1 {
			r = math.Sqrt((float64(i) + 0.5) / float64(points))
		}
		u, v := r*math.Cos(phi)*blur, r*math.Sin(phi)*blur
		clear(front)
		for j := len(sheets) - 1; j >= 0; j-- { // from the front to the back
			sheets[j].through(front, y, u, v, focus)
		}
		for x, c := range front {
			sum[x] += c
		}
	}
}

// through lays the sheet behind what is already in front, as seen in line y
// through the point (u, v) of the aperture.
func (l *sheet) through(front []float32, y int, u, v, focus float64) {
	// What lies at (x, y) when all is sharp appears at (x, y) + (u, v)·d with d =
	// near − focus.
	py, d := float64(y), l.near-focus
	if l.lean != 0 {
		// near = lean (py − horizon), and py + v (near − focus) = y.
		py = (float64(y) + v*(focus+l.lean*l.horizon)) / (1 + v*l.lean)
		d = max(0, l.lean*(py-l.horizon)) - focus
		py = float64(y) - v*d
	} else {
		py -= v * d
	}
	iy := int(math.Floor(py))
	fy := float32(py - float64(iy))
	if iy < l.rect.Min.Y-1 || iy >= l.rect.Max.Y {
		return
	}
	dx := -u * d
	ix := int(math.Floor(dx))
	fx := float32(dx - float64(ix))
	n := 4 * l.rect.Dx()
	row := func(y int) []float32 {
		if y < l.rect.Min.Y || y >= l.rect.Max.Y {
			return nil
		}
		return l.pix[(y-l.rect.Min.Y)*n:][:n]
	}
	a, b := row(iy), row(iy+1)
	w00, w01, w10, w11 := (1-fx)*(1-fy), fx*(1-fy), (1-fx)*fy, fx*fy
	for x := max(0, l.rect.Min.X-ix); x < min(len(front)/4, l.rect.Max.X-ix-1); x++ {
		o := front[4*x : 4*x+4 : 4*x+4]
		if o[3] > 0.9999 {
			continue
		}
		at := 4 * (x + ix - l.rect.Min.X)
		var c [4]float32
		if a != nil {
			p := a[at : at+8 : at+8]
			for k := range c {
				c[k] = w00*p[k] + w01*p[k+4]
			}
		}
		if b != nil && fy > 0 {
			p := b[at : at+8 : at+8]
			for k := range c {
				c[k] += w10*p[k] + w11*p[k+4]
			}
		}
		if c[3] <= 0 {
			continue
		}
		rest := 1 - o[3]
		for k := range c {
			o[k] += rest * c[k]
		}
	}
}
