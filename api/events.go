package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/job"

	"github.com/danielgtaylor/huma/v2"
)

const eventsText = `Server-sent events. Each "job" event is the whole job, its history with every transition included, so none is lost however often the line breaks:
come again with Last-Event-ID. Comments keep a quiet line open. A stream ends after an hour, or when the service stops: come again then too.`

func (s *Server) registerEvents() {
	t := s.routes
	read := need(access.Read)
	stream := map[string]*huma.MediaType{"text/event-stream": {Schema: &huma.Schema{Type: "string"}}}
	last := inHeader("Last-Event-ID", text("Id of the last event that was received"))

	one := op(http.MethodGet, "/v1/jobs/{id}/events", "jobEvents", "jobs", "Follow one job", eventsText+`
The id is the job's revision. After the last event of a job that has ended, or was deleted, comes "event: end", and the stream closes.`)
	one.Parameters = []*huma.Param{inPath("id", text("Identifier of the job")), last}
	one.Responses = map[string]*huma.Response{"200": {Description: "Events job and end", Content: stream}}
	t.plain(read, one, s.jobEvents, v1.NotFound, v1.Gone, v1.TooMany, v1.Unavailable)

	all := op(http.MethodGet, "/v1/events", "events", "jobs", "Follow all jobs that the token sees", eventsText+`
The stream tells of changes from now on, or since Last-Event-ID. Its ids are a moment and the oldest job then open, MILLISECONDS-ID: whoever comes again is told of each job
that changed since, some of them a second time (compare id and rev). "event: gap" means that more happened than is kept for a slow reader: list the jobs anew.
A job that was retried and ended again while nobody listened, and deleted jobs, are not told of.`)
	all.Parameters = []*huma.Param{last, inQuery("state", oneOf("", "accepted", "running", "done", "failed", "cancelled", "dead")), inQuery("studio", text("")), inQuery("lane", oneOf("", job.Express, job.Bulk)),
		inQuery("kind", oneOf("", job.Kinds()...)), inQuery("code", text("Reason code of the last transition")), inQuery("verdict", oneOf("", "ready", "attention", "blocked")), inQuery("signoff", oneOf("", string(job.Open), string(job.Approved), string(job.Returned))), inQuery("q", text("Stands in identifier, title, side or catalogue number"))}
	all.Responses = map[string]*huma.Response{"200": {Description: "Events job and gap", Content: stream}}
	t.plain(read, all, s.allEvents, v1.Invalid, v1.TooMany, v1.Unavailable)
}

const (
	streamLife = time.Hour        // then the reader comes again, and is looked at again
	stillEvery = 3 * time.Second  // is the reader still let in?
	clockSlack = 10 * time.Second // by which clocks of API processes may differ
	retryMS    = 1000             // told to browsers: when to come again
	walkMost   = 5000             // records looked at for one who comes again
	pageSize   = 200
)

// stream is one open answer of events.
type stream struct {
	s       *Server
	w       http.ResponseWriter
	r       *http.Request
	id      access.Identity
	control *http.ResponseController
	buf     bytes.Buffer
}

