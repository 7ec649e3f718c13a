package stitch

import "sync/atomic"

// newCounter returns a function that reports the share of total pieces done
// each time it is called; it may be called from many goroutines.
func newCounter(total int, progress func(float64)) func() {
	if progress == nil || total == 0 {
		return func() {}
	}
	var done atomic.Int64
	return func() { progress(float64(done.Add(1)) / float64(total)) }
}
