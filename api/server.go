package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"slices"
	"sync"
	"time"

	"discsafe/api/web"
	"discsafe/worker/job"
	"discsafe/worker/roster"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
)

// Server is the service's face to the network. Make one with New.
type Server struct {
	o        Options
	limits   Limits
	huma     huma.API
	routes   *routes
	pages    *web.Pages
	document []byte // OpenAPI
	intake   *gatekeeper
	watcher  *watcher
	streams  *quota
	roster   *roster.Roster
	excerpts chan struct{} // one token for each excerpt under way
	testCuts chan struct{} // and for each test cut
	cuts     cutShelf
	closing  chan struct{} // closed by Drain
	drain    sync.Once
}

// New makes a server. It reads and writes nothing yet.
func New(o Options) (*Server, error) {
	if o.Ledger == nil || o.Store == nil || o.Intake == nil || o.Gate == nil || o.Tokens == nil {
		return nil, errors.New("api: Ledger, Store, Intake, Gate and Tokens are required")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{o: o, limits: o.Limits.filled(), closing: make(chan struct{})}
	s.excerpts = make(chan struct{}, s.limits.Excerpts)
	s.testCuts = make(chan struct{}, s.limits.TestCuts)
	s.intake = newGatekeeper(o.Ledger, o.Store, s.limits, o.Now)
	s.roster = roster.New(o.Store, o.Now)
	s.watcher = newWatcher(o.Ledger, s.limits.Poll)
	s.streams = newQuota(s.limits.Streams, s.limits.PerToken)

	doc := document(o.Version)
	s.routes = newRoutes(doc)
	s.huma = humago.New(s.routes, huma.Config{
		OpenAPI:                      doc,
		Formats:                      map[string]huma.Format{"application/json": huma.DefaultJSONFormat, "json": huma.DefaultJSONFormat},
		DefaultFormat:                "application/json",
		RejectUnknownQueryParameters: true,
		Transformers:                 []huma.Transformer{s.transform},
	})
	s.register()
	if err := s.registerPages(); err != nil {
		return nil, err
	}
	if err := s.routes.err(); err != nil {
		return nil, fmt.Errorf("api: %w", err)
	}
	tidy(doc)
	raw, err := json.Marshal(doc)
	if err != nil {
		return nil, fmt.Errorf("api: encoding the OpenAPI document: %w", err)
	}
	var b bytes.Buffer
	if err := json.Indent(&b, raw, "", "  "); err != nil {
		return nil, fmt.Errorf("api: encoding the OpenAPI document: %w", err)
	}
	s.document = append(b.Bytes(), '\n')
	return s, nil
}

func (s *Server) register() {
	s.registerFixed()
	s.registerAccess()
	s.registerIntake()
	s.registerSubmit()
	s.registerJobs()
	s.registerEvents()
	s.registerFiles()
	s.registerAudio()
	s.registerGroove()
	s.registerTimeline()
	s.registerSignoff()
	s.registerPresets()
	s.registerBulk()
	s.registerStatus()
	s.registerWorkers()
}

// Handler is everything the service answers.
func (s *Server) Handler() http.Handler {
	return s.around(s.pages.Around(s.o.Gate.Wrap(short(s.routes))))
}

// Routes lists the patterns of all routes, "METHOD /path", in order.
func (s *Server) Routes() []string { return slices.Sorted(maps.Keys(s.routes.needs)) }

// Run does what must happen beside requests, until ctx is cancelled; then it
// ends event streams, as Drain does.
func (s *Server) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	if s.o.Hooks != nil {
		wg.Go(func() { s.o.Hooks.Run(ctx) })
	}
	<-ctx.Done()
	s.Drain()
	wg.Wait()
	return nil
}

// Drain ends all event streams, so that http.Server.Shutdown need not wait for
// them; their readers come back elsewhere with Last-Event-ID.
func (s *Server) Drain() { s.drain.Do(func() { close(s.closing) }) }

// Counts tells the server what a pass of the reconciler found. Without it the
// server counts by itself now and then.
func (s *Server) Counts(c job.Counts) { s.intake.told(c) }

// IntakePaused answers whether an operator has paused the intake, for a metric;
// known is false if the store does not tell in time.
func (s *Server) IntakePaused() (paused, known bool) {
	ctx, cancel := context.WithTimeout(context.Background(), readyTimeout)
	defer cancel()
	paused, err := s.intake.paused(ctx)
	return paused, err == nil
}
