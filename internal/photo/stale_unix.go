//go:build unix && !solaris && !aix && !illumos

package photo

import (
	"os"
	"syscall"
)

// lock marks a file as being in use until it is closed or the program ends in
// any way. It fails if another holds it, or the file system knows no locks.
func lock(f *os.File) bool {
	return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) == nil
}
