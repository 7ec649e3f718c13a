// Package plan works out a row of frames before it is taken: how many, how far
// to turn for each, what picture that gives and how large it prints, how level
// the tripod must be, how near the foreground may come, where to focus and how
// long it all takes.
//
// Everything is a function of numbers: no files, no pixels, no clock. [New]
// answers a whole [Request] with a [Plan]; the types below it, [Camera],
// [Row], [Optics] and the rest, can be used alone.
//
// The row is that of the other rooms: one camera turned about a vertical axis
// through its entrance pupil, no distortion. A surface point in pixels is the
// focal length in pixels times its (u, v), v down, both zero straight ahead of
// the row's middle; see package warp, whose cylinder, plane and sphere these
// are.
//
// Lengths carry their unit in the name, angles are [geom.Angle]; only [Plan],
// which is written for people and as JSON, has degrees.
package plan
