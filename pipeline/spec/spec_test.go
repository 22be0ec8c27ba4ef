package spec_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"discsafe/pipeline/spec"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

type filter struct {
	CutoffHz float64 `json:"cutoff_hz" doc:"edge" unit:"Hz" min:"5" max:"40" default:"16" source:"common practice, no source"`
	Slope    int     `json:"slope" doc:"slope" unit:"dB/oct" enum:"12,24" default:"12"`
	Phase    string  `json:"phase" doc:"phase" enum:"minimum,linear" default:"minimum"`
}

type item struct {
	Name string   `json:"name" need:"true" len:"5" doc:"name"`
	EndS *float64 `json:"end_s" doc:"end" unit:"s" min:"0"`
}

type recipe struct {
	Title  string    `json:"title" doc:"title"`
	On     bool      `json:"on" doc:"switch" default:"true"`
	Count  int       `json:"count" doc:"count" max:"9"`
	Filter filter    `json:"filter" doc:"filter"`
	Items  []item    `json:"items" items:"0-3" doc:"items"`
	Tips   []float64 `json:"tips" doc:"tips" unit:"um" min:"3" max:"30" default:"18,7" items:"1-4"`
	Secret string    `json:"-"`
}

func Example() {
	var r recipe
	err := spec.Decode("recipe.yaml", []byte("titel: Invented\nfilter: {cutoff_hz: 50}\n"), &r)
	fmt.Println(err)
	// Output:
	// recipe.yaml:1:1: titel: unknown field; did you mean title?
	// recipe.yaml:2:21: filter.cutoff_hz: 50 Hz is out of range, want 5 to 40 Hz
}

func f64(v float64) *float64 { return &v }

func TestDecodeFillsDefaultsAndReadsBothSyntaxes(t *testing.T) {
	want := recipe{Title: "A \U0001F600/", On: true, Count: 3,
		Filter: filter{CutoffHz: 20.5, Slope: 24, Phase: "minimum"},
		Items:  []item{{Name: "a", EndS: f64(1e3)}, {Name: "b"}}, Tips: []float64{18, 7}}
	cases := []struct{ name, text string }{
		{"yaml", "title: \"A \U0001F600/\"\ncount: 3\nfilter:\n  cutoff_hz: 20.5\n  slope: 24\nitems:\n- name: a\n  end_s: 1000\n- name: b\n  end_s:\n"},
		{"json", `{"title": "A \ud83d\ude00\/", "count": 3, "filter": {"cutoff_hz": 2.05e1, "slope": 24}, "items": [{"name": "a", "end_s": 1e3}, {"name": "b", "end_s": null}]}`},
		{"json with tabs", "{\n\t\"title\": \"A \U0001F600/\",\n\t\"count\": 3,\n\t\"filter\": {\"cutoff_hz\": 20.5, \"slope\": 24},\n\t\"items\": [{\"name\": \"a\", \"end_s\": 1000}, {\"name\": \"b\"}]\n}\n"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := recipe{Title: "stale", Secret: "stale"}
			if err := spec.Decode("f", []byte(c.text), &got); err != nil {
				t.Fatal(err)
			}
			got.Secret = ""
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("-want +got\n%s", d)
			}
		})
	}
}

