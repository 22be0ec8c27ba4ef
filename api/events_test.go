package api

import (
	"bufio"
	"context"
	"encoding/json"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"discsafe/api/v1"
	"discsafe/worker/job"
)

// line is one event as it came.
type line struct{ id, event, data string }

// listen opens a stream; events come on the channel until cancel, or the end.
func (h *house) listen(who, path, last string) (<-chan line, context.CancelFunc) {
	h.t.Helper()
	ctx, cancel := context.WithCancel(h.t.Context())
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, h.srv.URL+path, nil)
	if err != nil {
		h.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+h.secret[who])
	if last != "" {
		r.Header.Set("Last-Event-ID", last)
	}
	res, err := h.srv.Client().Do(r)
	if err != nil {
		h.t.Fatal(err)
	}
	if res.StatusCode != http.StatusOK || res.Header.Get("Content-Type") != "text/event-stream" || res.Header.Get("X-Accel-Buffering") != "no" {
		h.t.Fatalf("stream: %d %v", res.StatusCode, res.Header)
	}
	out := make(chan line, 100)
	go func() {
		defer close(out)
		defer res.Body.Close()
		var e line
		for s := bufio.NewScanner(res.Body); s.Scan(); {
			name, value, _ := strings.Cut(s.Text(), ": ")
			switch name {
			case "id":
				e.id = value
			case "event":
				e.event = value
			case "data":
				e.data = value
			case "":
				if s.Text() == "" && e != (line{}) {
					out <- e
					e = line{}
				} else {
					out <- line{event: "comment"}
				}
			}
		}
	}()
	return out, cancel
}

// until reads events up to one that f accepts.
func (h *house) until(c <-chan line, f func(line) bool) line {
	h.t.Helper()
	timeout := time.After(20 * time.Second)
	for {
		select {
		case e, ok := <-c:
			if !ok {
				h.t.Fatal("the stream ended")
			}
			if f(e) {
				return e
			}
		case <-timeout:
			h.t.Fatal("no such event")
		}
	}
}

func (e line) job() v1.Job {
	var j v1.Job
	_ = json.Unmarshal([]byte(e.data), &j)
	return j
}

func TestFollowOneJob(t *testing.T) {
	h := newHouse(t, nil)
	id := h.submit("a", "").ID
	c, cancel := h.listen("a", "/v1/jobs/"+id+"/events", "")
	first := h.until(c, func(e line) bool { return e.event == "job" })
	if first.job().State != "accepted" || first.id == "" {
		t.Errorf("first: %+v", first)
	}
	h.until(c, func(e line) bool { return e.event == "comment" }) // the line is kept open
	hold := h.claim(id)
	h.until(c, func(e line) bool { return e.event == "job" && e.job().State == "running" })
	cancel() // the line breaks
	for range c {
	}
	if _, err := hold.HandBack(t.Context(), job.Because(job.CodeDrain, ""), time.Millisecond); err != nil {
		t.Fatal(err)
	}
	time.Sleep(2 * time.Millisecond)
	h.work(id)
	// Whatever came meanwhile stands in the history of what comes now.
	c, cancel = h.listen("a", "/v1/jobs/"+id+"/events", first.id)
	defer cancel()
	done := h.until(c, func(e line) bool { return e.event == "job" })
	var path []string
	for _, e := range done.job().History {
		path = append(path, e.To)
	}
	if got := strings.Join(path, " "); got != "accepted running accepted running done" {
		t.Errorf("history: %s", got)
	}
	h.until(c, func(e line) bool { return e.event == "end" })
	if _, more := <-c; more {
		t.Error("events after the end")
	}
	// Who has all is told the end only.
	c, cancel2 := h.listen("a", "/v1/jobs/"+id+"/events", done.id)
	defer cancel2()
	if e := h.until(c, func(e line) bool { return e.event != "" && e.event != "comment" }); e.event != "end" {
		t.Errorf("%+v", e)
	}
}

func TestFollowAllJobs(t *testing.T) {
	h := newHouse(t, nil)
	old := h.submit("a", "").ID
	c, cancel := h.listen("a", "/v1/events", "")
	h.until(c, func(e line) bool { return e.id != "" && e.event == "" })
	id := h.submit("a", "").ID
	h.submit("b", "")
	h.until(c, func(e line) bool {
		if e.event == "job" && e.job().Studio != "a" {
			t.Errorf("studio a is told of %s's job", e.job().Studio)
		}
		return e.event == "job" && e.job().ID == id
	})
	at := h.until(c, func(e line) bool { return e.id != "" })
	h.claim(old)
	h.until(c, func(e line) bool { return e.event == "job" && e.job().ID == old && e.job().State == "running" })
	cancel()
	for range c {
	}
	h.work(id) // while nobody listens
	c, cancel = h.listen("a", "/v1/events?state=done", at.id)
	defer cancel()
	h.until(c, func(e line) bool { return e.event == "job" && e.job().ID == id && e.job().State == "done" })
	h.want(h.ask("a", http.MethodGet, "/v1/events", nil, "Last-Event-ID", "x"), http.StatusUnprocessableEntity)
	h.api.Drain() // the service stops: streams end in good order
	for range c {
	}
}

