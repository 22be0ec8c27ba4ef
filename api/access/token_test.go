package access

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

func TestIssuedTokenIsKnownByItsDigestOnly(t *testing.T) {
	h := build(t, nil)
	ctx := context.Background()
	tok := h.issue(v1.RoleStudio, "north", 30)
	id, err := h.tokens.Lookup(ctx, tok.Secret)
	if err != nil {
		t.Fatal(err)
	}
	want := Identity{TokenID: tok.ID, Name: "somebody", Role: v1.RoleStudio, Studio: "north", Expires: h.clock.now().Add(30 * 24 * time.Hour)}
	if d := cmp.Diff(want, id); d != "" {
		t.Error(d)
	}
	if !idForm.MatchString(tok.ID) || strings.Contains(tok.Secret, tok.ID) {
		t.Errorf("public part %q", tok.ID)
	}
	found := 0
	for info, err := range store.All(ctx, h.shelf, "") {
		if err != nil {
			t.Fatal(err)
		}
		o, err := h.shelf.Open(ctx, info.Key)
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(o)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(data, []byte(tok.Secret[4:])) || strings.Contains(info.Key, tok.Secret[4:]) {
			t.Errorf("the store holds the secret under %s", info.Key)
		}
		if info.Key == "token/"+digestOf(tok.Secret).hex() {
			found++
		}
	}
	if found != 1 {
		t.Errorf("%d records under the digest, want 1", found)
	}
}

func TestIssueRefuses(t *testing.T) {
	good := v1.NewToken{Name: "n", Role: v1.RoleStudio, Studio: "a"}
	for name, c := range map[string]struct {
		change func(*v1.NewToken)
		path   string
	}{
		"no name":             {func(n *v1.NewToken) { n.Name = " " }, "name"},
		"long name":           {func(n *v1.NewToken) { n.Name = strings.Repeat("x", 101) }, "name"},
		"line end in name":    {func(n *v1.NewToken) { n.Name = "a\nb" }, "name"},
		"name is not UTF-8":   {func(n *v1.NewToken) { n.Name = "\xff" }, "name"},
		"name is a secret":    {func(n *v1.NewToken) { n.Name = newSecret(TokenPrefix) }, "name"},
		"no role":             {func(n *v1.NewToken) { n.Role = "" }, "role"},
		"unknown role":        {func(n *v1.NewToken) { n.Role = "root" }, "role"},
		"no studio":           {func(n *v1.NewToken) { n.Studio = "" }, "studio"},
		"studio climbs":       {func(n *v1.NewToken) { n.Studio = "../a" }, "studio"},
		"studio in capitals":  {func(n *v1.NewToken) { n.Studio = "North" }, "studio"},
		"long studio":         {func(n *v1.NewToken) { n.Studio = strings.Repeat("a", 65) }, "studio"},
		"operator of a place": {func(n *v1.NewToken) { n.Role = v1.RoleOperator }, "studio"},
		"negative days":       {func(n *v1.NewToken) { n.DaysFor = -1 }, "days"},
		"days are no number":  {func(n *v1.NewToken) { n.DaysFor = math.NaN() }, "days"},
		"too many days":       {func(n *v1.NewToken) { n.DaysFor = math.Inf(1) }, "days"},
	} {
		t.Run(name, func(t *testing.T) {
			h := build(t, nil)
			n := good
			c.change(&n)
			_, err := h.tokens.Issue(context.Background(), n)
			var p *v1.Problem
			if !errors.As(err, &p) || p.Code != string(v1.Invalid) || len(p.Faults) != 1 || p.Faults[0].Path != c.path {
				t.Fatalf("%#v", err)
			}
			if list, err := h.tokens.List(context.Background()); err != nil || len(list) != 0 {
				t.Errorf("list %v, %v", list, err)
			}
		})
	}
}

func TestOddSecretsDoNotReachTheStore(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleEngineer, "", 0)
	for _, s := range []string{"", "dsk_", "x", tok.Secret[:59], tok.Secret + "x", strings.Repeat("a", 1<<20), "\x00", strings.ToUpper(tok.Secret)} {
		if _, err := h.tokens.Lookup(context.Background(), s); !errors.Is(err, ErrUnknown) {
			t.Errorf("%.20q: %v", s, err)
		}
	}
	if n := h.shelf.opened.Load(); n != 0 {
		t.Errorf("the store was asked %d times", n)
	}
}

