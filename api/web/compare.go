package web

import (
	"context"
	"errors"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/report"
)

// RevisionService knows which jobs take each other's place.
type RevisionService interface {
	Revisions(ctx context.Context, id string) ([]v1.Job, error)
}

func (p *Pages) compareRoutes() []Route {
	return []Route{{http.MethodGet, "/jobs/{id}/compare/{other}", string(access.Read), p.compare}}
}

// compared is one of two jobs on the page that compares them.
type compared struct {
	rowView
	Standing *badge
	Sentence string
	Cut      []report.Pair
	Stages   []report.StageText
	Reasons  []report.ReasonText
	Changes  int
	Report   bool
	Missing  string // why there is no report
	Sections []report.Section
	plan     []string
}

type compareView struct {
	A, B     compared
	Plan     []lineDiff
	Same     bool // the plans
	TooLong  bool
	Sections []pairedSection
}

type pairedSection struct {
	Title string
	Rows  []pairedRow
}

type pairedRow struct {
	Measure, Before, A, B string
	Differs               string // "" if nothing does
	MarkA, MarkB          report.Mark
}

func (p *Pages) compare(w http.ResponseWriter, r *http.Request) {
	var v compareView
	for _, side := range []struct {
		id  string
		out *compared
	}{{r.PathValue("id"), &v.A}, {r.PathValue("other"), &v.B}} {
		if err := p.fill(r.Context(), side.id, side.out); err != nil {
			p.fail(w, r, err)
			return
		}
	}
	v.Plan, v.TooLong = diffLines(v.A.plan, v.B.plan)
	v.Same = !v.TooLong && len(v.Plan) == 0
	v.Sections = paired(v.A.Sections, v.B.Sections)
	p.show(w, r, http.StatusOK, "compare", frame{Title: "Compare two revisions", Here: "job", Who: whoOf(r.Context()), Body: v})
}

func (p *Pages) fill(ctx context.Context, id string, c *compared) error {
	j, err := p.o.Service.Job(ctx, id)
	if err != nil {
		return err
	}
	c.rowView, c.Standing = p.row(&j), standingBadge(&j)
	c.Revision = max(c.Revision, 1)
	text, err := p.o.Service.Plan(ctx, id)
	if pr, ok := errors.AsType[*v1.Problem](err); err != nil && !(ok && pr.Status < 500) {
		return err
	}
	c.plan = strings.Split(strings.TrimRight(strings.ReplaceAll(text, "\r\n", "\n"), "\n"), "\n")
	if j.Kind == v1.Arrange {
		c.Missing = "It arranges a release: what it found stands on its own page, the releases are compared below."
		return nil
	}
	svc, ok := p.o.Service.(AuditService)
	if !ok || j.State != "done" {
		c.Missing = "There is no result: the job is " + strings.ToLower(c.State.Word) + "."
		return nil
	}
	rep, err := svc.Report(ctx, id)
	if pr, is := errors.AsType[*v1.Problem](err); is && pr.Status < 500 {
		c.Missing = "The report is no longer there."
		return nil
	}
	if err != nil {
		return err
	}
	a := report.AuditOf(rep)
	c.Sentence, c.Cut, c.Stages, c.Sections = a.Sentence, report.CutPairs(rep), a.Stages, a.Sections
	c.Reasons, c.Changes, c.Report = a.Reasons, len(rep.Changes), true
	return nil
}

// paired puts the rows of two reports side by side, by their names. A row that
// only one of them has stands alone; without one of the reports there is nothing
// to compare.
func paired(a, b []report.Section) []pairedSection {
	if len(a) == 0 || len(b) == 0 {
		return nil
	}
	key := func(s report.Section, r report.Row) string { return s.Title + "\x00" + r.Measure }
	of, seen := map[string]report.Row{}, map[string]bool{}
	for _, s := range b {
		for _, r := range s.Rows {
			of[key(s, r)] = r
		}
	}
	var out []pairedSection
	for _, s := range a {
		ps := pairedSection{Title: s.Title}
		for _, r := range s.Rows {
			o := of[key(s, r)] // blank if there is none
			seen[key(s, r)] = true
			ps.Rows = append(ps.Rows, pairedRow{Measure: r.Measure, Before: r.Before, A: r.After, B: o.After, Differs: lessWords(r.After, o.After), MarkA: r.Mark, MarkB: o.Mark})
		}
		out = append(out, ps)
	}
	for _, s := range b {
		for _, r := range s.Rows {
			if seen[key(s, r)] {
				continue
			}
			i := slices.IndexFunc(out, func(p pairedSection) bool { return p.Title == s.Title })
			if i < 0 {
				i, out = len(out), append(out, pairedSection{Title: s.Title})
			}
			out[i].Rows = append(out[i].Rows, pairedRow{Measure: r.Measure, Before: r.Before, B: r.After, Differs: "only one has it", MarkB: r.Mark})
		}
	}
	return slices.DeleteFunc(out, func(p pairedSection) bool { return len(p.Rows) == 0 })
}

