package client

import (
	"context"
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
