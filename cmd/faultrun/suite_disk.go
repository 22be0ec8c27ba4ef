package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"sync"
	"time"

	"discsafe/api/v1"
	"discsafe/cmd/faultrun/lab"
	"discsafe/cmd/faultrun/proc"
	"discsafe/worker/volume"
)

// full is one case of a volume without room.
type full struct {
	volume string
	size   int64 // of the volume
	left   int64 // bytes that the ballast leaves
	// refused says whether new mixes must be answered 507 meanwhile. Otherwise
	// they must be taken, or asked for again later.
	refused bool
}

var fulls = []full{
	// The API wants 24 MiB free, the store keeps 64 for records.
	{"store", 224 << 20, 4 << 20, true},
	{"spool", 64 << 20, 0, true},
	// A worker fetches nothing below 512 MiB.
	{"scratch", 640 << 20, 100 << 20, false},
	{"broker", 48 << 20, 0, false},
}

// diskFull fills each volume to the brim while jobs wait and come, and then
// gives the room back.
func diskFull(ctx context.Context, r *run) error {
	for round := range r.scale {
		errs := make([]error, len(fulls))
		var wg sync.WaitGroup
		for i, f := range fulls { // they wait most of the time
			if round%2 == 1 {
				f.left = 0 // not even a record can be written
				if f.volume == "scratch" {
					f.left = 1 << 20
				}
			}
			wg.Go(func() { errs[i] = r.fill(ctx, f) })
		}
		wg.Wait()
		if err := errors.Join(errs...); err != nil {
			return err
		}
	}
	return nil
}

func (r *run) fill(ctx context.Context, f full) error {
	l, err := r.lab(ctx, lab.Options{Small: map[string]int64{f.volume: f.size}, Tune: lab.Tuning{APIArgs: []string{"--min-free", "24MiB"}}})
	if err != nil {
		return err
	}
	l.Fact("cases", 1)
	if err := l.MakeSides(ctx, 4, 8); err != nil {
		return err
	}
	workers := func() error {
		for range 2 {
			if _, err := l.Worker(nil); err != nil {
				return err
			}
		}
		return nil
	}
	early := f.volume == "store" && f.left == 0 // jobs are in hand when the last byte goes
	if early {
		if err := workers(); err != nil {
			return err
		}
	}
	if err := l.Load(ctx, 0, 6, 0); err != nil { // taken while there was room
		return err
	}
	ballast, err := proc.Fill(l.Volume(f.volume), f.left)
	if err != nil {
		return err
	}
	free, _ := volume.Free(l.Volume(f.volume))
	l.Say("%s is full: %d KiB left", f.volume, free>>10)
	if !early {
		if err := workers(); err != nil {
			return err
		}
	}
	if err := l.MakeSides(ctx, 1, 2); err != nil { // a mix that is not there yet
		return err
	}
	later, cancel := context.WithCancel(ctx)
	defer cancel()
	handed := make(chan error, 1)
	go func() { handed <- comeLater(later, l, f, len(l.Sides)-1) }()
	sleep(ctx, 12*time.Second)
	if err := os.Remove(ballast); err != nil {
		return err
	}
	room := time.Now()
	l.Note("heal", "what", "room in "+f.volume)
	if err := reviveBroker(ctx, l); err != nil {
		return err
	}
	if err := <-handed; err != nil {
		return fmt.Errorf("%s: %w", f.volume, err)
	}
	l.Await(ctx, 3*time.Minute)
	back := time.Since(room)
	l.Fact(f.volume+"_back_s", back)
	// 60 s, and the work itself on a machine with others on it.
	if back > 75*time.Second {
		l.Bad("disk", "%s: work was done only %v after there was room again", f.volume, back)
	}
	may := 0
	if early {
		may = 1 // where not even a record can be written, no job can be handed back in order
	}
	for _, j := range l.Jobs() {
		if j.Final.Crashes > 0 || j.Final.Losses > may {
			l.Bad("disk", "%s: job %s was charged for it: %d crashes, %d losses, %+v", f.volume, j.ID, j.Final.Crashes, j.Final.Losses, j.Final.History)
		}
	}
	return l.Judge(ctx, lab.Verdict{Counted: true, Stray: []string{"ballast-"}})
}

// comeLater hands in a new mix into a full service until it is taken.
func comeLater(ctx context.Context, l *lab.Lab, f full, side int) error {
	err := l.Upload(ctx, l.APIs[0], side)
	p, is := errors.AsType[*v1.Problem](err)
	switch {
	case f.refused && (!is || p.Status != http.StatusInsufficientStorage || p.Code != string(v1.DiskFull) || p.RetryAfter <= 0):
		l.Bad("disk", "%s is full, and a mix was answered %v; want 507 %s with Retry-After", f.volume, err, v1.DiskFull)
	case !f.refused && err != nil && (!is || p.RetryAfter <= 0):
		l.Bad("disk", "%s is full, and a mix was answered %v", f.volume, err)
	}
	_, err = l.Submit(ctx, 1000+side, side, v1.Prepare)
	return err
}

// reviveBroker starts a broker again that has given its storage up: it says so
// in its health, and operators do the same.
func reviveBroker(ctx context.Context, l *lab.Lab) error {
	b := l.Brokers[0]
	sleep(ctx, time.Second)
	if b.Healthy() == nil {
		return nil
	}
	l.Say("the broker has given its storage up and is started again")
	if _, err := b.P.Stop(30 * time.Second); err != nil {
		return err
	}
	return b.Start()
}
