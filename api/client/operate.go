package client

import (
	"context"
	"fmt"
	"iter"
	"net/http"
	"net/url"
	"strconv"

	"discsafe/api/v1"
)

// Tokens lists rights of entry, without their secrets.
func (c *Client) Tokens(ctx context.Context) ([]v1.Token, error) {
	t, err := get[v1.Tokens](ctx, c, nil, "tokens")
	return t.Tokens, err
}

// NewToken issues a token. Its secret is shown this once. When the answer is
// lost it is not repeated by itself: revoke what Tokens then shows.
func (c *Client) NewToken(ctx context.Context, t v1.NewToken) (v1.IssuedToken, error) {
	var out v1.IssuedToken
	q := call{method: http.MethodPost, url: c.url(nil, "tokens"), once: true}
	if _, _, _, err := c.ask(ctx, q, t, &out); err != nil {
		return v1.IssuedToken{}, err
	}
	return out, nil
}

// RevokeToken ends a token's validity.
func (c *Client) RevokeToken(ctx context.Context, id string) error {
	if err := named("token", id); err != nil {
		return err
	}
	return c.remove(ctx, "tokens", id)
}

// Status says how the service stands.
func (c *Client) Status(ctx context.Context) (v1.Status, error) {
	return get[v1.Status](ctx, c, nil, "status")
}

// Pause stops the service from taking jobs; why is told to whoever is refused.
func (c *Client) Pause(ctx context.Context, why string) error {
	return c.switchTo(ctx, "pause", v1.Pause{Why: why})
}

// Resume lets the service take jobs again.
func (c *Client) Resume(ctx context.Context) error { return c.switchTo(ctx, "resume", nil) }

func (c *Client) switchTo(ctx context.Context, what string, in any) error {
	_, _, _, err := c.ask(ctx, call{method: http.MethodPost, url: c.url(nil, "status", what)}, in, nil)
	return err
}

// Workers lists those that have told of themselves lately, on all machines.
func (c *Client) Workers(ctx context.Context) ([]v1.Member, error) {
	w, err := get[v1.Workers](ctx, c, nil, "workers")
	return w.Workers, err
}

// Drain asks a worker to take no more jobs; those under way go on.
func (c *Client) Drain(ctx context.Context, name string) error {
	return c.askWorker(ctx, name, "drain")
}

// Undrain lets a worker take jobs again.
func (c *Client) Undrain(ctx context.Context, name string) error {
	return c.askWorker(ctx, name, "resume")
}

func (c *Client) askWorker(ctx context.Context, name, what string) error {
	if err := named("worker", name); err != nil {
		return err
	}
	_, _, _, err := c.ask(ctx, call{method: http.MethodPost, url: c.url(nil, "workers", name, what)}, nil, nil)
	return err
}

// DeadLetters goes over what the broker gave up, oldest first, fetching pages
// as they are needed. An error ends it.
func (c *Client) DeadLetters(ctx context.Context) iter.Seq2[v1.DeadLetter, error] {
	return func(yield func(v1.DeadLetter, error) bool) {
		var after uint64
		for {
			q := url.Values{}
			if after > 0 {
				q.Set("cursor", strconv.FormatUint(after, 10))
			}
			page, err := get[v1.DeadLetters](ctx, c, q, "dead")
			if err != nil {
				yield(v1.DeadLetter{}, err)
				return
			}
			for _, l := range page.Letters {
				if !yield(l, nil) {
					return
				}
			}
			if page.Next == 0 {
				return
			}
			if page.Next <= after {
				yield(v1.DeadLetter{}, fmt.Errorf("dead letters: the service gives cursor %d after %d", page.Next, after))
				return
			}
			after = page.Next
		}
	}
}

// Requeue puts the dead job id back to the start, as Retry does.
func (c *Client) Requeue(ctx context.Context, id string) (*v1.Job, error) {
	if err := named("job", id); err != nil {
		return nil, err
	}
	job, _, _, _, err := c.job(ctx, call{method: http.MethodPost, url: c.url(nil, "dead", id, "requeue"), once: true}, nil, "")
	return job, err
}
