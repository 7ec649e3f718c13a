package geom

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Vec is a vector in camera or world coordinates. Its methods and helpers
// are those of gonum's r3.
type Vec = r3.Vec

// Pt is a point in image pixels, or on a surface, as the name of the
// variable says.
type Pt struct{ X, Y float64 }

// Sub returns p − q.
func (p Pt) Sub(q Pt) Pt { return Pt{p.X - q.X, p.Y - q.Y} }

// Norm returns the length of p.
func (p Pt) Norm() float64 { return math.Hypot(p.X, p.Y) }

// Rotation is a 3×3 rotation matrix in row order: R[3*row+col].
// The zero value is no rotation; start from [Identity].
type Rotation [9]float64

// Identity is the rotation that leaves every ray where it is.
var Identity = Rotation{1, 0, 0, 0, 1, 0, 0, 0, 1}

// Apply returns R·v.
func (r Rotation) Apply(v Vec) Vec {
	return Vec{
		X: r[0]*v.X + r[1]*v.Y + r[2]*v.Z,
		Y: r[3]*v.X + r[4]*v.Y + r[5]*v.Z,
		Z: r[6]*v.X + r[7]*v.Y + r[8]*v.Z,
	}
}

// Inv returns R⁻¹, the transpose.
func (r Rotation) Inv() Rotation {
	return Rotation{r[0], r[3], r[6], r[1], r[4], r[7], r[2], r[5], r[8]}
}

// Mul returns the product r·q: first q, then r. cFromB.Mul(bFromA) is cFromA.
func (r Rotation) Mul(q Rotation) (p Rotation) {
	for i := range 3 {
		for j := range 3 {
			p[3*i+j] = r[3*i]*q[j] + r[3*i+1]*q[3+j] + r[3*i+2]*q[6+j]
		}
	}
	return p
}

// Row returns row i, the world direction of camera axis i when r is a
// camFromWorld: 0 right, 1 down, 2 forward.
func (r Rotation) Row(i int) Vec { return Vec{X: r[3*i], Y: r[3*i+1], Z: r[3*i+2]} }

// Exp returns the rotation by |w| radians about the axis w (Rodrigues 1840).
// It is exact at w = 0 and accurate to rounding near it.
func Exp(w Vec) Rotation {
	t2 := r3.Norm2(w)
	t := math.Sqrt(t2)
	// a = sin t / t, b = (1 − cos t)/t². Below 1e-4 the next terms of the
	// series are under 1e-17.
	a, b := 1-t2/6, 0.5-t2/24
	if t > 1e-4 {
		a, b = math.Sin(t)/t, (1-math.Cos(t))/t2
	}
	c := 1 - b*t2
	return Rotation{
		c + b*w.X*w.X, b*w.X*w.Y - a*w.Z, b*w.X*w.Z + a*w.Y,
		b*w.X*w.Y + a*w.Z, c + b*w.Y*w.Y, b*w.Y*w.Z - a*w.X,
		b*w.X*w.Z - a*w.Y, b*w.Y*w.Z + a*w.X, c + b*w.Z*w.Z,
	}
}

// Log returns the rotation vector w with Exp(w) = r and |w| ≤ π, the inverse
// of [Exp]. At |w| = π the sign of the axis is arbitrary.
func (r Rotation) Log() Vec {
	v := Vec{X: r[7] - r[5], Y: r[2] - r[6], Z: r[3] - r[1]} // 2 sin t · axis
	s, c := r3.Norm(v)/2, (r[0]+r[4]+r[8]-1)/2
	t := math.Atan2(s, c)
	if s > 1e-6 {
		return r3.Scale(t/(2*s), v)
	}
	if c > 0 {
		return r3.Scale(0.5, v)
	}
	// Near a half turn R + I = 2 n nᵀ up to O((π−t)²): take the largest column.
	best := 0
	for i := 1; i < 3; i++ {
		if r[4*i] > r[4*best] {
			best = i
		}
	}
	n := Vec{X: r[best], Y: r[3+best], Z: r[6+best]}
	switch best {
	case 0:
		n.X++
	case 1:
		n.Y++
	default:
		n.Z++
	}
	n = r3.Unit(n)
	if r3.Dot(n, v) < 0 {
		n = r3.Scale(-1, n)
	}
	return r3.Scale(t, n)
}

