package intake

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"time"

	"discsafe/worker/store"
	"discsafe/worker/volume"
)

// leftover is how old what no process can be busy with must be, where no lock
// tells whether one is.
const leftover = time.Hour

// Sweep finishes uploads that lack nothing but that, and removes what is over:
// expired uploads and leftovers of dead processes. For mixes there is
// SweepMixes. It returns how many things it removed.
// It may run while others work, here or in other processes on the same spool
// and store. Trouble with one thing does not keep it from the next.
func (in *Intake) Sweep(ctx context.Context) (n int, err error) {
	in.sweeping.Lock()
	defer in.sweeping.Unlock()
	for _, part := range []func(context.Context) (int, error){in.sweepParts, in.sweepUploads, in.sweepDone} {
		removed, perr := part(ctx)
		n += removed
		err = errors.Join(err, perr)
		if ctx.Err() != nil {
			break
		}
	}
	return n, err
}

// sweepParts removes files whose writer does not lock them any more.
func (in *Intake) sweepParts(ctx context.Context) (n int, err error) {
	dir := filepath.Join(in.opt.Spool, partDir)
	entries, err := os.ReadDir(dir)
	if err != nil {
		return 0, err
	}
	for _, e := range entries {
		if ctx.Err() != nil {
			return n, errors.Join(err, ctx.Err())
		}
		path := filepath.Join(dir, e.Name())
		st, serr := os.Lstat(path)
		if serr != nil || !st.Mode().IsRegular() || !volume.Locks && time.Since(st.ModTime()) < leftover {
			continue
		}
		f, oerr := os.OpenFile(path, os.O_RDWR, 0)
		if oerr != nil {
			if !errors.Is(oerr, os.ErrNotExist) {
				err = errors.Join(err, oerr)
			}
			continue
		}
		ok, lerr := volume.TryLock(f)
		if lerr == nil && ok && isAt(f, path) {
			if lerr = remove(path); lerr == nil {
				n++
			}
		}
		err = errors.Join(err, lerr, f.Close())
	}
	return n, err
}

// folders lists the studios that have a folder in a part of the spool.
func (in *Intake) folders(part string) ([]string, error) {
	entries, err := os.ReadDir(filepath.Join(in.opt.Spool, part))
	var studios []string
	for _, e := range entries {
		if e.IsDir() && studioForm.MatchString(e.Name()) {
			studios = append(studios, e.Name())
		}
	}
	return studios, err
}

func (in *Intake) sweepUploads(ctx context.Context) (n int, err error) {
	studios, err := in.folders(tusDir)
	for _, studio := range studios {
		entries, rerr := os.ReadDir(in.uploadDir(studio))
		err = errors.Join(err, rerr)
		seen := map[string]bool{}
		for _, e := range entries {
			id := strings.TrimSuffix(strings.TrimSuffix(e.Name(), ".info"), ".lock")
			if owner, ok := studioOfUpload(id); !ok || owner != studio || seen[id] {
				continue
			}
			seen[id] = true
			if ctx.Err() != nil {
				return n, errors.Join(err, ctx.Err())
			}
			removed, uerr := in.sweepUpload(ctx, studio, id)
			if removed {
				n++
			}
			err = errors.Join(err, uerr)
		}
	}
	return n, err
}

func (in *Intake) sweepUpload(ctx context.Context, studio, id string) (removed bool, err error) {
	// Nobody is asked to give up for a sweep.
	in.mu.Lock()
	busy := in.held[id] != nil
	in.mu.Unlock()
	if busy {
		return false, nil
	}
	unlock, err := in.tryUpload(studio, id, nil)
	if errors.Is(err, errBusy) || errors.Is(err, errNoUpload) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer unlock()
	if _, over := in.readDone(studio, id); over {
		return in.dropUpload(studio, id)
	}
	u, err := in.readUpload(studio, id)
	switch {
	case errors.Is(err, errNoUpload):
		// A creation under way holds no lock yet.
		if age, ok := youngest(in.bytesPath(studio, id), in.infoPath(studio, id)); ok && age < leftover {
			return false, nil
		}
		return in.dropUpload(studio, id)
	case err != nil:
		return false, err
	case u.complete():
		_, err := in.finish(ctx, studio, id)
		if err == nil || !in.now().After(in.expires(u)) {
			return false, err
		}
		fallthrough // it could not be finished for all its time
	case in.now().After(in.expires(u)):
		return in.dropUpload(studio, id)
	}
	return false, nil
}

