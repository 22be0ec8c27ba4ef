package api

import (
	"context"
	"errors"
	"math"
	"net/http"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/roster"

	"github.com/danielgtaylor/huma/v2"
)

type workerInput struct {
	Name string `path:"name" maxLength:"63" doc:"Name of a worker, as the list has it"`
}

func (s *Server) registerWorkers() {
	operate := need(access.Operate)
	huma.Register(s.huma, s.routes.add(operate, op(http.MethodGet, "/v1/workers", "workers", "service", "The workers of all processes on the store",
		"Those that have told of themselves in the last 45 seconds, and for an hour those that fell silent."), v1.Unavailable), s.members)
	huma.Register(s.huma, s.routes.add(operate, op(http.MethodPost, "/v1/workers/{name}/drain", "drain", "service", "Ask a worker to take no more jobs",
		"It obeys within seconds. Jobs under way go on; when running is 0 its process can be ended without handing anything back."), v1.NotFound, v1.Unavailable), s.drainWorker)
	huma.Register(s.huma, s.routes.add(operate, op(http.MethodPost, "/v1/workers/{name}/resume", "undrain", "service", "Let a worker take jobs again", ""), v1.NotFound, v1.Unavailable), s.undrainWorker)
}

func (s *Server) members(ctx context.Context, _ *none) (*body[v1.Workers], error) {
	all, err := s.roster.List(ctx)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	out := v1.Workers{Workers: []v1.Member{}}
	for _, m := range all {
		// When it told, by the store's clock: its own may be off.
		w := v1.Member{Name: m.Name, Version: m.Version, Slots: m.Slots, Running: m.Running, Drained: m.Drained, Stopping: m.Stopping, Silent: m.Silent, Trouble: m.Trouble, At: m.At.Add(-m.ClockAhead), AheadS: math.Round(m.ClockAhead.Seconds())}
		if m.Mark != nil {
			w.Asked, w.By, w.Since = true, m.Mark.By, m.Mark.At
		}
		out.Workers = append(out.Workers, w)
	}
	return &body[v1.Workers]{out}, nil
}

func (s *Server) drainWorker(ctx context.Context, in *workerInput) (*body[v1.Workers], error) {
	id, _ := access.From(ctx)
	return s.askWorker(ctx, "drain", in.Name, s.roster.Drain(ctx, in.Name, cut(id.Name)))
}

func (s *Server) undrainWorker(ctx context.Context, in *workerInput) (*body[v1.Workers], error) {
	return s.askWorker(ctx, "resume", in.Name, s.roster.Resume(ctx, in.Name))
}

func (s *Server) askWorker(ctx context.Context, do, name string, err error) (*body[v1.Workers], error) {
	id, _ := access.From(ctx)
	if errors.Is(err, roster.ErrUnknown) {
		return nil, v1.NewProblem(v1.NotFound, "no such worker")
	}
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	s.o.Log.InfoContext(ctx, "worker asked", "do", do, "worker", name, "by", id.Name, "token", id.TokenID)
	return s.members(ctx, nil)
}
