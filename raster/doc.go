// Package raster holds pixels: float32 planes for computing, 16-bit RGB
// pictures for storing, the conversions from Go's image types, and the
// Gaussian and Laplacian pyramids of Burt & Adelson, "The Laplacian Pyramid
// as a Compact Image Code", IEEE Trans. Communications 31(4), 1983.
//
// All bounds are half-open image.Rectangles and may start anywhere. Pixel
// (x, y) covers [x, x+1) × [y, y+1); see package geom for the frames.
package raster
