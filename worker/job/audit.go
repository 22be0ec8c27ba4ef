package job

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"discsafe/worker/store"
)

// Kinds of damage that Audit tells apart.
const (
	DamageMissing    = "missing"    // a record names it, and it is not there
	DamageTruncated  = "truncated"  // it has another size than was written
	DamageFlipped    = "flipped"    // it has other bytes of the same size
	DamageSwapped    = "swapped"    // it has the bytes of another file of its job
	DamageExtra      = "extra"      // nobody knows it
	DamageOrphan     = "orphan"     // it is of a job that does not exist
	DamageUnreadable = "unreadable" // a record that cannot be read
	DamageUnmarked   = "unmarked"   // a marker is missing; mended by the service by itself
)

// Finding is one thing that is not as it was written.
type Finding struct {
	Damage string `json:"damage"`
	Key    string `json:"key"`
	Job    string `json:"job,omitempty"`
	Detail string `json:"detail"`
	Hint   string `json:"hint"`
}

// AuditOptions say how to look.
type AuditOptions struct {
	// Sizes looks at sizes only and hashes nothing: fast, and blind to flipped bytes.
	Sizes bool
	// Others are beginnings of keys that are not the ledger's and belong here.
	Others []string
	// Hashed are beginnings of keys whose last part is the SHA-256 of their bytes.
	Hashed []string
	// Settle is how old something nobody knows must be to count: younger things may
	// be on their way. 0: an hour.
	Settle time.Duration
}

// Audited counts what was looked at.
type Audited struct {
	Jobs     int   `json:"jobs"`
	Objects  int   `json:"objects"`
	Bytes    int64 `json:"bytes"` // hashed
	Findings int   `json:"findings"`
}

// Audit holds the whole store against its records and tells found of everything
// that is not as it was written. It changes nothing and may run beside the
// service. Damage is a finding, not an error; an error means that the audit could
// not be made. Memory holds one entry for each job and each mix.
func (l *Ledger) Audit(ctx context.Context, o AuditOptions, found func(Finding) error) (Audited, error) {
	if o.Settle == 0 {
		o.Settle = time.Hour
	}
	a := &audit{l: l, o: o, found: found, jobs: map[string]*auditJob{}, inputs: map[string]bool{}}
	for _, walk := range []func(context.Context) error{a.records, a.results, a.seals, a.rest} {
		if err := walk(ctx); err != nil {
			return a.n, err
		}
	}
	return a.n, nil
}

type audit struct {
	l      *Ledger
	o      AuditOptions
	found  func(Finding) error
	n      Audited
	jobs   map[string]*auditJob
	inputs map[string]bool // looked at
}

// auditJob is what the walks over results must know of a job.
type auditJob struct {
	open, unreadable, deleted bool
	attempt                   int      // of the result; 0: none
	files                     []string // keys of the result
}

func (a *audit) tell(damage, key, job, detail, hint string) error {
	a.n.Findings++
	return a.found(Finding{Damage: damage, Key: key, Job: job, Detail: detail, Hint: hint})
}

func (a *audit) records(ctx context.Context) error {
	for o, err := range a.l.all(ctx, recordDir) {
		if err != nil {
			return err
		}
		a.n.Objects++
		a.n.Jobs++
		id := idOf(o.Key)
		r, _, err := a.l.readAny(ctx, id)
		if bad, is := errors.AsType[*RecordError](err); is {
			a.jobs[id] = &auditJob{unreadable: true}
			if err := a.tell(DamageUnreadable, o.Key, id, bad.Error(), "restore this record from a backup; its files are left alone"); err != nil {
				return err
			}
			continue
		}
		if errors.Is(err, ErrUnknown) {
			continue // deleted meanwhile
		}
		if err != nil {
			return err
		}
		if err := a.record(ctx, r); err != nil {
			return err
		}
	}
	return nil
}

func (a *audit) record(ctx context.Context, r *Record) error {
	j := &auditJob{open: !r.State.Ended(), deleted: r.Deleted != nil}
	a.jobs[r.ID] = j
	if j.deleted {
		return nil
	}
	if r.Result != nil {
		j.attempt = r.Result.Attempt
	}
	for _, in := range append([]Input{r.Request.Plan}, r.Request.Inputs...) {
		if a.inputs[in.Key] {
			continue
		}
		a.inputs[in.Key] = true
		if err := a.file(ctx, r.ID, in.Key, in.Bytes, in.SHA256, nil, "hand the mix in again, or restore it from a backup"); err != nil {
			return err
		}
	}
	if r.Result != nil {
		sums := map[string]string{}
		for _, f := range r.Result.Files {
			j.files = append(j.files, f.Key)
			sums[f.SHA256] = f.Name
		}
		for _, f := range r.Result.Files {
			if err := a.file(ctx, r.ID, f.Key, f.Bytes, f.SHA256, sums, "restore it from a backup, or submit the side again: the same mixes and plan give the same bytes"); err != nil {
				return err
			}
		}
		if err := a.stands(ctx, r.ID, sealKey(r.ID, j.attempt), DamageMissing, "the result has no seal", "restore it from a backup; the record alone still holds the result"); err != nil {
			return err
		}
	}
	marks := []string{studioKey(r.Request.Studio, r.ID)}
	if j.open {
		marks = append(marks, openDir+r.ID)
	}
	if r.Request.Root != "" {
		marks = append(marks, revisionKey(r.Request.Root, r.ID))
	}
	for _, key := range marks {
		if err := a.stands(ctx, r.ID, key, DamageUnmarked, "the job is not in an index", "the service puts it back when it starts, and once a day"); err != nil {
			return err
		}
	}
	return nil
}

