// Package features finds corners in a frame, describes them, and matches the
// corners of two frames. It also finds straight edges.
//
// Corners are maxima of the harmonic mean of the eigenvalues of the gradient
// matrix (Harris & Stephens, "A combined corner and edge detector", 1988;
// Brown, Szeliski & Winder, "Multi-image matching using multi-scale oriented
// patches", CVPR 2005) on a pyramid of half-octave steps, thinned by adaptive
// non-maximal suppression so that a frame with little texture in its sky still
// gives an even spread. The descriptor is a grid of gradient histograms (Lowe,
// IJCV 60(2), 2004) compared by the Hellinger distance (Arandjelović &
// Zisserman, CVPR 2012), and matching asks for a clear winner in both
// directions. What was compared before these were chosen is in DEVELOPERS.md.
//
// Straight edges that are nearly horizontal or nearly upright, for levelling,
// are chains of gradient maxima cut into lines (after Akinlar & Topal,
// "EDLines: a real-time line segment detector with a false detection control",
// Pattern Recognition Letters 32(13), 2011; title from memory) and kept where
// chance would not align so many gradients (Desolneux, Moisan & Morel,
// "Meaningful alignments", IJCV 40(1), 2000).
package features
