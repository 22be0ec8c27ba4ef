package worker

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/queue"
)

// Process is the Runner that gives every task a process of its own.
//
// The child is in its own process group, so that a signal to the worker from a
// terminal does not reach it; it ends when its standard input does, and on
// Linux is killed when the worker dies. It is given no part of the worker's
// environment but PATH, time zone and runtime settings: keys and tokens stay
// with the worker.
type Process struct {
	Command []string      // program and arguments that call Child; required
	Env     []string      // further NAME=VALUE for the child
	Grace   time.Duration // from the order to stop to the kill; 0: 5 s
	Clock   queue.Clock   // nil: the system's
}

// pollEvery is how often the child's memory is looked at.
const pollEvery = 250 * time.Millisecond

// Run implements Runner.
func (p *Process) Run(ctx context.Context, t Task, told func(Pass)) Outcome {
	if len(p.Command) == 0 {
		return failed(job.CodeCannotStart, "no command is configured")
	}
	t.Schema = TaskSchema
	order, err := json.Marshal(t)
	if err != nil {
		return failed(job.CodeInternal, "encoding the task: "+err.Error())
	}
	clock := p.Clock
	if clock == nil {
		clock = queue.SystemClock()
	}
	c := &child{p: p, t: t, clock: clock, alive: make(chan struct{}, 1), gone: make(chan error, 1)}
	c.lines.take = func(l line) { c.hear(l, told) }
	if err := c.start(order); err != nil {
		return failed(job.CodeCannotStart, err.Error())
	}
	return c.watch(ctx)
}

// child is one running process.
type child struct {
	p     *Process
	t     Task
	clock queue.Clock
	cmd   *exec.Cmd
	input *os.File // kept open; closing it is the order to stop
	lines splitter
	err   tail

	alive chan struct{} // told something since it was last looked at
	gone  chan error    // Wait's answer

	mu   sync.Mutex // Wait may return while a grandchild still writes
	last line       // made or failed
}

func (c *child) start(order []byte) error {
	r, w, err := os.Pipe()
	if err != nil {
		return fmt.Errorf("making a pipe: %w", err)
	}
	defer r.Close()
	c.input = w
	c.cmd = exec.Command(c.p.Command[0], c.p.Command[1:]...)
	c.cmd.Dir = c.t.Dir
	c.cmd.Env = c.environment()
	c.cmd.Stdin, c.cmd.Stdout, c.cmd.Stderr = r, &c.lines, &c.err
	c.cmd.WaitDelay = time.Second // for pipes that a grandchild holds open
	setOwnGroup(c.cmd)
	started := make(chan error, 1)
	go func() {
		// The kernel's signal on the parent's death is tied to the thread that started the child.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := c.cmd.Start()
		started <- err
		if err == nil {
			c.gone <- c.cmd.Wait()
		}
	}()
	if err := <-started; err != nil {
		return errors.Join(err, w.Close())
	}
	// A child that dies before it reads breaks the pipe; how it died says more than that. The order is some
	// hundred bytes, which the pipe's buffer takes at once.
	_, _ = w.Write(append(order, '\n'))
	return nil
}

