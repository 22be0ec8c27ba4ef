package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/queue/jetstream"
	"discsafe/worker/store"
	"discsafe/worker/store/dir"
	"discsafe/worker/store/mem"
)

// Of the records of a store that has long been in use: shares in a thousand.
const (
	sharesTombstones = 130 // 14 of 104 days
	sharesApproved   = 100 // and older than retention
	sharesDue        = 10
	keepDays         = 90
	openRecords      = 10_000 // of the reconciler's pass
	wireMixes        = 5      // of each job
)

// What is timed.
const (
	walkDue   = "a pass of retention, one in a hundred due"
	walkNone  = "the next pass, nothing due"
	walkDaily = "the daily walk: markers, and which mixes are used"
	walkLay   = "tombstones laid to rest, two weeks later"
	passRings = "a pass of the reconciler that rings for every job"
	passQuiet = "a pass of the reconciler, nothing missing"
)

// walkRow is what one walk cost.
type walkRow struct {
	What       string  `json:"what"`
	Records    int     `json:"records"`
	Seconds    float64 `json:"seconds"`
	Operations int64   `json:"operations"` // of the store: each call of a driver
	Jobs       int     `json:"jobs"`       // deleted, or rung for
	HeapMB     float64 `json:"heap_mb"`    // what the answer keeps in memory
}

// walks fills a store in folder with so many records and times the walks over it.
func walks(ctx context.Context, records int, folder string, now time.Time) ([]walkRow, error) {
	if _, err := os.Stat(filepath.Join(folder, "record")); err == nil {
		fmt.Fprintln(os.Stderr, folder, "is filled already")
	} else if err := fill(ctx, records, folder, now); err != nil {
		return nil, err
	}
	s, l, err := openCounted(folder, now)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	var rows []walkRow
	timed := func(what string, f func() (jobs int, keep any, err error)) error {
		before, began, n := heapMB(), time.Now(), s.n.Load()
		jobs, keep, err := f()
		rows = append(rows, walkRow{what, records, time.Since(began).Seconds(), s.n.Load() - n, jobs, max(0, heapMB()-before)})
		runtime.KeepAlive(keep)
		fmt.Fprintf(os.Stderr, "%+v\n", rows[len(rows)-1])
		return err
	}
	for _, what := range []string{walkDue, walkNone} {
		if err := timed(what, func() (int, any, error) { n, err := expireAll(ctx, l, now); return n, nil, err }); err != nil {
			return nil, err
		}
	}
	if err := timed(walkDaily, func() (int, any, error) { keep, err := l.Rebuild(ctx, 7*24*time.Hour); return 0, keep, err }); err != nil {
		return nil, err
	}
	return rows, timed(walkLay, func() (int, any, error) { n, err := layHundred(ctx, l, now.Add(15*24*time.Hour)); return n, nil, err })
}

// openCounted opens a store on disk whose operations are counted, and a ledger on it.
func openCounted(folder string, now time.Time) (*counted, *job.Ledger, error) {
	disk, err := dir.Open(folder, dir.Options{Create: true})
	if err != nil {
		return nil, nil, err
	}
	s := &counted{Store: disk, Closer: disk}
	l, err := job.NewLedger(job.Config{Store: s, Now: func() time.Time { return now }})
	if err != nil {
		return nil, nil, errors.Join(err, disk.Close())
	}
	return s, l, nil
}

func heapMB() float64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc) / 1e6
}