// dropUpload removes what there is of an upload and says whether that was
// anything.
func (in *Intake) dropUpload(studio, id string) (bool, error) {
	_, there := youngest(in.bytesPath(studio, id), in.infoPath(studio, id))
	return there, in.removeUpload(studio, id)
}

// youngest is the age of the file that was changed last, if there is any.
func youngest(paths ...string) (age time.Duration, ok bool) {
	for _, p := range paths {
		if st, err := os.Lstat(p); err == nil {
			if a := time.Since(st.ModTime()); !ok || a < age {
				age, ok = a, true
			}
		}
	}
	return age, ok
}

func (in *Intake) sweepDone(ctx context.Context) (n int, err error) {
	studios, err := in.folders(doneDir)
	for _, studio := range studios {
		entries, rerr := os.ReadDir(filepath.Join(in.opt.Spool, doneDir, studio))
		err = errors.Join(err, rerr)
		for _, e := range entries {
			if ctx.Err() != nil {
				return n, errors.Join(err, ctx.Err())
			}
			if owner, ok := studioOfUpload(e.Name()); !ok || owner != studio {
				continue
			}
			if _, over := in.readDone(studio, e.Name()); over {
				continue
			}
			rerr := remove(in.donePath(studio, e.Name()))
			if rerr == nil {
				n++
			}
			err = errors.Join(err, rerr)
		}
	}
	return n, err
}

// SweepMixes deletes mixes that no job uses and that nobody handed in or found
// for MixTTL before asOf. used tells of a key (see Key) whether a job needs it,
// for all jobs that were there at asOf: a submission since has renewed the
// record (Find), and that stops us, however long it took to find out what is
// used. It returns how many it removed, and may run while others work, as Sweep.
func (in *Intake) SweepMixes(ctx context.Context, used func(key string) bool, asOf time.Time) (n int, err error) {
	// By the bytes, so that those without a record are seen too.
	for _, prefix := range []string{MixKeys, infoKeys} {
		for info, lerr := range store.All(ctx, in.opt.Store, prefix) {
			if lerr != nil {
				err = errors.Join(err, lerr)
				break
			}
			studio, sha, ok := strings.Cut(strings.TrimPrefix(info.Key, prefix), "/")
			if !ok || !shaForm.MatchString(sha) || used(Key(studio, sha)) {
				continue
			}
			removed, derr := in.sweepMix(ctx, studio, sha, info.Modified, asOf)
			if removed {
				n++
			}
			err = errors.Join(err, derr)
		}
	}
	return n, err
}

func (in *Intake) sweepMix(ctx context.Context, studio, sha string, modified, asOf time.Time) (bool, error) {
	now := in.now().UTC()
	rec, version, err := in.load(ctx, studio, sha)
	if errors.Is(err, store.ErrNotFound) {
		// Between bytes and record of one that just comes, or a crash there.
		if modified.IsZero() || asOf.Sub(modified) <= in.limits.MixTTL {
			return false, nil
		}
		rec.SHA256, rec.Studio, err = sha, studio, nil
	}
	if err != nil {
		return false, err
	}
	switch {
	case !rec.Deleting.IsZero():
		// Another sweeper is at it, unless it died over it.
		if now.Sub(rec.Deleting) < leftover {
			return false, nil
		}
	case asOf.Sub(rec.Wanted) <= in.limits.MixTTL:
		return false, nil
	}
	rec.Deleting = now
	if err := in.save(ctx, rec, version); err != nil {
		if errors.Is(err, store.ErrConflict) {
			return false, nil // wanted again, or another sweeper was faster
		}
		return false, err
	}
	// The record goes last: as long as it says so, nobody puts the bytes anew.
	if err := in.opt.Store.Delete(ctx, Key(studio, sha)); err != nil {
		return false, err
	}
	in.grew(studio, -rec.Bytes)
	return true, in.opt.Store.Delete(ctx, infoKey(studio, sha))
}
