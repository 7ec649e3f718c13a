package photo

import (
	"context"
	"errors"
	"image"
	"testing"
)

// cancelling cancels at its first write and counts those after it.
type cancelling struct {
	cancel context.CancelFunc
	writes int
}

func (c *cancelling) Write(p []byte) (int, error) {
	c.writes++
	c.cancel()
	return len(p), nil
}

func TestJPEGStopsEncoding(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	w := &cancelling{cancel: cancel}
	err := encodeJPEG(ctx, w, image.NewRGBA(image.Rect(0, 0, 2000, 2000)), 95)
	if !errors.Is(err, context.Canceled) || w.writes != 1 {
		t.Errorf("err %v after %d writes, want canceled after 1", err, w.writes)
	}
}
