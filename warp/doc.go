// Package warp brings a frame onto the surface of the wide picture: the
// surfaces (cylinder, plane, sphere, Pannini), the view that lays a surface
// out in output pixels, and the resampling of a frame over a rectangle of a
// view.
//
// A [Surface] turns world rays into points (u, v), with unit scale in the
// middle: there one unit is one radian. A [View] turns (u, v) into output
// pixels,
//
//	pixel = OriginPx + PxPerRadian · (u, v),
//
// and a [Sampler] fills rectangles of a view with one frame's colours.
// Package geom defines the frames of reference and the camera model.
//
// Sources: R. Szeliski, "Image Alignment and Stitching: A Tutorial",
// Foundations and Trends in Computer Graphics and Vision 2(1), 2006 (surfaces,
// inverse warping); T. K. Sharpless, B. Postle & D. M. German, "Pannini: A New
// Projection for Rendering Wide Angle Perspective Images", Computational
// Aesthetics 2010; R. G. Keys, "Cubic Convolution Interpolation for Digital
// Image Processing", IEEE Trans. ASSP 29(6), 1981; K. Turkowski, "Filters for
// Common Resampling Tasks", Graphics Gems I, 1990 (the windowed sinc that
// Lanczos proposed); all from memory.
package warp
