// Package photo reads and writes picture files: JPEG, PNG and TIFF in, the
// same out. It is the only room that touches image files.
//
// [Open] reads a header and refuses what cannot be used before any pixel is
// decoded; [File.Decode] gives the picture upright; [WritePixels] stores one in
// bands, whole or not at all, with an [Embedded] profile and metadata. Every
// error about a file is an [*Error] of one line that says what is wrong and what
// to do next.
//
// Sources: ITU-T T.81 and T.871 (JPEG, JFIF), W3C PNG (third edition), TIFF
// 6.0 with Adobe's Deflate and predictor, BigTIFF, ICC.1:2010, Exif CIPA DC-008
// (2.32), XMP ISO 16684-1, and CIPA DCG-001 for the 35 mm equivalent focal
// length.
package photo
