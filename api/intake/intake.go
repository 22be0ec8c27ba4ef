package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"time"

	"discsafe/worker/store"
	"discsafe/worker/volume"
)

// Limits of what is taken. Zero values take the default, which is said after
// each; negative ones switch a limit off where that is said.
type Limits struct {
	MaxBytes         int64         // of one file; 8 GiB
	MaxBody          int64         // of a whole form; four times MaxBytes
	MaxFiles         int           // of a form; 200
	MinFree          int64         // bytes that must stay free on spool and store; 512 MiB; negative: none
	MinRate          int64         // bytes per second, on average, a body must come with; 1 KiB; negative: any
	Grace            time.Duration // a body may be silent for so long; 30 s
	UploadTTL        time.Duration // an upload nobody goes on with is deleted; 24 h
	DoneTTL          time.Duration // a finished upload still tells its mix; 1 h
	MixTTL           time.Duration // a mix no job uses is deleted; 30 days
	PerStudioUploads int           // under way of one studio, resumable ones and bodies each; 64; negative: any
	PerStudioBytes   int64         // of all mixes of one studio; 0: any
}

func (l Limits) withDefaults() Limits {
	or := func(v *int64, d int64) {
		if *v == 0 {
			*v = d
		}
	}
	last := func(v *time.Duration, d time.Duration) {
		if *v <= 0 {
			*v = d
		}
	}
	or(&l.MaxBytes, 8<<30)
	or(&l.MaxBody, 4*l.MaxBytes)
	or(&l.MinFree, 512<<20)
	or(&l.MinRate, 1<<10)
	last(&l.Grace, 30*time.Second)
	last(&l.UploadTTL, 24*time.Hour)
	last(&l.DoneTTL, time.Hour)
	last(&l.MixTTL, 30*24*time.Hour)
	if l.MaxFiles <= 0 {
		l.MaxFiles = 200
	}
	if l.PerStudioUploads == 0 {
		l.PerStudioUploads = 64
	}
	return l
}

// Options of an Intake. Store and Spool are required.
type Options struct {
	Store  store.Store
	Spool  string // folder for what is under way; made if missing
	Limits Limits
	// Free tells the free bytes of the spool, if known; nil: those of its volume.
	Free func() (bytes int64, known bool)
	Now  func() time.Time // nil: time.Now
	Log  *slog.Logger     // nil: none
	// Observe is told "stored", "known", or the code of the problem a sender was
	// answered with. It may be nil.
	Observe func(kind string)
}

// Intake takes files. Make one with New. Its methods may be called from many
// goroutines.
type Intake struct {
	opt    Options
	limits Limits
	now    func() time.Time
	log    *slog.Logger

	sweeping sync.Mutex
	creating sync.Mutex // counts, then makes a resumable upload

	mu      sync.Mutex
	streams map[string]int      // bodies under way, by studio
	coming  map[string]int64    // bytes they announced
	sums    map[string]usage    // bytes kept, by studio
	held    map[string]*holding // locked uploads, by ID

	// fault may break off a finishing upload at a named step, as a kill would.
	// For tests.
	fault func(step string) error
}

// Folders of the spool.
const (
	tusDir  = "tus"
	doneDir = "done"
	partDir = "part"
)

const (
	fileMode = 0o600
	dirMode  = 0o700
)

// New makes an Intake and its spool folder.
func New(opt Options) (*Intake, error) {
	if opt.Store == nil || opt.Spool == "" {
		return nil, errors.New("intake: a store and a spool folder are needed")
	}
	spool, err := filepath.Abs(opt.Spool)
	if err != nil {
		return nil, fmt.Errorf("intake: spool folder: %w", err)
	}
	opt.Spool = spool
	for _, d := range []string{tusDir, doneDir, partDir} {
		if err := os.MkdirAll(filepath.Join(spool, d), dirMode); err != nil {
			return nil, fmt.Errorf("intake: spool folder: %w", err)
		}
	}
	in := &Intake{
		opt: opt, limits: opt.Limits.withDefaults(), now: opt.Now, log: opt.Log,
		streams: map[string]int{}, coming: map[string]int64{}, sums: map[string]usage{}, held: map[string]*holding{},
	}
	if in.now == nil {
		in.now = time.Now
	}
	if in.log == nil {
		in.log = slog.New(slog.DiscardHandler)
	}
	if in.opt.Free == nil {
		in.opt.Free = func() (int64, bool) { return volume.Free(spool) }
	}
	return in, nil
}

// MixKeys begin the keys of mixes; infoKeys those of what is known about them.
const (
	MixKeys  = "mix/"
	infoKeys = "mixinfo/"
)

// StoreKeys are the beginnings of the keys kept beside the mixes themselves.
func StoreKeys() []string { return []string{infoKeys} }

// Key is where the bytes of a mix lie in the store.
func Key(studio, sha string) string { return MixKeys + studio + "/" + sha }

func infoKey(studio, sha string) string { return infoKeys + studio + "/" + sha }

var (
	studioForm = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,63}$`)
	shaForm    = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

func (in *Intake) observe(kind string) {
	if in.opt.Observe != nil {
		in.opt.Observe(kind)
	}
}

func (in *Intake) step(name string) error {
	if in.fault == nil {
		return nil
	}
	return in.fault(name)
}

// remove deletes a file of the spool; one that is gone is no error.
func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// contextReader ends with the error of ctx once that is over.
type contextReader struct {
	ctx context.Context
	src io.Reader
}

func (r contextReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.src.Read(p)
}
