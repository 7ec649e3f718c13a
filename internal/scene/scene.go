package scene

import (
	"errors"
	"fmt"
	"math"

	"flatfell.example/geom"
)

// Options are the dials of a scene. The zero value is a coast with clouds,
// an open horizon, a groyne and nothing that moves.
type Options struct {
	// Clouds is the fraction of the sky under cloud, up to 1. Zero lets the
	// seed choose between almost clear and mostly covered; negative means a
	// clear sky.
	Clouds float64
	// NoHorizon closes the sea horizon all round by a headland with an
	// irregular skyline.
	NoHorizon bool
	// Posts is the number of groyne posts, vertical cylinders from 7 m on, a dozen
	// to a groyne. Zero means 36; negative means none.
	Posts int
	// EyeM is the height in metres of the turning axis's origin above the sea
	// and the sand; zero means [EyeHeight]. A low eye sees near ground.
	EyeM float64
	// Stakes is the number of thin stakes that stand about in the sand, from NearM
	// metres on.
	Stakes int
	NearM  float64
	// Movers is the number of things that move between frames: birds, boats,
	// walkers and wave crests.
	Movers int
}

// ErrOptions is returned for options, rows or arguments outside their range.
var ErrOptions = errors.New("scene: option out of range")

// Validate returns an [ErrOptions] if a field is out of range.
func (o Options) Validate() error {
	if !(o.Clouds <= 1) {
		return fmt.Errorf("%w: Clouds %v > 1", ErrOptions, o.Clouds)
	}
	if o.Posts > 1000 || o.Movers < 0 || o.Movers > 1000 {
		return fmt.Errorf("%w: Posts %d, Movers %d", ErrOptions, o.Posts, o.Movers)
	}
	if o.EyeM != 0 && !(o.EyeM > 0.2 && o.EyeM < 10) || o.Stakes < 0 || o.Stakes > 1000 || o.Stakes > 0 && !(o.NearM >= 0.6) {
		return fmt.Errorf("%w: EyeM %v, Stakes %d from %v m", ErrOptions, o.EyeM, o.Stakes, o.NearM)
	}
	return nil
}

// EyeHeight is the usual height in metres of the turning axis's origin above
// the sea and the sand.
const EyeHeight = 1.9

// MaxOrigin is the largest distance in metres of a ray's origin from the
// world origin for which [Scene.Radiance] is exact.
const MaxOrigin = 0.5

// Scene is a coast. It is immutable and safe for concurrent use.
type Scene struct {
	seed   uint32
	eye    float64
	shells []shell
	posts  []Post
	// near lists, for each of postBuckets azimuths, the posts that a ray from
	// within MaxOrigin may meet there, nearest first.
	near   [postBuckets][]int32
	movers []mover

	sun      geom.Vec // unit, toward the sun
	sunLit   rgb
	zenith   rgb
	horizon  rgb
	haze     float64 // optical depth a metre
	cover    float64 // cloud fraction, 0 = clear
	cloudKm  float64 // size of the largest clouds, in heights of the layer
	seaNear  rgb
	seaFar   rgb
	windCos  float64
	windSin  float64
	shore    shoreline
	tracks   []track
	rockTint rgb
}

// New returns the coast of a seed. It panics if o is not valid.
func New(seed uint64, o Options) *Scene {
	if err := o.Validate(); err != nil {
		panic(err.Error())
	}
	st := newStream(seed, 1)
	s := &Scene{seed: st.seed32(), eye: o.EyeM}
	if s.eye == 0 {
		s.eye = EyeHeight
	}
	az, el := 1.25+0.6*st.next(), 0.42+0.3*st.next()
	if st.next() < 0.5 {
		az = -az
	}
	s.sun = geom.Vec{X: math.Sin(az) * math.Cos(el), Y: -math.Sin(el), Z: math.Cos(az) * math.Cos(el)}
	warm := st.next()
	s.sunLit = mix(rgb{1.12, 1.0, 0.84}, rgb{1.2, 0.98, 0.72}, warm)
	s.zenith = mix(rgb{0.085, 0.2, 0.45}, rgb{0.13, 0.22, 0.42}, st.next())
	s.horizon = mix(rgb{0.52, 0.62, 0.70}, rgb{0.66, 0.61, 0.55}, warm)
	s.haze = 1 / st.in(2500, 9000)
	s.cover = o.Clouds
	if o.Clouds == 0 {
		s.cover = 0.06 + 0.7*st.next()
	}
	s.cover = max(s.cover, 0)
	s.cloudKm = st.in(0.7, 1.5)
	s.seaNear = mix(rgb{0.05, 0.12, 0.12}, rgb{0.07, 0.13, 0.15}, st.next())
	s.seaFar = mix(rgb{0.06, 0.12, 0.17}, rgb{0.11, 0.16, 0.19}, st.next())
	wind := st.sym(0.25)
	s.windCos, s.windSin = math.Cos(wind), math.Sin(wind)
	s.rockTint = mix(rgb{0.20, 0.165, 0.13}, rgb{0.15, 0.145, 0.14}, st.next())
	s.shore = newShoreline(seed)
	s.tracks = newTracks(seed)
	s.shells = newShells(seed, &s.shore, o.NoHorizon)
	n := o.Posts
	if n == 0 {
		n = 36
	}
	s.plantPosts(seed, max(n, 0), o)
	s.movers = newMovers(seed, o.Movers, s.eye)
	return s
}

