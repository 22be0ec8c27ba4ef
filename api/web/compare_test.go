package web

import (
	"strings"
	"testing"

	"discsafe/pipeline/report"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestLessWords(t *testing.T) {
	for name, c := range map[string]struct{ a, b, want string }{
		"same":         {"26.0\u202f\u00b5m", "26.0\u202f\u00b5m", ""},
		"more":         {"\u221214.7\u202fLUFS", "\u221213.8\u202fLUFS", "0.9\u202fLUFS"},
		"less":         {"2 dB", "0.25 dB", "\u22121.75 dB"},
		"other unit":   {"2 dB", "2 um", "yes"},
		"words":        {"none", "2 dB", "yes"},
		"a time":       {"1:20", "1:21", "yes"},
		"only first":   {"2 dB", "", "only one has it"},
		"thousands":    {"9\u202f584\u202fm/s\u00b2", "6\u202f299\u202fm/s\u00b2", "\u22123285\u202fm/s\u00b2"},
		"to thousands": {"982\u202fm/s\u00b2", "1\u202f006\u202fm/s\u00b2", "24\u202fm/s\u00b2"},
		"below digits": {"0.1 dB", "0.10 dB", "0.00 dB"},
	} {
		if got := lessWords(c.a, c.b); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

func TestPairedLeavesNothingOut(t *testing.T) {
	row := func(name, after string) report.Row { return report.Row{Measure: name, Before: "0 dB", After: after} }
	a := []report.Section{{Title: "One", Rows: []report.Row{row("x", "1 dB"), row("only a", "2 dB")}}}
	b := []report.Section{{Title: "One", Rows: []report.Row{row("x", "3 dB"), row("only b", "4 dB")}}, {Title: "Two", Rows: []report.Row{row("x", "5 dB")}}, {Title: "Empty"}}
	want := []pairedSection{
		{Title: "One", Rows: []pairedRow{{Measure: "x", Before: "0 dB", A: "1 dB", B: "3 dB", Differs: "2 dB"}, {Measure: "only a", Before: "0 dB", A: "2 dB", Differs: "only one has it"}, {Measure: "only b", Before: "0 dB", B: "4 dB", Differs: "only one has it"}}},
		{Title: "Two", Rows: []pairedRow{{Measure: "x", Before: "0 dB", B: "5 dB", Differs: "only one has it"}}},
	}
	if d := cmp.Diff(want, paired(a, b)); d != "" {
		t.Error(d)
	}
	if got := paired(a, nil); got != nil {
		t.Errorf("without a report: %v", got)
	}
}

// Taking the lines marked - and + gives back each of the two texts, as far as
// they are shown; with every line different all are.
func TestDiffGivesBothBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", "c", ""}), 1, 12)
		a, b := lines.Draw(t, "a"), lines.Draw(t, "b")
		diff, tooLong := diffLines(a, b)
		if tooLong {
			t.Fatal("too long")
		}
		if strings.Join(a, "\n") == strings.Join(b, "\n") {
			if diff != nil {
				t.Fatalf("%v for the same text", diff)
			}
			return
		}
		// Every line of the difference must come in its text, in order.
		i, j := 0, 0
		for _, l := range diff {
			for l.Sign == "-" || l.Sign == " " {
				if i == len(a) {
					t.Fatalf("%q is not in the first", l.Text)
				}
				if i++; a[i-1] == l.Text {
					break
				}
			}
			for l.Sign == "+" || l.Sign == " " {
				if j == len(b) {
					t.Fatalf("%q is not in the second", l.Text)
				}
				if j++; b[j-1] == l.Text {
					break
				}
			}
		}
		gone, came := 0, 0
		for _, l := range diff {
			switch l.Sign {
			case "-":
				gone++
			case "+":
				came++
			}
		}
		if len(a)-gone != len(b)-came {
			t.Fatalf("%d lines less and %d more between %d and %d", gone, came, len(a), len(b))
		}
	})
}
