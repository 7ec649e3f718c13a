// Package blend makes one picture of frames that overlap: it finds how each
// recorded the light ([FitLight]), decides which frame each place is taken from
// ([Seams], [Labels]) and joins them without a visible edge ([Multiband]).
// It knows pixels in the common output grid and no cameras.
//
// Sources:
//
//   - light: Brown & Lowe, "Automatic Panoramic Image Stitching using
//     Invariant Features", IJCV 74(1), 2007, sec. 6; Goldman & Chen, "Vignette
//     and Exposure Calibration and Compensation", ICCV 2005; Doutre &
//     Nasiopoulos, "Fast Vignetting Correction and Color Matching for
//     Panoramic Image Stitching", ICIP 2009; Grossberg & Nayar, "What is the
//     Space of Camera Response Functions?", CVPR 2003;
//   - seams: Kwatra, Schödl, Essa, Turk & Bobick, "Graphcut Textures",
//     SIGGRAPH 2003, over the maximum flow of Boykov & Kolmogorov, IEEE PAMI
//     26(9), 2004;
//   - blending: Burt & Adelson, "A Multiresolution Spline with Application
//     to Image Mosaics", ACM Trans. Graphics 2(4), 1983;
//   - colour: IEC 61966-2-1 (sRGB), CIE 15 (Lab), Sharma, Wu & Dalal, Color
//     Res. Appl. 30(1), 2005 (CIEDE2000).
//
// Samples are 1.0 = full scale. Gains work in linear light; seams and
// blending in the encoded (perceptual) scale of the files.
package blend