// Radiance returns the linear-light colour that arrives at origin (metres,
// world frame, within [MaxOrigin] of 0) from direction dir (world frame, any
// length), 1 = full scale at gain 1. Detail finer than footprint radians, the
// angle of a pixel, is left out, and edges are softened over half of it: the
// mean over 2 × 2 samples a pixel then has edges as of an exact area integral.
// time in seconds moves the movers.
func (s *Scene) Radiance(origin, dir geom.Vec, footprint, time float64) (r, g, b float32) {
	c := s.shade(origin, dir, footprint, 0.5*footprint, time)
	return float32(c.r), float32(c.g), float32(c.b)
}

// ray is what the parts of the scene need to know of a ray.
type ray struct {
	o      geom.Vec
	hx, hz float64 // unit horizontal direction
	m      float64 // rise (y is down) per horizontal metre
	az     float64 // azimuth of the direction
	foot   float64 // radians a pixel
	// edge is the angle over which edges are softened: that between samples,
	// so that their mean is an exact area integral.
	edge float64
	// side = hx·o.z − hz·o.x and along = h·o place the origin relative to
	// the horizontal line of the ray through the axis.
	side, along float64
}

// newRay returns the ray from o in direction d seen with pixels of foot
// radians and edges of edge radians.
func newRay(o, d geom.Vec, foot, edge float64) ray {
	h := math.Sqrt(d.X*d.X + d.Z*d.Z)
	if h < 1e-9*math.Abs(d.Y) { // straight up or down: any azimuth will do
		d.Z = 1e-9 * math.Abs(d.Y)
		h = d.Z
	}
	q := ray{o: o, hx: d.X / h, hz: d.Z / h, m: d.Y / h, foot: foot, edge: edge}
	q.az = math.Atan2(d.X, d.Z)
	if o.X != 0 || o.Z != 0 {
		q.side = q.hx*o.Z - q.hz*o.X
		q.along = q.hx*o.X + q.hz*o.Z
	}
	return q
}

func (s *Scene) shade(o, d geom.Vec, foot, edge, time float64) rgb {
	q := newRay(o, d, foot, edge)
	// Front to back. left is the fraction of light that still comes from
	// behind what was met.
	var sum rgb
	left := 1.0
	ground := math.Inf(1)
	if q.m > 0 {
		ground = (s.eye - o.Y) / q.m
	}
	put := func(c rgb, cover float64) {
		sum = sum.add(c.scale(left * cover))
		left *= 1 - cover
	}
	list := s.near[postBucket(q.az)]
	mi := 0
	for i := 0; i <= len(s.shells); i++ {
		limit := math.Inf(1)
		if i < len(s.shells) {
			limit = s.shells[i].dist
		}
		for len(list) > 0 && s.posts[list[0]].dist < limit {
			if c, cover := s.post(&q, int(list[0]), ground); cover > 0 {
				put(c, cover)
			}
			list = list[1:]
		}
		for ; mi < len(s.movers) && s.movers[mi].dist < limit; mi++ {
			if c, cover := s.movers[mi].look(&q, time, ground); cover > 0 {
				put(s.hazed(c, s.movers[mi].dist), cover)
			}
		}
		if left < 1e-3 {
			return sum
		}
		if i == len(s.shells) {
			break
		}
		if sh := &s.shells[i]; sh.dist < ground+1 {
			if c, cover := s.shell(sh, &q, ground); cover > 0 {
				put(c, cover)
			}
		} else if len(list) == 0 && mi == len(s.movers) {
			break
		}
		if left < 1e-3 {
			return sum
		}
	}
	// The horizon's edge, softened like every other edge.
	below := clamp01(0.5 + q.m/edge)
	if below > 0 {
		put(s.ground(&q, ground), below)
	}
	if below < 1 {
		put(s.sky(&q), 1)
	}
	return sum
}

// hazed returns the colour of a thing seen through dist metres of air.
func (s *Scene) hazed(c rgb, dist float64) rgb {
	t := dist * s.haze
	return mix(c, s.horizon, 0.85*t/(1+t))
}

// across returns the azimuth and height y where the ray meets the cylinder
// of radius dist around the world's vertical axis, from inside: the larger
// root of |o + t·d| = dist.
func (q *ray) across(dist float64) (az, y float64) {
	if q.side == 0 && q.along == 0 {
		return q.az, q.o.Y + dist*q.m
	}
	t := math.Sqrt(dist*dist-q.side*q.side) - q.along
	// The point and the direction span sin δ = side / dist, δ to the left.
	return q.az - math.Asin(q.side/dist), q.o.Y + t*q.m
}
