package web_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"discsafe/pipeline/sideplan"
	"discsafe/worker/job"
	"discsafe/worker/store"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// special are values of those keys whose type does not say what they take. A
// stage is set by its parameters.
var special = map[string]any{
	"disc": "7in-45", "level": 1.5, "room": map[string]any{"name": "Here", "groove": map[string]any{"width_um": 65}},
	"tracks.file": "other.wav", "tracks.isrc": "QZABC2600001", "tracks.trim.end_s": 6000.5, "notes": "one\n  two: three # no remark\n",
}

// everyKey are all keys of a side plan, by the structs that read it, each with a
// value that is not its default.
func everyKey(t *testing.T) map[string]any {
	t.Helper()
	out := map[string]any{}
	addKeys(t, out, "", reflect.TypeFor[sideplan.Plan]())
	for _, id := range sideplan.StageIDs() {
		addKeys(t, out, "chain."+id+".", reflect.TypeOf(sideplan.DefaultStage(id).Params))
	}
	return out
}

func addKeys(t *testing.T, out map[string]any, prefix string, of reflect.Type) {
	t.Helper()
	for i := range of.NumField() {
		f := of.Field(i)
		name := prefix + f.Tag.Get("json")
		def := f.Tag.Get("default")
		v, known := special[name]
		switch {
		case f.Tag.Get("json") == "-" || name == "chain":
		case known:
			out[name] = v
		case f.Type.Kind() == reflect.Struct:
			addKeys(t, out, name+".", f.Type)
		case f.Type.Kind() == reflect.Slice && f.Type.Elem().Kind() == reflect.Struct:
			addKeys(t, out, name+".", f.Type.Elem())
		case f.Tag.Get("enum") != "":
			list := slices.DeleteFunc(strings.Split(f.Tag.Get("enum"), ","), func(e string) bool { return e == def })
			out[name] = list[0]
			if n, err := strconv.Atoi(list[0]); err == nil && f.Type.Kind() == reflect.Int {
				out[name] = n
			}
		case f.Type.Kind() == reflect.Bool:
			out[name] = true
		case f.Type.Kind() == reflect.String:
			out[name] = "W"
		case f.Type.Kind() == reflect.Float64:
			out[name] = near(t, name, def, f.Tag.Get("min"), f.Tag.Get("max"))
		default:
			t.Fatalf("give %s, a %s, a value in special", name, f.Type)
		}
	}
}

// near is a number a little off the default, so that it suits the other keys.
func near(t *testing.T, name, def, low, high string) float64 {
	t.Helper()
	v, err1 := strconv.ParseFloat(def, 64)
	from, err2 := strconv.ParseFloat(low, 64)
	to, err3 := strconv.ParseFloat(high, 64)
	if err1 != nil || err2 != nil || err3 != nil {
		t.Fatalf("give %s a value in special: default %q, %q to %q", name, def, low, high)
	}
	if v < to {
		return v + (to-v)/16
	}
	return v - (v-from)/16
}

// planWith is a plan in which those keys have those values.
func planWith(keys map[string]any) string {
	track := map[string]any{"file": "b.wav"}
	chain := map[string]map[string]any{}
	plan := map[string]any{"side": "A"}
	for name, v := range keys {
		at, rest, _ := strings.Cut(name, ".")
		into := plan
		switch at {
		case "tracks":
			into, name = track, rest
		case "chain":
			id, param, _ := strings.Cut(rest, ".")
			if chain[id] == nil {
				chain[id] = map[string]any{"stage": id}
			}
			into, name = chain[id], param
		}
		if at, rest, deeper := strings.Cut(name, "."); deeper {
			if into[at] == nil {
				into[at] = map[string]any{}
			}
			into[at].(map[string]any)[rest] = v
			continue
		}
		into[name] = v
	}
	plan["tracks"] = []any{map[string]any{"file": "a.wav"}, track}
	if len(chain) > 0 {
		var list []any
		for _, id := range sideplan.StageIDs() {
			if chain[id] != nil || id == sideplan.StageIDs()[len(sideplan.StageIDs())-1] {
				if chain[id] == nil {
					chain[id] = map[string]any{"stage": id} // a level that is fitted needs it
				}
				list = append(list, chain[id])
			}
		}
		plan["chain"] = list
	}
	text, err := json.MarshalIndent(plan, "", " ")
	if err != nil {
		panic(err) // maps of words and numbers
	}
	return string(text)
}

