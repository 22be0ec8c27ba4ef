package client

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"discsafe/api/v1"

	"github.com/google/go-cmp/cmp"
)

// event is a job as an event of the stream.
func event(state string, rev int64) string {
	b, _ := json.Marshal(aJob(state, rev)) // plain values: it cannot fail
	return fmt.Sprintf("event: job\nid: %d\ndata: %s\n\n", rev, strings.Replace(string(b), ",", ",\ndata: ", 1))
}

// stream answers with parts, each flushed, and ends the connection or holds it.
func stream(hold bool, parts ...string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
		say(w, "")
		for _, p := range parts {
			say(w, p)
		}
		if hold {
			<-r.Context().Done()
		}
	}
}

// say sends at once. A client that has gone is the test's business.
func say(w http.ResponseWriter, text string) {
	_, _ = io.WriteString(w, text)
	_ = http.NewResponseController(w).Flush()
}

// script serves one handler after the other to the event stream, the last
// again and again, and notes Last-Event-ID.
type script struct {
	mu    sync.Mutex
	steps []http.HandlerFunc
	ids   []string
	job   http.HandlerFunc
}

func (s *script) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !strings.HasSuffix(r.URL.Path, "/events") {
		s.job(w, r)
		return
	}
	s.mu.Lock()
	h := s.steps[0]
	if len(s.steps) > 1 {
		s.steps = s.steps[1:]
	}
	s.ids = append(s.ids, r.Header.Get("Last-Event-ID"))
	s.mu.Unlock()
	h(w, r)
}

func (s *script) revs(t *testing.T, set ...func(*Options)) (revs []int64, err error) {
	t.Helper()
	c, _ := dial(t, s, set...)
	err = c.Watch(within(t), jobID, func(j v1.Job) error {
		revs = append(revs, j.Rev)
		return nil
	})
	return revs, err
}

// states answers GET of the job with one state after the other.
func states(names ...string) http.HandlerFunc {
	var mu sync.Mutex
	rev := 0
	return func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		rev = min(rev+1, len(names))
		writeJSON(w, http.StatusOK, aJob(names[rev-1], int64(rev)))
	}
}

func TestWatch(t *testing.T) {
	html := func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		_, _ = io.WriteString(w, "<html>")
	}
	status := func(n int) http.HandlerFunc { return func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(n) } }
	polled := states("accepted", "running", "running", "done")
	for name, c := range map[string]struct {
		steps []http.HandlerFunc
		revs  []int64
		ids   []string
	}{
		"one stream": {
			steps: []http.HandlerFunc{stream(true, ": hello\n\n", event("accepted", 1), event("running", 2), event("done", 3))},
			revs:  []int64{1, 2, 3}, ids: []string{""}},
		"breaks off and goes on": {
			steps: []http.HandlerFunc{stream(false, event("accepted", 1), event("running", 2), "id: 3\ndata: {\"id"), abort, problem(v1.Unavailable, time.Second),
				stream(false, event("running", 3)), stream(true, event("failed", 4))},
			revs: []int64{1, 2, 3, 4}, ids: []string{"", "2", "2", "2", "3"}},
		"old news is not told again": {
			steps: []http.HandlerFunc{stream(false, event("accepted", 1), event("running", 2)), stream(true, event("accepted", 1), event("running", 2), event("running", 2), event("cancelled", 5))},
			revs:  []int64{1, 2, 5}, ids: []string{"", "2"}},
		"events of other kinds are passed over": {
			steps: []http.HandlerFunc{stream(true, "event: notice\ndata: be quick\n\n", "data: {\"id\":\"other\",\"state\":\"done\",\"rev\":9}\n\n", "data: {}\n\n", event("dead", 3))},
			revs:  []int64{3}, ids: []string{""}},
		"is over at once": {steps: []http.HandlerFunc{stream(true, event("done", 8))}, revs: []int64{8}, ids: []string{""}},

		"no such route":        {steps: []http.HandlerFunc{problem(v1.NotFound, 0)}, revs: []int64{1, 2, 3, 4}, ids: []string{""}},
		"method refused":       {steps: []http.HandlerFunc{problem(v1.MethodRefused, 0)}, revs: []int64{1, 2, 3, 4}, ids: []string{""}},
		"a proxy's page":       {steps: []http.HandlerFunc{html}, revs: []int64{1, 2, 3, 4}, ids: []string{""}},
		"no content":           {steps: []http.HandlerFunc{status(http.StatusNoContent)}, revs: []int64{1, 2, 3, 4}, ids: []string{""}},
		"streams always empty": {steps: []http.HandlerFunc{stream(false)}, revs: []int64{1, 2, 3, 4}, ids: []string{"", "", ""}},
		"too many streams":     {steps: []http.HandlerFunc{problem(v1.TooMany, time.Second)}, revs: []int64{1, 2, 3, 4}, ids: []string{"", "", ""}},
		"streams fail half way": {
			steps: []http.HandlerFunc{stream(false, event("accepted", 1), event("running", 2)), problem(v1.NotFound, 0)},
			revs:  []int64{1, 2, 3, 4}, ids: []string{"", "2"}},
	} {
		t.Run(name, func(t *testing.T) {
			polled = states("accepted", "running", "running", "done")
			s := &script{steps: c.steps, job: polled}
			revs, err := s.revs(t)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.revs, revs); d != "" {
				t.Errorf("revisions (-want +got)\n%s", d)
			}
			if d := cmp.Diff(c.ids, s.ids); d != "" {
				t.Errorf("Last-Event-ID (-want +got)\n%s", d)
			}
		})
	}
}

