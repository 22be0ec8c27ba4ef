package service

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"discsafe/api"
	"discsafe/api/access"
	"discsafe/api/hook"
	"discsafe/api/intake"
	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/metrics"
	"discsafe/worker/queue/jetstream"
	"discsafe/worker/roster"
	"discsafe/worker/store"
	"discsafe/worker/volume"
)

// Service is a running service. Make one with Open.
type Service struct {
	o    Options
	log  *slog.Logger
	name string // of this process, unlike any other's

	closers []func() error // in the order of opening
	store   store.Store
	queue   *jetstream.Queue
	ledger  *job.Ledger
	tokens  *access.Tokens
	metrics *metrics.Metrics
	worker  *worker.Worker
	roster  *roster.Roster
	history *metrics.History
	// Only with Options.API:
	gate    *access.Gate
	signIn  atomic.Bool // is asked for
	intake  *intake.Intake
	hooks   *hook.Hooks
	server  *api.Server
	handler http.Handler

	listener net.Listener // of the API
	probes   net.Listener // for metrics and probes
	url      string
	probeURL string

	draining atomic.Bool
	working  atomic.Bool // the worker runs
	health   health
}

// shutdownTime is what answers under way get at the end. Downloads and uploads
// can be resumed.
const shutdownTime = 5 * time.Second

// Open opens store and broker, binds, and answers probes; nothing else happens
// before Serve. What was asked for and must not be is a *RefusedError. Whoever
// opened must Serve, or Close.
func Open(ctx context.Context, o Options) (_ *Service, err error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Limits = o.Limits.withDefaults()
	set(&o.ScratchFree, o.Limits.MinFree)
	set(&o.PassEvery, passEvery)
	set(&o.HouseEvery, houseEvery)
	set(&o.AskEvery, roster.AskEvery)
	if o.Now == nil {
		o.Now = time.Now
	}
	s := &Service{o: o, log: o.Log, metrics: metrics.New()}
	s.metrics.Clock(o.Now)
	if s.name, err = instance(); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
		}
	}()
	if o.Data != "" {
		if err := s.settle(); err != nil {
			return nil, err
		}
	}
	if err := s.openParts(ctx); err != nil {
		return nil, err
	}
	if s.o.API {
		if err := s.openAPI(ctx); err != nil {
			return nil, err
		}
	}
	if s.o.Worker {
		if err := s.openWorker(); err != nil {
			return nil, err
		}
	}
	if a := s.o.Metrics; a != "" && a != "off" {
		if s.probes, err = listenOn(ctx, a); err != nil {
			return nil, err
		}
		s.probeURL = "http://" + s.probes.Addr().String()
	}
	return s, nil
}

// settle takes the data folder and puts everything below it.
func (s *Service) settle() error {
	release, err := takeFolder(s.o.Data)
	if err != nil {
		return err
	}
	s.closers = append(s.closers, release)
	if s.o.Data, err = filepath.Abs(s.o.Data); err != nil {
		return err
	}
	put := func(at *string, name string) {
		if *at == "" {
			*at = filepath.Join(s.o.Data, name)
		}
	}
	if s.o.Store.Bucket == "" {
		put(&s.o.Store.Dir, "store")
		s.o.Store.Create = true
	}
	if len(s.o.Broker.URLs) == 0 {
		put(&s.o.Broker.Dir, "broker")
	}
	put(&s.o.Spool, "spool")
	put(&s.o.Scratch, "scratch")
	return nil
}

func (s *Service) openParts(ctx context.Context) error {
	st, closeStore, err := OpenStore(ctx, s.o.Store)
	if err != nil {
		return err
	}
	s.store = st
	s.closers = append(s.closers, closeStore)
	switch err := s.probeStore(ctx); {
	case errors.Is(err, store.ErrFull):
		// What is there can still be read and deleted, which makes room; /readyz tells meanwhile.
		s.log.Warn("the store is full: nothing is taken in or worked on until there is room", "error", err)
	case err != nil:
		return err
	}
	s.closers = append(s.closers, func() error { return s.health.leave(s.store, s.name) })
	s.roster = roster.New(s.store, s.o.Now)
	s.tokens = access.NewTokens(s.store, s.o.Now)
	if s.o.API {
		// Before anything is started that would have to be ended again.
		if err := s.mayBind(ctx); err != nil {
			return err
		}
	}
	q, closeQueue, err := openQueue(ctx, s.o.Broker, s.o.AckWait, s.name, s.log)
	if err != nil {
		return err
	}
	s.queue = q
	s.closers = append(s.closers, closeQueue)
	s.ledger, err = job.NewLedger(job.Config{Store: s.apiStore(), Now: s.o.Now})
	if err != nil {
		return err
	}
	s.metrics.Version(s.o.Version)
	s.metrics.Synced(s.queue.Synced)
	s.metrics.Disk("store", func() (int64, bool) { return s.store.Free(context.Background()) })
	return nil
}

func (s *Service) mayBind(ctx context.Context) error {
	any, err := s.tokens.Any(ctx)
	if err != nil {
		return err
	}
	s.signIn.Store(any || s.o.Bind.TokenRequired)
	return s.o.Bind.check(any)
}

// observe counts what the worker tells. Where the API is in the same process, the
// hook of a job that ended need not wait for its turn.
func (s *Service) observe(e worker.Event) {
	s.metrics.Worker(e)
	if s.hooks != nil && e.Kind == worker.Settled && e.State.Ended() {
		s.hooks.Nudge(e.Job)
	}
}

