package client

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"reflect"
	"strings"
	"time"

	"discsafe/api/v1"
)

const (
	reconnect  = time.Second // before a broken stream is opened again, unless the stream says otherwise
	barren     = 3           // streams in a row without an event, after which a watch polls
	maxBackoff = 30 * time.Second
)

// Watch calls fn with the job as it stands and after every change, until the
// job is over, fn returns an error (which Watch returns as it is) or ctx ends.
// Changes that follow quickly may come as one; none comes twice, and none after
// a later one. A broken stream is opened again where it stood; where streams
// are not to be had, Watch asks every Options.Poll.
func (c *Client) Watch(ctx context.Context, id string, fn func(v1.Job) error) error {
	if err := named("job", id); err != nil {
		return err
	}
	w := &watcher{c: c, id: id, fn: fn, good: c.o.Now()}
	for {
		err := w.stream(ctx)
		switch {
		case w.over || w.fnErr != nil:
			return w.fnErr
		case ctx.Err() != nil:
			return ctx.Err()
		case w.poll:
			return w.polling(ctx)
		case !again(err):
			return err
		case c.o.Now().Sub(w.good) > c.o.GiveUp:
			return fmt.Errorf("nothing heard of job %s for %v: %w", id, c.o.GiveUp, err)
		}
		if err := w.rest(ctx, err); err != nil {
			return err
		}
	}
}

// WaitJob waits until the job is over and returns it as it then stands.
func (c *Client) WaitJob(ctx context.Context, id string) (*v1.Job, error) {
	var last v1.Job
	err := c.Watch(ctx, id, func(j v1.Job) error { last = j; return nil })
	if err != nil {
		return nil, err
	}
	return &last, nil
}

type watcher struct {
	c  *Client
	id string
	fn func(v1.Job) error

	seen   *v1.Job // last given to fn
	fnErr  error
	over   bool
	poll   bool
	lastID string
	retry  time.Duration
	good   time.Time // when something was last heard
	fails  int       // in a row, without an event
}

// give passes a job on, unless it is old news.
func (w *watcher) give(j v1.Job) {
	w.good, w.fails = w.c.o.Now(), 0
	if s := w.seen; s != nil && (j.Rev < s.Rev || j.Rev == s.Rev && reflect.DeepEqual(*s, j)) {
		return
	}
	w.seen = &j
	w.fnErr = w.fn(j)
	w.over = j.Over()
}

// stream reads one stream to its end. It sets poll if streams are of no use.
func (w *watcher) stream(parent context.Context) (err error) {
	c := w.c
	ctx, dog := watch(parent, c.o.Idle)
	defer dog.end()
	defer func() { err = cause(ctx, err) }()
	h := http.Header{"Accept": {"text/event-stream, " + v1.ProblemType}, "Cache-Control": {"no-cache"}}
	if w.lastID != "" && !strings.ContainsFunc(w.lastID, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		h.Set("Last-Event-ID", w.lastID)
	}
	resp, err := c.send(ctx, call{method: http.MethodGet, url: c.url(nil, "jobs", w.id, "events"), header: h})
	if err != nil {
		w.fails++
		err = cause(ctx, err)
		if errors.Is(err, errStalled) {
			w.poll = true // something between holds even the head back
			return err
		}
		switch s := statusOf(err); s {
		case http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusNotAcceptable, http.StatusNotImplemented:
			w.poll = true // if it is the job that is not there, the first look says so
		default:
			// Too many streams, or a gateway that cannot: a look may still get through.
			w.poll = s != 0 && w.fails >= barren && again(err)
		}
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK || mediaType(resp) != "text/event-stream" {
		w.poll = true
		return nil
	}
	heard := 0
	er := newEventReader(&aliveReader{r: resp.Body, dog: dog, d: c.o.Idle, n: func(n int) { heard += n }}, w.lastID)
	events := 0
	for {
		ev, err := er.next()
		w.lastID, w.retry = er.lastID, er.retry
		if err != nil {
			err = cause(ctx, err)
			if events == 0 {
				w.fails++
			}
			if heard > 0 {
				w.good = c.o.Now()
			}
			// A proxy that holds back what is small looks like this.
			w.poll = w.fails >= barren || heard == 0 && errors.Is(err, errStalled)
			if errors.Is(err, errEventTooLong) {
				return err
			}
			if errors.Is(err, io.EOF) || !errors.Is(err, errStalled) {
				return fmt.Errorf("%w: events of job %s: %w", errBroke, w.id, err)
			}
			return err
		}
		var j v1.Job
		if err := json.Unmarshal([]byte(ev.Data), &j); err != nil || j.ID != w.id || j.State == "" {
			// Kinds of events that are not known yet are no concern of ours.
			c.log.DebugContext(ctx, "event is not the job", "job", w.id, "type", ev.Type)
			continue
		}
		events++
		w.give(j)
		if w.over || w.fnErr != nil {
			return nil
		}
	}
}

// rest waits before the next stream.
func (w *watcher) rest(ctx context.Context, why error) error {
	d := reconnect
	if w.retry > 0 {
		d = w.retry
	}
	d = max(d, min(maxBackoff, d<<min(w.fails, 10)))
	d -= rand.N(d/4 + 1)
	if a := waitOf(why); a > 0 {
		d = min(a, longWait)
	}
	w.c.log.DebugContext(ctx, "events again", "job", w.id, "after", d, "because", why)
	return w.c.o.Sleep(ctx, d)
}

// polling looks at the job until it is over.
func (w *watcher) polling(ctx context.Context) error {
	w.c.log.DebugContext(ctx, "no stream of events; asking instead", "job", w.id)
	for {
		j, err := w.c.Job(ctx, w.id)
		switch {
		case err == nil:
			w.give(*j)
		case ctx.Err() != nil:
			return ctx.Err()
		case !again(err) || w.c.o.Now().Sub(w.good) > w.c.o.GiveUp:
			return err
		}
		if w.over || w.fnErr != nil {
			return w.fnErr
		}
		if err := w.c.o.Sleep(ctx, w.c.o.Poll); err != nil {
			return err
		}
	}
}
