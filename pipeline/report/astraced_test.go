package report

import (
	"strings"
	"testing"
)

// tracedFixture is a side of two tracks, the second silent.
func tracedFixture() *AsTraced {
	moment := TracedMoment{StartS: 46.5, EndS: 48.5, AtS: 47.5, RadiusMM: 59.34, Track: 1, HZ: 7128, VelocityCMS: 13.74, PairHZ: []float64{272, 4714}, ProductHZ: Num(4442),
		Tips: []TracedFigures{{TipUM: 12.7, CurvatureRatio: 0.9, Second: 0.374, Third: 0.192, Inter: Num(0.023), ErrorDB: Num(-33.3)}, {TipUM: 7, CurvatureRatio: 0.08, Second: 0.04, Third: 0.0024, Inter: Num(0.0127), ErrorDB: Num(-38.4)}, {TipUM: 18, CurvatureRatio: 1.4, Second: 0.46, Third: 0.287, ErrorDB: Num(-30.3)}}}
	return &AsTraced{Basis: "the premaster as written", Model: "a round tip on a rigid wall",
		Tips:   []TracedTip{{TipUM: 12.7, Kind: "spherical", Design: true, Source: "the room's profile"}, {TipUM: 7, Kind: "elliptical", Source: "side radius, from memory"}, {TipUM: 18, Kind: "spherical", Source: "the room's profile"}},
		Angles: TracedAngles{RecordedDeg: 20, PlaybackDeg: 25, LateralDeg: 2, Source: "assumed"},
		Tracks: []TracedTrack{{Number: 1, Worst: &moment, Tips: []TracedTime{{12.7, 6.8}, {7, 0}, {18, 11.6}}, Vertical: Num(0.039), Lateral: Num(0.021)},
			{Number: 2, Tips: []TracedTime{{12.7, 0}, {7, 0}, {18, 0}}}},
		Passages: []TracedMoment{moment}, Excerpt: &TracedExcerpts{Count: 2, LengthS: 0.25, PairS: 0.021}}
}

// What the figures say is marked by word and shape; a silent track says so.
func TestTracedText(t *testing.T) {
	r := fixture()
	r.AsTraced = tracedFixture()
	v := TracedTextOf(r)
	if len(v.Tracks) != 4 || len(v.Passages) != 1 || len(v.AngleRows) != 2 {
		t.Fatalf("%d lines of tracks, %d passages, %d of angles", len(v.Tracks), len(v.Passages), len(v.AngleRows))
	}
	for i, want := range []string{"much", "reported", "lifts off", "not available"} {
		if got := v.Tracks[i].Mark; got.Word != want || got.Shape == "" {
			t.Errorf("line %d is marked %+v, want %q", i, got, want)
		}
	}
	if row := v.Passages[0]; row.StartS != 46.5 || row.EndS != 48.5 || !strings.Contains(row.Second, "37.4") || !strings.Contains(row.Inter, "2.3") {
		t.Errorf("passage: %+v", row)
	}
	if got := v.Tracks[2].Inter; got != "–" {
		t.Errorf("no intermodulation reads %q", got)
	}
	if v.Tracks[3].When != "silent" || strings.Contains(v.Sentence, "Without") {
		t.Errorf("%+v, %q", v.Tracks[3], v.Sentence)
	}
	r.AsTraced.NotTraced = "nothing was written"
	if got := TracedTextOf(r).Sentence; !strings.Contains(got, "Without intermodulation and error: nothing was written.") {
		t.Errorf("no reason in %q", got)
	}
	r.AsTraced = nil
	if TracedTextOf(r) != nil {
		t.Error("a section of a report that has none")
	}
}
