package client

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"discsafe/api/v1"
)

// Me says as whom the service knows the token.
func (c *Client) Me(ctx context.Context) (v1.Me, error) { return get[v1.Me](ctx, c, nil, "me") }

// CheckPlan asks whether a submission would be taken, without making a job.
// Faults stand in the answer; they are no error.
func (c *Client) CheckPlan(ctx context.Context, s v1.Submit) (v1.PlanCheck, error) {
	var out v1.PlanCheck
	_, _, _, err := c.ask(ctx, call{method: http.MethodPost, url: c.url(nil, "plans", "check")}, s, &out)
	return out, err
}

// Submit hands in a job whose files were handed in before. The key makes it
// safe to repeat: the service makes one job of one key. An empty key gets one
// of its own, so that repeats within this call are safe; give a key to be safe
// over a crash of the program. replayed says that the job was there before.
func (c *Client) Submit(ctx context.Context, s v1.Submit, key string) (job *v1.Job, replayed bool, err error) {
	if key == "" {
		key = NewKey()
	}
	if len(key) > 255 || strings.ContainsFunc(key, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return nil, false, errors.New("idempotency key: want 1 to 255 printable ASCII characters without blanks")
	}
	q := call{method: http.MethodPost, url: c.url(nil, "jobs"), header: http.Header{"Idempotency-Key": {key}}}
	job, header, status, _, err := c.job(ctx, q, s, "")
	if err != nil {
		return nil, false, err
	}
	return job, header.Get("Idempotency-Replayed") == "true" || status == http.StatusOK, nil
}

// job asks for something whose answer is a job: id, unless that is empty.
func (c *Client) job(ctx context.Context, q call, in any, id string) (*v1.Job, http.Header, int, int, error) {
	job := &v1.Job{}
	tries, header, status, err := c.ask(ctx, q, in, job)
	if err == nil && (job.ID == "" || job.State == "" || id != "" && job.ID != id) {
		err = &AnswerError{Method: q.method, URL: q.url, Status: status, What: "the answer is JSON, but not the job asked for"}
	}
	if err != nil {
		return nil, header, status, tries, err
	}
	return job, header, status, tries, nil
}

// Job looks at one job.
func (c *Client) Job(ctx context.Context, id string) (*v1.Job, error) {
	if err := named("job", id); err != nil {
		return nil, err
	}
	job, _, _, _, err := c.job(ctx, call{method: http.MethodGet, url: c.url(nil, "jobs", id)}, nil, id)
	return job, err
}

// Query says which jobs to list. Zero fields do not narrow.
type Query struct {
	States  []string // any of them
	Codes   []string // any of them is the code of the last transition
	Studio  string
	Kind    string // v1.Prepare, v1.Analyse or v1.Arrange
	Lane    string
	Verdict string    // of jobs that are done
	Signoff string    // open, approved or returned; of sides that are prepared
	Text    string    // stands in identifier, title, side or catalogue number
	From    time.Time // accepted at or after
	To      time.Time // accepted before
	Limit   int       // of one page; 0: as the service has it
	Cursor  string    // where to begin: Next of an earlier page
}

func (q Query) values() url.Values {
	v := url.Values{}
	set := func(k, s string) {
		if s != "" {
			v.Set(k, s)
		}
	}
	set("state", strings.Join(q.States, ","))
	set("code", strings.Join(q.Codes, ","))
	set("studio", q.Studio)
	set("kind", q.Kind)
	set("lane", q.Lane)
	set("verdict", q.Verdict)
	set("signoff", q.Signoff)
	set("q", q.Text)
	set("cursor", q.Cursor)
	if !q.From.IsZero() {
		set("from", q.From.UTC().Format(time.RFC3339Nano))
	}
	if !q.To.IsZero() {
		set("to", q.To.UTC().Format(time.RFC3339Nano))
	}
	if q.Limit > 0 {
		set("limit", strconv.Itoa(q.Limit))
	}
	return v
}

// JobsPage is one page of jobs, newest first, with the cursor of the next and
// the jobs that could not be read.
func (c *Client) JobsPage(ctx context.Context, q Query) (v1.Jobs, error) {
	return get[v1.Jobs](ctx, c, q.values(), "jobs")
}

// Jobs goes over all jobs of q, newest first, fetching pages as they are
// needed. An error ends it.
func (c *Client) Jobs(ctx context.Context, q Query) iter.Seq2[v1.Job, error] {
	return func(yield func(v1.Job, error) bool) {
		for {
			page, err := c.JobsPage(ctx, q)
			if err != nil {
				yield(v1.Job{}, err)
				return
			}
			for _, j := range page.Jobs {
				if !yield(j, nil) {
					return
				}
			}
			if page.Next == "" {
				return
			}
			if page.Next == q.Cursor {
				yield(v1.Job{}, fmt.Errorf("list of jobs: the service gives the same cursor %.60q again", page.Next))
				return
			}
			q.Cursor = page.Next
		}
	}
}

// Cancel asks that a job stop. The answer is the job as it then stands; a
// running one stops when its worker has seen it.
func (c *Client) Cancel(ctx context.Context, id string) (*v1.Job, error) {
	if err := named("job", id); err != nil {
		return nil, err
	}
	job, _, _, tries, err := c.job(ctx, call{method: http.MethodPost, url: c.url(nil, "jobs", id, "cancel")}, nil, id)
	if err != nil && tries > 1 && statusOf(err) == http.StatusConflict {
		// An earlier try may have done it, with its answer lost.
		if now, e := c.Job(ctx, id); e == nil && (now.State == "cancelled" || now.Cancel) {
			return now, nil
		}
	}
	return job, err
}

// Retry puts a job that failed, was cancelled or is dead back to the start. It
// is not repeated by itself when the answer is lost: look at the job then.
func (c *Client) Retry(ctx context.Context, id string) (*v1.Job, error) {
	if err := named("job", id); err != nil {
		return nil, err
	}
	job, _, _, _, err := c.job(ctx, call{method: http.MethodPost, url: c.url(nil, "jobs", id, "retry"), once: true}, nil, id)
	return job, err
}

// Delete deletes a job that is over, and its files.
func (c *Client) Delete(ctx context.Context, id string) error {
	if err := named("job", id); err != nil {
		return err
	}
	return c.remove(ctx, "jobs", id)
}

// remove deletes; what an earlier try deleted is gone by the next.
func (c *Client) remove(ctx context.Context, parts ...string) error {
	tries, _, _, err := c.ask(ctx, call{method: http.MethodDelete, url: c.url(nil, parts...)}, nil, nil)
	if s := statusOf(err); tries > 1 && (s == http.StatusNotFound || s == http.StatusGone) {
		if _, ours := errors.AsType[*v1.Problem](err); ours {
			return nil
		}
	}
	return err
}
