package api

import (
	"encoding/json"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"

	"github.com/danielgtaylor/huma/v2"
)

// operation is one of the document that is checked in.
type operation struct {
	method, path string
	need         need
}

func operations(t *testing.T) []operation {
	t.Helper()
	data, err := os.ReadFile("openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths map[string]map[string]json.RawMessage `json:"paths"`
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		t.Fatal(err)
	}
	var out []operation
	for path, ops := range doc.Paths {
		for method, raw := range ops {
			var o struct {
				Permission need `json:"x-permission"`
			}
			if err := json.Unmarshal(raw, &o); err != nil {
				t.Fatal(err)
			}
			if !o.Permission.valid() {
				t.Fatalf("%s %s has permission %q", method, path, o.Permission)
			}
			out = append(out, operation{strings.ToUpper(method), path, o.Permission})
		}
	}
	if len(out) < 40 {
		t.Fatalf("%d operations in the document", len(out))
	}
	slices.SortFunc(out, func(a, b operation) int { return strings.Compare(a.path+a.method, b.path+b.method) })
	return out
}

var parameter = regexp.MustCompile(`\{[a-z0-9_]+\}`)

// absent is an ID of the right form that no job has.
const absent = "7zzzzzzzzzzzzzzzzzzzzzzzzz"

func (o operation) at(id string) string {
	p := strings.NewReplacer("{sha256}", strings.Repeat("0", 64), "{name}", "report.json", "{what}", "after").Replace(o.path)
	return parameter.ReplaceAllString(p, id)
}

// altered is the secret with another last letter, whatever that was: one
// letter in the place of every last letter would leave one secret of sixteen
// as it is.
func altered(secret string) string {
	last := byte('a')
	if secret[len(secret)-1] == last {
		last = 'e'
	}
	return secret[:len(secret)-1] + string(last)
}

// Every route of the document, with every kind of caller.
func TestWhoMayDoWhat(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Metrics = noMetrics{} })
	bad := map[string][]string{
		"none": nil, "empty": {"Authorization", "Bearer "}, "wrong": {"Authorization", "Bearer " + altered(h.secret["a"])},
		"other scheme": {"Authorization", "Basic eDp4"}, "huge": {"Authorization", "Bearer " + strings.Repeat("a", 8000)}, "bytes": {"Authorization", "Bearer \xff\xfe"},
	}
	old := access.NewTokens(h.store, func() time.Time { return time.Now().AddDate(0, 0, -2) })
	tok, err := old.Issue(t.Context(), v1.NewToken{Name: "e", Role: v1.RoleOperator, DaysFor: 1})
	if err != nil {
		t.Fatal(err)
	}
	bad["expired"] = []string{"Authorization", "Bearer " + tok.Secret}
	if tok, err = h.tokens.Issue(t.Context(), v1.NewToken{Name: "r", Role: v1.RoleOperator}); err == nil {
		err = h.tokens.Revoke(t.Context(), tok.ID)
	}
	if err != nil {
		t.Fatal(err)
	}
	bad["revoked"] = []string{"Authorization", "Bearer " + tok.Secret}
	roles := map[string]access.Identity{"a": {Role: v1.RoleStudio, Studio: "a"}, "engineer": {Role: v1.RoleEngineer}, "operator": {Role: v1.RoleOperator}}
	n := 0
	for _, o := range operations(t) {
		for who, header := range bad {
			n++
			r := h.ask("", o.method, o.at(absent), nil, header...)
			switch refused := r.StatusCode == http.StatusUnauthorized || r.StatusCode == http.StatusTooManyRequests; {
			case o.need == public && who == "none" && (r.StatusCode == http.StatusUnauthorized || r.StatusCode == http.StatusForbidden):
				t.Errorf("%s %s is public, %s: %d", o.method, o.path, who, r.StatusCode)
			case o.need != public && !refused:
				t.Errorf("%s %s as %s: %d %s", o.method, o.path, who, r.StatusCode, r.body)
			}
		}
		for who, id := range roles {
			n++
			r := h.ask(who, o.method, o.at(absent), nil)
			may := o.need == public || o.need == signedIn || id.May(access.Permission(o.need))
			switch forbidden := r.StatusCode == http.StatusForbidden; {
			case r.StatusCode == http.StatusUnauthorized, may == forbidden:
				t.Errorf("%s %s (%s) as %s: %d %s", o.method, o.path, o.need, who, r.StatusCode, r.body)
			case forbidden && o.method != http.MethodHead && r.problem().Code != string(v1.Forbidden):
				t.Errorf("%s %s as %s: %s", o.method, o.path, who, r.body)
			case r.StatusCode >= 500 && r.StatusCode != http.StatusServiceUnavailable:
				t.Errorf("%s %s as %s: %d %s", o.method, o.path, who, r.StatusCode, r.body)
			}
		}
	}
	t.Logf("%d requests", n)
}

