package hook

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"
)

// Results are what may become of one try, as Options.Observe is told.
const (
	Sent       = "sent"       // taken
	Retry      = "retry"      // not taken, tried again later
	Refused    = "refused"    // like Retry: the host stands for no public address now
	GivenUp    = "given-up"   // not taken for too long
	Gone       = "gone"       // the receiver wants no more
	Dropped    = "dropped"    // the job was deleted
	Unreadable = "unreadable" // this version or process cannot read the record
	Trouble    = "store"      // the store does not answer
)

// Ledger is what hooks need of job.Ledger.
type Ledger interface {
	Get(ctx context.Context, id string) (*job.Record, error)
	Decided(ctx context.Context, back time.Duration) ([]string, error)
}

// Options say with what hooks work. Store and Ledger are required.
type Options struct {
	Store  store.Store
	Ledger Ledger

	AllowPrivate bool // also addresses that are not public
	AllowHTTP    bool // also http
	// Key, a secret of the service, encrypts addresses and their secrets in the store; nil: they lie there as they
	// are. All processes need the same.
	Key  []byte
	Base string // of this service as receivers see it, for href: https://host; "": href is a path

	Every     time.Duration       // between passes; 0: 3 s
	Backoff   []time.Duration     // waits after tries that failed; nil: 10 s to 24 h, 9 tries in all
	Resolver  Resolver            // nil: the system's
	Roots     *x509.CertPool      // nil: the system's
	Transport http.RoundTripper   // instead of our own, which is what keeps the inside safe; for tests
	Now       func() time.Time    // nil: time.Now
	Log       *slog.Logger        // nil: nothing is logged
	Observe   func(result string) // nil: nobody is told
}

// Hooks keeps and sends hooks. Make one with New. Its methods may be called from
// many goroutines.
type Hooks struct {
	o      Options
	dialer dialer
	client *http.Client
	sealer sealer
	wake   chan struct{}
	pass   sync.Mutex // one pass at a time
	// Of passes: when decisions were last looked for, and all hooks that wait for one.
	recalled, swept time.Time

	mu     sync.Mutex
	nudged map[string]bool
	rest   map[string]time.Time // job: not looked at again before; only saves reading
	hosts  map[string]time.Time // host that does not answer: no other hook before
	done   map[string]*record   // taken or given up, but the record is still there: what is to wait instead, or nil
}

// backoff is after which waits a hook is tried again.
var backoff = []time.Duration{10 * time.Second, time.Minute, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour}

// New makes hooks. It does nothing before Run or Pass.
func New(o Options) *Hooks {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Observe == nil {
		o.Observe = func(string) {}
	}
	if o.Resolver == nil {
		o.Resolver = net.DefaultResolver
	}
	if o.Every <= 0 {
		o.Every = 3 * time.Second
	}
	if o.Backoff == nil {
		o.Backoff = slices.Clone(backoff)
	}
	h := &Hooks{o: o, sealer: newSealer(o.Key), wake: make(chan struct{}, 1), nudged: map[string]bool{},
		rest: map[string]time.Time{}, hosts: map[string]time.Time{}, done: map[string]*record{}}
	h.dialer = dialer{resolver: o.Resolver, allowPrivate: o.AllowPrivate}
	h.client = h.newClient()
	return h
}

// resolveTime is how long Check waits for a name.
const resolveTime = 3 * time.Second

// Check answers whether an address may be told, or hook-refused. A name that
// cannot be resolved at the moment is let through: it is judged again whenever
// it is connected to.
func (h *Hooks) Check(ctx context.Context, in v1.Hook) *v1.Problem {
	refuse := func(err error) *v1.Problem { return v1.NewProblem(v1.HookRefused, "hook: "+err.Error()) }
	if err := checkSecret(in); err != nil {
		return refuse(err)
	}
	u, err := h.target(in.URL)
	if err != nil {
		return refuse(err)
	}
	ctx, cancel := context.WithTimeout(ctx, resolveTime)
	defer cancel()
	_, err = h.dialer.addresses(ctx, u.Hostname())
	// A name that does not exist answers like one of the inside, so that names of the inside cannot be guessed.
	if dns, is := errors.AsType[*net.DNSError](err); errors.Is(err, errInside) || is && dns.IsNotFound {
		return refuse(errInside)
	}
	return nil
}

// checkSecret says why a hook cannot be signed.
func checkSecret(in v1.Hook) error {
	if in.Secret == "" {
		return errors.New("a secret is needed, to sign with")
	}
	_, err := keyOf(in.Secret)
	return err
}

// Add keeps the hook of a job that was submitted, before the answer says so. A
// job has one: if it has it already, after a submission that is repeated, Add
// does nothing. Errors: a *v1.Problem as Check has it, the store's.
func (h *Hooks) Add(ctx context.Context, jobID string, in v1.Hook) error {
	if !job.ValidID(jobID) {
		return fmt.Errorf("adding a hook to job %.40q: %w", jobID, job.ErrUnknown)
	}
	err := checkSecret(in)
	if err == nil {
		_, err = h.target(in.URL)
	}
	if err != nil {
		return v1.NewProblem(v1.HookRefused, "hook: "+err.Error())
	}
	r := &record{Schema: schema, Rev: 1, Job: jobID, Made: h.o.Now().UTC()}
	if in.Decisions {
		r.Schema, r.Decisions = schemaDecisions, true
	}
	if err := h.sealer.put(r, address{URL: in.URL, Secret: in.Secret}); err != nil {
		return err
	}
	data, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("writing the hook of job %s: %w", jobID, err)
	}
	if err := h.o.Store.PutIfAbsent(ctx, dir+jobID, data); err != nil && !errors.Is(err, store.ErrExists) {
		return fmt.Errorf("adding a hook to job %s: %w", jobID, err)
	}
	return nil
}

// Remove forgets the hook of a job, if it has one; for jobs that are deleted.
func (h *Hooks) Remove(ctx context.Context, jobID string) error {
	if !job.ValidID(jobID) {
		return nil
	}
	if err := errors.Join(h.o.Store.Delete(ctx, dir+jobID), h.o.Store.Delete(ctx, waitDir+jobID)); err != nil {
		return fmt.Errorf("removing the hook of job %s: %w", jobID, err)
	}
	return nil
}
