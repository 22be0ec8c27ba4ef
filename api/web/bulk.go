package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"discsafe/api/access"
	"discsafe/api/v1"
)

// BulkService does the same to many jobs.
type BulkService interface {
	Bulk(ctx context.Context, b v1.Bulk) (v1.BulkAnswer, error)
}

func (p *Pages) bulkRoutes() []Route {
	svc, ok := p.o.Service.(BulkService)
	if !ok {
		return nil
	}
	b := &bulking{p, svc}
	// The first step is a POST too: the boxes of 50 jobs are no address. Its address
	// with a search asks about all that fit it.
	return []Route{{http.MethodGet, "/jobs/bulk", string(access.Manage), b.get}, {http.MethodPost, "/jobs/bulk", string(access.Manage), b.post}}
}

type bulking struct {
	*Pages
	svc BulkService
}

// bulkWords are what can be done to many jobs.
var bulkWords = map[string]struct{ Ask, Word, Done, Kind, Effect string }{
	"cancel": {"Cancel %s?", "Cancel", "%s cancelled or asked to stop.", "plain", "Jobs that wait are cancelled at once, jobs that run within seconds."},
	"retry":  {"Try %s again?", "Try again", "%s put back to the start.", "plain", "They are put back to the start, with the same plans and mixes."},
	"delete": {"Delete %s and their files?", "Delete", "%s deleted.", "danger", "Premasters, reports and every other file go for good. Approved sides are left alone."},
}

type bulkView struct {
	Do, Ask, Effect, Word, Kind string
	Count                       int
	Rows                        []rowView
	More                        int // not listed
	Hidden                      []hidden
	Back                        string
	Moved                       bool // there are others by now than were counted
	Done                        string
	Refused                     []v1.BulkRefusal
}

type hidden struct{ Name, Value string }

// bulkFields are the fields of the list's filter that a bulk form carries on.
var bulkFields = []string{"q", "state", "verdict", "signoff", "kind", "studio", "from", "to"}

// get asks about all jobs of a search, as a link does, and does nothing. An
// address without that is that of a page that was sent a form: back to the list.
func (b *bulking) get(w http.ResponseWriter, r *http.Request) {
	form := r.URL.Query()
	if form.Get("which") != "all" || bulkWords[form.Get("do")].Word == "" {
		seeOther(w, r, listOf(form))
		return
	}
	form.Del("count")
	b.answer(w, r, form)
}

func (b *bulking) post(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 256<<10)
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, v1.NewProblem(v1.BadRequest, "the form cannot be read"))
		return
	}
	b.answer(w, r, r.PostForm)
}

func (b *bulking) answer(w http.ResponseWriter, r *http.Request, form url.Values) {
	words, ok := bulkWords[form.Get("do")]
	if !ok {
		b.fail(w, r, v1.NewProblem(v1.BadRequest, "want cancel, retry or delete"))
		return
	}
	in := v1.Bulk{Do: form.Get("do"), Preview: true}
	v := bulkView{Do: in.Do, Effect: words.Effect, Word: words.Word, Kind: words.Kind, Back: listOf(form)}
	keep := func(name, value string) { v.Hidden = append(v.Hidden, hidden{name, value}) }
	keep("do", in.Do)
	if c := form.Get("cursor"); c != "" {
		keep("cursor", c)
		for _, c := range trail(form["via"]) {
			keep("via", c)
		}
	}
	if form.Get("which") == "all" {
		keep("which", "all")
		for _, name := range bulkFields {
			if s := form.Get(name); s != "" {
				keep(name, s)
			}
		}
		in.Filter = filterOf(form)
	} else {
		in.Filter.IDs = form["id"]
		for _, id := range form["id"] {
			keep("id", id)
		}
		if len(form["id"]) == 0 {
			seeOther(w, r, v.Back)
			return
		}
	}
	if n, err := strconv.Atoi(form.Get("count")); err == nil {
		if b.act(w, r, in, n, &v, words.Done) {
			return
		}
	}
	a, err := b.svc.Bulk(r.Context(), in)
	if err != nil {
		b.fail(w, r, err)
		return
	}
	v.Count, v.Ask = a.Count, fmt.Sprintf(words.Ask, jobsWords(a.Count))
	for _, id := range a.IDs {
		if j, err := b.o.Service.Job(r.Context(), id); err == nil { // one that is gone by now is not shown
			v.Rows = append(v.Rows, b.row(&j))
		}
	}
	v.More = a.Count - len(a.IDs)
	b.show(w, r, http.StatusOK, "bulk", frame{Title: v.Ask, Here: "jobs", Who: whoOf(r.Context()), Body: v})
}

// act does it, and reports whether it has answered.
func (b *bulking) act(w http.ResponseWriter, r *http.Request, in v1.Bulk, n int, v *bulkView, done string) bool {
	in.Preview, in.Count = false, &n
	a, err := b.svc.Bulk(r.Context(), in)
	if pr, ok := errors.AsType[*v1.Problem](err); ok && pr.Code == string(v1.Conflict) {
		v.Moved = true
		return false
	}
	if err != nil {
		b.fail(w, r, err)
		return true
	}
	v.Done, v.Refused = fmt.Sprintf(done, jobsWords(a.Done)), a.Refused
	b.show(w, r, http.StatusOK, "bulk", frame{Title: v.Done, Here: "jobs", Who: whoOf(r.Context()), Body: *v})
	return true
}

func jobsWords(n int) string {
	if n == 1 {
		return "1 job"
	}
	return strconv.Itoa(n) + " jobs"
}

func filterOf(form url.Values) v1.BulkFilter {
	f := v1.BulkFilter{Q: form.Get("q"), Verdict: form.Get("verdict"), Signoff: form.Get("signoff"), Kind: form.Get("kind"), Studio: form.Get("studio"), From: form.Get("from"), To: form.Get("to")}
	if s := form.Get("state"); s != "" {
		f.State = []string{s}
	}
	return f
}

// listOf is the list that a bulk form came from.
func listOf(form url.Values) string {
	out := url.Values{}
	for _, name := range append([]string{"cursor"}, bulkFields...) {
		if s := form.Get(name); s != "" {
			out.Set(name, s)
		}
	}
	if via := trail(form["via"]); len(via) > 0 && form.Get("cursor") != "" {
		out["via"] = via
	}
	if len(out) == 0 {
		return "/jobs"
	}
	return "/jobs?" + out.Encode()
}