func TestStreamsAreBounded(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.PerToken = 2 })
	_, cancel := h.listen("a", "/v1/events", "")
	defer cancel()
	_, cancel2 := h.listen("a", "/v1/events", "")
	defer cancel2()
	r := h.want(h.ask("a", http.MethodGet, "/v1/events", nil), http.StatusTooManyRequests)
	if r.Header.Get("Retry-After") == "" {
		t.Error("no Retry-After")
	}
	_, cancel3 := h.listen("b", "/v1/events", "")
	cancel3()
}

// A reader that keeps up with nothing costs a bounded amount.
func TestFeedIsBounded(t *testing.T) {
	f := &feed{picks: func(*job.Record) bool { return true }, news: make(chan struct{}, 1), sent: map[string]int64{}}
	for i := range 5000 {
		f.give(&job.Record{ID: string(rune('a'+i%26)) + time.Duration(i).String(), Rev: 1, History: []job.Event{{At: time.Now()}}})
	}
	list, gap := f.take(time.Now())
	if len(list) > maxWaiting || !gap {
		t.Errorf("%d kept, gap %v", len(list), gap)
	}
}

// With a long backlog each look reads a bounded number of records, and every
// job is looked at in turn.
func TestScanIsBounded(t *testing.T) {
	h := newHouse(t, nil)
	for i := range 500 {
		if err := h.store.PutIfAbsent(t.Context(), "open/"+string(rune('a'+i/26))+string(rune('a'+i%26)), []byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	s, seen := newScan(), map[string]bool{}
	for range 4 {
		ids, err := s.next(t.Context(), h.ledger)
		if err != nil {
			t.Fatal(err)
		}
		if len(ids) > scanBudget {
			t.Fatalf("%d at once", len(ids))
		}
		for _, id := range ids {
			seen[id] = true
			s.note(&job.Record{ID: id, State: job.Accepted})
		}
	}
	if len(seen) != 500 {
		t.Errorf("%d of 500 looked at", len(seen))
	}
}

func TestLimitListener(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := LimitListener(inner, 0, 2)
	defer l.Close()
	got := make(chan net.Conn, 10)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				close(got)
				return
			}
			got <- c
		}
	}()
	dial := func() net.Conn {
		c, err := net.Dial("tcp", inner.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	dial()
	dial()
	one := <-got
	<-got
	third := dial()
	_ = third.SetReadDeadline(time.Now().Add(20 * time.Second))
	if n, err := third.Read(make([]byte, 1)); n != 0 || err == nil {
		t.Error("a third connection of one address is served")
	}
	one.Close()
	one.Close() // counts once
	dial()
	<-got
	l.Close()
	if _, more := <-got; more {
		t.Error("accepts after Close")
	}
}

// TestDecisionsElsewhere: who watches all jobs is told of a decision that another
// process took, on a side that was done long before, at once or on coming again.
func TestDecisionsElsewhere(t *testing.T) {
	h := newHouse(t, nil)
	j := h.prepared(false, false)
	manifest := h.signoffOf(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/signoff", nil)).Manifest
	time.Sleep(5 * time.Millisecond) // the job must have ended before the stream's first moment
	decide := func(decision string) {
		t.Helper()
		if _, err := h.ledger.Sign(t.Context(), j.ID, job.Sign{Name: "Ada Lind", Decision: decision, Note: "n", Manifest: manifest}); err != nil {
			t.Fatal(err)
		}
	}
	is := func(state string) func(line) bool {
		return func(e line) bool {
			var seen v1.Job
			return e.event == "job" && json.Unmarshal([]byte(e.data), &seen) == nil && seen.ID == j.ID && seen.Signoff != nil && seen.Signoff.State == state
		}
	}
	c, stop := h.listen("a", "/v1/events", "")
	last := h.until(c, func(e line) bool { return e.id != "" }).id
	other, stopOther := h.listen("b", "/v1/events", "")
	h.until(other, func(e line) bool { return e.id != "" })
	decide(job.Approve)
	h.until(c, is("approved"))
	decide(job.Reopen)
	h.until(c, is("open"))
	stop()
	decide(job.Return)
	c, stop = h.listen("a", "/v1/events", last)
	h.until(c, is("returned"))
	stop()
	stopOther()
	for e := range other {
		if e.event == "job" {
			t.Errorf("another studio was told: %+v", e)
		}
	}
}