// figureForm is a value as reports write it: a number, its thousands set apart by
// narrow spaces, and its unit.
var figureForm = regexp.MustCompile(`^([+\x{2212}-]?[0-9]+(?:\x{202f}[0-9]{3})*(?:\.([0-9]+))?)([^0-9]*)$`)

// plainFigure takes out of a written number what strconv does not read.
var plainFigure = strings.NewReplacer("\u2212", "-", "\u202f", "")

// lessWords is the second of two values less the first, in their unit; "" if they
// are the same as written.
func lessWords(a, b string) string {
	if a == b {
		return ""
	}
	if a == "" || b == "" {
		return "only one has it"
	}
	ma, mb := figureForm.FindStringSubmatch(a), figureForm.FindStringSubmatch(b)
	if ma == nil || mb == nil || ma[3] != mb[3] {
		return "yes"
	}
	x, errX := strconv.ParseFloat(plainFigure.Replace(ma[1]), 64)
	y, errY := strconv.ParseFloat(plainFigure.Replace(mb[1]), 64)
	if errX != nil || errY != nil {
		return "yes"
	}
	return strings.ReplaceAll(strconv.FormatFloat(y-x, 'f', max(len(ma[2]), len(mb[2])), 64), "-", "\u2212") + ma[3]
}

// lineDiff is a line of one plan that the other does not have, or a line of both
// beside such.
type lineDiff struct {
	Sign, Text string // "-", "+", " " or "" for lines left out
	Words      string // the sign, to be read aloud
}

// maxDiff bounds the table of the comparison; plans are far shorter.
const maxDiff = 2000

// diffLines compares two texts line by line (longest common subsequence) and
// returns what differs with two lines around it; none if nothing does.
func diffLines(a, b []string) (out []lineDiff, tooLong bool) {
	if len(a) > maxDiff || len(b) > maxDiff {
		return nil, true
	}
	n, m := len(a), len(b)
	// long[i][j]: of a[i:] and b[j:]
	long := make([][]int16, n+1)
	for i := range long {
		long[i] = make([]int16, m+1)
	}
	for i := n - 1; i >= 0; i-- {
		for j := m - 1; j >= 0; j-- {
			if a[i] == b[j] {
				long[i][j] = long[i+1][j+1] + 1
			} else {
				long[i][j] = max(long[i+1][j], long[i][j+1])
			}
		}
	}
	var all []lineDiff
	differs := false
	for i, j := 0, 0; i < n || j < m; {
		switch {
		case i < n && j < m && a[i] == b[j]:
			all = append(all, lineDiff{" ", a[i], ""})
			i, j = i+1, j+1
		case j == m || i < n && long[i+1][j] >= long[i][j+1]:
			all = append(all, lineDiff{"-", a[i], "Only in the first: "})
			i++
			differs = true
		default:
			all = append(all, lineDiff{"+", b[j], "Only in the second: "})
			j++
			differs = true
		}
	}
	if !differs {
		return nil, false
	}
	const around = 2
	keep := make([]bool, len(all))
	for i, l := range all {
		if l.Sign == " " {
			continue
		}
		for k := max(0, i-around); k <= min(len(all)-1, i+around); k++ {
			keep[k] = true
		}
	}
	for i, l := range all {
		switch {
		case keep[i]:
			out = append(out, l)
		case i == 0 || keep[i-1]:
			out = append(out, lineDiff{})
		}
	}
	return out, false
}