func TestDecodeFaults(t *testing.T) {
	cases := []struct{ name, text, want string }{
		{"unknown field far from all", "zzz: 1", "f:1:1: zzz: unknown field; known here: title, on, count, filter, items, tips"},
		{"field of another level", "cutoff_hz: 20", "f:1:1: cutoff_hz: unknown field; it belongs under filter"},
		{"field begun", "tit: x", "f:1:1: tit: unknown field; did you mean title?"},
		{"field with control character", "\"ti\\e\": 1", `f:1:1: "ti\x1b": unknown field; known here: title, on, count, filter, items, tips`},
		{"duplicate", "count: 1\ncount: 1", "f:2:1: count: given twice, first on line 1; keep one"},
		{"duplicate in JSON", `{"count": 1, "count": 2}`, "f:1:14: count: given twice, first on line 1; keep one"},
		{"number in quotes", `count: "3"`, `f:1:8: count: want a whole number, got the text "3"; remove the quotes`},
		{"number with unit", "filter: {cutoff_hz: 20 Hz}", `f:1:21: filter.cutoff_hz: want a number in Hz, got the text "20 Hz"; write 20 without a unit`},
		{"timecode", "filter: {cutoff_hz: '1:02.5'}", `f:1:21: filter.cutoff_hz: want a number in Hz, got the text "1:02.5"; write minutes and seconds as seconds: 62.5`},
		{"fraction for a whole number", "count: 1.5", "f:1:8: count: want a whole number, got 1.5"},
		{"octal", "count: 010", "f:1:8: count: want a whole number, got 010; write it in plain decimal digits, without leading zeros or _"},
		{"grouped digits", "count: 1_0", "f:1:8: count: want a whole number, got 1_0; write it in plain decimal digits, without leading zeros or _"},
		{"hexadecimal", "count: 0x1", "f:1:8: count: want a whole number, got 0x1; write it in plain decimal digits, without leading zeros or _"},
		{"not a number", "filter: {cutoff_hz: .nan}", "f:1:21: filter.cutoff_hz: want a number in Hz, got .nan; give a finite number"},
		{"infinite", "filter: {cutoff_hz: -.INF}", "f:1:21: filter.cutoff_hz: want a number in Hz, got -.INF; give a finite number"},
		{"overflow", "filter: {cutoff_hz: 1e999}", "f:1:21: filter.cutoff_hz: want a number in Hz, got 1e999, which is too large"},
		{"above range without lower end", "count: 10", "f:1:8: count: 10 is out of range, want 9 or less"},
		{"below range without upper end", "items: [{name: a, end_s: -1}]", "f:1:26: items[0].end_s: -1 s is out of range, want 0 s or more"},
		{"number not in list", "filter: {slope: 13}", "f:1:17: filter.slope: 13 dB/oct is not one of 12, 24"},
		{"word not in list", "filter: {phase: liner}", `f:1:17: filter.phase: "liner" is not one of minimum, linear; did you mean linear?`},
		{"yes for true", "on: yes", `f:1:5: on: want true or false, got the text "yes"; write true`},
		{"number for text", "title: 1984", `f:1:8: title: want a text, got the number 1984; put it in quotes: "1984"`},
		{"date for text", "title: 2020-01-01", `f:1:8: title: want a text, got the date 2020-01-01; put it in quotes: "2020-01-01"`},
		{"nothing for text", "title:", "f:1:7: title: want a text, got nothing; give it a value or remove the line"},
		{"nothing for number", "count:", "f:1:7: count: want a whole number, got nothing; give it a value or remove the line"},
		{"list for mapping", "filter: [1]", "f:1:9: filter: want a mapping (lines of field: value), got a list"},
		{"mapping for list", "tips: {a: 1}", "f:1:7: tips: want a list, got a mapping; write one item per line, each beginning with \"- \""},
		{"item out of range", "tips: [18, 2]", "f:1:12: tips[1]: 2 um is out of range, want 3 to 30 um"},
		{"too few items", "tips: []", "f:1:7: tips: want at least 1, got 0"},
		{"too many items", "tips: [4, 4, 4, 4, 4]", "f:1:7: tips: want at most 4, got 5"},
		{"missing field", "items: [{}]", "f:1:9: items[0].name: is missing; add it: name"},
		{"blank field", "items: [{name: \" \"}]", "f:1:16: items[0].name: is empty; give it a value: name"},
		{"text too long", "items: [{name: abcdef}]", "f:1:16: items[0].name: 6 characters, at most 5"},
		{"control character", `title: "a\u0000b"`, "f:1:8: title: holds the control character U+0000; remove it"},
		{"alias", "title: &a x\nfilter: *a", "f:1:8: an anchor (&a) is not allowed; write the value out wherever it is needed\nf:2:9: an alias (*a) is not allowed; write the value out"},
		{"merge key", "filter:\n  <<: {slope: 24}", "f:2:3: filter.\"<<\": unknown field; known here: cutoff_hz, slope, phase"},
		{"tagged value", "title: !!binary aGVsbG8=", "f:1:8: title: want a text, got a value tagged \"!!binary\""},
		{"mapping as field name", "? {a: 1}\n: 2", "f:1:3: a field name must be a word, got a mapping"},
		{"second document", "count: 1\n---\ncount: 2", "f:2:1: a second document begins here; one file holds one document: remove the --- line and what follows"},
		{"empty", "", "f: the file is empty"},
		{"only a comment", "# nothing\n", "f: the file is empty"},
		{"only a word", "hello", `f:1:1: want a mapping (lines of field: value), got the text "hello"`},
		{"deep brackets", strings.Repeat("[", 200), "f: brackets open 129 deep; is this the right file?"},
		{"deep mapping", strings.Repeat("{a: ", 40) + strings.Repeat("}", 40), "f:1:130: nested more than 32 deep; is this the right file?"},
		{"too large", strings.Repeat("#", spec.MaxBytes+1), "f: 1048577 bytes, at most 1048576 are read; is this the right file?"},
		{"too many values", strings.Repeat("- a\n", 60000), "f: more than 100000 values; is this the right file?"},
		{"all faults at once", "count: x\ntips: 3\non: 1", "f:1:8: count: want a whole number, got the text \"x\"\n" +
			"f:2:7: tips: want a list, got the number 3; write one item per line, each beginning with \"- \"\nf:3:5: on: want true or false, got the number 1"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var r recipe
			err := spec.Decode("f", []byte(c.text), &r)
			var list *spec.Error
			if !errors.As(err, &list) {
				t.Fatalf("want a *spec.Error, got %v", err)
			}
			if d := cmp.Diff(c.want, err.Error()); d != "" {
				t.Errorf("-want +got\n%s", d)
			}
			for _, f := range list.Faults {
				if f.Code == "" {
					t.Errorf("fault without a reason code: %s", f)
				}
			}
		})
	}
}

