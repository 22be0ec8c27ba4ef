package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/job"
)

const pageSize = 50

type jobsView struct {
	Text, Studio     string
	States, Verdicts []choice
	Signoffs, Kinds  []choice
	From, To         string
	Cursor           string
	Bulk             bool // the caller may act on many
	Live             bool // the newest jobs, kept current
	Events           string
	AnyStudio        bool // the caller sees more than one
	Filtered         bool
	Fault, FaultOn   string // of the filter, and the field it is of
	Rows             []rowView
	Next, Newest     string // links; "" if there is no such page
	Newer            string // the page before; "" on the first two
	Via              []string
	Unreadable       int
}

type rowView struct {
	ID, Title, Side, Catalogue, Studio string
	LengthS                            float64
	State                              badge
	Verdict                            *badge
	Standing                           *badge
	Waiting                            string // since when, of a job that waits
	Revision                           int
	Predicted, Over                    bool
	Only                               string // what a job is that makes no premaster
	Percent                            int    // -1: does not run
	Accepted                           *stamp
	Reason                             string
}

func titleOf(j *v1.Job) string {
	if t := strings.TrimSpace(j.Title); t != "" {
		return t
	}
	return "Untitled"
}

func (p *Pages) row(j *v1.Job) rowView {
	v := rowView{ID: j.ID, Title: titleOf(j), Side: j.Side, Catalogue: j.Catalogue, Studio: j.Studio, LengthS: j.LengthS,
		State: stateBadge(j.State), Verdict: verdictBadge(j), Standing: standingBadge(j), Revision: j.Revision, Predicted: j.Predicted(), Over: j.Over(), Percent: -1, Accepted: stampOf(j.Accepted, p.o.Now())}
	v.Only = map[string]string{v1.Analyse: "analysis", v1.Arrange: "arrangement"}[j.Kind]
	if j.Progress != nil {
		v.Percent = percent(j.Progress.Percent)
	}
	if j.State == "accepted" {
		v.Waiting = spanWords(max(0, p.o.Now().Sub(waitingSince(j))))
	}
	if j.Reason != nil && j.State != "done" {
		v.Reason = j.Reason.Text
	}
	return v
}

func percent(f float64) int { return int(max(0, min(100, f))) }

func (p *Pages) jobs(w http.ResponseWriter, r *http.Request) {
	in := r.URL.Query()
	q := Query{State: in.Get("state"), Verdict: in.Get("verdict"), Text: strings.TrimSpace(in.Get("q")), Studio: strings.TrimSpace(in.Get("studio")), Kind: in.Get("kind"), Signoff: in.Get("signoff"), From: strings.TrimSpace(in.Get("from")), To: strings.TrimSpace(in.Get("to")), Cursor: in.Get("cursor"), Limit: pageSize}
	id, _ := access.From(r.Context())
	v := jobsView{Text: q.Text, Studio: q.Studio, AnyStudio: id.All || id.Role != v1.RoleStudio,
		States: choices(stateOrder, stateBadges, q.State), Verdicts: choices(verdictOrder, verdictBadges, q.Verdict),
		Signoffs: choices(standingOrder, standings, q.Signoff), Kinds: choices(kindOrder, kindBadges, q.Kind), From: q.From, To: q.To, Cursor: q.Cursor, Bulk: id.May(access.Manage), Live: q.Cursor == ""}
	v.Filtered = q.State+q.Verdict+q.Text+q.Studio+q.Kind+q.Signoff+q.From+q.To != ""
	v.Events = eventsOf(q)
	via := trail(in["via"])
	v.Via = via
	f := frame{Title: "Jobs", Here: "jobs", Who: whoOf(r.Context()), Notice: notices[in.Get("did")]}
	if v.FaultOn, v.Fault = filterFault(q); v.Fault != "" {
		f.Title, f.Body = "Jobs: the search has a fault", v
		p.show(w, r, http.StatusUnprocessableEntity, "jobs", f)
		return
	}
	list, err := p.o.Service.Jobs(r.Context(), q)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	for i := range list.Jobs {
		v.Rows = append(v.Rows, p.row(&list.Jobs[i]))
	}
	v.Unreadable = len(list.Unreadable)
	if list.Next != "" {
		v.Next = linkVia(q, list.Next, passed(via, q.Cursor))
	}
	if q.Cursor != "" {
		v.Newest = link(q, "")
		if n := len(via); n > 0 {
			v.Newer = linkVia(q, via[n-1], via[:n-1])
		}
		f.Title = "Jobs, older"
	}
	f.Body = v
	p.show(w, r, http.StatusOK, "jobs", f)
}

