//go:build !unix

package main

// prepareSignals has nothing to do: only Unix signals a file-size limit.
func prepareSignals() {}
