// Package par runs independent pieces of work on a fixed number of
// goroutines. The pieces are numbered and write to places of their own, so
// the result is the same bytes for any number of workers.
package par

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
)

// Workers returns n, or the number of usable processors if n < 1.
func Workers(n int) int {
	if n < 1 {
		return runtime.GOMAXPROCS(0)
	}
	return n
}

// Do calls f(i) once for each i in [0, n) on at most workers goroutines
// (see [Workers]) and waits for them. It stops handing out work when ctx is
// cancelled or when a call fails; calls that have begun are waited for.
//
// The error is ctx's, or that of the lowest i that failed among those run, so
// that one failing piece is reported the same for any number of workers.
func Do(ctx context.Context, workers, n int, f func(i int) error) error {
	return DoScratch(ctx, workers, n, func() struct{} { return struct{}{} },
		func(i int, _ struct{}) error { return f(i) })
}

// DoScratch is [Do] with scratch memory: each goroutine calls start once and
// hands its value to every call that it makes.
func DoScratch[S any](ctx context.Context, workers, n int, start func() S, f func(i int, s S) error) error {
	workers = min(Workers(workers), n)
	var (
		next, failed atomic.Int64
		wg           sync.WaitGroup
		mu           sync.Mutex
		firstErr     error
		firstIndex   = n
	)
	for range workers {
		wg.Go(func() {
			s := start()
			for failed.Load() == 0 && ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				if err := f(i, s); err != nil {
					failed.Store(1)
					mu.Lock()
					if i < firstIndex {
						firstErr, firstIndex = err, i
					}
					mu.Unlock()
				}
			}
		})
	}
	wg.Wait()
	if err := ctx.Err(); err != nil {
		return err
	}
	return firstErr
}