func TestLookupIsCachedAndBounded(t *testing.T) {
	h := build(t, nil)
	ctx := context.Background()
	tok, wrong := h.issue(v1.RoleEngineer, "", 0), newSecret(TokenPrefix)
	for range 50 {
		if _, err := h.tokens.Lookup(ctx, tok.Secret); err != nil {
			t.Fatal(err)
		}
		if _, err := h.tokens.Lookup(ctx, wrong); !errors.Is(err, ErrUnknown) {
			t.Fatal(err)
		}
	}
	if n := h.shelf.opened.Load(); n != 2 {
		t.Errorf("the store was asked %d times, want once for each", n)
	}
	for range cacheEntries + 100 {
		if _, err := h.tokens.Lookup(ctx, newSecret(TokenPrefix)); !errors.Is(err, ErrUnknown) {
			t.Fatal(err)
		}
	}
	if n := h.tokens.no.len(); n != cacheEntries {
		t.Errorf("%d wrong tokens remembered, want %d", n, cacheEntries)
	}
	if !h.tokens.met(digestOf(tok.Secret)) {
		t.Error("wrong tokens drove a good one out")
	}
}

func TestExpiryAndRevocation(t *testing.T) {
	h := build(t, nil)
	ctx := context.Background()
	elsewhere := NewTokens(h.shelf, h.clock.now) // another process
	brief, long := h.issue(v1.RoleEngineer, "", 1), h.issue(v1.RoleOperator, "", 0)
	look := func(tt *Tokens, s string, want error) {
		t.Helper()
		if _, err := tt.Lookup(ctx, s); !errors.Is(err, want) {
			t.Fatalf("%v, want %v", err, want)
		}
	}
	h.clock.advance(24*time.Hour - time.Nanosecond)
	look(h.tokens, brief.Secret, nil)
	h.clock.advance(time.Nanosecond)
	look(h.tokens, brief.Secret, ErrExpired) // although cached a moment ago

	look(elsewhere, long.Secret, nil)
	look(h.tokens, long.Secret, nil)
	if err := h.tokens.Revoke(ctx, long.ID); err != nil {
		t.Fatal(err)
	}
	look(h.tokens, long.Secret, ErrExpired) // at once where it was done
	h.clock.advance(RevokedWithin)
	look(elsewhere, long.Secret, ErrExpired)

	list, err := h.tokens.List(ctx)
	if err != nil || len(list) != 2 {
		t.Fatal(list, err)
	}
	first := list[slices.IndexFunc(list, func(v v1.Token) bool { return v.ID == long.ID })].Revoked
	if first.IsZero() {
		t.Error("the list does not say so")
	}
	if err := elsewhere.Revoke(ctx, long.ID); err != nil { // again
		t.Fatal(err)
	}
	for _, id := range []string{"", "x", brief.Secret, strings.Repeat("0", 20), "../../../../../../..", long.ID + "0"} {
		if err := h.tokens.Revoke(ctx, id); !errors.Is(err, ErrUnknown) {
			t.Errorf("revoking %q: %v", id, err)
		}
	}
	if any, err := h.tokens.Any(ctx); any || err != nil {
		t.Errorf("any: %v, %v; both are over", any, err)
	}
	h.issue(v1.RoleStudio, "s", 1)
	if any, err := h.tokens.Any(ctx); !any || err != nil {
		t.Errorf("any: %v, %v", any, err)
	}
}

// A process that read the record just before must not believe it after.
func TestRevocationOvertakesALookup(t *testing.T) {
	h := build(t, nil)
	ctx := context.Background()
	tok := h.issue(v1.RoleEngineer, "", 0)
	slow := NewTokens(&late{Store: h.shelf, then: func() {}}, h.clock.now)
	slow.store.(*late).then = func() {
		slow.store.(*late).then = func() {}
		if err := slow.Revoke(ctx, tok.ID); err != nil {
			t.Error(err)
		}
	}
	_, _ = slow.Lookup(ctx, tok.Secret) // was asked before: either answer is right
	if _, err := slow.Lookup(ctx, tok.Secret); !errors.Is(err, ErrExpired) {
		t.Fatalf("%v, want ErrExpired", err)
	}
}

// late does something after an object was opened and before it is read.
type late struct {
	store.Store
	then func()
}

func (l *late) Open(ctx context.Context, key string) (store.Object, error) {
	o, err := l.Store.Open(ctx, key)
	l.then()
	return o, err
}

