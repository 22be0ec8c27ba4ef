package worker

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/spec"
	"discsafe/worker/job"
)

// errStopAsked is why the context of a child's work ends.
var errStopAsked = errors.New("the worker closed the input")

// stopGrace is how long a child may take to stop before it ends itself, should
// its worker be gone and unable to end it.
const stopGrace = 20 * time.Second

// Child is the other end of Process: it reads a Task from in, runs prepare, and
// tells progress and outcome on out. It returns the exit code: 0 when the
// outcome was told, whatever it is, 1 when it could not be.
func Child(ctx context.Context, in io.Reader, out io.Writer, prepare func(ctx context.Context, t Task, told func(Pass)) (Made, error)) int {
	r := bufio.NewReaderSize(in, 64<<10)
	var t Task
	err := readTask(r, &t)
	w := &lineWriter{enc: json.NewEncoder(out)}
	if err != nil {
		why := job.Because(job.CodeUnsupported, err.Error())
		return w.last(line{Failed: &why})
	}
	if err := confine(t.MemoryBytes); err != nil {
		why := job.Because(job.CodeCannotStart, err.Error())
		return w.last(line{Failed: &why})
	}
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	go func() {
		_, _ = io.Copy(io.Discard, r) // ends when the worker closes the pipe, or is gone
		stop(errStopAsked)
		time.AfterFunc(stopGrace, func() { os.Exit(1) })
	}()
	made, err := safely(func() (Made, error) {
		return prepare(ctx, t, func(p Pass) {
			if err := w.write(line{Pass: &p}); err != nil {
				stop(fmt.Errorf("telling progress: %w", err))
			}
		})
	})
	if err != nil {
		why := t.reason(ctx, err)
		return w.last(line{Failed: &why})
	}
	return w.last(line{Made: &made})
}

func readTask(r *bufio.Reader, t *Task) error {
	data, err := r.ReadBytes('\n')
	if err != nil {
		return fmt.Errorf("reading the task: %w", err)
	}
	if err := json.Unmarshal(data, t); err != nil {
		return fmt.Errorf("reading the task: %w", err)
	}
	if t.Schema != TaskSchema {
		return fmt.Errorf("the task has layout %q, this version knows %q", t.Schema, TaskSchema)
	}
	if t.Kind != "" && !slices.Contains(job.Kinds(), t.Kind) {
		return fmt.Errorf("the task asks for %.40q, this version knows %q", t.Kind, job.Kinds())
	}
	return nil
}

type lineWriter struct {
	mu  sync.Mutex
	enc *json.Encoder
}

func (w *lineWriter) write(l line) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.enc.Encode(l)
}

func (w *lineWriter) last(l line) int {
	if w.write(l) != nil {
		return 1
	}
	return 0
}

// panicError is a panic of the work, with its stack.
type panicError struct {
	value any
	stack []byte
}

func (e *panicError) Error() string { return fmt.Sprintf("panic: %v", e.value) }

func safely(f func() (Made, error)) (_ Made, err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &panicError{value: v, stack: debug.Stack()}
		}
	}()
	return f()
}

// reason says why preparing failed, for the record. Paths of the scratch folder
// mean nothing to a studio and are taken out.
func (t *Task) reason(ctx context.Context, err error) job.Reason {
	plain := func(s string) string {
		for _, p := range []string{filepath.Dir(t.Plan), t.Dir} {
			if p != "" && p != "." {
				s = strings.ReplaceAll(s, p+string(filepath.Separator), "")
			}
		}
		return s
	}
	if p, ok := errors.AsType[*panicError](err); ok {
		why := job.Because(job.CodeCrashed, p.Error())
		why.Detail = clipped(string(p.stack))
		return why
	}
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return job.Because(job.CodeNoSpace, plain(err.Error()))
	}
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return job.Because(job.CodeDrain, context.Cause(ctx).Error())
	}
	// A disk that cannot be read is no fault of the mix that lies on it.
	for _, machine := range []error{syscall.EIO, syscall.ENOMEM, syscall.EMFILE, syscall.ENFILE} {
		if errors.Is(err, machine) {
			return job.Because(job.CodeInternal, plain(err.Error()))
		}
	}
	if list, ok := errors.AsType[*spec.Error](err); ok {
		why := job.Because(job.CodePlan, "")
		for i, f := range list.Faults {
			if i == 0 {
				why.Cause = f.Code
			}
			why.Faults = append(why.Faults, job.Fault{File: plain(f.File), Line: f.Line, Column: f.Column, Path: f.Path, Code: f.Code, Detail: plain(f.Detail), Hint: f.Hint})
		}
		return why
	}
	if f, ok := errors.AsType[*audio.FormatError](err); ok {
		why := job.Because(job.CodeSound, plain(err.Error()))
		why.Cause = f.Code
		if f.Hint != "" {
			why.Hint = f.Hint
		}
		return why
	}
	for _, bad := range []bool{isA[*groove.UnknownDiscError](err), isA[*groove.RoomError](err), isA[*groove.DiscError](err)} {
		if bad {
			return job.Because(job.CodePlan, plain(err.Error()))
		}
	}
	return job.Because(job.CodeInternal, plain(err.Error()))
}

func isA[E error](err error) bool {
	_, ok := errors.AsType[E](err)
	return ok
}

// clipped keeps the head and the tail of a long text: a crash is named at the
// head, and its last words stand at the tail.
func clipped(s string) string {
	const head, tail = 4 << 10, 8 << 10
	if len(s) <= head+tail {
		return strings.ToValidUTF8(s, "?")
	}
	return strings.ToValidUTF8(s[:head]+"\n[...]\n"+s[len(s)-tail:], "?")
}
