//go:build !unix || solaris || aix || illumos

package photo

import (
	"os"
	"runtime"
)

// lock reports whether a file may be removed: Windows itself refuses to remove
// one that is open, other systems do not tell.
func lock(*os.File) bool { return runtime.GOOS == "windows" }
