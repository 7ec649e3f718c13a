package card

import "golang.org/x/sys/windows"

// freeBytes returns how much room there is for files below dir; ok is false if
// that is unknown.
func freeBytes(dir string) (free int64, ok bool) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, false
	}
	var n uint64
	if err := windows.GetDiskFreeSpaceEx(name, &n, nil, nil); err != nil {
		return 0, false
	}
	return int64(min(n, 1<<62)), true
}
