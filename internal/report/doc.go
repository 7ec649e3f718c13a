// Package report makes the pages that people read: the pocket card of a planned
// row, and the contact sheet of a sorted card. It reads results and computes
// nothing that belongs to them.
//
// Pages are single files without scripts or anything fetched, legible on a
// phone in light and in dark. Names of files are the photographer's and may hold
// anything; html/template escapes them.
package report