func TestSyntaxFaultNamesLine(t *testing.T) {
	const hint = "; check indentation, colons and quotes near this line"
	cases := []struct{ name, file, text, want string }{
		{"open bracket", "f", "title: x\ncount: 1\nfilter: {slope: 12\n", "f:3: not readable as YAML: did not find expected ',' or '}'" + hint},
		{"open quote", "f", "title: \"x\ncount: 1\n", "f:3: not readable as YAML: found unexpected end of stream" + hint},
		{"colon in text", "f", "title: x: y\n", "f:1: not readable as YAML: mapping values are not allowed in this context; put a text that holds a colon in quotes, and check the indentation"},
		{"indented by one", "f", "on: true\na: 1\n b: 2\n", "f:3: not readable as YAML: mapping values are not allowed in this context; put a text that holds a colon in quotes, and check the indentation"},
		{"tab", "f", "a: 1\n\tb: 2\n", "f:2: not readable as YAML: found a tab character that violates indentation; indent with spaces"},
		{"colon missing", "f", "title: x\ncount\non: true\n", "f:2: not readable as YAML: could not find expected ':'" + hint},
		{"special character", "f", "title: @x\n", "f:1: not readable as YAML: found character that cannot start any token; put a text that begins with a special character in quotes"},
		{"wrong encoding", "f", "title: \xff\n", "f: not readable as YAML: invalid leading UTF-8 octet; save the file as UTF-8"},
		{"JSON comma missing", "f.json", "{\n  \"title\": \"x\"\n  \"count\": 1\n}\n", "f.json:3:3: not readable as JSON: invalid character '\"' after object key:value pair; check commas, brackets and quotes before this place"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var r recipe
			err := spec.Decode(c.file, []byte(c.text), &r)
			if err == nil {
				t.Fatal("want a fault, got none")
			}
			if d := cmp.Diff(c.want, err.Error()); d != "" {
				t.Errorf("-want +got\n%s", d)
			}
		})
	}
}

func TestFaultListIsBounded(t *testing.T) {
	var r recipe
	err := spec.Decode("f", []byte(strings.Repeat("zz: 1\n", 1000)), &r)
	var list *spec.Error
	if !errors.As(err, &list) {
		t.Fatal(err)
	}
	last := list.Faults[len(list.Faults)-1]
	if len(list.Faults) != 51 || last.Detail != "950 more faults not listed" {
		t.Errorf("want 50 faults and the number of the rest (950), got %d, last %q", len(list.Faults), last.Detail)
	}
}

