package hook

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"discsafe/worker/job"
)

// Bounds of one try.
const (
	tryTime   = 10 * time.Second
	bodyBytes = 4 << 10
	headBytes = 16 << 10
	mostAfter = 24 * time.Hour // Retry-After is believed up to here
)

// Message is the body of a hook.
type Message struct {
	Type      string    `json:"type" enum:"job.ended,job.decided"`
	Timestamp time.Time `json:"timestamp" doc:"When the job ended, or was decided about"`
	Data      Data      `json:"data"`
}

// Data tells how a job ended, or what was decided about its side. The rest is told at Href, to whom may see it.
type Data struct {
	ID      string `json:"id" doc:"Identifier of the job"`
	State   string `json:"state" enum:"done,failed,cancelled,dead"`
	Verdict string `json:"verdict,omitempty" enum:"ready,attention,blocked" doc:"Of a job that is done"`
	Reason  string `json:"reason,omitempty" doc:"Code of why there is no result"`
	// Of decisions: what, and about which revision of the side. Who, and the note,
	// stand where Href leads, for whom they are meant.
	Decision string `json:"decision,omitempty" enum:"approve,return,reopen"`
	Revision int    `json:"revision,omitempty"`
	Rev      int64  `json:"rev"`
	Href     string `json:"href"`
}

// Types of messages.
const (
	EndedType   = "job.ended"
	DecidedType = "job.decided"
)

// message is what a hook says next of its job.
func (h *Hooks) message(r *job.Record, next *record) (id string, body []byte, err error) {
	m := Message{Type: EndedType, Timestamp: r.Ended.UTC(), Data: Data{ID: r.ID, State: string(r.State), Rev: r.Rev,
		Href: strings.TrimSuffix(h.o.Base, "/") + "/v1/jobs/" + r.ID}}
	// The same end has the same id, from whichever process; a later end, after a retry, another.
	id = "msg_" + r.ID + "_" + strconv.FormatInt(r.Ended.UnixMilli(), 36)
	if next.End {
		s := r.Signoff[next.Told]
		m.Type, m.Timestamp, m.Data.State = DecidedType, s.At.UTC(), string(job.Done) // also if it is retried by now
		m.Data.Decision, m.Data.Revision = s.Decision, s.Revision
		id = "msg_" + r.ID + "_decision-" + strconv.Itoa(next.Told+1)
	}
	switch {
	case r.Result != nil:
		m.Data.Verdict = r.Result.Verdict
	case r.Reason != nil:
		m.Data.Reason = string(r.Reason.Code)
	case len(r.History) > 0:
		m.Data.Reason = string(r.Last().Code)
	}
	if body, err = json.Marshal(m); err != nil {
		return "", nil, fmt.Errorf("writing the hook of job %s: %w", r.ID, err)
	}
	return id, body, nil
}

func (h *Hooks) newClient() *http.Client {
	t := h.o.Transport
	if t == nil {
		t = &http.Transport{
			Proxy:                  nil, // a proxy would connect where we may not
			DialContext:            h.dialer.dial,
			TLSHandshakeTimeout:    5 * time.Second,
			TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: h.o.Roots},
			DisableKeepAlives:      true, // hooks are rare
			DisableCompression:     true,
			MaxResponseHeaderBytes: headBytes,
			ForceAttemptHTTP2:      true,
		}
	}
	return &http.Client{Transport: t, Timeout: tryTime, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// answer is what a receiver said.
type answer struct {
	status int
	after  time.Duration // at least so long it wants to be left alone
	err    error         // there was no answer
}

func (a answer) taken() bool { return a.err == nil && a.status/100 == 2 }

func (a answer) String() string {
	if a.err != nil {
		return a.err.Error()
	}
	return "status " + strconv.Itoa(a.status)
}

// post tries once. The error holds no part of the URL but its host.
func (h *Hooks) post(ctx context.Context, u *url.URL, key []byte, id string, body []byte) answer {
	ctx, cancel := context.WithTimeout(ctx, tryTime)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, u.String(), bytes.NewReader(body))
	if err != nil {
		return answer{err: errors.New("the address cannot be asked")}
	}
	at := h.o.Now()
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "discsafe-hook/1")
	req.Header.Set(HeaderID, id)
	req.Header.Set(HeaderTimestamp, strconv.FormatInt(at.Unix(), 10))
	req.Header.Set(HeaderSignature, sign(key, id, at, body))
	res, err := h.client.Do(req)
	if err != nil {
		if e, is := errors.AsType[*url.Error](err); is {
			err = e.Err // its own text shows the URL
		}
		return answer{err: err}
	}
	// Reading a little lets a receiver finish that answers before it has read; what it says does not matter.
	_, _ = io.CopyN(io.Discard, res.Body, bodyBytes)
	_ = res.Body.Close()
	return answer{status: res.StatusCode, after: retryAfter(res.Header.Get("Retry-After"), at)}
}

// retryAfter reads the header (RFC 9110, 10.2.3), within bounds; 0 if it says
// nothing.
func retryAfter(s string, now time.Time) time.Duration {
	var d time.Duration
	if n, err := strconv.ParseUint(s, 10, 31); err == nil {
		d = time.Duration(n) * time.Second
	} else if at, err := http.ParseTime(s); err == nil {
		d = at.Sub(now)
	}
	return min(max(d, 0), mostAfter)
}
