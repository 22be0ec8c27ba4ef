package api

import (
	"context"
	"time"

	"discsafe/api/v1"
	"discsafe/deploy"
	"discsafe/worker/job"
	"discsafe/worker/metrics"
)

// Status is how the service stands.
func (b board) Status(ctx context.Context) (v1.Status, error) {
	out, err := b.s.status(ctx, nil)
	if err != nil {
		return v1.Status{}, err
	}
	return out.Body, nil
}

// History is a part of what this process's metrics were; nil where none is kept.
func (b board) History(span time.Duration, bins int) *metrics.Window {
	if b.s.o.History == nil {
		return nil
	}
	return b.s.o.History.Window(span, bins)
}

// Workers are those of all processes.
func (b board) Workers(ctx context.Context) ([]v1.Member, error) {
	out, err := b.s.members(ctx, nil)
	if err != nil {
		return nil, err
	}
	return out.Body.Workers, nil
}

// Failures are the jobs submitted last that failed or are dead.
func (b board) Failures(ctx context.Context, limit int) ([]v1.Job, error) {
	out, err := b.s.list(ctx, &listInput{State: []string{string(job.Failed), string(job.Dead)}, Limit: limit})
	if err != nil {
		return nil, err
	}
	return out.Body.Jobs, nil
}

// DeadLetters are the oldest messages that the broker gave up.
func (b board) DeadLetters(ctx context.Context, limit int) ([]v1.DeadLetter, error) {
	out, err := b.s.dead(ctx, &deadInput{Limit: limit})
	if err != nil {
		return nil, err
	}
	return out.Body.Letters, nil
}

// Pause stops the intake of all processes.
func (b board) Pause(ctx context.Context, why string) error {
	_, err := b.s.pauseIntake(ctx, &struct{ Body *v1.Pause }{&v1.Pause{Why: why}})
	return err
}

// Resume lets it go on.
func (b board) Resume(ctx context.Context) error {
	_, err := b.s.resumeIntake(ctx, nil)
	return err
}

// Drain asks a worker to take no more jobs.
func (b board) Drain(ctx context.Context, name string) error {
	_, err := b.s.drainWorker(ctx, &workerInput{name})
	return err
}

// Undrain lets it take jobs again.
func (b board) Undrain(ctx context.Context, name string) error {
	_, err := b.s.undrainWorker(ctx, &workerInput{name})
	return err
}

// Requeue puts a dead job back to the start.
func (b board) Requeue(ctx context.Context, id string) error {
	_, err := b.s.requeue(ctx, &idInput{id})
	return err
}

// Runbook is the text for operators.
func (board) Runbook() string { return deploy.Runbook() }
