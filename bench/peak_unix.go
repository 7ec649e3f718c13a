//go:build unix

package bench

import (
	"os"
	"runtime"
	"syscall"
)

// peakMiB returns the most memory that a finished process had resident.
func peakMiB(s *os.ProcessState) float64 {
	usage, ok := s.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0
	}
	unit := 1024.0 // of ru_maxrss on Linux
	if runtime.GOOS == "darwin" {
		unit = 1
	}
	return float64(usage.Maxrss) * unit / (1 << 20)
}
