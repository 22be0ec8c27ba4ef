package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

// record is what mixinfo holds: a v1.Mix and what only this package needs.
//
// Deleting is the fence between deleting and handing in again: once it is set
// nobody writes the bytes or the record but the sweeper that set it, and it is
// set by compare-and-set, so only where nobody wanted the mix meanwhile.
type record struct {
	v1.Mix
	Wanted   time.Time `json:"wanted"` // last handed in or found; what MixTTL counts from
	Deleting time.Time `json:"deleting,omitzero"`
}

// casTries is how often a change that others overtook is tried again.
const casTries = 20

var errDeleting = v1.NewProblem(v1.Unavailable, "this mix is just being deleted").After(busyPause)

func (in *Intake) load(ctx context.Context, studio, sha string) (record, store.Version, error) {
	data, version, err := store.Read(ctx, in.opt.Store, infoKey(studio, sha))
	if err != nil {
		return record{}, "", err
	}
	var rec record
	if err := json.Unmarshal(data, &rec); err != nil {
		return record{}, "", fmt.Errorf("record of mix %s: %w", sha, err)
	}
	return rec, version, nil
}

func (in *Intake) save(ctx context.Context, rec record, old store.Version) error {
	rec.New, rec.Expires = false, time.Time{}
	data, err := json.Marshal(rec)
	if err != nil {
		return err
	}
	_, err = in.opt.Store.Swap(ctx, infoKey(rec.Studio, rec.SHA256), old, data)
	return err
}

// tell is the record as the wire shows it.
func (in *Intake) tell(rec record) v1.Mix {
	m := rec.Mix
	m.Expires = rec.Wanted.Add(in.limits.MixTTL).UTC()
	return m
}

// known looks whether a mix is here, renews the time it is kept for, and mends
// what a crash left out: bytes without a record, a record without its audio.
func (in *Intake) known(ctx context.Context, studio, sha, name string) (v1.Mix, bool, error) {
	for range casTries {
		rec, version, err := in.load(ctx, studio, sha)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return v1.Mix{}, false, err
		}
		if !rec.Deleting.IsZero() {
			return v1.Mix{}, false, errDeleting
		}
		info, err := in.opt.Store.Stat(ctx, Key(studio, sha))
		if errors.Is(err, store.ErrNotFound) {
			return v1.Mix{}, false, nil
		}
		if err != nil {
			return v1.Mix{}, false, err
		}
		now := in.now().UTC()
		change := false
		if version == "" {
			rec = record{Mix: v1.Mix{SHA256: sha, Bytes: info.Size, Name: name, Studio: studio, Received: now}}
			change = true
		}
		if rec.Audio == nil && rec.Problem == "" {
			if rec.Audio, rec.Problem, err = in.probeStored(ctx, studio, sha); err != nil {
				return v1.Mix{}, false, err
			}
			change = true
		}
		if rec.Name == "" && name != "" {
			rec.Name, change = name, true
		}
		// Not every look is worth a write.
		if change || now.Sub(rec.Wanted) > min(time.Hour, in.limits.MixTTL/10) {
			rec.Wanted = now
			err := in.save(ctx, rec, version)
			if errors.Is(err, store.ErrConflict) {
				continue
			}
			if err != nil {
				return v1.Mix{}, false, err
			}
		}
		return in.tell(rec), true, nil
	}
	return v1.Mix{}, false, v1.NewProblem(v1.Unavailable, "others change this mix all the time").After(busyPause)
}

// keep puts bytes whose hash is known, and their record. local, if not nil, holds
// the same bytes where they can be probed without the store.
func (in *Intake) keep(ctx context.Context, studio, sha, name string, r io.Reader, local io.ReaderAt) (v1.Mix, error) {
	info, err := in.opt.Store.Put(ctx, Key(studio, sha), r)
	isNew := err == nil
	if err != nil && !errors.Is(err, store.ErrExists) {
		return v1.Mix{}, err
	}
	if isNew && info.SHA256 != sha {
		// The key would lie about its bytes.
		err := fmt.Errorf("store took %s for %s", info.SHA256, sha)
		return v1.Mix{}, errors.Join(err, in.opt.Store.Delete(context.WithoutCancel(ctx), Key(studio, sha)))
	}
	if err := in.step("stored"); err != nil {
		return v1.Mix{}, err
	}
	if isNew {
		in.grew(studio, info.Size)
		rec := record{Mix: v1.Mix{SHA256: sha, Bytes: info.Size, Name: name, Studio: studio, Received: in.now().UTC()}}
		rec.Wanted = rec.Received
		if local != nil {
			rec.Audio, rec.Problem, err = in.probe(local, info.Size)
		} else {
			rec.Audio, rec.Problem, err = in.probeStored(ctx, studio, sha)
		}
		if err != nil {
			return v1.Mix{}, err
		}
		switch err := in.save(ctx, rec, ""); {
		case err == nil:
			in.observe("stored")
			m := in.tell(rec)
			m.New = true
			return m, nil
		case !errors.Is(err, store.ErrConflict):
			return v1.Mix{}, err
		}
		// A record is left of bytes that are gone, or another sender was faster
		// with it.
	}
	m, ok, err := in.known(ctx, studio, sha, name)
	if err != nil {
		return v1.Mix{}, err
	}
	if !ok {
		return v1.Mix{}, v1.NewProblem(v1.Unavailable, "the mix was deleted while it came").After(busyPause)
	}
	m.New = isNew
	in.observe(map[bool]string{true: "stored", false: "known"}[isNew])
	return m, nil
}
