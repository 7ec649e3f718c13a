// Package report makes the pages that show a result: HTML in one file, readable
// without a network, with the pictures inside. It reads results and computes
// nothing. Names of files are the photographer's and may hold anything;
// html/template escapes them.
package report
