package client

import (
	"context"
	"fmt"
	"io"
	"net/http"

	"discsafe/api/v1"
)

// Signoff reads where the sign-off of a side stands.
func (c *Client) Signoff(ctx context.Context, id string) (v1.Signoff, error) {
	if err := named("job", id); err != nil {
		return v1.Signoff{}, err
	}
	return get[v1.Signoff](ctx, c, nil, "jobs", id, "signoff")
}

// Sign adds a decision. It is not repeated by itself when the answer is lost:
// look at the sign-off then.
func (c *Client) Sign(ctx context.Context, id string, d v1.Decision) (v1.Signoff, error) {
	var out v1.Signoff
	if err := named("job", id); err != nil {
		return out, err
	}
	_, _, _, err := c.ask(ctx, call{method: http.MethodPost, url: c.url(nil, "jobs", id, "signoff"), once: true}, d, &out)
	return out, err
}

// Revisions reads the chain of jobs that take each other's place, the first one
// first.
func (c *Client) Revisions(ctx context.Context, id string) ([]v1.Job, error) {
	if err := named("job", id); err != nil {
		return nil, err
	}
	all, err := get[v1.Revisions](ctx, c, nil, "jobs", id, "revisions")
	return all.Jobs, err
}

// maxSheet bounds a cutting sheet; they are some 100 kB.
const maxSheet = 16 << 20

// CuttingSheet fetches the cutting sheet, a page of HTML, with the sign-off as
// it stands on it.
func (c *Client) CuttingSheet(ctx context.Context, id string) (page []byte, err error) {
	if err := named("job", id); err != nil {
		return nil, err
	}
	q := call{method: http.MethodGet, url: c.url(nil, "jobs", id, "cutting-sheet"), header: http.Header{"Accept": {"text/html, " + v1.ProblemType}}}
	_, err = c.do(ctx, q, func(r *http.Response) error {
		if mediaType(r) != "text/html" {
			return c.strange(r, nil, "no page, so not this service's answer", nil)
		}
		page, err = io.ReadAll(io.LimitReader(r.Body, maxSheet+1))
		if err == nil && len(page) > maxSheet {
			err = fmt.Errorf("the answer is longer than %d bytes", maxSheet)
		}
		if err != nil {
			e := c.strange(r, nil, "the answer broke off", err)
			e.cut = len(page) <= maxSheet
			return e
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return page, nil
}

// Bulk does the same to many jobs, or with b.Preview counts them. What changes
// anything is not repeated by itself when the answer is lost: count again then.
func (c *Client) Bulk(ctx context.Context, b v1.Bulk) (v1.BulkAnswer, error) {
	var out v1.BulkAnswer
	q := call{method: http.MethodPost, url: c.url(nil, "jobs", "bulk"), once: !b.Preview, time: -1} // thousands of jobs take minutes
	_, _, _, err := c.ask(ctx, q, b, &out)
	return out, err
}
