//go:build unix

package main

import (
	"os/signal"
	"syscall"
)

// prepareSignals makes a file that grows beyond the user's size limit an
// ordinary write error. Go's runtime would end the program with a stack dump,
// leaving the unfinished file behind.
func prepareSignals() { signal.Ignore(syscall.SIGXFSZ) }
