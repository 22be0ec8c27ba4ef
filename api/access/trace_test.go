package access

import (
	"context"
	"net/http"
	"net/netip"
	"regexp"
	"strings"
	"testing"
)

// The header's form, and the second example, are from W3C Trace Context (2021),
// sections 3.2 and 3.2.4.
func TestTraceparent(t *testing.T) {
	const id, parent = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
	for name, c := range map[string]struct {
		header      string
		ok, sampled bool
	}{
		"not sampled":         {"00-" + id + "-" + parent + "-00", true, false},
		"sampled":             {"00-" + id + "-" + parent + "-01", true, true},
		"other flags":         {"00-" + id + "-" + parent + "-fe", true, false},
		"newer version":       {"cc-" + id + "-" + parent + "-01", true, true},
		"newer, with more":    {"cc-" + id + "-" + parent + "-01-what-the-future-brings", true, true},
		"newer, no dash":      {"cc-" + id + "-" + parent + "-01.more", false, false},
		"version 00 has more": {"00-" + id + "-" + parent + "-01-more", false, false},
		"version ff":          {"ff-" + id + "-" + parent + "-01", false, false},
		"id of zeros":         {"00-" + strings.Repeat("0", 32) + "-" + parent + "-01", false, false},
		"parent of zeros":     {"00-" + id + "-" + strings.Repeat("0", 16) + "-01", false, false},
		"capitals":            {"00-" + strings.ToUpper(id) + "-" + parent + "-01", false, false},
		"short":               {"00-" + id + "-" + parent, false, false},
		"no hex":              {"00-" + id[:31] + "g-" + parent + "-01", false, false},
		"dashes elsewhere":    {"00" + id + "--" + parent + "-01", false, false},
		"empty":               {"", false, false},
		"huge":                {"cc-" + id + "-" + parent + "-01-" + strings.Repeat("x", 5000), false, false},
	} {
		tr := traceOf(http.Header{"Traceparent": {c.header}})
		if got := tr.ID == id; got != c.ok {
			t.Errorf("%s: taken %v, want %v", name, got, c.ok)
		}
		if c.ok && (tr.Parent != parent || tr.Sampled != c.sampled || tr.Span == parent) || !c.ok && tr.Parent != "" {
			t.Errorf("%s: %+v", name, tr)
		}
		gotID, gotParent, _, ok := parseTraceparent(tr.String())
		if !ok || gotID != tr.ID || gotParent != tr.Span {
			t.Errorf("%s: what is handed on, %q, cannot be read", name, tr)
		}
	}
	two := traceOf(http.Header{"Traceparent": {"00-" + id + "-" + parent + "-00", "00-" + id + "-" + parent + "-01"}})
	if two.ID == id {
		t.Error("of two headers one is taken")
	}
	if s := (Trace{}).String(); s != "" {
		t.Errorf("zero trace: %q", s)
	}
	if RequestID(context.Background()) != "" || TraceFrom(context.Background()) != (Trace{}) || ClientFrom(context.Background()) != (Client{}) {
		t.Error("a context that never saw a gate knows something")
	}
}

func FuzzTraceparent(f *testing.F) {
	f.Add("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01")
	f.Add("cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-x")
	form := regexp.MustCompile(`^[0-9a-f]{2}-[0-9a-f]{32}-[0-9a-f]{16}-[0-9a-f]{2}(-|$)`)
	f.Fuzz(func(t *testing.T, s string) {
		if _, _, _, ok := parseTraceparent(s); ok && !form.MatchString(s) {
			t.Fatalf("%q was taken", s)
		}
	})
}

func TestRequestIDs(t *testing.T) {
	h := build(t, func(o *GateOptions) { o.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")} })
	const given = "edge-0123456789"
	for name, c := range map[string]struct {
		from string
		ids  []string
		want bool
	}{
		"proxy":          {"10.0.0.1:1", []string{given}, true},
		"stranger":       {"192.0.2.1:1", []string{given}, false},
		"too short":      {"10.0.0.1:1", []string{"x"}, false},
		"too long":       {"10.0.0.1:1", []string{strings.Repeat("x", 65)}, false},
		"odd characters": {"10.0.0.1:1", []string{"abcdefgh\" x=1"}, false},
		"two":            {"10.0.0.1:1", []string{given, given}, false},
		"a secret":       {"10.0.0.1:1", []string{newSecret(TokenPrefix)}, false},
	} {
		changes := []with{from(c.from)}
		for _, id := range c.ids {
			changes = append(changes, header(RequestIDHeader, id))
		}
		got := h.ask("GET", "/openapi.json", "", changes...).Header().Get(RequestIDHeader)
		if (got == c.ids[0]) != c.want || !requestIDForm(got) {
			t.Errorf("%s: %q", name, got)
		}
	}
}
