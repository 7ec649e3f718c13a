// Package report makes the pages that people read: those about a run, a check of a
// row, a merged focus bracket and a plan, the pocket card of a plan, and the contact
// sheet of a sorted card. It reads results and computes nothing that belongs to them.
//
// Pages are single files with the pictures inside and nothing fetched, legible on a
// phone, in light and in dark, and in print. Only that about a run has a script; what
// it says can be read without. Names of files are the photographer's and may hold
// anything; html/template escapes them. The same result makes the same bytes.
package report
