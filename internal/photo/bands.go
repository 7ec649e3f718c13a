package photo

import (
	"context"
	"sync"

	"flatfell.example/internal/par"
)

// BandsAhead returns how many bands the encoders have in work at once on the
// given number of workers (see par.Workers): twice as many, so that nobody
// waits for the slowest.
func BandsAhead(workers int) int { return 2 * par.Workers(workers) }

// inOrder makes n pieces on several goroutines and emits them one after the
// other. Each goroutine calls start once and hands its value to produce, which
// appends piece i to dst; emit gets each piece once, in order, from one
// goroutine at a time, and must not keep it.
//
// Piece i is begun after all before it, and not before piece i − BandsAhead
// has been emitted: the memory does not grow with n. The error is that of ctx,
// or of the lowest piece that failed.
func inOrder[S any](ctx context.Context, workers, n int, start func() S,
	produce func(i int, s S, dst []byte) ([]byte, error), emit func(i int, piece []byte) error,
) error {
	q := &queue{slots: make([]slot, min(BandsAhead(workers), n)), n: n, failedAt: n}
	q.changed.L = &q.mu
	var wg sync.WaitGroup
	for range min(par.Workers(workers), n) {
		wg.Go(func() {
			s := start()
			for {
				i, ok := q.take(ctx)
				if !ok {
					return
				}
				at := &q.slots[i%len(q.slots)]
				piece, err := produce(i, s, at.piece[:0])
				at.piece = piece
				q.done(i, err, emit)
			}
		})
	}
	wg.Wait()
	if err := ctx.Err(); err != nil {
		return err
	}
	return q.err
}

// queue hands out pieces in order and collects them in order.
type queue struct {
	mu       sync.Mutex
	changed  sync.Cond
	slots    []slot // of piece i at i modulo their number
	n        int
	taken    int // pieces handed out
	emitted  int
	emitting bool
	failedAt int // the lowest piece that failed, else n
	err      error
}

type slot struct {
	piece []byte
	ready bool
}

// take returns the next piece to make, when there is room for it. All waiting
// ends when the pieces in work are done, so it need not watch ctx itself.
func (q *queue) take(ctx context.Context) (i int, ok bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for q.err == nil && ctx.Err() == nil && q.taken < q.n && q.taken >= q.emitted+len(q.slots) {
		q.changed.Wait()
	}
	if q.err != nil || ctx.Err() != nil || q.taken == q.n {
		q.changed.Broadcast()
		return 0, false
	}
	q.taken++
	return q.taken - 1, true
}

// done marks piece i as made and emits what is next in order, unless another
// goroutine is at it, which will then find it.
func (q *queue) done(i int, err error, emit func(i int, piece []byte) error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	defer q.changed.Broadcast()
	q.fail(i, err)
	at := func(i int) *slot { return &q.slots[i%len(q.slots)] }
	at(i).ready = err == nil
	if q.emitting {
		return
	}
	for q.emitted < q.failedAt && at(q.emitted).ready {
		k := q.emitted
		q.emitting = true
		q.mu.Unlock()
		err := emit(k, at(k).piece)
		q.mu.Lock()
		q.emitting = false
		at(k).ready = false
		q.emitted++
		q.fail(k, err)
		q.changed.Broadcast()
	}
}

func (q *queue) fail(i int, err error) {
	if err != nil && i < q.failedAt {
		q.failedAt, q.err = i, err
	}
}
