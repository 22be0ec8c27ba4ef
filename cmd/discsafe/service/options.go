package service

import (
	"fmt"
	"log/slog"
	"net/netip"
	"time"

	"discsafe/worker"
)

// Options say what a service consists of.
type Options struct {
	API     bool // answer requests and look after the records
	Worker  bool // work on jobs
	Version string
	Program []string     // command that becomes the child of a worker, without its last argument; with Worker
	Log     *slog.Logger // nil: nothing is logged

	// Data is the folder of an all-in-one service; it sets Store.Dir, Broker.Dir, Spool and Scratch where they are
	// empty, and is locked.
	Data   string
	Store  StoreOptions
	Broker BrokerOptions
	Spool  string // folder for uploads under way; with API
	// Scratch is the folder for jobs under way; with Worker.
	Scratch string

	Bind    Bind   // where the API listens
	Metrics string // address of a listener of its own for /metrics, /healthz and /readyz; "" or "off": none

	Limits      Limits
	Slots       int           // jobs at the same time; 0: 1
	ScratchFree int64         // bytes free in the scratch folder below which no job is begun; 0: Limits.MinFree
	Grace       time.Duration // running jobs get it when the service stops; 0: 20 s, negative: none
	Child       worker.Limits // of each job
	AckWait     time.Duration // after which the broker hands out a silent message again; 0: 30 s
	Lease       time.Duration // see worker.Options; 0: AckWait
	PassEvery   time.Duration // between passes of the reconciler; 0: 5 s
	HouseEvery  time.Duration // between sweeps, and between looks whether the daily walk is due; 0: 1 h
	AskEvery    time.Duration // between looks whether the worker is asked to take no more jobs; 0: 5 s

	// AllowPrivateHooks and AllowPlainHooks let webhooks go to addresses of the own network, and to http.
	AllowPrivateHooks, AllowPlainHooks bool
	// HookKeyFile holds the key that webhooks' addresses and secrets are encrypted with in the store, at least 32
	// bytes, the same for all API processes; "": with Data one is made there, else they lie open.
	HookKeyFile string
	// PublicURL is the address under which others reach the service, for webhooks; "": paths only.
	PublicURL string

	// Now is the clock that records and tokens go by; nil: the system's. For tests of clocks that are off.
	Now func() time.Time
	// Step is worker.Options.Step. For tests of crashes.
	Step func(step, job string) bool
	// APIStep is called when the API has stored a request and when it has recorded it. For tests of crashes.
	APIStep func(step string)
}

// StoreOptions say where objects lie. Keys for an object store come from the
// environment only.
type StoreOptions struct {
	Dir         string // a folder
	Create      bool   // make the folder a store if it is none
	Bucket      string // or a bucket of an object store
	Prefix      string // of all keys in the bucket, "" or ending in /
	Endpoint    string
	Region      string
	PathStyle   bool
	ReserveSize int64 // bytes of a folder's volume that mixes and results leave for records; 0: 64 MiB
}

// BrokerOptions say which broker rings.
type BrokerOptions struct {
	Dir string // an embedded one on this folder
	// Or servers of one cluster:
	URLs                []string
	CredsFile           string
	User, PasswordFile  string
	TokenFile           string
	CAFile              string
	CertFile, KeyFile   string
	Plaintext           bool // sign in over plaintext beyond loopback
	Replicas            int
	MonitorURLs         []string
	SystemCredsFile     string
	AllowUnsyncedBroker bool
}

// Bind says where and how the API is reached.
type Bind struct {
	Addr              string // host:port
	CertFile, KeyFile string // TLS here
	TrustedProxies    []netip.Prefix
	Plaintext         bool // neither TLS nor proxy beyond loopback, on purpose
	TokenRequired     bool // sign-in on loopback too
	// TokenHint is the command that makes a first token, for the refusal.
	TokenHint string
}

// Limits bound what is taken in and kept. Zero means the default, but for
// RetainDays, where it means for ever.
type Limits struct {
	MaxFile    int64   // bytes of one mix; 8 GiB
	MaxLengthS float64 // seconds of a side; 1 hour
	MaxFiles   int     // of one side; 64
	MaxWaiting int     // jobs that have not ended; 20,000
	MinFree    int64   // bytes below which nothing is taken in; 1 GiB
	Rate       float64 // requests a second for each token; 50
	Burst      int     // at once; 100
	RetainDays float64 // ended jobs and their files are kept; 0: for ever
	MixDays    float64 // mixes no job uses are kept; 30
}

// Defaults are the limits of a service nobody has told otherwise.
func Defaults() Limits {
	return Limits{MaxFile: 8 << 30, MaxLengthS: 3600, MaxFiles: 64, MaxWaiting: 20000, MinFree: 1 << 30, Rate: 50, Burst: 100, MixDays: 30}
}

func (l Limits) withDefaults() Limits {
	d := Defaults()
	set(&l.MaxFile, d.MaxFile)
	set(&l.MaxLengthS, d.MaxLengthS)
	set(&l.MaxFiles, d.MaxFiles)
	set(&l.MaxWaiting, d.MaxWaiting)
	set(&l.MinFree, d.MinFree)
	set(&l.Rate, d.Rate)
	set(&l.Burst, d.Burst)
	set(&l.MixDays, d.MixDays)
	return l
}

func set[T int | int64 | float64 | time.Duration](v *T, def T) {
	if *v <= 0 {
		*v = def
	}
}

// days is a number of days as a duration; 0 stays 0.
func days(n float64) time.Duration { return time.Duration(n * 24 * float64(time.Hour)) }

// RefusedError is a service that will not start as asked: whoever starts it
// must ask differently.
type RefusedError struct {
	Text string
	Err  error
}

func (e *RefusedError) Error() string {
	if e.Err != nil {
		return e.Text + ": " + e.Err.Error()
	}
	return e.Text
}

// Unwrap returns the cause.
func (e *RefusedError) Unwrap() error { return e.Err }

func refused(format string, a ...any) error { return &RefusedError{Text: fmt.Sprintf(format, a...)} }
