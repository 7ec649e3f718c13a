package scene

import (
	"math"
	"sort"

	"flatfell.example/geom"
)

// Post is a groyne post: a vertical cylinder that stands on the ground.
type Post struct {
	X, Z   float64 // axis, metres
	Radius float64 // metres
	Height float64 // metres above the ground

	dist float64
	eye  float64
	seed uint32
}

// Top returns the centre of the post's upper end in the world frame.
func (p *Post) Top() geom.Vec { return geom.Vec{X: p.X, Y: p.eye - p.Height, Z: p.Z} }

// Posts returns the posts, nearest first.
func (s *Scene) Posts() []Post { return append([]Post(nil), s.posts...) }

const postBuckets = 1024

func postBucket(az float64) int {
	i := int((az + math.Pi) * (postBuckets / (2 * math.Pi)))
	return min(max(i, 0), postBuckets-1)
}

// plantPosts sets rows of posts that run down the beach into the sea, and near
// stakes.
func (s *Scene) plantPosts(seed uint64, n int, o Options) {
	st := newStream(seed, 5)
	side := 1.0
	if s.shore.flip {
		side = -1
	}
	rows := max(1, (n+11)/12)
	for i := range n {
		row, k := i%rows, i/rows
		per := (n + rows - 1) / rows
		// Groynes fan out to both sides, the first one near the middle.
		out := side * (float64((row+1)/2)*16*float64(1-2*(row&1)) + 3.5)
		t := float64(k) / float64(max(per-1, 1))
		x := out + st.sym(0.12) + 1.5*t
		z := 7.2 + 20*t + st.sym(0.25)
		p := Post{X: x, Z: z, Radius: st.in(0.10, 0.17), Height: (2.3 - 1.0*t) * st.in(0.72, 1.08), seed: st.seed32()}
		s.posts = append(s.posts, p)
	}
	own := newStream(seed, 9) // so that the groynes stay where they are
	for i := range o.Stakes {
		// From the nearest to six times as far, evenly around the view.
		d := o.NearM * math.Exp(math.Log(6)*(float64(i*7%o.Stakes)+own.next())/float64(o.Stakes))
		az := 1.4 * (2*(float64(i)+own.next())/float64(o.Stakes) - 1)
		s.posts = append(s.posts, Post{
			X: d * math.Sin(az), Z: d * math.Cos(az), Radius: own.in(0.012, 0.03), Height: own.in(0.25, 0.75), seed: own.seed32(),
		})
	}
	for i := range s.posts {
		p := &s.posts[i]
		p.dist, p.eye = math.Hypot(p.X, p.Z), s.eye
	}
	sort.SliceStable(s.posts, func(i, j int) bool { return s.posts[i].dist < s.posts[j].dist })
	for i := range s.posts {
		p := &s.posts[i]
		az := math.Atan2(p.X, p.Z)
		// Anything a ray's direction can be and still touch the post.
		half := math.Asin(min(1, (p.Radius+MaxOrigin)/p.dist)) + 2*math.Pi/postBuckets
		lo, hi := postBucket(az-half), postBucket(az+half)
		if az-half < -math.Pi || az+half > math.Pi {
			lo, hi = 0, postBuckets-1
		}
		for b := lo; b <= hi; b++ {
			s.near[b] = append(s.near[b], int32(i))
		}
	}
}

// post returns the colour of a post along q and the fraction of the ray that
// it covers.
func (s *Scene) post(q *ray, i int, ground float64) (c rgb, cover float64) {
	p := &s.posts[i]
	dx, dz := p.X-q.o.X, p.Z-q.o.Z
	t := dx*q.hx + dz*q.hz // horizontal distance of closest approach
	if t <= 0 {
		return c, 0
	}
	b := dx*q.hz - dz*q.hx // and how far to the side of the ray the axis is
	edge := q.edge * t
	cover = clamp01(0.5 + (p.Radius-math.Abs(b))/edge)
	if cover <= 0 {
		return c, 0
	}
	k := math.Sqrt(max(p.Radius*p.Radius-b*b, 0))
	top := s.eye - p.Height
	y := q.o.Y + (t-k)*q.m
	if y > s.eye {
		return c, 0
	}
	pix := q.foot * t
	// The side, from its base to its rim; above the rim the upper end is
	// seen if the eye is higher.
	side := clamp01(0.5 + (y-top)/edge)
	if side < 1 {
		if y2 := q.o.Y + (t+k)*q.m; q.m > 0 && y2 > top {
			n := noise2(b/0.02, y/0.02, p.seed)
			c = rgb{0.26, 0.235, 0.2}.scale(1 + 0.2*n*octaveWeight(pix/0.02))
			if side <= 0 {
				return c, cover
			}
			c = mix(c, s.wood(p, q, b, k, y, pix), side)
			return c, cover
		}
		cover *= side
	}
	if cover <= 0 {
		return c, 0
	}
	return s.wood(p, q, b, k, y, pix), cover * clamp01(0.5+(s.eye-y)/edge)
}

// wood is weathered timber: upright grain and cracks, weed and damp below.
func (s *Scene) wood(p *Post, q *ray, b, k, y, pix float64) rgb {
	// The outward normal at the point that is seen, in the horizontal plane.
	nx, nz := (-b*q.hz-k*q.hx)/p.Radius, (b*q.hx-k*q.hz)/p.Radius
	round := math.Atan2(nx, -nz) * p.Radius
	v := s.eye - y
	f := pix * p.Radius / max(k, 0.3*p.Radius)
	grain := fbm(round/0.05, v/0.55, f/0.05, 6, 0.75, p.seed)
	knots := fbm(round/0.13, v/0.19, f/0.13, 3, 0.6, p.seed+1)
	crack := step(0.78, 1.0, 1-math.Abs(noise2(round/0.045+0.3*knots, v/0.9, p.seed+2))*1.3) * octaveWeight(f/0.03)
	light := 0.5 + 0.55*max(nx*s.sun.X+nz*s.sun.Z, 0) + 0.2*max(-nz, 0)
	c := rgb{0.235, 0.205, 0.17}.scale(1 + 0.32*grain + 0.2*knots - 0.55*crack)
	weed := step(0.1, 0.5, (0.75-v)/0.6+0.3*knots)
	c = mix(c, rgb{0.035, 0.045, 0.022}.scale(1+0.5*grain), 0.85*weed)
	return rgb{max(c.r, 0.004), max(c.g, 0.004), max(c.b, 0.004)}.scale(light * 1.25)
}