// fill makes the records in ledgers of their own, in memory, and copies what
// these hold: a store on disk syncs each write. Only jobs that are due have files.
func fill(ctx context.Context, records int, folder string, now time.Time) error {
	for i := range records {
		k := i % 1000
		age := keepDays * 24 * time.Hour / time.Duration(records) * time.Duration(i)
		b := bench{now: now.Add(-age - 20*time.Minute), number: i}
		var err error
		switch {
		case k < sharesTombstones:
			b.now = now.Add(-keepDays*24*time.Hour - age/keepDays*14)
			err = b.make(ctx, false, func(id string) error {
				b.now = b.now.Add(keepDays * 24 * time.Hour)
				return b.l.Delete(ctx, id, "retention")
			})
		case k < sharesTombstones+sharesApproved:
			b.now = now.Add(-keepDays*24*time.Hour - age)
			err = b.make(ctx, false, func(id string) error {
				_, err := b.l.Sign(ctx, id, job.Sign{By: "token", Name: "Ada Lind", Decision: job.Approve, Manifest: sum})
				if err == nil {
					b.now = b.now.Add(keepDays*24*time.Hour + time.Hour) // put off
					_, err = expireAll(ctx, b.l, b.now)
				}
				return err
			})
		case k < sharesTombstones+sharesApproved+sharesDue:
			b.now = now.Add(-keepDays*24*time.Hour - 3*time.Hour - age/100)
			err = b.make(ctx, true, nil)
		default:
			err = b.make(ctx, false, nil)
		}
		if err == nil {
			err = b.copyTo(ctx, folder)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// bench is a ledger for one job.
type bench struct {
	now    time.Time
	number int
	store  *mem.Store
	l      *job.Ledger
}

var sum = strings.Repeat("3c", 32)

func (b *bench) submit(ctx context.Context) (*job.Record, error) {
	b.store = mem.New(mem.Options{})
	var err error
	if b.l, err = job.NewLedger(job.Config{Store: b.store, Now: func() time.Time { return b.now }}); err != nil {
		return nil, err
	}
	in := func(name string) job.Input {
		hash := fmt.Sprintf("%064x", b.number*100+len(name))
		return job.Input{Name: name, Key: "mix/north/" + hash, Bytes: 115_000_000, SHA256: hash}
	}
	req := job.Request{Studio: "north", Title: "Invented Harbour", Side: "A", Catalogue: fmt.Sprintf("IH %d", b.number), LengthS: 1200, Plan: in("side.yaml")}
	for _, name := range []string{"1 Tide.wav", "2 Gulls.wav", "3 Ropes a.wav", "4 Low sun b.wav", "5 Far out wide.wav"} {
		req.Inputs = append(req.Inputs, in(name))
	}
	r, _, err := b.l.Submit(ctx, "", req)
	return r, err
}

// make makes a job that is done, and then lets it come to what then does.
func (b *bench) make(ctx context.Context, files bool, then func(id string) error) error {
	r, err := b.submit(ctx)
	if err != nil {
		return err
	}
	h, err := b.l.Claim(ctx, r.ID, job.Claimant{Worker: "worker-1", Version: "0.1.0", Token: "t", Lease: time.Minute})
	if err != nil {
		return err
	}
	b.now = b.now.Add(2 * time.Minute)
	res := job.Result{Verdict: "ready", Version: "0.1.0", Recipe: sum}
	for _, name := range []string{"premaster.wav", "difference.wav", "timeline.bin", "report.json", "report.html", "cutting-sheet.html", "manifest.json"} {
		key := job.ResultKey(h.ID, h.Attempt, name)
		if files {
			if _, err := b.store.Put(ctx, key, strings.NewReader(name)); err != nil {
				return err
			}
		}
		res.Files = append(res.Files, job.Output{Name: name, Key: key, Bytes: int64(len(name)), SHA256: sum})
	}
	if _, err = h.Finish(ctx, res); err != nil || then == nil {
		return err
	}
	return then(r.ID)
}

func (b *bench) copyTo(ctx context.Context, folder string) error {
	for o, err := range store.All(ctx, b.store, "") {
		if err != nil {
			return err
		}
		data, _, err := store.Read(ctx, b.store, o.Key)
		if err != nil {
			return err
		}
		path := filepath.Join(folder, filepath.FromSlash(o.Key))
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			return err
		}
		if err := os.WriteFile(path, data, 0o640); err != nil {
			return err
		}
	}
	return nil
}

// reconcile times passes over open records: one after the broker lost all its
// messages, and one with nothing to do.
func reconcile(ctx context.Context, folder string, now time.Time) ([]walkRow, error) {
	at := filepath.Join(folder, "store")
	for i := range openRecords {
		b := bench{now: now.Add(-time.Hour - time.Duration(i)*time.Second), number: i}
		_, err := b.submit(ctx)
		if err == nil {
			err = b.copyTo(ctx, at)
		}
		if err != nil {
			return nil, err
		}
	}
	s, l, err := openCounted(at, now)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	broker, err := jetstream.StartBroker(ctx, jetstream.BrokerOptions{Dir: filepath.Join(folder, "broker")})
	if err != nil {
		return nil, err
	}
	defer broker.Close()
	q, err := jetstream.Open(ctx, jetstream.Options{Broker: broker})
	if err != nil {
		return nil, err
	}
	defer q.Close()
	c := job.Reconciler{Ledger: l,
		Ring:  func(ctx context.Context, r *job.Record) error { return q.Publish(ctx, worker.Ring(r)) },
		Depth: func(ctx context.Context) (int, error) { st, err := q.Stats(ctx); return st.Waiting + st.InFlight, err }}
	var rows []walkRow
	for _, what := range []string{passRings, passQuiet} {
		began, n := time.Now(), s.n.Load()
		counts, err := c.Pass(ctx)
		if err != nil {
			return nil, err
		}
		rows = append(rows, walkRow{What: what, Records: counts.Open, Seconds: time.Since(began).Seconds(), Operations: s.n.Load() - n, Jobs: counts.Rung})
	}
	return rows, nil
}
