package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"discsafe/api/v1"
	"discsafe/cmd/faultrun/lab"
	"discsafe/pipeline/report"
	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/queue/jetstream"
	"discsafe/worker/store"
	"discsafe/worker/store/dir"
)

// throughput measures 1, 2 and 4 workers on the same load, how soon a lone job
// is picked up, and what a job costs without its sound.
func throughput(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 6, 3); err != nil {
		return err
	}
	n := 40 * r.scale
	for round, count := range []int{1, 2, 4} {
		var ws []*lab.Worker
		before := len(l.Jobs())
		if err := l.Load(ctx, 10000*round, n, 0); err != nil {
			return err
		}
		for range count {
			w, err := l.Worker(nil)
			if err != nil {
				return err
			}
			ws = append(ws, w)
		}
		l.Await(ctx, 10*time.Minute)
		var first, last time.Time
		for _, j := range l.Jobs()[before:] {
			f := j.Final
			if first.IsZero() || f.Started.Before(first) {
				first = f.Started
			}
			if f.Ended.After(last) {
				last = f.Ended
			}
		}
		l.Fact(fmt.Sprintf("jobs_per_s_%d", count), float64(n)/last.Sub(first).Seconds())
		if count == 2 {
			if err := loneJobs(ctx, l); err != nil {
				return err
			}
		}
		for _, w := range ws {
			if _, err := w.P.Stop(30 * time.Second); err != nil {
				return err
			}
		}
	}
	if err := overhead(ctx, l, 100*r.scale); err != nil {
		return err
	}
	return l.Judge(ctx, lab.Verdict{Measured: 5, Fetched: 30, Counted: false})
}

// loneJobs submits one job at a time to workers that have nothing to do.
func loneJobs(ctx context.Context, l *lab.Lab) error {
	var picked, whole []time.Duration
	for n := range 10 {
		j, err := l.Submit(ctx, 900000+n, n%len(l.Sides), v1.Prepare)
		if err != nil {
			return err
		}
		l.Await(ctx, time.Minute)
		picked = append(picked, j.Final.Started.Sub(j.Final.Accepted))
		whole = append(whole, j.Final.Ended.Sub(j.Final.Accepted))
	}
	l.Fact("picked_up_p50_s", latency(picked, 0.5))
	l.Fact("lone_job_p50_s", latency(whole, 0.5))
	return nil
}

// overhead runs jobs through the real broker and a folder as store, with a
// worker whose work is to write a small result: what is left is what the
// service itself costs.
func overhead(ctx context.Context, l *lab.Lab, n int) error {
	root := filepath.Join(l.Dir, "overhead")
	s, err := dir.Open(filepath.Join(root, "store"), dir.Options{Create: true})
	if err != nil {
		return err
	}
	defer s.Close()
	u, m := l.Brokers[0].Address()
	q, err := jetstream.Open(ctx, jetstream.Options{URLs: []string{u}, MonitorURLs: []string{m}, Name: "overhead"})
	if err != nil {
		return err
	}
	defer q.Close()
	ledger, err := job.NewLedger(job.Config{Store: s, Now: time.Now})
	if err != nil {
		return err
	}
	plan, err := s.Put(ctx, "plan/x", bytes.NewReader([]byte("a plan")))
	if err != nil {
		return err
	}
	input := func(name string, i store.Info) job.Input {
		return job.Input{Name: name, Key: i.Key, Bytes: i.Size, SHA256: i.SHA256}
	}
	mix, err := s.Put(ctx, "mix/local/x", bytes.NewReader([]byte("no sound")))
	if err != nil {
		return err
	}
	settled := make(chan worker.Event, 16)
	w, err := worker.New(worker.Options{Queue: q, Store: s, Ledger: ledger, Runner: idle{}, Name: "overhead", Version: "0", Scratch: filepath.Join(root, "scratch"),
		Observe: func(e worker.Event) {
			if e.Kind == worker.Settled {
				settled <- e
			}
		}})
	if err != nil {
		return err
	}
	wctx, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- w.Run(wctx) }()
	var took []time.Duration
	var bad error
	for range n {
		at := time.Now()
		rec, _, err := ledger.Submit(ctx, "", job.Request{Studio: "local", Lane: job.Express, Plan: input("plan.yaml", plan), Inputs: []job.Input{input("mix.wav", mix)}})
		if err == nil {
			err = q.Publish(ctx, worker.Ring(rec))
		}
		if err != nil {
			bad = err
			break
		}
		select {
		case e := <-settled:
			if e.State != job.Done {
				bad = fmt.Errorf("a job without sound ended %s, %s", e.State, e.Code)
			}
		case <-time.After(time.Minute):
			bad = errors.New("a job without sound did not end")
		}
		if bad != nil {
			break
		}
		took = append(took, time.Since(at))
	}
	stop()
	if err := errors.Join(bad, <-ended); err != nil {
		return err
	}
	p50 := latency(took, 0.5)
	l.Fact("overhead_p50_ms", float64(p50.Microseconds())/1000)
	l.Fact("overhead_p99_ms", float64(latency(took, 0.99).Microseconds())/1000)
	if p50 > 50*time.Millisecond {
		l.Bad("overhead", "a job without sound takes %v, want 50 ms", p50)
	}
	return nil
}

// idle makes a result of two small files.
type idle struct{}

func (idle) Run(_ context.Context, t worker.Task, _ func(worker.Pass)) worker.Outcome {
	fail := func(err error) worker.Outcome {
		r := job.Because(job.CodeInternal, err.Error())
		return worker.Outcome{Reason: &r}
	}
	if err := os.MkdirAll(t.Out, 0o700); err != nil {
		return fail(err)
	}
	text := []byte("{}")
	f, err := report.HashOf("report.json", bytes.NewReader(text))
	if err != nil {
		return fail(err)
	}
	m := report.Manifest{Schema: report.ManifestSchema, Tool: report.Tool{Name: "discsafe", Version: "0"}, RecipeSHA256: strings.Repeat("0", 64), Outputs: []report.FileHash{f}}
	var b bytes.Buffer
	err = errors.Join(m.Write(&b), os.WriteFile(filepath.Join(t.Out, f.Name), text, 0o600))
	if err = errors.Join(err, os.WriteFile(filepath.Join(t.Out, report.ManifestName), b.Bytes(), 0o600)); err != nil {
		return fail(err)
	}
	return worker.Outcome{Made: worker.Made{Verdict: "ready", Version: "0"}}
}
