// Package geom is the geometry of a camera that turns: angles, vectors,
// rotations, the camera model, and the minimal solvers that find a rotation
// and a focal length from matched points.
//
// # Frames of reference
//
// Everything in flatfell uses these frames and no others.
//
//   - image: pixels, x right, y down, after the file's orientation is
//     applied. Pixel (0, 0) covers [0, 1) × [0, 1); its centre is (0.5, 0.5).
//   - camera: x right, y down, z forward, right-handed. A ray is a vector
//     from the entrance pupil; unit length unless said otherwise. The
//     focal length is in pixels. Radial distortion follows Brown (1966) and
//     Conrady (1919) on the normalised point u = (x/z, y/z), r = |u|:
//     distorted = u · (1 + k1 r² + k2 r⁴ + k3 r⁶); pixel = centre + focal · distorted.
//   - world: y down (along gravity once the row is levelled), z toward the
//     middle of the row, x right. CamFromWorld is a rotation:
//     rayInCam = camFromWorld · rayInWorld.
//   - surface: cylinder (θ, h): ray = (sin θ, h, cos θ); plane (x/z, y/z);
//     sphere (θ, φ), φ positive down. Output pixel = origin + scale · (surface),
//     scale in pixels a radian. See package warp.
//
// # Names
//
// A transform is dstFromSrc and a point xInFrame, so that in a product the
// inner names match: bFromA · rayInA is a ray in b. Angles are the type
// [Angle]; degrees appear only at the command line and in reports. Lengths
// carry their unit in the name: focalPx, focalMM.
package geom
