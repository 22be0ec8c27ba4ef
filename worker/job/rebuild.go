package job

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/maphash"
	"slices"
	"sync"
	"time"

	"discsafe/worker/store"
)

// rebuildAtOnce is how many records Rebuild looks at beside each other: on an
// object store nearly all of its time is waiting.
const rebuildAtOnce = 8

// Rebuilt is what Rebuild mended and found.
type Rebuilt struct {
	Records    int // looked at
	Marked     int // markers put back
	Tombstones int // of deleted jobs, their deletion finished if it had broken off; removed when old
	Unreadable []string
	// Uses are the plans and inputs that the records name: also of ended jobs, which
	// may be retried. What is not among them may be removed, if nobody has wanted it
	// since well before Rebuild began. Nil unless all is known.
	Uses *Uses
	// Unknown is why Uses is nil though the walk came to its end: the *RecordError of
	// a record that not even its inputs can be read of.
	Unknown error
}

// Uses is a set of keys in the store. It holds hashes of eight bytes, as there may
// be many: of a hundred million keys one is taken for another in one of a
// thousand walks, and is then kept for a day longer than it must be.
type Uses struct {
	seed   maphash.Seed
	shards [256][]uint64 // by the first byte; sorted at the end
}

func (u *Uses) add(key string) {
	h := maphash.String(u.seed, key)
	u.shards[h>>56] = append(u.shards[h>>56], h)
}

func (u *Uses) sort() {
	for i, s := range u.shards {
		slices.Sort(s)
		u.shards[i] = slices.Compact(s)
	}
}

// Has says whether a record names the key.
func (u *Uses) Has(key string) bool {
	h := maphash.String(u.seed, key)
	_, ok := slices.BinarySearch(u.shards[h>>56], h)
	return ok
}

// Rebuild walks over all records, puts back markers that are missing, removes
// what attempts of jobs ended within tidy left behind, and tells which plans and
// inputs records name. Records of versions that knew less markers get theirs here.
//
// It is for the start of the service and for once a day; it may run beside
// everything else. It goes on after a record that gave trouble, unless there are
// many, and returns all such errors joined.
func (l *Ledger) Rebuild(ctx context.Context, tidy time.Duration) (Rebuilt, error) {
	walk, stop := context.WithCancel(ctx)
	defer stop()
	b := rebuild{l: l, tidy: tidy, stop: stop}
	b.n.Uses = &Uses{seed: maphash.MakeSeed()}
	ids := make(chan string)
	var wg sync.WaitGroup
	for range rebuildAtOnce {
		wg.Go(func() {
			for id := range ids {
				if err := b.record(walk, id); err != nil {
					b.trouble(fmt.Errorf("job %s: %w", id, err))
				}
			}
		})
	}
	err := feed(walk, ids, l.all(walk, recordDir))
	close(ids)
	wg.Wait()
	slices.Sort(b.n.Unreadable)
	err = errors.Join(append(b.errs, err)...)
	if err != nil || b.n.Unknown != nil {
		b.n.Uses = nil
	} else {
		b.n.Uses.sort()
	}
	return b.n, errors.Join(err, l.forgetNews(ctx))
}

// feed hands out the identifiers of a listing until ctx ends.
func feed(ctx context.Context, ids chan<- string, keys func(func(store.Info, error) bool)) error {
	for o, err := range keys {
		if err != nil {
			return err
		}
		select {
		case ids <- idOf(o.Key):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

type rebuild struct {
	l    *Ledger
	tidy time.Duration
	stop context.CancelFunc

	mu   sync.Mutex
	n    Rebuilt
	errs []error
}

func (b *rebuild) trouble(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.errs = append(b.errs, err); len(b.errs) >= maxTries {
		b.stop()
	}
}

func (b *rebuild) count(f func(n *Rebuilt)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f(&b.n)
}

// ensure puts back a marker that is missing.
func (b *rebuild) ensure(ctx context.Context, key string) error {
	_, err := b.l.store.Stat(ctx, key)
	if isNotFound(err) {
		b.count(func(n *Rebuilt) { n.Marked++ })
		return b.l.mark(ctx, key)
	}
	return err
}

func (b *rebuild) record(ctx context.Context, id string) error {
	if !ValidID(id) {
		return nil // none of ours; Audit tells of it
	}
	data, _, err := store.Read(ctx, b.l.store, recordDir+id)
	if isNotFound(err) {
		return nil
	}
	if err != nil {
		return err
	}
	b.count(func(n *Rebuilt) { n.Records++ })
	if err := b.uses(id, data); err != nil {
		b.count(func(n *Rebuilt) { n.Unreadable, n.Unknown = append(n.Unreadable, id), err })
		return nil
	}
	r, err := decodeRecord(id, data)
	if err != nil {
		b.count(func(n *Rebuilt) { n.Unreadable = append(n.Unreadable, id) })
		return nil // by this version
	}
	if r.Deleted != nil {
		b.count(func(n *Rebuilt) { n.Tombstones++ })
		return b.tombstone(ctx, r)
	}
	return b.markers(ctx, r)
}

// uses notes what a record names. Not by decodeRecord: a field that a newer
// version added hides no input.
func (b *rebuild) uses(id string, data []byte) error {
	var r struct {
		Schema  string `json:"schema"`
		Request *struct {
			Plan   Input   `json:"plan"`
			Inputs []Input `json:"inputs"`
		} `json:"request"`
	}
	switch err := json.Unmarshal(data, &r); {
	case err != nil:
		return &RecordError{ID: id, Detail: "is damaged, and which mixes it uses is not known", Err: err}
	case r.Schema != Schema || r.Request == nil:
		return &RecordError{ID: id, Detail: fmt.Sprintf("has layout %q, this version knows %q, and which mixes it uses is not known", r.Schema, Schema)}
	}
	b.count(func(n *Rebuilt) {
		for _, in := range append(r.Request.Inputs, r.Request.Plan) {
			if in.Key != "" {
				n.Uses.add(in.Key)
			}
		}
	})
	return nil
}

// tombstone finishes a deletion that broke off, and looks whether a worker that
// slept through it has written since.
func (b *rebuild) tombstone(ctx context.Context, r *Record) error {
	age := b.l.now().Sub(r.Deleted.At)
	if age > 2*b.l.keepKey {
		return b.l.lay(ctx, r)
	}
	switch _, err := b.l.store.Stat(ctx, buriedKey(r)); {
	case isNotFound(err):
		return b.l.bury(ctx, r)
	case err != nil || age >= b.tidy:
		return err
	}
	return b.l.empty(ctx, r.ID)
}

func (b *rebuild) markers(ctx context.Context, r *Record) error {
	if err := b.ensure(ctx, studioKey(r.Request.Studio, r.ID)); err != nil {
		return err
	}
	if root := r.Request.Root; root != "" {
		if err := errors.Join(b.ensure(ctx, revisionKey(root, r.ID)), b.l.point(ctx, r)); err != nil {
			return err
		}
	}
	if !r.State.Ended() {
		return b.ensure(ctx, openDir+r.ID)
	}
	if r.Standing() != Approved {
		if err := b.ensure(ctx, endedKey(r)); err != nil {
			return err
		}
	}
	if b.l.now().Sub(r.Ended) < b.tidy {
		return b.l.Tidy(ctx, r)
	}
	return nil
}
