package client

import (
	"context"
	"net/http"
	"net/url"

	"discsafe/api/v1"
)

func ofStudio(studio string) url.Values {
	if studio == "" {
		return nil
	}
	return url.Values{"studio": {studio}}
}

// Presets lists a studio's presets by name; a studio's token leaves studio empty.
func (c *Client) Presets(ctx context.Context, studio string) ([]v1.Preset, error) {
	all, err := get[v1.Presets](ctx, c, ofStudio(studio), "presets")
	return all.Presets, err
}

// Preset reads one preset, and the tag by which KeepPreset knows it again.
func (c *Client) Preset(ctx context.Context, studio, name string) (p v1.Preset, tag string, err error) {
	if err := named("preset", name); err != nil {
		return p, "", err
	}
	_, h, _, err := c.ask(ctx, call{method: http.MethodGet, url: c.url(ofStudio(studio), "presets", name)}, nil, &p)
	return p, h.Get("ETag"), err
}

// KeepPreset keeps settings under p.Name and returns their tag. With a tag it
// replaces only the preset that has it; else whatever stands there. If somebody
// else was faster, the error is a *v1.Problem with the code v1.Conflict; an
// answer that was lost makes the repetition of a call with a tag a conflict too.
func (c *Client) KeepPreset(ctx context.Context, studio string, p v1.Preset, tag string) (string, error) {
	if err := named("preset", p.Name); err != nil {
		return "", err
	}
	q := call{method: http.MethodPut, url: c.url(ofStudio(studio), "presets", p.Name)}
	if tag != "" {
		q.header = http.Header{"If-Match": {tag}}
	}
	_, h, _, err := c.ask(ctx, q, p, &p)
	return h.Get("ETag"), err
}

// DeletePreset forgets a preset; one that is not there is fine.
func (c *Client) DeletePreset(ctx context.Context, studio, name string) error {
	if err := named("preset", name); err != nil {
		return err
	}
	_, _, _, err := c.ask(ctx, call{method: http.MethodDelete, url: c.url(ofStudio(studio), "presets", name)}, nil, nil)
	return err
}
