package service

import (
	"context"
	"crypto/rand"
	"errors"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"discsafe/api"
	"discsafe/api/access"
	"discsafe/api/hook"
	"discsafe/api/intake"
	v1 "discsafe/api/v1"
	"discsafe/worker"
	"discsafe/worker/volume"
)

// Bounds on connections. Beyond them a peer is turned away at once, so that no
// flood of them takes the descriptors of those who are in.
const (
	connections      = 4096
	connectionsOfOne = 512
)

// openAPI makes everything that answers requests, and binds.
func (s *Service) openAPI(ctx context.Context) error {
	if s.o.Spool == "" {
		return refused("no spool folder is named")
	}
	if err := os.MkdirAll(s.o.Spool, 0o700); err != nil {
		return &RefusedError{"the spool folder cannot be made", err}
	}
	s.openGate()
	lim := s.o.Limits
	var err error
	s.intake, err = intake.New(intake.Options{
		Store: s.apiStore(), Spool: s.o.Spool, Log: s.log, Now: s.o.Now, Observe: s.metrics.Upload,
		Limits: intake.Limits{MaxBytes: lim.MaxFile, MinFree: lim.MinFree, MixTTL: days(lim.MixDays)},
	})
	if err != nil {
		return err
	}
	key, err := s.hookKey()
	if err != nil {
		return err
	}
	s.hooks = hook.New(hook.Options{Key: key,
		Store: s.store, Ledger: s.ledger, Now: s.o.Now, Log: s.log, Observe: s.metrics.Hook,
		AllowPrivate: s.o.AllowPrivateHooks, AllowHTTP: s.o.AllowPlainHooks, Base: s.o.PublicURL})
	s.history = s.metrics.NewHistory()
	o := api.Options{
		Instance: s.name, History: s.history,
		Ledger: s.ledger, Store: s.apiStore(), Queue: s.queue, Intake: s.intake, Gate: s.gate, Tokens: s.tokens,
		Hooks: s.hooks, Metrics: s.metrics, Version: s.o.Version, SignIn: s.signIn.Load,
		Limits:  api.Limits{SideLengthS: lim.MaxLengthS, FilesPerSide: lim.MaxFiles, Backlog: lim.MaxWaiting, MinFreeBytes: lim.MinFree},
		Workers: s.workers, Ready: s.Ready, Keep: days(lim.RetainDays), Now: s.o.Now, Log: s.log,
	}
	if s.server, err = api.New(o); err != nil {
		return err
	}
	s.nameRoutes()
	s.handler = s.turnAway(s.server.Handler())
	s.metrics.Intake(s.server.IntakePaused)
	s.metrics.Disk("spool", func() (int64, bool) { return volume.Free(s.o.Spool) })
	return s.bind(ctx)
}

// hookKey reads the key for webhooks' secrets. It lies beside the store, not in
// it, so that a copy of the store does not show them.
func (s *Service) hookKey() ([]byte, error) {
	path := s.o.HookKeyFile
	if path == "" {
		if s.o.Data == "" {
			return nil, nil
		}
		path = filepath.Join(s.o.Data, "hook.key")
		f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if err == nil {
			_, err = f.WriteString(rand.Text() + rand.Text() + "\n")
			err = errors.Join(err, f.Sync(), f.Close())
		}
		if err != nil && !errors.Is(err, fs.ErrExist) {
			return nil, &RefusedError{"the key for webhooks cannot be made", err}
		}
	}
	key, err := secretIn(path)
	if err != nil {
		return nil, err
	}
	if len(key) < 32 {
		return nil, refused("%s holds less than the 32 bytes a key for webhooks has; one that was cut off may be removed", path)
	}
	return []byte(key), nil
}

// nameRoutes tells the metrics which routes there are.
func (s *Service) nameRoutes() {
	for _, pattern := range s.server.Routes() {
		_, path, _ := strings.Cut(pattern, " ")
		s.metrics.Routes(path, pattern)
	}
}

func (s *Service) bind(ctx context.Context) error {
	l, scheme, err := s.o.Bind.listen(ctx, s.log)
	if err != nil {
		return err
	}
	s.url = scheme + "://" + l.Addr().String()
	each := connectionsOfOne
	if len(s.o.Bind.TrustedProxies) > 0 {
		each = 0 // a proxy speaks for everybody
	}
	s.listener = api.LimitListener(l, connections, each)
	return nil
}

func (s *Service) workers() []worker.Status {
	if s.worker == nil {
		return nil
	}
	return []worker.Status{s.worker.Status()}
}

// turnAway stops intake while the service drains: what is asked or fetched is
// still answered, what would begin something is sent elsewhere.
func (s *Service) turnAway(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		reads := r.Method == http.MethodGet || r.Method == http.MethodHead || r.Method == http.MethodOptions
		if s.draining.Load() && !reads {
			w.Header().Set("Connection", "close")
			v1.NewProblem(v1.Unavailable, "the service is stopping").After(shutdownTime).Write(w)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// openGate asks nobody to sign in while no token exists and none is required,
// and everybody from the first token on, also one that another process made.
func (s *Service) openGate() {
	s.gate = access.NewGate(access.GateOptions{Tokens: s.tokens, Open: func() bool { return !s.signIn.Load() },
		Rate: s.o.Limits.Rate, Burst: s.o.Limits.Burst, TrustedProxies: s.o.Bind.TrustedProxies,
		Secure: s.o.Bind.CertFile != "", Now: s.o.Now, Log: s.log, Observe: s.metrics.SignIn, Served: s.metrics.HTTP})
}

// watchTokens closes the gate when a token appears. It never opens it again: a
// service that asked for sign-in does so until it is started anew.
func (s *Service) watchTokens(ctx context.Context) error {
	if s.signIn.Load() {
		return nil
	}
	any, err := s.tokens.Any(ctx)
	if any {
		s.signIn.Store(true)
		s.log.Warn("a token was made: sign-in is asked for from now on")
	}
	return err
}
