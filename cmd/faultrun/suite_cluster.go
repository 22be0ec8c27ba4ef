package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"discsafe/cmd/faultrun/lab"
)

// cluster is the service grown: three brokers, an object store, two APIs, three
// workers. One broker and one worker are killed while 50 jobs run.
func cluster(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{Brokers: 3, APIs: 2, Workers: 3, S3: true})
	if err != nil {
		return err
	}
	if err := conformance(ctx, r, l); err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 6, 6); err != nil {
		return err
	}
	_, wait := loading(ctx, l, 50*r.scale, 200*time.Millisecond)
	kills := 0
	for n := range r.scale {
		if err := l.Until(ctxFor(ctx, 5*time.Minute), 200*time.Millisecond, func() error {
			if err := l.Look(ctx, l.APIs[0]); err != nil {
				return err
			}
			if done := len(l.Jobs()) - len(l.Open()); done < 10+50*n {
				return fmt.Errorf("%d jobs are done", done)
			}
			return nil
		}); err != nil {
			return err
		}
		b := l.Brokers[l.Rand.IntN(len(l.Brokers))]
		l.Note("fault", "what", "kill -9 of a broker", "process", b.P.Name)
		b.P.Kill()
		w, err := l.Busy(ctx)
		if err != nil {
			return err
		}
		w.Crash()
		kills += 2
		if n+1 == r.scale { // the rest must do without them
			if err := wait(); err != nil {
				return err
			}
			l.Fact("drained_s", l.Await(ctx, time.Duration(4+r.scale)*time.Minute))
		} else {
			sleep(ctx, 10*time.Second)
		}
		if err := b.Start(); err != nil {
			return err
		}
		if _, err := l.Worker(nil); err != nil {
			return err
		}
	}
	l.Fact("kills", kills)
	by := map[string]int{}
	for _, j := range l.Jobs() {
		for _, e := range j.Final.History {
			if e.To == "done" {
				by[e.By]++
			}
		}
	}
	l.Fact("workers_that_finished", len(by))
	if len(by) < 3 {
		l.Bad("cluster", "only %d workers finished anything: %v", len(by), by)
	}
	return l.Judge(ctx, lab.Verdict{MayEnd: fiveLosses})
}

// notHeld is the case of the suite that this object store does not pass: its
// DeleteObject does not wait for a conditional PutObject under way, so that what
// was deleted is there again in one of seven tries (v1.8.0, measured). The
// service deletes records of jobs that have ended only.
const notHeld = "delete_against_swap"

// conformance runs the suite of every store driver against the object store.
func conformance(ctx context.Context, r *run, l *lab.Lab) error {
	const bucket = "suite"
	// On this server a folder is a bucket, and an object a file in it.
	if err := os.MkdirAll(filepath.Join(l.Volume("objects"), bucket), 0o700); err != nil {
		return err
	}
	at := time.Now()
	cmd := exec.CommandContext(ctx, "go", "test", "-count=1", "-tags", "s3server", "-run", "TestSuiteOnServer", "-skip", "/"+notHeld+"$", "./worker/store/s3")
	cmd.Dir = r.root
	cmd.Env = append(os.Environ(), append(l.S3Env(), "DISCSAFE_S3_ENDPOINT="+l.S3.URL, "DISCSAFE_S3_BUCKET="+bucket, "DISCSAFE_S3_KEYS_COLLIDE=1")...)
	out, err := cmd.CombinedOutput()
	if err != nil {
		l.Bad("store", "the suite of store drivers against the object store: %v\n%s", err, out)
	}
	l.Say("%s; NOT RUN: %s, which this object store does not hold", strings.TrimSpace(string(out)), notHeld)
	l.Fact("conformance_s", time.Since(at))
	return os.RemoveAll(filepath.Join(l.Volume("objects"), bucket))
}
