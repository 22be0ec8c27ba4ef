package worker

import (
	"context"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/queue"
)

// TaskSchema names the protocol between a worker and its child process.
const TaskSchema = "discsafe-task/1"

// RunJob is the argument with which the program of a worker becomes the child of
// one; see Child.
const RunJob = "run-job"

// Task is what a child is told, as one line of JSON on its standard input. The
// input then stays open: its end is the order to stop.
type Task struct {
	Schema      string `json:"schema"`
	Job         string `json:"job"`
	Attempt     int    `json:"attempt"`
	Dir         string `json:"dir"`            // of this attempt; errors name files relative to its folder in
	Plan        string `json:"plan"`           // path of the side plan, or the release; its files lie beside it
	Out         string `json:"out"`            // folder to make
	Kind        string `json:"kind,omitempty"` // one of job.Kinds; empty is job.Prepare
	AsTraced    bool   `json:"as_traced"`
	MemoryBytes int64  `json:"memory_bytes"` // above what the process has at its start; 0: no bound
	Trace       string `json:"trace,omitempty"`

	// For the worker's side only.
	Time  time.Duration `json:"-"` // to be killed after; 0: never
	Stall time.Duration `json:"-"` // to be killed after so long without progress; 0: never
}

// Analyses reports whether the side is measured and planned only.
func (t *Task) Analyses() bool { return t.Kind == job.Analyse }

// Arranges reports whether a release is divided over sides.
func (t *Task) Arranges() bool { return t.Kind == job.Arrange }

// Made is what a child says at the end of its work.
type Made struct {
	Verdict string `json:"verdict"`
	Version string `json:"version"`
}

// Pass is progress as the pipeline tells it.
type Pass struct {
	Name     string  `json:"name"`
	Number   int     `json:"number"` // from 1
	Of       int     `json:"of"`     // expected; may grow
	Fraction float64 `json:"fraction"`
	RealTime float64 `json:"real_time"`
}

// line is one line of a child's standard output; one field is set.
type line struct {
	Pass   *Pass       `json:"pass,omitempty"`
	Made   *Made       `json:"made,omitempty"`
	Failed *job.Reason `json:"failed,omitempty"`
}

// Outcome is how running a task ended: made, stopped because the context was
// cancelled, or for a reason.
type Outcome struct {
	Made    Made
	Stopped bool
	Reason  *job.Reason
}

func failed(c job.Code, text string) Outcome {
	r := job.Because(c, text)
	return Outcome{Reason: &r}
}

// Runner runs one task. Run returns when nothing of the task runs any more.
type Runner interface {
	Run(ctx context.Context, t Task, told func(Pass)) Outcome
}

// Ring is the message for a job as its record stands.
func Ring(r *job.Record) queue.Message {
	m := queue.Message{JobID: r.ID, Studio: r.Request.Studio, Lane: r.Request.Lane, Attempt: r.Attempt, Trace: r.Request.Trace}
	if m.Validate() != nil {
		m.Trace = "" // the rest was checked when the job was accepted; a trace is not worth losing the ring
	}
	return m
}
