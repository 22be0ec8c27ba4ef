package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"discsafe/worker/store"
)

// walkKey is where the processes of a store agree which of them makes the daily
// walk over its records.
const walkKey = "setting/walk"

// How a turn is kept.
const (
	turnBeat   = time.Minute      // between signs of life
	turnSilent = 10 * time.Minute // after which another process takes the turn
)

// errTurnLost is why a walk ends whose process was silent for so long that another
// began one.
var errTurnLost = errors.New("another process walks")

// turns gives daily work to one process at a time. It saves work and guards
// nothing: what is done must bear being done twice. For one goroutine.
type turns struct {
	store store.Store
	key   string
	name  string // of this process
	every time.Duration
	beat  time.Duration
	now   func() time.Time
}

// turn is the record of who has it.
type turn struct {
	By    string    `json:"by"`
	Began time.Time `json:"began"`
	Seen  time.Time `json:"seen"`           // last sign of life; zero: it was given up
	Ended time.Time `json:"ended,omitzero"` // zero: it has not
}

// taken reports whether nobody else should begin now. A time ahead of the clock
// by more than a turn is no time.
func (t *turn) taken(name string, every time.Duration, now time.Time) bool {
	within := func(at time.Time, d time.Duration) bool { return now.Sub(at) < d && at.Sub(now) < d }
	if !t.Ended.IsZero() {
		return within(t.Began, every)
	}
	return t.By != name && within(t.Seen, turnSilent)
}

// do calls f if it is due and no other process is at it. If it must be, it takes
// the turn from another, too. f's context ends when another process took the turn
// over; then the work is being done, and do returns nil.
func (u *turns) do(ctx context.Context, must bool, f func(context.Context) error) error {
	v, mine, err := u.take(ctx, must)
	if err != nil {
		return fmt.Errorf("whose turn it is: %w", err)
	}
	if !mine {
		return nil
	}
	began := u.now()
	work, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var beats sync.WaitGroup
	ended := make(chan struct{})
	beats.Go(func() {
		tick := time.NewTicker(u.beat)
		defer tick.Stop()
		for {
			select {
			case <-ended:
				return
			case <-work.Done():
				return
			case <-tick.C:
			}
			next, err := u.put(work, v, turn{By: u.name, Began: began, Seen: u.now()})
			switch {
			case err == nil:
				v = next
			case errors.Is(err, store.ErrConflict):
				stop(errTurnLost)
			}
			// Anything else: the next beat tries again, and the walk meets the same trouble.
		}
	})
	err = f(work)
	close(ended)
	beats.Wait()
	if errors.Is(context.Cause(work), errTurnLost) {
		return nil
	}
	last := turn{By: u.name, Began: began} // for whoever looks next, but if it has ended
	if err == nil {
		last.Ended = u.now()
	}
	// A conflict is an answer that was lost, or somebody who took over at the end.
	_, perr := u.put(context.WithoutCancel(ctx), v, last)
	if errors.Is(perr, store.ErrConflict) {
		perr = nil
	}
	return errors.Join(err, perr)
}

// take takes the turn if it is free, or must be taken.
func (u *turns) take(ctx context.Context, must bool) (v store.Version, mine bool, err error) {
	for range 10 {
		data, v, err := store.Read(ctx, u.store, u.key)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return "", false, err
		}
		var t turn
		// What cannot be read is nobody's.
		if err == nil && json.Unmarshal(data, &t) == nil && !must && t.taken(u.name, u.every, u.now()) {
			return "", false, nil
		}
		now := u.now()
		v, err = u.put(ctx, v, turn{By: u.name, Began: now, Seen: now})
		if !errors.Is(err, store.ErrConflict) {
			return v, err == nil, err
		}
		// Somebody was faster, or showed life.
	}
	return "", false, nil
}

func (u *turns) put(ctx context.Context, old store.Version, t turn) (store.Version, error) {
	data, err := json.Marshal(t)
	if err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(ctx, probeTime)
	defer cancel()
	return u.store.Swap(ctx, u.key, old, data)
}