func TestBrokenStoreLetsNobodyIn(t *testing.T) {
	h := build(t, nil)
	ctx := context.Background()
	tok := h.issue(v1.RoleOperator, "", 0)
	if _, err := h.tokens.Lookup(ctx, tok.Secret); err != nil {
		t.Fatal(err)
	}
	h.shelf.breakDown(store.ErrUnavailable)
	h.clock.advance(believeYes)
	id, err := h.tokens.Lookup(ctx, tok.Secret)
	if err == nil || errors.Is(err, ErrUnknown) || errors.Is(err, ErrExpired) || id != (Identity{}) {
		t.Errorf("%v, %v", id, err)
	}
	if p := Problem(err); p.Status != 503 || p.Code != string(v1.Unavailable) || p.RetryAfter < 1 {
		t.Errorf("%+v", p)
	}
	if _, err := h.tokens.Any(ctx); err == nil {
		t.Error("any")
	}
	if _, err := h.tokens.List(ctx); err == nil {
		t.Error("list")
	}
	if err := h.tokens.Revoke(ctx, tok.ID); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("revoke: %v", err)
	}
	if _, err := h.tokens.Issue(ctx, v1.NewToken{Name: "n", Role: v1.RoleOperator}); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("issue: %v", err)
	}
	h.shelf.mend()
	if _, err := h.tokens.Lookup(ctx, tok.Secret); err != nil {
		t.Errorf("after mending: %v", err)
	}
}

func TestDamagedRecordsLetNobodyIn(t *testing.T) {
	for name, data := range map[string]string{
		"no JSON": "{", "empty": "", "of another key": `{"sha256":"` + strings.Repeat("0", 64) + `","token":{"id":"x","role":"operator"}}`,
		"null": "null", "no digest": `{"token":{"role":"operator"}}`,
	} {
		h := build(t, nil)
		secret := newSecret(TokenPrefix)
		if err := h.shelf.PutIfAbsent(context.Background(), "token/"+digestOf(secret).hex(), []byte(data)); err != nil {
			t.Fatal(err)
		}
		if _, err := h.tokens.Lookup(context.Background(), secret); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: %v", name, err)
		}
		h.wants(h.ask("GET", "/v1/me", "", bearerOf(secret)), 503, v1.Unavailable)
	}
}

// Whatever two processes do to the tokens of one store, in any order and at any
// time: who was never let in stays out, who is good gets in, and who was revoked
// is out after RevokedWithin.
func TestTokensOfTwoProcesses(t *testing.T) {
	type fate struct {
		secret, id       string
		expires, revoked time.Time
	}
	rapid.Check(t, func(t *rapid.T) {
		c, s := newClock(), newShelf()
		both := []*Tokens{NewTokens(s, c.now), NewTokens(s, c.now)}
		ctx := context.Background()
		var all []*fate
		process := func() *Tokens { return rapid.SampledFrom(both).Draw(t, "process") }
		t.Repeat(map[string]func(*rapid.T){
			"issue": func(t *rapid.T) {
				n := v1.NewToken{Name: "n", Role: v1.RoleEngineer, DaysFor: rapid.SampledFrom([]float64{0, 0.0001, 0.001}).Draw(t, "days")}
				tok, err := process().Issue(ctx, n)
				if err != nil {
					t.Fatal(err)
				}
				all = append(all, &fate{secret: tok.Secret, id: tok.ID, expires: tok.Expires})
			},
			"revoke": func(t *rapid.T) {
				if len(all) == 0 {
					return
				}
				f := rapid.SampledFrom(all).Draw(t, "token")
				if err := process().Revoke(ctx, f.id); err != nil {
					t.Fatal(err)
				}
				if f.revoked.IsZero() {
					f.revoked = c.now()
				}
			},
			"wait":  func(t *rapid.T) { c.advance(time.Duration(rapid.IntRange(1, 7000).Draw(t, "ms")) * time.Millisecond) },
			"guess": func(t *rapid.T) { _, _ = process().Lookup(ctx, newSecret(TokenPrefix)) },
			"": func(t *rapid.T) {
				for _, f := range all {
					_, err := process().Lookup(ctx, f.secret)
					gone := !f.expires.IsZero() && !c.now().Before(f.expires)
					switch {
					case err == nil && gone:
						t.Fatal("an expired token came in")
					case err == nil && !f.revoked.IsZero() && c.now().Sub(f.revoked) >= RevokedWithin:
						t.Fatal("a revoked token came in")
					case err != nil && !gone && f.revoked.IsZero():
						t.Fatalf("a good token stayed out: %v", err)
					}
				}
			},
		})
	})
}
