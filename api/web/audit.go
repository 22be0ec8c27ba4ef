package web

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/report"
)

// AuditService is what the audit page needs beyond Service: the report of a job
// that is done. It reads as much as report.json holds, a megabyte or so.
type AuditService interface {
	Report(ctx context.Context, id string) (*report.Report, error)
}

// auditRows is how many changes one page lists: what can be gone through
// without getting lost. The time line shows all of them.
const auditRows = 100

// auditRoutes lists the audit page.
func (p *Pages) auditRoutes() []Route {
	return []Route{{http.MethodGet, "/jobs/{id}/audit", string(access.Read), p.audit}}
}

type auditView struct {
	ID, Name  string
	Verdict   *badge
	Predicted bool
	A         *report.Audit
	Reasons   []auditReason
	Cut       []report.Pair
	Tracks    []auditTrack
	Changes   []auditChange
	Total     string // how many there are, in words
	Left      int    // found, but too many for the report
	Sorts     []auditSort
	Sorted    string // in words
	Prev      string // links; "" if there is no such page
	Next      string
	From, To  int
	Listen    bool
	Sign      bool
	Files     []fileView
	Sheet     string // address of the cutting sheet
	First     string // address of the time line's first data
	Data      string // for the script, JSON
}

type auditReason struct {
	report.ReasonText
	At template.URL // fragment that leads there, without #
}

type auditTrack struct {
	Number, Title, Start string
	At                   template.URL
}

type auditChange struct {
	report.ChangeText
	N      int // in the order of the report, from 1
	At     template.URL
	Groove string
}

type auditSort struct {
	Word, Href, Aria string // Aria: ascending, descending, or blank
}

// auditData is what the script cannot ask the API for without a second trip.
type auditData struct {
	Job      string          `json:"job"`
	Name     string          `json:"name"`
	LengthS  float64         `json:"length_s"`
	RateHz   int             `json:"rate_hz"`
	TurnS    float64         `json:"revolution_s"`
	OuterMM  float64         `json:"outer_mm"`
	Analysed bool            `json:"analysed"`
	LUFS     [2]*float64     `json:"lufs"` // before, after
	Stages   []string        `json:"stages"`
	Changes  [][5]float64    `json:"changes"` // number, start, end, dB, index of the stage
	Tracks   []auditDataSong `json:"tracks"`
}

type auditDataSong struct {
	Number int     `json:"number"`
	Title  string  `json:"title"`
	StartS float64 `json:"start_s"`
	EndS   float64 `json:"end_s"`
}