func TestValidateInMemory(t *testing.T) {
	var r recipe
	spec.SetDefaults(&r)
	if err := spec.Validate("room", &r); err != nil {
		t.Errorf("defaults must be valid: %v", err)
	}
	r.Filter.CutoffHz = math.NaN()
	r.Filter.Phase = "other"
	r.Items = []item{{EndS: f64(-1)}}
	r.Tips = []float64{1}
	want := "m: filter.cutoff_hz: want a number, got NaN; give a finite number\n" +
		"m: filter.phase: \"other\" is not one of minimum, linear\n" +
		"m: items[0].name: is empty; give it a value: name\n" +
		"m: items[0].end_s: -1 s is out of range, want 0 s or more\n" +
		"m: tips[0]: 1 um is out of range, want 3 to 30 um"
	err := spec.Validate("m", &r)
	if err == nil {
		t.Fatal("want faults, got none")
	}
	if d := cmp.Diff(want, err.Error()); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

func TestTemplateReadsBackUnchanged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want recipe
		spec.SetDefaults(&want)
		want.Title = rapid.StringMatching(`[ -~]{0,20}|true|No|1984|2020-01-01`).Draw(t, "title")
		want.On = rapid.Bool().Draw(t, "on")
		want.Count = rapid.IntRange(-100, 9).Draw(t, "count")
		want.Filter.CutoffHz = rapid.Float64Range(5, 40).Draw(t, "cutoff")
		want.Tips = rapid.SliceOfN(rapid.Float64Range(3, 30), 1, 4).Draw(t, "tips")
		text := spec.Template(&want)
		var got recipe
		if err := spec.Decode("t", []byte(text), &got); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
			t.Fatalf("-want +got\n%s\n%s", d, text)
		}
	})
}

func TestSuggest(t *testing.T) {
	names := []string{"crossover_hz", "slope", "phase", "when", "gap_s"}
	cases := []struct{ name, in, want string }{
		{"letters swapped", "corssover_hz", "crossover_hz"},
		{"unit left out", "crossover", "crossover_hz"},
		{"hyphen and capitals", "Crossover-Hz", "crossover_hz"},
		{"one letter wrong", "slape", "slope"},
		{"short name, one edit", "gaps", "gap_s"},
		{"far from all", "pitch", ""},
		{"empty", "", ""},
		{"very long", strings.Repeat("slope", 100), ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got := spec.Suggest(c.in, names); got != c.want {
				t.Errorf("want %q, got %q", c.want, got)
			}
		})
	}
}

func TestDocTable(t *testing.T) {
	want := "| field | meaning | unit | range | default | source |\n" +
		"|---|---|---|---|---|---|\n" +
		"| `title` | title |  |  |  |  |\n" +
		"| `on` | switch |  | true, false | true |  |\n" +
		"| `count` | count |  | 9 or less | 0 |  |\n" +
		"| `filter` | filter |  |  |  |  |\n" +
		"| `filter.cutoff_hz` | edge | Hz | 5 to 40 | 16 | common practice, no source |\n" +
		"| `filter.slope` | slope | dB/oct | 12, 24 | 12 |  |\n" +
		"| `filter.phase` | phase |  | minimum, linear | minimum |  |\n" +
		"| `items[]` | items |  | 0 to 3 items |  |  |\n" +
		"| `items[].name` | name |  | up to 5 characters | must be given |  |\n" +
		"| `items[].end_s` | end | s | 0 or more | none |  |\n" +
		"| `tips` | tips | um | 3 to 30 | [18, 7] |  |\n"
	if d := cmp.Diff(want, spec.Doc(recipe{})); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

func FuzzDecode(f *testing.F) {
	for _, s := range []string{"title: x\n", `{"count": 1}`, "items: [{name: a}]", "a: &a [*a]", "? x", "\ufeffcount: 1", "tips: [.nan]"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var r recipe
		err := spec.Decode("f", data, &r)
		if err == nil {
			if err := spec.Validate("f", &r); err != nil {
				t.Errorf("decoded without fault, but not valid: %v", err)
			}
			return
		}
		var list *spec.Error
		if !errors.As(err, &list) || len(list.Faults) == 0 {
			t.Errorf("want a *spec.Error with faults, got %v", err)
		}
	})
}