func (s *Service) openWorker() (err error) {
	// The worker's ledger is its own: it must not meet the seams of the API.
	l, err := job.NewLedger(job.Config{Store: s.store, Now: s.o.Now})
	if err != nil {
		return err
	}
	if err := os.MkdirAll(s.o.Scratch, 0o700); err != nil {
		return &RefusedError{"the scratch folder cannot be made", err}
	}
	s.worker, err = worker.New(worker.Options{
		Queue: s.queue, Store: s.store, Ledger: l,
		Runner: &worker.Process{Command: append(append([]string{}, s.o.Program...), worker.RunJob)},
		Name:   s.name, Version: s.o.Version, Scratch: s.o.Scratch,
		Slots: s.o.Slots, Limits: s.o.Child, Log: s.log, Grace: s.o.Grace, AckWait: s.o.AckWait, Lease: s.o.Lease, MinFree: s.o.ScratchFree,
		Observe: s.observe, Step: s.o.Step,
	})
	if err != nil {
		return err
	}
	s.closers = append(s.closers, s.leaveRoster)
	s.metrics.Slots(s.worker.Status)
	s.metrics.Disk("scratch", func() (int64, bool) { return volume.Free(s.o.Scratch) })
	return nil
}

// URL is where the API is reached, with the real port; "" without one.
func (s *Service) URL() string { return s.url }

// ProbeURL is where probes and metrics are reached apart from the API, or "".
func (s *Service) ProbeURL() string { return s.probeURL }

// Serve runs the service until ctx is cancelled, drains it, and closes it. The
// error is nil if everything ended in order.
func (s *Service) Serve(ctx context.Context) error {
	failed := make(chan error, 4)
	fail := func(err error) {
		select {
		case failed <- err:
		default: // the first ones say enough
		}
	}
	// What runs beside the worker ends after it, so that its last words are told.
	beside, endBeside := context.WithCancel(context.WithoutCancel(ctx))
	defer endBeside()
	workCtx, endWork := context.WithCancel(ctx)
	defer endWork()
	var work, others sync.WaitGroup
	if s.worker != nil {
		s.working.Store(true)
		work.Go(func() {
			err := s.worker.Run(workCtx)
			s.working.Store(false)
			if err != nil || workCtx.Err() == nil {
				fail(errors.Join(errors.New("the worker ended"), err))
			}
		})
	}
	requests, endRequests := context.WithCancel(context.WithoutCancel(ctx))
	defer endRequests()
	servers := s.serveHTTP(beside, requests, &others, fail)
	s.runLoops(beside, &others)

	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	s.draining.Store(true)
	s.log.Info("service drains", "instance", s.name)
	endWork()
	work.Wait()
	endBeside() // with it streams of events end
	err = errors.Join(err, shutdown(servers, endRequests))
	others.Wait()
	for more := true; more; { // what failed while draining
		select {
		case e := <-failed:
			err = errors.Join(err, e)
		default:
			more = false
		}
	}
	err = errors.Join(err, s.Close())
	s.log.Info("service stopped", "instance", s.name)
	return err
}

// serveHTTP answers on the open addresses until shutdown. What the API does
// beside requests ends with ctx, requests under way end with requests.
func (s *Service) serveHTTP(ctx, requests context.Context, others *sync.WaitGroup, fail func(error)) []*http.Server {
	var servers []*http.Server
	serve := func(l net.Listener, h http.Handler) {
		srv := api.HTTPServer(h)
		srv.BaseContext = func(net.Listener) context.Context { return requests }
		srv.ErrorLog = slog.NewLogLogger(s.log.Handler(), slog.LevelDebug) // hostile peers fill it
		servers = append(servers, srv)
		others.Go(func() {
			if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
				fail(err)
			}
		})
	}
	if s.listener != nil {
		serve(s.listener, s.handler)
		others.Go(func() {
			if err := s.server.Run(ctx); err != nil && ctx.Err() == nil {
				fail(err)
			}
		})
	}
	if s.probes != nil {
		serve(s.probes, s.probeHandler())
	}
	return servers
}

// shutdown lets answers under way end, for a while, and then ends them.
func shutdown(servers []*http.Server, endRequests func()) error {
	ctx, cancel := context.WithTimeout(context.Background(), shutdownTime)
	defer cancel()
	var err error
	var late []*http.Server
	for _, srv := range servers {
		if srv.Shutdown(ctx) != nil {
			late = append(late, srv)
		}
	}
	endRequests()
	for _, srv := range late {
		err = errors.Join(err, srv.Close())
	}
	return err
}

// Close releases everything that Open took. Serve does it by itself.
func (s *Service) Close() error {
	var err error
	for _, l := range []net.Listener{s.listener, s.probes} {
		if l != nil {
			_ = l.Close() // closed already where it was served
		}
	}
	for i := len(s.closers) - 1; i >= 0; i-- {
		err = errors.Join(err, s.closers[i]())
	}
	s.closers = nil
	return err
}

// instance is a name for this process: the machine's, and something random.
func instance() (string, error) {
	host, err := os.Hostname()
	if err != nil || host == "" {
		host = "unnamed"
	}
	host = strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, host)
	var b [4]byte
	if _, err := rand.Read(b[:]); err != nil {
		return "", err
	}
	return host[:min(len(host), 40)] + "-" + hex.EncodeToString(b[:]), nil
}
