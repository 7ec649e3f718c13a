// Package focus merges a focus bracket, frames of one view focused step by step
// from near to far, into one picture that is sharp throughout.
//
//	slices := … // OpenSlice of each file
//	plan, err := focus.Align(ctx, slices, focus.Options{})
//	pic, err := focus.Merge(ctx, plan, slices, focus.Options{})
//
// Align reads each slice once: how much fine detail each cell of some pixels
// has, and a reduced luma. From that it finds the order from near to far, the
// pose of each slice against its neighbour (breathing changes scale and radial
// distortion), its exposure, and a slice for each cell; what moved is taken as it
// was at one moment. Merge reads each slice once
// more for the cells that are its own, and takes off them what nearer things spread
// over them.
//
// The brackets of a row are aligned one like the other ([Options.Like]) and cut to the
// same part ([CropAlike]), so that what Merge makes of them are frames of one lens.
//
// Sources: P. Burt & R. Kolczynski, "Enhanced image capture through fusion",
// ICCV 1993 (selection by the energy of bands); H. Hirschmüller, "Stereo
// processing by semiglobal matching and mutual information", IEEE PAMI 30(2),
// 2008 (the labels); B. Lucas & T. Kanade, "An iterative image registration
// technique", IJCAI 1981; M. Potmesil & I. Chakravarty, SIGGRAPH 1981 (the disc of
// a thin lens); all from memory.
package focus
