package client

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

var (
	errStalled    = errors.New("the line stood still")
	errBroke      = errors.New("the line broke")
	errUnfinished = errors.New("the service has not finished")
)

// watchdog cancels a context when nothing has happened for a while. TCP alone
// notices a vanished peer after many minutes, or never.
type watchdog struct {
	mu    sync.Mutex
	timer *time.Timer
	stop  context.CancelCauseFunc
	ended bool
}

func watch(ctx context.Context, d time.Duration) (context.Context, *watchdog) {
	ctx, cancel := context.WithCancelCause(ctx)
	w := &watchdog{stop: cancel}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.timer = time.AfterFunc(d, func() { cancel(fmt.Errorf("%w for %v", errStalled, d)) })
	return ctx, w
}

// alive gives it another d.
func (w *watchdog) alive(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.ended { // a transport may read on for a moment
		w.timer.Reset(d)
	}
}

func (w *watchdog) end() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ended = true
	w.timer.Stop()
	w.stop(context.Canceled)
}

// cause puts the watchdog's reason in the place of "context canceled".
func cause(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if why := context.Cause(ctx); errors.Is(why, errStalled) {
		return why
	}
	return err
}

// aliveReader tells the watchdog of every read.
type aliveReader struct {
	r    io.Reader
	dog  *watchdog
	d    time.Duration
	n    func(int)     // told of bytes; may be nil
	left int64         // of a body that is sent: when it is gone
	last time.Duration // the other side has so long to answer; 0: d
}

func (a *aliveReader) Read(p []byte) (int, error) {
	n, err := a.r.Read(p)
	if n > 0 {
		a.left -= int64(n)
		if a.n != nil {
			a.n(n)
		}
	}
	switch {
	case a.last > 0 && a.left <= 0:
		a.dog.alive(a.last)
	case n > 0:
		a.dog.alive(a.d)
	}
	return n, err
}
