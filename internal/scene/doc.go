// Package scene renders test pictures whose cameras are known exactly: a
// tidal coast of dunes, sea stacks and groyne posts under a cloudy sky, as
// photographed by a camera that turns about a vertical axis.
//
// The scene is a function from a ray to linear-light colour, [Scene.Radiance].
// It is built from things whose intersection with a ray is a closed formula:
// the ground and the sea are one horizontal plane, so that the horizon is the
// set of rays with y = 0; hills and rocks stand on cylinders around the
// turning axis; posts are vertical cylinders of their own. A camera whose
// entrance pupil lies off the axis therefore sees true parallax.
//
// A [Row] says what the photographer did, [Scene.Plan] turns it into a
// [Truth], and [Scene.Frame] renders one frame: pixel (i, j) is the mean of
// the radiance over [i, i+1) × [j, j+1), times the frame's gain and the lens's
// vignetting, then encoded as sRGB (IEC 61966-2-1) with noise if asked for.
// Everything follows from the seeds; the number of workers changes nothing.
//
// The textures are sums of octaves of value noise with amplitudes that fall
// as 1/f, as those of photographs do (Field, "Relations between the statistics
// of natural images and the response properties of cortical cells", J. Opt.
// Soc. Am. A 4, 1987); octaves finer than a pixel are faded out (the clamping
// of Norton, Rockwood & Skolmoski, SIGGRAPH 1982).
package scene