// begin opens a stream, or has answered. The function ends it.
func (s *Server) begin(w http.ResponseWriter, r *http.Request) (*stream, func()) {
	id, _ := access.From(r.Context())
	if !s.streams.take(id.TokenID) {
		s.turnAway(w, r, v1.NewProblem(v1.TooMany, "too many event streams are open").After(10*time.Second))
		return nil, nil
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // understood by common reverse proxies
	w.WriteHeader(http.StatusOK)
	return &stream{s: s, w: w, r: r, id: id, control: http.NewResponseController(w)}, func() { s.streams.give(id.TokenID) }
}

// event adds an event; flush sends.
func (st *stream) event(name, id string, v any) {
	if id != "" {
		st.buf.WriteString("id: " + id + "\n")
	}
	if name != "" {
		data, err := json.Marshal(v)
		if err != nil {
			return // the types of package v1 can be encoded
		}
		st.buf.WriteString("event: " + name + "\ndata: ")
		st.buf.Write(data)
		st.buf.WriteByte('\n')
	}
	st.buf.WriteByte('\n')
}

func (st *stream) comment() { st.buf.WriteString(": \n\n") }

func (st *stream) flush() error {
	_, err := st.w.Write(st.buf.Bytes())
	st.buf.Reset()
	if err != nil {
		return err
	}
	return st.control.Flush()
}

// errOver ends a stream in good order.
var errOver = errors.New("the stream is over")

// run calls more at each ring of news until it returns an error, the reader
// goes, the service stops, or the reader is no longer let in.
func (st *stream) run(news <-chan struct{}, more func() error) error {
	beat := time.NewTicker(st.s.limits.Heartbeat)
	defer beat.Stop()
	check := time.NewTicker(stillEvery)
	defer check.Stop()
	life := time.NewTimer(streamLife)
	defer life.Stop()
	for {
		if err := more(); err != nil {
			return err
		}
		select {
		case <-st.r.Context().Done():
			return st.r.Context().Err()
		case <-st.s.closing:
			return errOver
		case <-life.C:
			return errOver
		case <-check.C:
			err := access.Still(st.r.Context())
			if errors.Is(err, access.ErrExpired) || errors.Is(err, access.ErrUnknown) {
				return err
			}
			if !st.id.Expires.IsZero() && !st.s.o.Now().Before(st.id.Expires) {
				return errOver
			}
		case <-beat.C:
			st.comment()
			if err := st.flush(); err != nil {
				return err
			}
		case <-news:
		}
	}
}

func (s *Server) jobEvents(w http.ResponseWriter, r *http.Request) {
	ctx, jobID := r.Context(), r.PathValue("id")
	rec, id, err := s.visible(ctx, jobID)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	st, end := s.begin(w, r)
	if st == nil {
		return
	}
	defer end()
	f, stop := s.watcher.follow(jobID)
	defer stop()
	// A revision that is not this job's, or not a number, is as good as none.
	sent, err := strconv.ParseInt(r.Header.Get("Last-Event-ID"), 10, 64)
	if err != nil || sent > rec.Rev {
		sent = 0
	}
	st.buf.WriteString("retry: " + strconv.Itoa(retryMS) + "\n\n")
	_ = st.run(f.news, func() error { // why a stream ended is nobody's concern
		now, gone := f.take()
		if now != nil {
			rec = now
		}
		if rec.Rev > sent {
			sent = rec.Rev
			st.event("job", strconv.FormatInt(sent, 10), s.wire(rec, id))
		}
		over := gone || rec.State.Ended()
		if over {
			state := string(rec.State)
			if gone {
				state = "deleted"
			}
			st.event("end", strconv.FormatInt(sent, 10), map[string]string{"state": state})
		}
		if err := st.flush(); err != nil {
			return err
		}
		if over {
			return errOver
		}
		return nil
	})
}

func (s *Server) allEvents(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	id, _ := access.From(ctx)
	in, p := eventsQuery(r)
	if p != nil {
		access.Refuse(w, r, p)
		return
	}
	f, none, p := filterOf(in, id)
	if p != nil {
		access.Refuse(w, r, p)
		return
	}
	back, since, p := cursorOf(r.Header.Get("Last-Event-ID"), s.o.Now())
	if p != nil {
		access.Refuse(w, r, p)
		return
	}
	st, end := s.begin(w, r)
	if st == nil {
		return
	}
	defer end()
	feed, stop := s.watcher.attend(since, func(rec *job.Record) bool {
		return !none && id.Sees(rec.Request.Studio) && f.Picks(rec)
	})
	defer stop()
	st.buf.WriteString("retry: " + strconv.Itoa(retryMS) + "\n")
	if back != "" && s.catchUp(ctx, feed, back, since) != nil {
		st.event("gap", "", map[string]string{})
	}
	_ = st.run(feed.news, func() error { // why a stream ended is nobody's concern
		now := s.o.Now()
		list, gap := feed.take(now)
		if gap {
			st.event("gap", "", map[string]string{})
		}
		for _, rec := range list {
			st.event("job", "", s.wire(rec, id))
		}
		// An id without data is no event, but it is where the reader stands.
		st.event("", cursorAt(now, s.watcher.mark()), nil)
		return st.flush()
	})
}

// cursorAt is where a reader of all events stands.
func cursorAt(now time.Time, oldest string) string {
	return strconv.FormatInt(now.UnixMilli(), 10) + "-" + oldest
}

// noneOpen stands in a cursor for the oldest open job when there was none.
const noneOpen = "-"

func cursorOf(last string, now time.Time) (back string, since time.Time, p *v1.Problem) {
	if last == "" {
		return "", now.Truncate(time.Millisecond), nil // as times stand in records
	}
	ms, oldest, ok := strings.Cut(last, "-")
	at, err := strconv.ParseInt(ms, 10, 64)
	if !ok || err != nil || at < 0 || oldest != "" && !job.ValidID(oldest) {
		return "", now, invalid("header.Last-Event-ID", "want an id of this stream")
	}
	if oldest == "" {
		oldest = noneOpen
	}
	return oldest, time.UnixMilli(at).Add(-clockSlack), nil
}

// catchUp looks at every job that was open at since, or came later, or on which
// there was a decision.
func (s *Server) catchUp(ctx context.Context, f *feed, back string, since time.Time) error {
	away := s.o.Now().Sub(since)
	decided, err := s.o.Ledger.Decided(ctx, away)
	if err != nil {
		return err
	}
	for _, id := range decided {
		switch r, err := s.o.Ledger.Get(ctx, id); {
		case err == nil:
			f.give(r)
		case !errors.Is(err, job.ErrUnknown):
			return err
		}
	}
	if err := s.catchUpOpen(ctx, f, back, since); err != nil {
		return err
	}
	if away > job.DecisionsNoted {
		return errors.New("decisions so long ago are not remembered")
	}
	return nil
}

func (s *Server) catchUpOpen(ctx context.Context, f *feed, back string, since time.Time) error {
	var pick job.Filter
	if back == noneOpen {
		pick.From = since
	}
	cursor := ""
	for range walkMost / pageSize {
		page, err := s.o.Ledger.List(ctx, pick, cursor, pageSize)
		if err != nil {
			return err
		}
		for _, r := range page.Jobs {
			if back != noneOpen && r.ID > back {
				return nil
			}
			f.give(r)
		}
		if cursor = page.Next; cursor == "" {
			return nil
		}
	}
	return errors.New("too much happened meanwhile")
}

func eventsQuery(r *http.Request) (*listInput, *v1.Problem) {
	q := r.URL.Query()
	in := &listInput{}
	oneOf := func(name, v string, words ...string) *v1.Problem {
		if slices.Contains(words, v) {
			return nil
		}
		return invalid("query."+name, "want "+strings.Join(words, " or "))
	}
	for name, values := range q {
		var p *v1.Problem
		if len(values) > 1 && name != "state" && name != "code" {
			return nil, invalid("query."+name, "is there twice")
		}
		switch v := values[0]; name {
		case "state":
			for _, v := range values {
				for one := range strings.SplitSeq(v, ",") {
					if !job.State(one).Valid() {
						return nil, invalid("query.state", "want states of jobs")
					}
					in.State = append(in.State, one)
				}
			}
		case "code":
			for _, v := range values {
				in.Code = append(in.Code, strings.Split(v, ",")...)
			}
		case "studio":
			in.Studio = v
		case "lane":
			in.Lane, p = v, oneOf(name, v, job.Express, job.Bulk)
		case "kind":
			in.Kind, p = v, oneOf(name, v, job.Kinds()...)
		case "verdict":
			in.Verdict, p = v, oneOf(name, v, "ready", "attention", "blocked")
		case "signoff":
			in.Signoff, p = v, oneOf(name, v, string(job.Open), string(job.Approved), string(job.Returned))
		case "q":
			in.Q = v
		default:
			return nil, invalid("query."+name, "unknown query parameter")
		}
		if p != nil {
			return nil, p
		}
	}
	return in, nil
}