func normal(t rapid.TB, text string) string {
	t.Helper()
	p, err := sideplan.Parse("plan.yaml", []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	data, err := p.Normalized()
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// withPlan is a job that has that plan.
func (h *house) withPlan(text string, change func(*job.Request)) string {
	h.t.Helper()
	key := "blob/plan-" + sum([]byte(text))
	if _, err := h.store.Put(h.t.Context(), key, strings.NewReader(text)); err != nil && !errors.Is(err, store.ErrExists) {
		h.t.Fatal(err)
	}
	return h.submit("a", "Every key", func(q *job.Request) {
		q.Plan = job.Input{Name: "plan.yaml", Key: key, Bytes: int64(len(text)), SHA256: sum([]byte(text))}
		if change != nil {
			change(q)
		}
	}).ID
}

// throughForm is what the form that revises a job would send of its plan, as a
// browser without script has it.
func (h *house) throughForm(text string) string {
	h.t.Helper()
	p := h.want(h.get("a", "/submit?revises="+h.withPlan(text, nil)), http.StatusOK)
	p = h.sendForm("a", with(fields(h.t, p.body), map[string]string{"do": "check"}), "Accept", "application/json")
	var said struct{ Plan string }
	if err := json.Unmarshal([]byte(p.body), &said); err != nil {
		h.t.Fatalf("%v: %s", err, p.body)
	}
	return said.Plan
}

// throughPage is the plan that the page of a job has after another level was put
// in, with line ends as browsers send them.
func (h *house) throughPage(text string) string {
	h.t.Helper()
	form := url.Values{"key": {"form-every"}, "kind": {"prepare"}, "lane": {"bulk"}, "do": {"put"}, "level": {"2.5"}, "plan": {strings.ReplaceAll(text, "\n", "\r\n")}}
	p := h.post("a", "/jobs/"+h.withPlan(text, nil)+"/revise", form)
	for _, e := range elements(h.t, p.body) {
		if e.name == "textarea" && e.attrs["name"] == "plan" {
			return e.inner
		}
	}
	h.t.Fatalf("no plan on the page: %d", p.StatusCode)
	return ""
}

// No key of a plan gets lost on the way through the form that revises a job. A
// key that is new to plans is among these by itself.
func TestRevisingKeepsEveryKey(t *testing.T) {
	h := newHouse(t)
	all := everyKey(t)
	plain := normal(t, planWith(nil))
	for _, name := range slices.Sorted(maps.Keys(all)) {
		text := planWith(map[string]any{name: all[name]})
		want := normal(t, text)
		if want == plain {
			t.Errorf("%s: %v changes nothing in a plan", name, all[name])
		}
		got := h.throughForm(text)
		if d := cmp.Diff(want, normal(t, got)); d != "" {
			t.Errorf("%s is lost: %s\n%s", name, d, got)
		}
	}
	every := normal(t, planWith(all))
	if d := cmp.Diff(every, normal(t, h.throughForm(planWith(all)))); d != "" {
		t.Errorf("all keys together: %s", d)
	}
	rapid.Check(t, func(rt *rapid.T) {
		some := map[string]any{}
		for _, name := range rapid.SliceOfDistinct(rapid.SampledFrom(slices.Sorted(maps.Keys(all))), rapid.ID[string]).Draw(rt, "keys") {
			some[name] = all[name]
		}
		text := planWith(some)
		if d := cmp.Diff(normal(rt, text), normal(rt, h.throughForm(text))); d != "" {
			rt.Fatal(d)
		}
	})
}

// The same of the page that has the plan as a text: putting a level in changes
// the level and nothing else.
func TestRevisePageKeepsEveryKey(t *testing.T) {
	h := newHouse(t)
	all := everyKey(t)
	delete(all, "level")
	for _, name := range slices.Sorted(maps.Keys(all)) {
		var lines strings.Builder // a plan of one key in each line, as the page can change
		var plan map[string]json.RawMessage
		if err := json.Unmarshal([]byte(planWith(map[string]any{name: all[name]})), &plan); err != nil {
			t.Fatal(err)
		}
		for _, key := range slices.Sorted(maps.Keys(plan)) {
			fmt.Fprintf(&lines, "%s: %s\n", key, strings.ReplaceAll(string(plan[key]), "\n", ""))
		}
		if got, want := h.throughPage(lines.String()), lines.String()+"level: 2.5\n"; normal(t, got) != normal(t, want) {
			t.Errorf("%s is lost: %s", name, cmp.Diff(want, got))
		}
	}
}

// What is asked for beside the plan is asked for again, also where the job made
// nothing of it yet.
func TestRevisingKeepsWhatWasAskedFor(t *testing.T) {
	h := newHouse(t)
	for _, traced := range []bool{true, false} {
		id := h.withPlan(planWith(map[string]any{"title": fmt.Sprint("traced: ", traced)}), func(q *job.Request) { q.AsTraced, q.Lane = traced, job.Bulk })
		got := values(fields(t, h.want(h.get("a", "/submit?revises="+id), http.StatusOK).body))
		if got.Get("as_traced") != "" != traced || got.Get("lane") != "bulk" || got.Get("kind") != "prepare" {
			t.Errorf("asked for as traced, %v, and bulk; the form has %q and %q", traced, got.Get("as_traced"), got.Get("lane"))
		}
		_, on := attr(t, h.want(h.get("a", "/jobs/"+id+"/revise"), http.StatusOK).body, "as_traced")["checked"]
		if on != traced {
			t.Errorf("asked for as traced, %v; the page with the plan has %v", traced, on)
		}
	}
}