var requestID = regexp.MustCompile(`"request":"[^"]*"`)

// Another studio's job is answered with the bytes of one that does not exist.
func TestOtherStudioIsAbsent(t *testing.T) {
	h := newHouse(t, nil)
	j := h.submit("a", "")
	h.work(j.ID)
	gone := h.submit("a", "")
	h.work(gone.ID)
	h.want(h.ask("a", http.MethodDelete, "/v1/jobs/"+gone.ID, nil), http.StatusNoContent)
	n := 0
	for _, o := range operations(t) {
		if !strings.HasPrefix(o.path, "/v1/jobs/{id}") {
			continue
		}
		n++
		path := o.at(absent)
		query := ""
		if strings.Contains(o.path, "/audio/") {
			query = "?from_s=0&to_s=1"
		}
		want := h.ask("b", o.method, path+query, nil)
		for _, id := range []string{j.ID, gone.ID} {
			got := h.ask("b", o.method, o.at(id)+query, nil)
			a, b := requestID.ReplaceAllString(string(want.body), ""), requestID.ReplaceAllString(string(got.body), "")
			// What no studio may do is refused before anybody looks whose it is.
			status := http.StatusNotFound
			if !(access.Identity{Role: v1.RoleStudio, Studio: "b"}).May(access.Permission(o.need)) {
				status = http.StatusForbidden
			}
			if got.StatusCode != status || got.StatusCode != want.StatusCode || a != b {
				t.Errorf("%s %s: %d %s, absent %d %s", o.method, o.path, got.StatusCode, b, want.StatusCode, a)
			}
			for _, name := range []string{"Content-Type", "ETag", "Content-Length", "Content-Disposition", "Allow"} {
				if name != "Content-Length" && got.Header.Get(name) != want.Header.Get(name) {
					t.Errorf("%s %s: header %s differs", o.method, o.path, name)
				}
			}
		}
	}
	if n < 8 {
		t.Fatalf("only %d routes", n)
	}
}

// The table itself must bite.
func TestRouteWithoutPermission(t *testing.T) {
	nothing := func(http.ResponseWriter, *http.Request) {}
	for name, enter := range map[string]func(*routes){
		"past the table": func(r *routes) { r.HandleFunc("GET /v1/secret", nothing) },
		"no permission":  func(r *routes) { r.plain("", huma.Operation{Method: "GET", Path: "/v1/secret"}, nothing) },
		"misspelt":       func(r *routes) { r.plain("raed", huma.Operation{Method: "GET", Path: "/v1/secret"}, nothing) },
		"twice": func(r *routes) {
			r.add("read", huma.Operation{Method: "GET", Path: "/x"})
			r.add("read", huma.Operation{Method: "GET", Path: "/x"})
		},
	} {
		r := newRoutes(document(""))
		enter(r)
		if r.err() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// The gate's list of what needs no sign-in is that of the table.
func TestPublicPaths(t *testing.T) {
	var want []string
	for _, o := range operations(t) {
		switch {
		case o.need != public:
		case o.method == http.MethodGet:
			want = append(want, o.path)
		default:
			want = append(want, o.method+" "+o.path)
		}
	}
	want = append(want, "/signin", "POST /signin", "/assets/") // pages, which the document does not have
	got := access.DefaultPublic()
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("the gate lets %v in, the document says %v", got, want)
	}
}
