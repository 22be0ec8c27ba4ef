package api

import (
	"context"
	"net/url"
	"strconv"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/api/web"
)

// Groove is what GET /v1/jobs/{id}/groove answers, for the page.
func (b board) Groove(ctx context.Context, id string, q web.GrooveQuery) (*v1.Groove, error) {
	if _, p := access.Allow(ctx, access.Listen); p != nil {
		return nil, p
	}
	rec, _, err := b.s.visible(ctx, id)
	if err != nil {
		return nil, b.s.problem(ctx, err)
	}
	values := url.Values{"at_s": {strconv.FormatFloat(q.AtS, 'g', -1, 64)}, "span_deg": {strconv.FormatFloat(q.SpanDeg, 'g', -1, 64)}}
	if q.Of != "" {
		values.Set("of", q.Of)
	}
	a, bad := grooveAskedOf(values)
	if bad != nil {
		return nil, bad
	}
	if _, bad = a.tag(rec); bad != nil { // also finds out what is missing
		return nil, bad
	}
	g, err := b.s.grooveOf(ctx, rec, a)
	if err != nil {
		return nil, b.s.problem(ctx, err)
	}
	return g, nil
}
