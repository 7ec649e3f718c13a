//go:build !unix

package bench

import "os"

// peakMiB returns 0: the system doesn't tell.
func peakMiB(*os.ProcessState) float64 { return 0 }
