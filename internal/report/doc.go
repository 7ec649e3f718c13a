// Package report makes the pages that people read: so far the pocket card of a
// planned row. It reads results and computes nothing that belongs to them.
//
// Pages are single files without scripts or anything fetched, legible on a
// phone in light and in dark, and print on one sheet.
package report