// stands looks whether a key is there. What has changed meanwhile is looked at
// again: the record may be gone by now.
func (a *audit) stands(ctx context.Context, id, key, damage, detail, hint string) error {
	a.n.Objects++
	_, err := a.l.store.Stat(ctx, key)
	if !isNotFound(err) {
		return err
	}
	if moved, err := a.moved(ctx, id); moved || err != nil {
		return err
	}
	return a.tell(damage, key, id, detail, hint)
}

// moved says whether a job has changed or gone since it was read.
func (a *audit) moved(ctx context.Context, id string) (bool, error) {
	r, err := a.l.Get(ctx, id)
	if errors.Is(err, ErrUnknown) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	was := a.jobs[id]
	return was.open != !r.State.Ended() || (r.Result != nil) != (was.attempt > 0), nil
}

// file holds an object against what a record says of it. others are the names of
// files of the same job by their sums.
func (a *audit) file(ctx context.Context, id, key string, size int64, sum string, others map[string]string, hint string) error {
	a.n.Objects++
	o, err := a.l.store.Open(ctx, key)
	if isNotFound(err) {
		if moved, err := a.moved(ctx, id); moved || err != nil {
			return err
		}
		return a.tell(DamageMissing, key, id, "it is not there", hint)
	}
	if err != nil {
		return err
	}
	defer o.Close()
	if got := o.Info().Size; got != size {
		return a.tell(DamageTruncated, key, id, fmt.Sprintf("it has %d bytes, %d were written", got, size), hint)
	}
	if a.o.Sizes {
		return nil
	}
	got, err := a.sum(o)
	switch {
	case err != nil:
		return fmt.Errorf("reading %s: %w", key, err)
	case got == sum:
		return nil
	case others[got] != "":
		return a.tell(DamageSwapped, key, id, "it has the bytes of "+others[got], hint)
	}
	return a.tell(DamageFlipped, key, id, "its bytes have SHA-256 "+got+", written was "+sum, hint)
}

func (a *audit) sum(r io.Reader) (string, error) {
	h := sha256.New()
	n, err := io.Copy(h, r)
	a.n.Bytes += n
	return hex.EncodeToString(h.Sum(nil)), err
}

// results finds files that no record names.
func (a *audit) results(ctx context.Context) error {
	return a.ofJobs(ctx, resultDir, func(j *auditJob, key string, attempt int) bool {
		return attempt == j.attempt && slices.Contains(j.files, key)
	})
}

func (a *audit) seals(ctx context.Context) error {
	return a.ofJobs(ctx, sealDir, func(j *auditJob, _ string, attempt int) bool { return attempt == j.attempt })
}

func (a *audit) ofJobs(ctx context.Context, dir string, known func(j *auditJob, key string, attempt int) bool) error {
	for o, err := range a.l.all(ctx, dir) {
		if err != nil {
			return err
		}
		a.n.Objects++
		rest := strings.TrimPrefix(o.Key, dir)
		id, rest, _ := strings.Cut(rest, "/")
		number, _, _ := strings.Cut(rest, "/")
		attempt, bad := strconv.Atoi(number)
		j := a.jobs[id]
		switch {
		case a.l.now().Sub(o.Modified) < a.o.Settle:
			continue // on its way, or of a job made since
		case bad != nil || !ValidID(id):
			err = a.tell(DamageExtra, o.Key, "", "no program of ours makes such a key", "look at it, and remove it by hand")
		case j == nil:
			_, gone := a.l.Get(ctx, id)
			err = ignoreAbsent(gone)
			if errors.Is(gone, ErrUnknown) {
				err = a.tell(DamageOrphan, o.Key, id, "there is no such job", "restore the job's record from a backup, or remove this by hand")
			}
		case j.unreadable || j.open || known(j, o.Key, attempt):
		case j.deleted:
			err = a.tell(DamageOrphan, o.Key, id, "the job was deleted", "the service removes it by itself within a day")
		default:
			err = a.tell(DamageExtra, o.Key, id, "it is no part of the job's result", "the service removes leftovers of attempts by itself; else remove it by hand")
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// own are the ledger's keys beside those walked over already.
var own = []string{recordDir, openDir, studioDir, idemDir, resultDir, sealDir, revisionDir, newsDir, endedDir, buriedDir}

// rest walks over everything else.
func (a *audit) rest(ctx context.Context) error {
	begins := func(key string) func(string) bool {
		return func(dir string) bool { return strings.HasPrefix(key, dir) }
	}
	for o, err := range a.l.all(ctx, "") {
		if err != nil {
			return err
		}
		if slices.ContainsFunc(own, begins(o.Key)) {
			continue
		}
		a.n.Objects++
		switch {
		case slices.ContainsFunc(a.o.Hashed, begins(o.Key)):
			if !a.inputs[o.Key] && !a.o.Sizes {
				err = a.named(ctx, o)
			}
		case !slices.ContainsFunc(a.o.Others, begins(o.Key)) && a.l.now().Sub(o.Modified) >= a.o.Settle:
			err = a.tell(DamageExtra, o.Key, "", "no program of ours makes such a key", "look at it, and remove it by hand")
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// named holds the bytes of an object against its name.
func (a *audit) named(ctx context.Context, info store.Info) error {
	o, err := a.l.store.Open(ctx, info.Key)
	if isNotFound(err) {
		return nil // deleted meanwhile
	}
	if err != nil {
		return err
	}
	defer o.Close()
	got, err := a.sum(o)
	if err != nil {
		return fmt.Errorf("reading %s: %w", info.Key, err)
	}
	if got != idOf(info.Key) {
		return a.tell(DamageFlipped, info.Key, "", "its bytes have SHA-256 "+got+", unlike its name", "no job uses it; remove it, and hand it in again if it is needed")
	}
	return nil
}