func (p *Pages) audit(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	s, ok := p.o.Service.(AuditService)
	if !ok {
		p.fail(w, r, errors.New("web: the service reads no reports"))
		return
	}
	j, err := p.o.Service.Job(ctx, r.PathValue("id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	rep, err := s.Report(ctx, j.ID)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	id, _ := access.From(ctx)
	v, err := p.auditView(&j, rep, id, r.URL.Query())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	p.show(w, r, http.StatusOK, "audit", frame{Title: "Audit: " + name(&j), Here: "audit", Who: whoOf(ctx), Body: v})
}

func (p *Pages) auditView(j *v1.Job, r *report.Report, id access.Identity, q url.Values) (*auditView, error) {
	v := &auditView{ID: j.ID, Name: name(j), Verdict: verdictBadge(j), Predicted: r.Analysed(), A: report.AuditOf(r),
		Listen: id.May(access.Listen), Sign: id.May(access.SignOff) && !r.Analysed(), Cut: report.CutPairs(r),
		First: "/v1/jobs/" + j.ID + "/timeline?" + firstTile(r.Side.LengthS)}
	for i, x := range v.A.Reasons {
		a := auditReason{ReasonText: x}
		if at := r.Verdict.Reasons[i].Where; at != nil {
			a.At = atFragment(at.TS)
		}
		v.Reasons = append(v.Reasons, a)
	}
	for _, t := range r.Tracks {
		v.Tracks = append(v.Tracks, auditTrack{strconv.Itoa(t.Number), t.Title, lengthWords(math.Max(t.StartS, .001)), atFragment(t.StartS)})
	}
	v.changes(j.ID, r, q)
	for _, f := range j.Files {
		may := !v1.IsSound(f.Name) || v.Listen
		v.Files = append(v.Files, fileView{f, fileWords[f.Name], may})
		if f.Name == "cutting-sheet.html" {
			v.Sheet = f.Href
		}
	}
	data, err := json.Marshal(dataOf(j, r))
	v.Data = string(data)
	return v, err
}

// firstTile asks for the whole side, as the script's first tile has it.
func firstTile(lengthS float64) string {
	return url.Values{"from_s": {"0"}, "to_s": {secondsText(lengthS)}, "bins": {"512"}}.Encode()
}

// secondsText prints as JavaScript does, so that a preloaded address is the one
// that the script asks for.
func secondsText(s float64) string {
	b, err := json.Marshal(s)
	if err != nil { // no number; nothing can be asked for
		return "0"
	}
	return string(b)
}

// atFragment leads to a moment of the time line.
func atFragment(s float64) template.URL {
	return template.URL("t=" + strconv.FormatFloat(s, 'f', 3, 64))
}

// loopFragment is where a passage is played over and over.
func loopFragment(from, to float64) template.URL {
	seconds := func(s float64) string { return strconv.FormatFloat(s, 'f', 3, 64) }
	return atFragment(from) + template.URL("&loop="+seconds(from)+"-"+seconds(to))
}

func dataOf(j *v1.Job, r *report.Report) auditData {
	d := auditData{Job: j.ID, Name: name(j), LengthS: r.Side.LengthS, RateHz: r.Side.SampleRate, TurnS: r.Side.Disc.RevolutionS, OuterMM: r.Side.Disc.OuterMM, Analysed: r.Analysed(),
		LUFS: [2]*float64{r.Before.IntegratedLUFS, r.After.IntegratedLUFS}, Stages: []string{}, Changes: [][5]float64{}, Tracks: []auditDataSong{}}
	at := map[string]int{}
	for i, s := range r.Stages {
		at[s.ID] = i
		d.Stages = append(d.Stages, s.ID)
	}
	for i, c := range r.Changes {
		d.Changes = append(d.Changes, [5]float64{float64(i + 1), c.StartS, c.EndS, c.MaxDB, float64(at[c.Stage])})
	}
	for _, t := range r.Tracks {
		d.Tracks = append(d.Tracks, auditDataSong{t.Number, t.Title, t.StartS, t.EndS})
	}
	return d
}

// auditOrder is one order of the changes. Each begins the way it is wanted
// first: time from the beginning, amounts from the largest.
type auditOrder struct {
	key, word, words string
	less             func(a, b *report.Change) int
}

var auditOrders = []auditOrder{
	{"time", "Time", "by time", func(a, b *report.Change) int { return cmp.Compare(a.StartS, b.StartS) }},
	{"amount", "Change", "by amount", func(a, b *report.Change) int { return cmp.Compare(math.Abs(b.MaxDB), math.Abs(a.MaxDB)) }},
	{"stage", "Stage", "by stage", func(a, b *report.Change) int { return cmp.Compare(a.Stage, b.Stage) }},
	{"track", "Track", "by track", func(a, b *report.Change) int { return cmp.Compare(a.Track, b.Track) }},
}

// changes sorts all and shows one page. What a query says wrongly counts as
// not said: the page is the same for whoever came by a worn link.
func (v *auditView) changes(id string, r *report.Report, q url.Values) {
	o := auditOrders[1]
	if i := slices.IndexFunc(auditOrders, func(o auditOrder) bool { return o.key == q.Get("sort") }); i >= 0 {
		o = auditOrders[i]
	}
	back := q.Get("dir") == "back"
	order := make([]int, len(r.Changes))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, k int) int {
		a, b := &r.Changes[i], &r.Changes[k]
		c := o.less(a, b)
		if back {
			c = -c
		}
		return cmp.Or(c, cmp.Compare(a.StartS, b.StartS), cmp.Compare(i, k))
	})
	link := func(sort string, back bool, page int) string {
		u := url.Values{"sort": {sort}}
		if back {
			u.Set("dir", "back")
		}
		if page > 1 {
			u.Set("page", strconv.Itoa(page))
		}
		return "/jobs/" + id + "/audit?" + u.Encode() + "#changes"
	}
	for _, x := range auditOrders {
		s := auditSort{Word: x.word, Href: link(x.key, x.key == o.key && !back, 1)}
		if x.key == o.key {
			// What is first is the largest amount, but the earliest time.
			if s.Aria = "ascending"; back != (x.key == "amount") {
				s.Aria = "descending"
			}
		}
		v.Sorts = append(v.Sorts, s)
	}
	v.Sorted = o.words
	if back {
		v.Sorted += ", the other way round"
	}
	total := len(order)
	pages := max(1, (total+auditRows-1)/auditRows)
	page, err := strconv.Atoi(q.Get("page"))
	if err != nil || page < 1 {
		page = 1
	}
	page = min(page, pages)
	from, to := (page-1)*auditRows, min(page*auditRows, total)
	if page > 1 {
		v.Prev = link(o.key, back, page-1)
	}
	if page < pages {
		v.Next = link(o.key, back, page+1)
	}
	v.From, v.To = from+1, to
	v.Total = strconv.Itoa(total) + " passages"
	if total == 1 {
		v.Total = "1 passage"
	}
	v.Left = max(0, r.ChangesTotal-total)
	for _, i := range order[from:to] {
		c := r.Changes[i]
		v.Changes = append(v.Changes, auditChange{ChangeText: report.ChangeTextOf(c), N: i + 1,
			At:     atFragment(c.StartS) + template.URL("&c="+strconv.Itoa(i+1)),
			Groove: "/jobs/" + id + "/groove?at_s=" + strconv.FormatFloat((c.StartS+c.EndS)/2, 'f', 3, 64)})
	}
}
