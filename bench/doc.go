// Package bench measures flatfell against the truth: rows of a rendered coast
// whose cameras are known are stitched, and what was found is compared with
// what is so. [Accuracy], [Overlap], [Level], [Light] and [Unrelated] each
// return their figures as a struct whose String method is a report in
// Markdown, the bars that must hold first.
//
// The same Config gives the same figures but for the seconds.
package bench
