// Command flatfell joins a row of portrait-orientation photographs, taken from
// one spot by turning the camera, into one straight, wide picture.
//
//	flatfell stitch FRAMES… -o OUT   joins the frames of a row
//	flatfell demo DIR                renders a row of its own and joins it
//	flatfell completion SHELL        prints a completion script
//	flatfell man DIR                 writes the manual pages
//
// Results go to standard output, everything else to standard error. The exit
// status is 0 when the picture is written, 1 when something failed, 2 when the
// command line is wrong, and 3 when the frames do not join.
//
// This package holds flags, messages, progress and exit status only; the work
// is done by packages stitch and internal/photo.
package main
