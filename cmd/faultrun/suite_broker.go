package main

import (
	"context"
	"fmt"
	"time"

	"discsafe/api/v1"
	"discsafe/cmd/faultrun/lab"
	"discsafe/cmd/faultrun/proc"
	"discsafe/cmd/faultrun/proxy"
)

// brokerRestart restarts the broker in order, and kills it, under load.
func brokerRestart(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{Workers: 2})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 5, 1); err != nil {
		return err
	}
	over, wait := loading(ctx, l, 40*r.scale, 500*time.Millisecond)
	faults := 0
	for faults < 2*r.scale || !over() && faults < 3*r.scale {
		sleep(ctx, draw(l, 500*time.Millisecond, 2500*time.Millisecond))
		if ctx.Err() != nil {
			return ctx.Err()
		}
		b := l.Brokers[0]
		if faults%2 == 0 {
			l.Note("fault", "what", "broker asked to end")
			if _, err := b.P.Stop(30 * time.Second); err != nil {
				return err
			}
		} else {
			l.Note("fault", "what", "kill -9 of the broker")
			b.P.Kill()
		}
		sleep(ctx, draw(l, 100*time.Millisecond, 3*time.Second))
		if err := b.Start(); err != nil {
			return err
		}
		l.Note("heal", "what", "broker runs again")
		faults++
	}
	if err := wait(); err != nil {
		return err
	}
	l.Fact("faults", faults)
	l.Fact("drained_s", l.Await(ctx, time.Duration(3+r.scale)*time.Minute))
	return l.Judge(ctx, lab.Verdict{Counted: true})
}

// brokerWipe deletes everything the broker stored, with jobs waiting and jobs
// under way: the store alone must bring all of them back.
func brokerWipe(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{Workers: 2})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 5, 5); err != nil {
		return err
	}
	for n := range r.scale {
		if err := l.Load(ctx, 1000*n, 30, 0); err != nil {
			return err
		}
		b := l.Brokers[0]
		b.P.Kill()
		if err := b.Wipe(); err != nil {
			return err
		}
		if err := l.Look(ctx, l.APIs[0]); err != nil {
			return err
		}
		l.Note("fault", "what", "broker's storage deleted", "open", len(l.Open()))
		if len(l.Open()) == 0 {
			return fmt.Errorf("every job was done before the broker's storage could be deleted")
		}
		lab.Most(l, "open_when_deleted", len(l.Open()))
		sleep(ctx, draw(l, 0, 2*time.Second))
		if err := b.Start(); err != nil {
			return err
		}
		took := l.Await(ctx, 3*time.Minute)
		lab.Most(l, "restored_s", took)
		// 60 s to ring for what is missing, and the work itself.
		if took > 90*time.Second {
			l.Bad("wipe", "all jobs were done only %v after the broker came back", took)
		}
	}
	return l.Judge(ctx, lab.Verdict{Counted: true})
}

// partition cuts the network to the broker in every way for a minute. Jobs come
// all the while, and nobody may spin.
func partition(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{Workers: 2, APIs: 1, Proxied: true})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 4, 1); err != nil {
		return err
	}
	b := l.Brokers[0]
	next := 0
	load := func(n int) error {
		next += 100
		return l.Load(ctx, next, n, 0)
	}
	phases := []struct {
		name  string
		turns []proxy.Mode
		each  time.Duration
	}{
		{"black hole", []proxy.Mode{proxy.Hold}, 18 * time.Second},
		{"half-open", []proxy.Mode{proxy.HoldDown, proxy.HoldUp}, 8 * time.Second},
		{"forgotten", []proxy.Mode{proxy.Forget}, 8 * time.Second},
		{"flapping", []proxy.Mode{proxy.Reset, proxy.Pass, proxy.Reset, proxy.Hold, proxy.Pass, proxy.Reset}, 3 * time.Second},
	}
	for range r.scale {
		for _, p := range phases {
			if err := load(4); err != nil {
				return err
			}
			began, at := cpuOf(l), time.Now()
			fault := make(chan error, 1)
			go func() { fault <- submitDuring(ctx, l, next+50) }()
			for _, m := range p.turns {
				b.Proxy(m)
				sleep(ctx, p.each)
			}
			// Without a broker there is nothing to do but wait.
			for name, share := range shares(l, began, time.Since(at)) {
				lab.Most(l, "cpu_most", share)
				if share > 0.20 {
					l.Bad("spin", "%s used %.0f %% of a processor while the network was %s", name, 100*share, p.name)
				}
			}
			b.Proxy(proxy.Pass)
			l.Note("heal", "what", "network")
			if err := <-fault; err != nil {
				return err
			}
			lab.Most(l, "drained_s", l.Await(ctx, 3*time.Minute))
		}
	}
	return l.Judge(ctx, lab.Verdict{Counted: true})
}

// submitDuring hands in three sides; they must be taken, now or after the
// network is back.
func submitDuring(ctx context.Context, l *lab.Lab, first int) error {
	for n := range 3 {
		if _, err := l.Submit(ctx, first+n, n, v1.Prepare); err != nil {
			return err
		}
		sleep(ctx, time.Second)
	}
	return nil
}

func procsOf(l *lab.Lab) []*proc.Proc {
	var all []*proc.Proc
	for _, a := range l.APIs {
		all = append(all, a.P)
	}
	for _, w := range l.Living() {
		all = append(all, w.P)
	}
	return all
}

func cpuOf(l *lab.Lab) map[string]time.Duration {
	m := map[string]time.Duration{}
	for _, p := range procsOf(l) {
		m[p.Name] = p.CPU()
	}
	return m
}

func shares(l *lab.Lab, before map[string]time.Duration, d time.Duration) map[string]float64 {
	m := map[string]float64{}
	for _, p := range procsOf(l) {
		if was, known := before[p.Name]; known {
			m[p.Name] = (p.CPU() - was).Seconds() / d.Seconds()
		}
	}
	return m
}
