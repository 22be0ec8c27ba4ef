package api

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"time"

	"discsafe/api/v1"
	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/metrics"
	"discsafe/worker/queue"
	"discsafe/worker/store"
)

// Gate lets people in: it puts an identity into the context or answers itself.
// *access.Gate is one.
type Gate interface {
	Wrap(next http.Handler) http.Handler
	Session(w http.ResponseWriter, r *http.Request)
}

// Tokens are rights of entry. *access.Tokens keeps them.
type Tokens interface {
	Issue(ctx context.Context, t v1.NewToken) (v1.IssuedToken, error)
	List(ctx context.Context) ([]v1.Token, error)
	Revoke(ctx context.Context, id string) error
}

// Intake takes mixes and room files. *intake.Intake is one.
type Intake interface {
	// Tus is the resumable upload below prefix.
	Tus(prefix string) http.Handler
	PutByHash(w http.ResponseWriter, r *http.Request)
	PostForm(w http.ResponseWriter, r *http.Request)
	Stat(w http.ResponseWriter, r *http.Request)
	List(w http.ResponseWriter, r *http.Request)
	// Take stores what r holds for a studio. Its errors are *v1.Problem.
	Take(ctx context.Context, studio, name string, r io.Reader, wantSHA string) (v1.Mix, error)
	// Find tells of a file handed in before; *v1.Problem mix-missing if it is not there.
	Find(ctx context.Context, studio, sha string) (v1.Mix, error)
	// Small lists the files of a studio that have at most mostBytes, by hash, the first mostFiles of them.
	Small(ctx context.Context, studio string, mostBytes int64, mostFiles int) ([]v1.Mix, error)
}

// Hooks tell addresses when jobs end. *hook.Hooks is one.
type Hooks interface {
	Check(ctx context.Context, h v1.Hook) *v1.Problem
	Add(ctx context.Context, jobID string, h v1.Hook) error
	Remove(ctx context.Context, jobID string) error
	Run(ctx context.Context)
}

// Metrics shows figures and counts what was refused. *metrics.Metrics is one.
// Requests are counted by the gate.
type Metrics interface {
	Refused(reason string)
	Handler() http.Handler
}

// Limits bound what one service takes. Zero values take the defaults.
type Limits struct {
	SideLengthS  float64       // longest side; 0: 3600
	FilesPerSide int           // mixes and room file of one side; 0: 50
	BodyBytes    int64         // of JSON; 0: 1 MiB
	FormBytes    int64         // of a submit form with its mixes; 0: 8 GiB
	Backlog      int           // jobs that have not ended; 0: 20000
	MinFreeBytes int64         // free in the store, below which nothing is taken; 0: 1 GiB, negative: none
	Streams      int           // event streams of all; 0: 2000
	PerToken     int           // event streams of one token; 0: 64
	ExcerptS     float64       // longest excerpt; 0: 120
	Excerpts     int           // excerpts made at the same time; 0: 8
	TestCuts     int           // test cuts sent at the same time, 100 MB each; 0: 4
	Poll         time.Duration // between looks at watched jobs; 0: 500 ms
	Heartbeat    time.Duration // between comments on a quiet stream; 0: 15 s
	WriteTimeout time.Duration // a reader who takes nothing for so long is cut off; 0: 30 s
	BodyTimeout  time.Duration // a sender who sends nothing for so long is cut off; 0: 30 s
}

// Options say what a Server works with. Ledger, Store, Intake, Gate and Tokens
// are required.
type Options struct {
	Ledger  *job.Ledger
	Store   store.Store
	Queue   queue.Queue // rung after a submission; nil: the reconciler rings
	Intake  Intake
	Gate    Gate
	Tokens  Tokens
	Hooks   Hooks   // nil: hooks are refused
	Metrics Metrics // nil: nothing is counted, and there is no /metrics
	Version string
	Limits  Limits
	// Instance names this process among others on the same store; "" is unnamed.
	Instance string
	// History of this process's metrics, for the page of operations; nil: it draws nothing.
	History *metrics.History
	SignIn  func() bool // whether the gate asks for tokens now, for /v1/status; nil: it does

	Workers func() []worker.Status          // of this process; nil: none
	Ready   func(ctx context.Context) error // what must hold beside the store, for /readyz; nil: nothing
	Keep    time.Duration                   // how long ended jobs are kept, as jobs tell in expires; 0: for ever
	Now     func() time.Time                // nil: time.Now
	Log     *slog.Logger                    // nil: nothing is logged
}

func (l Limits) filled() Limits {
	def := func(v *time.Duration, d time.Duration) {
		if *v <= 0 {
			*v = d
		}
	}
	num := func(v *int, d int) {
		if *v <= 0 {
			*v = d
		}
	}
	if l.SideLengthS <= 0 {
		l.SideLengthS = 3600
	}
	if l.ExcerptS <= 0 {
		l.ExcerptS = 120
	}
	if l.BodyBytes <= 0 {
		l.BodyBytes = 1 << 20
	}
	if l.FormBytes <= 0 {
		l.FormBytes = 8 << 30
	}
	if l.MinFreeBytes == 0 {
		l.MinFreeBytes = 1 << 30
	}
	num(&l.FilesPerSide, 50)
	num(&l.Backlog, 20000)
	num(&l.Streams, 2000)
	num(&l.PerToken, 64)
	num(&l.Excerpts, 8)
	num(&l.TestCuts, 4)
	def(&l.Poll, 500*time.Millisecond)
	def(&l.Heartbeat, 15*time.Second)
	def(&l.WriteTimeout, 30*time.Second)
	def(&l.BodyTimeout, 30*time.Second)
	return l
}