// Angle returns the angle by which r turns, in [0, π].
func (r Rotation) Angle() Angle { return Angle(r3.Norm(r.Log())) }

// YawPitchRoll returns the angles of a camFromWorld: yaw of the optical axis
// to the right of world z, pitch above the horizon, and roll of the camera
// clockwise as the photographer sees it, so that r is
// FromYawPitchRoll(yaw, pitch, roll).
func (r Rotation) YawPitchRoll() (yaw, pitch, roll Angle) {
	f := r.Row(2)
	yaw = Angle(math.Atan2(f.X, f.Z))
	pitch = Angle(math.Asin(max(-1, min(1, -f.Y))))
	roll = Angle(math.Atan2(r[1], r[4]))
	return yaw, pitch, roll
}

// FromYawPitchRoll returns the camFromWorld of a camera that is turned right
// by yaw, then up by pitch, then rolled clockwise by roll, each about its own
// axis after the turn before.
func FromYawPitchRoll(yaw, pitch, roll Angle) Rotation {
	return Exp(Vec{Z: -float64(roll)}).
		Mul(Exp(Vec{X: -float64(pitch)})).
		Mul(Exp(Vec{Y: -float64(yaw)}))
}

// FitRotation returns the rotation bFromA that minimises
//
//	Σ wᵢ ‖raysInB[i] − bFromA·raysInA[i]‖²
//
// over unit rays. A nil w means that all weights are 1.
//
// Properties, to 1e-12 for rays that are not all parallel:
//
//	(1) FitRotation(b, a, w) == FitRotation(a, b, w)⁻¹
//	(2) scaling w changes nothing
//
// ok is false if the rays don't fix a rotation: fewer than two, or all within
// 1e-6 radians of one axis. FitRotation panics if lengths differ.
//
// Cost O(n). Kabsch, Acta Cryst. A32 (1976), 922-923, with the sign rule of
// Umeyama, IEEE PAMI 13 (1991), 376-380.
func FitRotation(raysInA, raysInB []Vec, w []float64) (bFromA Rotation, ok bool) {
	if len(raysInA) != len(raysInB) || w != nil && len(w) != len(raysInA) {
		panic("geom: FitRotation: unequal lengths")
	}
	var m [9]float64 // Σ w b aᵀ
	var total float64
	for i, a := range raysInA {
		wi := 1.0
		if w != nil {
			wi = w[i]
		}
		b := raysInB[i]
		total += wi
		m[0] += wi * b.X * a.X
		m[1] += wi * b.X * a.Y
		m[2] += wi * b.X * a.Z
		m[3] += wi * b.Y * a.X
		m[4] += wi * b.Y * a.Y
		m[5] += wi * b.Y * a.Z
		m[6] += wi * b.Z * a.X
		m[7] += wi * b.Z * a.Y
		m[8] += wi * b.Z * a.Z
	}
	if len(raysInA) < 2 || total <= 0 {
		return Identity, false
	}
	return nearestRotation(m, 1e-12*total)
}

// nearestRotation returns the rotation R that maximises tr(Rᵀ m); ok is false
// if the second singular value is not above minSecond.
func nearestRotation(m [9]float64, minSecond float64) (r Rotation, ok bool) {
	var svd mat.SVD
	if !svd.Factorize(mat.NewDense(3, 3, m[:]), mat.SVDFull) {
		return Identity, false
	}
	s := svd.Values(nil)
	if !(s[1] > minSecond) {
		return Identity, false
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	if mat.Det(&u)*mat.Det(&v) < 0 {
		for i := range 3 {
			u.Set(i, 2, -u.At(i, 2))
		}
	}
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				r[3*i+j] += u.At(i, k) * v.At(j, k)
			}
		}
	}
	return r, true
}

// Orthonormal returns the rotation nearest to r, for use after many products.
func (r Rotation) Orthonormal() Rotation {
	if q, ok := nearestRotation(r, 0); ok {
		return q
	}
	return r
}
