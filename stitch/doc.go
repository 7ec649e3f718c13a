// Package stitch joins a row of photographs, taken by one camera that turns,
// into one levelled picture.
//
// An embedder needs four calls: [OpenFrame] for each file (or [NewFrame] for
// pixels in memory), [Align], [Render] and [WriteFile].
//
// [Align] reads every frame once and ends in a [Solution], pure data: corners
// are matched between all frames (package features), each pair's rotation is
// found by RANSAC, pairs are accepted by the test of Brown & Lowe, "Automatic
// Panoramic Image Stitching using Invariant Features", IJCV 74(1), 2007, and a
// bundle adjustment fits one focal length, the lens's distortion and a
// rotation a frame. Ties are then measured again at full size, each overlap is
// verified by how much of it looks alike, the row is levelled by the poses and
// by horizon and verticals in the pictures, and the light is balanced.
//
// [Render] lays the frames on the output surface (package warp), chooses the
// seams and blends (package blend).
//
// The same input gives the same Solution and the same pixels for any number of
// workers.
package stitch