func (c *child) environment() []string {
	env := []string{"TMPDIR=" + c.t.Dir}
	for _, name := range []string{"PATH", "TZ", "GODEBUG", "GOMAXPROCS", "GOTRACEBACK", "SYSTEMROOT"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	if m := c.t.MemoryBytes; m > 0 {
		// The collector works harder before the hard bound is met.
		env = append(env, "GOMEMLIMIT="+strconv.FormatInt(m/10*9, 10))
	}
	return append(env, c.p.Env...)
}

func (c *child) hear(l line, told func(Pass)) {
	switch {
	case l.Made != nil || l.Failed != nil:
		c.mu.Lock()
		c.last = l
		c.mu.Unlock()
	case l.Pass != nil:
		told(*l.Pass)
	}
	select {
	case c.alive <- struct{}{}:
	default:
	}
}

// watch waits for the end and brings it about where it must.
func (c *child) watch(ctx context.Context) Outcome {
	grace := c.p.Grace
	if grace <= 0 {
		grace = 5 * time.Second
	}
	began := c.clock.Now()
	heard := began
	var verdict *job.Reason // why it was killed
	condemn := func(code job.Code, text string) {
		if verdict == nil {
			r := job.Because(code, text)
			verdict = &r
			c.kill()
		}
	}
	asked := false
	var kill <-chan time.Time
	stop := ctx.Done()
	poll := c.clock.After(pollEvery)
	for {
		select {
		case err := <-c.gone:
			c.killGroup() // whatever it started itself
			_ = c.input.Close()
			return c.outcome(err, verdict, asked)
		case <-stop:
			stop, asked = nil, true
			_ = c.input.Close()
			kill = c.clock.After(grace)
		case <-kill:
			c.kill()
		case <-c.alive:
			heard = c.clock.Now()
		case <-poll: // made anew only here: a child that talks all the time must not keep us from looking
			poll = c.clock.After(pollEvery)
			now := c.clock.Now()
			if t := c.t.Time; t > 0 && now.Sub(began) > t {
				condemn(job.CodeTimedOut, fmt.Sprintf("It was stopped after %v.", t))
			}
			if s := c.t.Stall; s > 0 && now.Sub(heard) > s {
				condemn(job.CodeStalled, fmt.Sprintf("It was stopped after %v of silence.", s))
			}
			if m := c.t.MemoryBytes; m > 0 {
				if rss := residentBytes(c.cmd.Process.Pid); rss > m+m/4+memorySlack {
					condemn(job.CodeOutOfMemory, fmt.Sprintf("It held %d MiB, the bound is %d.", rss>>20, m>>20))
				}
			}
		}
	}
}

// memorySlack is what a process of ours needs before it has done anything.
const memorySlack = 64 << 20

func (c *child) kill() {
	c.killGroup()
	_ = c.cmd.Process.Kill() // gone already is as good
}

func (c *child) outcome(err error, verdict *job.Reason, asked bool) Outcome {
	c.mu.Lock()
	last := c.last
	c.mu.Unlock()
	switch {
	case last.Made != nil && c.cmd.ProcessState.Success():
		return Outcome{Made: *last.Made} // also when it was asked to stop a moment too late
	case asked:
		return Outcome{Stopped: true}
	case verdict != nil:
		verdict.Detail = c.err.String()
		return Outcome{Reason: verdict}
	case last.Failed != nil:
		why := *last.Failed
		if why.Detail == "" && why.Code.Info().Kind == job.KindCrash {
			why.Detail = c.err.String()
		}
		return Outcome{Reason: &why}
	}
	text, code := "It ended without a word", job.CodeCrashed
	if err != nil {
		text += ": " + err.Error()
	}
	said := c.err.String()
	// The runtime has no exit code of its own for this.
	if strings.Contains(said, "out of memory") || strings.Contains(said, "cannot allocate memory") {
		code = job.CodeOutOfMemory
	}
	o := failed(code, text+".")
	o.Reason.Detail = said
	return o
}

// splitter hands on each line of a child's output that it understands. A line
// longer than maxLine, or of another kind, is dropped: the child may print what
// it likes, only the outcome counts.
type splitter struct {
	take func(line)
	buf  []byte
	skip bool // until the end of a line that is too long
}

const maxLine = 1 << 20

func (s *splitter) Write(p []byte) (int, error) {
	n := len(p)
	for len(p) > 0 {
		i := bytes.IndexByte(p, '\n')
		part := p
		if i >= 0 {
			part = p[:i]
		}
		if !s.skip && len(s.buf)+len(part) > maxLine {
			s.skip = true
		}
		if !s.skip {
			s.buf = append(s.buf, part...)
		}
		if i < 0 {
			break
		}
		var l line
		if !s.skip && json.Unmarshal(s.buf, &l) == nil {
			s.take(l)
		}
		s.buf, s.skip = s.buf[:0], false
		p = p[i+1:]
	}
	return n, nil
}

// tail keeps the head and the tail of what is written to it.
type tail struct {
	mu         sync.Mutex
	head, rest []byte
	dropped    bool
}

var _ io.Writer = (*tail)(nil)

const (
	headBytes = 4 << 10
	tailBytes = 8 << 10
)

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := len(p)
	if room := headBytes - len(t.head); room > 0 {
		k := min(room, len(p))
		t.head, p = append(t.head, p[:k]...), p[k:]
	}
	if len(p) > tailBytes {
		p, t.rest, t.dropped = p[len(p)-tailBytes:], t.rest[:0], true
	}
	if over := len(t.rest) + len(p) - tailBytes; over > 0 {
		t.rest, t.dropped = append(t.rest[:0], t.rest[over:]...), true
	}
	t.rest = append(t.rest, p...)
	return n, nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := string(t.head)
	if t.dropped {
		s += "\n[...]\n"
	}
	return strings.ToValidUTF8(s+string(t.rest), "?")
}
