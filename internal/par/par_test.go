package par

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
)

func TestDoCallsEachOnce(t *testing.T) {
	for _, workers := range []int{0, 1, 3, 64} {
		counts := make([]atomic.Int32, 100)
		if err := Do(t.Context(), workers, len(counts), func(i int) error { counts[i].Add(1); return nil }); err != nil {
			t.Fatal(err)
		}
		for i := range counts {
			if got := counts[i].Load(); got != 1 {
				t.Errorf("workers %d: f(%d) called %d times, want 1", workers, i, got)
			}
		}
	}
	if err := Do(t.Context(), 4, 0, func(int) error { t.Error("called for n = 0"); return nil }); err != nil {
		t.Fatal(err)
	}
}

func TestDoStops(t *testing.T) {
	bad := errors.New("bad")
	var calls atomic.Int32
	err := Do(t.Context(), 2, 1000, func(i int) error {
		calls.Add(1)
		if i == 3 {
			return bad
		}
		return nil
	})
	if !errors.Is(err, bad) {
		t.Errorf("err = %v, want %v", err, bad)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Do(ctx, 2, 10, func(int) error { t.Error("called after cancel"); return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("err = %v, want context.Canceled", err)
	}
}
