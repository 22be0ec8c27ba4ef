package api

import (
	"context"
	"net/http"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/queue"

	"github.com/danielgtaylor/huma/v2"
)

type deadInput struct {
	Cursor uint64 `query:"cursor" doc:"As next of the page before"`
	Limit  int    `query:"limit" minimum:"1" maximum:"500" default:"100"`
}

func (s *Server) registerStatus() {
	operate := need(access.Operate)
	huma.Register(s.huma, s.routes.add(operate, op(http.MethodGet, "/v1/status", "status", "service", "How the service stands", ""), v1.Unavailable), s.status)
	huma.Register(s.huma, s.routes.add(operate, op(http.MethodPost, "/v1/status/pause", "pause", "service", "Take no new jobs and mixes",
		"All processes obey within seconds. Jobs under way go on."), v1.Unavailable, v1.Invalid), s.pauseIntake)
	huma.Register(s.huma, s.routes.add(operate, op(http.MethodPost, "/v1/status/resume", "resume", "service", "Take jobs and mixes again", ""), v1.Unavailable), s.resumeIntake)
	huma.Register(s.huma, s.routes.add(operate, op(http.MethodGet, "/v1/dead", "dead", "service", "Messages that the broker gave up",
		"Jobs that are dead are found with /v1/jobs?state=dead."), v1.Unavailable, v1.Invalid), s.dead)
	huma.Register(s.huma, s.routes.add(operate, op(http.MethodPost, "/v1/dead/{id}/requeue", "requeue", "service", "Put the job of a dead letter, or a dead job, back to the start",
		"The identifier is the job's. Its dead letters are taken out. A job that waits is rung for again; one that runs or is done is left alone."), v1.NotFound, v1.Gone, v1.WrongState, v1.Unavailable), s.requeue)
}

func (s *Server) status(ctx context.Context, _ *none) (*body[v1.Status], error) {
	intake, counts, disk, err := s.intake.state(ctx)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	out := v1.Status{Instance: s.o.Instance, Version: s.o.Version, Now: s.o.Now().UTC(), SignIn: s.o.SignIn == nil || s.o.SignIn(), Intake: intake, Jobs: counts, Disk: disk, Workers: []v1.Worker{}, Streams: s.streams.count()}
	if s.o.Workers != nil {
		for _, w := range s.o.Workers() {
			out.Workers = append(out.Workers, wireWorker(w))
		}
	}
	if s.o.Queue != nil {
		ctx, cancel := context.WithTimeout(ctx, readyTimeout)
		defer cancel()
		if q, err := s.o.Queue.Stats(ctx); err == nil {
			out.Queue = &v1.Queue{Waiting: q.Waiting, InFlight: q.InFlight, Dead: q.Dead, Oldest: q.Oldest}
		} else {
			s.o.Log.WarnContext(ctx, "broker does not answer", "error", err)
		}
	}
	return &body[v1.Status]{out}, nil
}

func wireWorker(w worker.Status) v1.Worker {
	out := v1.Worker{Name: w.Name, Slots: w.Slots, Draining: w.Draining, Paused: w.Paused, Trouble: w.Trouble, Running: []v1.RunningJob{}}
	for _, r := range w.Running {
		out.Running = append(out.Running, v1.RunningJob{ID: r.Job, Attempt: r.Attempt, Since: r.Since, Percent: 100 * r.Progress.Share})
	}
	return out
}

func (s *Server) pauseIntake(ctx context.Context, in *struct {
	Body *v1.Pause
}) (*body[v1.Intake], error) {
	id, _ := access.From(ctx)
	p := v1.Intake{Paused: true, By: id.Name, Since: s.o.Now().UTC().Truncate(time.Second)}
	if in.Body != nil {
		p.Why = in.Body.Why
	}
	return s.setIntake(ctx, p)
}

func (s *Server) resumeIntake(ctx context.Context, _ *none) (*body[v1.Intake], error) {
	id, _ := access.From(ctx)
	return s.setIntake(ctx, v1.Intake{By: id.Name, Since: s.o.Now().UTC().Truncate(time.Second)})
}

func (s *Server) setIntake(ctx context.Context, p v1.Intake) (*body[v1.Intake], error) {
	if err := s.intake.setPause(ctx, p); err != nil {
		return nil, s.problem(ctx, err)
	}
	s.o.Log.InfoContext(ctx, "intake", "paused", p.Paused, "by", p.By, "why", p.Why)
	return &body[v1.Intake]{p}, nil
}

func (s *Server) dead(ctx context.Context, in *deadInput) (*body[v1.DeadLetters], error) {
	out := v1.DeadLetters{Letters: []v1.DeadLetter{}}
	q, ok := s.o.Queue.(queue.DeadLetters)
	if !ok {
		return &body[v1.DeadLetters]{out}, nil
	}
	letters, err := q.Dead(ctx, in.Cursor, in.Limit)
	if err != nil {
		s.o.Log.WarnContext(ctx, "broker does not answer", "error", err)
		return nil, v1.NewProblem(v1.Unavailable, "").After(5 * time.Second)
	}
	for _, l := range letters {
		d := v1.DeadLetter{Seq: l.Seq, JobID: l.Message.JobID, Attempt: l.Message.Attempt, Deliveries: l.Deliveries, Reason: l.Reason, At: l.At}
		if r, err := s.o.Ledger.Get(ctx, d.JobID); err == nil {
			d.State = string(r.State)
		}
		out.Letters = append(out.Letters, d)
	}
	if len(letters) == in.Limit {
		out.Next = letters[len(letters)-1].Seq
	}
	return &body[v1.DeadLetters]{out}, nil
}

func (s *Server) requeue(ctx context.Context, in *idInput) (*body[v1.Job], error) {
	r, id, err := s.visible(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	if r.State != job.Accepted {
		if r, err = s.o.Ledger.Retry(ctx, in.ID, id.Name); err != nil {
			return nil, s.problem(ctx, err)
		}
		s.intake.submitted()
	}
	s.ring(ctx, r)
	s.forgetDead(ctx, r)
	s.o.Log.InfoContext(ctx, "requeued", "job", r.ID, "by", id.Name, "token", id.TokenID)
	return &body[v1.Job]{s.wire(r, id)}, nil
}