func TestWatchOfWhatIsNotThere(t *testing.T) {
	for name, h := range map[string]http.HandlerFunc{
		"not found": problem(v1.NotFound, 0), "gone": problem(v1.Gone, 0), "not allowed": problem(v1.Forbidden, 0), "no token": problem(v1.Unauthorized, 0),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := (&script{steps: []http.HandlerFunc{h}, job: h}).revs(t)
			if _, ok := errors.AsType[*v1.Problem](err); !ok {
				t.Errorf("%v, want the problem", err)
			}
		})
	}
}

func TestWatchEndsAsItsFunctionSays(t *testing.T) {
	stop := errors.New("enough")
	c, _ := dial(t, &script{steps: []http.HandlerFunc{stream(true, event("accepted", 1), event("running", 2))}})
	n := 0
	err := c.Watch(within(t), jobID, func(v1.Job) error { n++; return stop })
	if err != stop || n != 1 { //nolint:errorlint // it must be that very error
		t.Errorf("%v after %d calls", err, n)
	}
	ctx, cancel := context.WithCancel(within(t))
	if err := c.Watch(ctx, jobID, func(v1.Job) error { cancel(); return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want cancelled", err)
	}
}

// The line stands still without a word: nothing but the client's own timer
// notices.
func TestWatchOfAStreamThatStandsStill(t *testing.T) {
	idle := func(o *Options) { o.Idle = 200 * time.Millisecond }
	t.Run("half way", func(t *testing.T) {
		s := &script{steps: []http.HandlerFunc{stream(true, event("running", 2)), stream(true, event("done", 3))}}
		revs, err := s.revs(t, idle)
		if d := cmp.Diff([]int64{2, 3}, revs); err != nil || d != "" {
			t.Errorf("%v\n%s", err, d)
		}
	})
	t.Run("held back by a proxy", func(t *testing.T) {
		s := &script{steps: []http.HandlerFunc{stream(true)}, job: states("running", "done")}
		revs, err := s.revs(t, idle)
		if d := cmp.Diff([]int64{1, 2}, revs); err != nil || d != "" || len(s.ids) != 1 {
			t.Errorf("%v, %d streams\n%s", err, len(s.ids), d)
		}
	})
	t.Run("comments keep it", func(t *testing.T) {
		beat := func(w http.ResponseWriter, r *http.Request) {
			stream(false, event("running", 2))(w, r)
			for range 12 {
				time.Sleep(50 * time.Millisecond)
				say(w, ":\n")
			}
			say(w, event("done", 3))
		}
		s := &script{steps: []http.HandlerFunc{beat}}
		// Twelve beats take three times the idle time at least; a loaded machine
		// may be late with one, so only the end is held.
		revs, err := s.revs(t, func(o *Options) { o.Idle = 400 * time.Millisecond })
		if d := cmp.Diff([]int64{2, 3}, revs); err != nil || d != "" {
			t.Errorf("%v\n%s", err, d)
		}
	})
}

func TestWatchGivesUp(t *testing.T) {
	c, k := dial(t, &script{steps: []http.HandlerFunc{abort}, job: abort}, func(o *Options) { o.GiveUp = 3 * time.Minute })
	start := k.Now()
	if err := c.Watch(within(t), jobID, func(v1.Job) error { return nil }); err == nil || !strings.Contains(err.Error(), "nothing heard") {
		t.Errorf("%v", err)
	}
	if d := k.Now().Sub(start); d < 3*time.Minute || d > 4*time.Minute {
		t.Errorf("gave up after %v, want 3 min", d)
	}
}

func TestWatchRestsAsTheStreamSays(t *testing.T) {
	s := &script{steps: []http.HandlerFunc{stream(false, "retry: 7000\n\n", event("running", 1)), stream(true, event("done", 2))}}
	c, k := dial(t, s)
	if j, err := c.WaitJob(within(t), jobID); err != nil || j.State != "done" {
		t.Fatalf("%+v, %v", j, err)
	}
	if d := k.slept(); len(d) != 1 || d[0] < 5*time.Second || d[0] > 7*time.Second {
		t.Errorf("rested %v, want 7 s less a quarter at most", d)
	}
}

func TestHundredWatches(t *testing.T) {
	const n = 100
	var open sync.WaitGroup
	open.Add(n)
	all := make(chan struct{})
	go func() { open.Wait(); close(all) }()
	var mu sync.Mutex
	met := map[string]bool{}
	h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id := strings.Split(r.URL.Path, "/")[3]
		ev := func(state string, rev int64) string { return strings.ReplaceAll(event(state, rev), jobID, id) }
		stream(false, ev("running", 1))(w, r)
		mu.Lock()
		again := met[id]
		met[id] = true
		mu.Unlock()
		if !again {
			open.Done()
			<-all       // all are open at the same time,
			abort(w, r) // all break off,
		}
		say(w, ev("done", 2)) // and come back
	})
	c, _ := dial(t, h)
	errs := make(chan error, n)
	for i := range n {
		go func() {
			j, err := c.WaitJob(within(t), fmt.Sprintf("job%03d", i))
			if err == nil && j.Rev != 2 {
				err = fmt.Errorf("ends at %d", j.Rev)
			}
			errs <- err
		}()
	}
	for range n {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
}
