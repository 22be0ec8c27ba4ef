package report

import (
	"bytes"
	"html"
	"regexp"
	"strings"
	"testing"
)

// arrangement is one of two sides, made up; a title tries to be markup.
func arrangement() *Arrangement {
	level := 2.3
	side := func(name string, n int, end float64) ArrangedSide {
		return ArrangedSide{Side: name, LevelDB: 2.5, PlannedLevelDB: &level, LengthS: 754, EndRadiusMM: end, CurvatureRatio: 1.12, DeEssS: 3.4, Plan: "rank-1-side-" + strings.ToLower(name) + ".yaml",
			Tracks: []ArrangedTrack{{Number: n, Title: "Low <b>Water", RadiusMM: 146.3}, {Number: n + 1, Title: "Ropes", RadiusMM: 101.5}, {Number: n + 2, File: "mixes/last-ferry.wav", RadiusMM: 90}}}
	}
	best := Division{Rank: 1, Holds: true, DifferenceDB: 0.2, LevelDB: -1.5, CurvatureRatio: 1.12, Sides: []ArrangedSide{side("A", 1, 74.2), side("B", 4, 66)}}
	return &Arrangement{Schema: ArrangementSchema, Title: "Invented Harbour", Disc: "12in-33", Room: "generic room", CuttingSpeed: "full", Sides: 2, OuterMM: 146.3, InnerMM: 60.3,
		Objective: "least difference", Proof: ArrangementProof{Optimal: true, Method: "every division weighed", Weighed: 7}, Best: []Division{best}}
}

func TestArrangementPage(t *testing.T) {
	bound, gap := 1.2, 0.4
	for name, c := range map[string]struct {
		change func(*Arrangement)
		want   []string
	}{
		"proven":     {func(*Arrangement) {}, []string{"proven best", "nothing is better than the first one", "Side A: 1 to 3, ending with last-ferry.wav; side B: 4 to 6, ending with last-ferry.wav.", "+2.3\u202fdB", "\u22121.5\u202fdB", "12:34\u202fmin", "1.12 of the limit", "to be treated", "ends at"}},
		"not proven": {func(a *Arrangement) { a.Proof = ArrangementProof{BoundLevelDB: &bound, GapDB: &gap, Weighed: 1} }, []string{"not proven best", "+1.2\u202fdB, which is 0.4\u202fdB more than was found", "1 division was weighed"}},
		"none":       {func(a *Arrangement) { a.Best[0].Holds = false }, []string{"nothing holds", "holds at no level", "No division holds at any level"}},
	} {
		a := arrangement()
		c.change(a)
		var b, again bytes.Buffer
		if err := WriteArrangementHTML(&b, a); err != nil {
			t.Fatal(name, err)
		}
		if err := WriteArrangementHTML(&again, a); err != nil || again.String() != b.String() {
			t.Errorf("%s: the same arrangement gave another page, %v", name, err)
		}
		for _, want := range c.want {
			if !strings.Contains(html.UnescapeString(b.String()), want) {
				t.Errorf("%s: %q is not on the page", name, want)
			}
		}
		if strings.Contains(b.String(), "Low <b>") {
			t.Errorf("%s: a title is markup", name)
		}
		tags := strings.Join(anyTag.FindAllString(b.String(), -1), "\n")
		if m := regexp.MustCompile(`(?i)<(script|img|link|iframe|form|base)\b|\s(src|action|on\w+)\s*=|url\(`).FindString(tags); m != "" {
			t.Errorf("%s: a tag would fetch or run something (%q)", name, m)
		}
	}
}

// What an arrangement says is read back as it was; what cannot be is refused.
func TestArrangementFile(t *testing.T) {
	var b bytes.Buffer
	if err := arrangement().Write(&b); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	a, err := ReadArrangement(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	var again bytes.Buffer
	if err := a.Write(&again); err != nil || again.String() != text {
		t.Errorf("%v\n%s", err, again.String())
	}
	for was, is := range map[string]string{`"discsafe-arrangement/1"`: `"discsafe-arrangement/2"`, `"rank": 1`: `"rank": 2`, `"optimal": true`: `"optimal": false`, `"title": "Invented`: `"colour": "blue", "title": "Invented`} {
		bad := strings.Replace(text, was, is, 1)
		if bad == text {
			t.Fatalf("%s is not in %s", was, text)
		}
		if _, err := ReadArrangement(strings.NewReader(bad)); err == nil {
			t.Errorf("%s is taken for %s", is, was)
		}
	}
}

func TestPlayedText(t *testing.T) {
	for want, numbers := range map[string][]int{"1": {1}, "1, 2": {1, 2}, "1 to 3": {1, 2, 3}, "3, 1, 2": {3, 1, 2}, "7, 1 to 4, 6": {7, 1, 2, 3, 4, 6}, "3, 2, 1": {3, 2, 1}} {
		var list []ArrangedTrack
		for _, n := range numbers {
			list = append(list, ArrangedTrack{Number: n})
		}
		if got := playedText(list); got != want {
			t.Errorf("%v: %q, want %q", numbers, got, want)
		}
		list[len(list)-1].Title = "Low Water"
		if got := playedText(list); got != want+", ending with Low Water" {
			t.Errorf("%v: %q", numbers, got)
		}
	}
}
