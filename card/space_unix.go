//go:build linux || darwin || freebsd

package card

import "golang.org/x/sys/unix"

// freeBytes returns how much room there is for files below dir; ok is false if
// that is unknown.
func freeBytes(dir string) (free int64, ok bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, false
	}
	return int64(s.Bavail) * int64(s.Bsize), true
}