// filterFault is what is wrong with a search, and in which field.
func filterFault(q Query) (field, fault string) {
	_, state := stateBadges[q.State]
	_, verdict := verdictBadges[q.Verdict]
	switch {
	case q.State != "" && !state:
		return "state", "There is no such state. Choose one of the list."
	case q.Verdict != "" && !verdict:
		return "verdict", "There is no such verdict. Choose one of the list."
	case q.Kind != "" && kindBadges[q.Kind].Word == "":
		return "kind", "There is no such kind. Choose one of the list."
	case q.Signoff != "" && standings[q.Signoff].Word == "":
		return "signoff", "There is no such standing. Choose one of the list."
	case badDate(q.From):
		return "from", "Write the date as 2026-01-31."
	case badDate(q.To):
		return "to", "Write the date as 2026-01-31."
	case len(q.Text) > 200:
		return "q", "The search text is too long: 200 characters are enough."
	case len(q.Studio) > 64:
		return "studio", "A studio's name has at most 64 characters."
	case len(q.Cursor) > 64:
		return "", "This link to older jobs is damaged. Search again."
	}
	return "", ""
}

// waitingSince is since when a job waits; jobs of an older service do not say it.
func waitingSince(j *v1.Job) time.Time {
	if j.Waiting.IsZero() {
		return j.Accepted
	}
	return j.Waiting
}

// maxTrail bounds the way back that an address carries.
const maxTrail = 40

// trail is the way back: the cursors of the pages passed, as far as they can be
// cursors.
func trail(list []string) []string {
	if slices.ContainsFunc(list, func(c string) bool { return c == "" || !job.ValidID(c) }) {
		return nil
	}
	return list[max(0, len(list)-maxTrail):]
}

func passed(via []string, cursor string) []string {
	if cursor == "" {
		return via
	}
	out := append(slices.Clone(via), cursor)
	return out[max(0, len(out)-maxTrail):]
}

// link is the list with the same filter, after a cursor.
func link(q Query, cursor string) string { return linkVia(q, cursor, nil) }

func linkVia(q Query, cursor string, via []string) string {
	out := url.Values{}
	if len(via) > 0 {
		out["via"] = via
	}
	for name, v := range map[string]string{"q": q.Text, "state": q.State, "verdict": q.Verdict, "studio": q.Studio, "kind": q.Kind, "signoff": q.Signoff, "from": q.From, "to": q.To, "cursor": cursor} {
		if v != "" {
			out.Set(name, v)
		}
	}
	if len(out) == 0 {
		return "/jobs"
	}
	return "/jobs?" + out.Encode()
}

// kindBadges name the kinds of jobs in the filter.
var kindBadges = map[string]badge{v1.Prepare: {"Prepared sides", "off"}, v1.Analyse: {"Analyses", "off"}, v1.Arrange: {"Arrangements", "off"}}

var kindOrder = []string{v1.Prepare, v1.Analyse, v1.Arrange}

// badDate says whether a date of the filter is none.
func badDate(s string) bool {
	if s == "" {
		return false
	}
	_, day := time.Parse(time.DateOnly, s)
	_, moment := time.Parse(time.RFC3339, s)
	return day != nil && moment != nil
}

// eventsOf is the stream of what may change the list: also of jobs that go out
// of it.
func eventsOf(q Query) string {
	return "/v1/events" + strings.TrimPrefix(link(Query{Studio: q.Studio, Text: q.Text}, ""), "/jobs")
}
