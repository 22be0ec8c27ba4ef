package report

import (
	"math"
	"strings"
	"testing"
)

func TestNumber(t *testing.T) {
	tests := []struct {
		name     string
		v        float64
		decimals int
		number   string
		signed   string
	}{
		{"plain", 1.25, 1, "1.2", "+1.2"}, // half to even, as Go's strconv
		{"negative has a true minus", -3.14159, 2, "\u22123.14", "\u22123.14"},
		{"zero has no sign", 0, 1, "0.0", "0.0"},
		{"what rounds to zero has no sign", -0.04, 1, "0.0", "0.0"},
		{"thousands", 1234567, 0, "1\u202f234\u202f567", "+1\u202f234\u202f567"},
		{"three digits stay together", 999, 0, "999", "+999"},
		{"grouped with decimals", -14210.5, 1, "\u221214\u202f210.5", "\u221214\u202f210.5"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			if got := number(tc.v, tc.decimals); got != tc.number {
				t.Errorf("number: got %q, want %q", got, tc.number)
			}
			if got := signed(tc.v, tc.decimals); got != tc.signed {
				t.Errorf("signed: got %q, want %q", got, tc.signed)
			}
		})
	}
}

func TestClock(t *testing.T) {
	tests := []struct {
		name  string
		s     float64
		long  string
		short string
	}{
		{"start", 0, "0:00.000", "0:00"},
		{"milliseconds", 61.0625, "1:01.063", "1:01"},
		{"rounding carries into the minute", 59.9996, "1:00.000", "1:00"},
		{"above an hour stays in minutes", 3725, "62:05.000", "62:05"},
		{"before the start", -1.5, "\u22120:01.500", "\u22120:02"},
		{"not a number", math.NaN(), absent, absent},
		{"endless", math.Inf(1), absent, absent},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			if got := clock(tc.s); got != tc.long {
				t.Errorf("clock: got %q, want %q", got, tc.long)
			}
			if got := clockShort(tc.s); got != tc.short {
				t.Errorf("clockShort: got %q, want %q", got, tc.short)
			}
		})
	}
}

func TestProse(t *testing.T) {
	tests := []struct{ name, in, want string }{
		{"micrometres", "at 71 um depth", "at 71\u202fµm depth"},
		{"acceleration", "of 9000 m/s2.", "of 9000\u202fm/s²."},
		{"slew", "300 um/s at most", "300\u202fµm/s at most"},
		{"formulas", "below V2/R and V tan(beta)/sqrt2", "below V²/R and V tan β/√2"},
		{"negative number", "a ceiling of -0.3 dBTP (-12 to -3), high-pass 2-3", "a ceiling of \u22120.3 dBTP (\u221212 to \u22123), high-pass 2-3"},
		{"not a unit", "um 3 umbrellas", "um 3 umbrellas"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			if got := prose(tc.in); got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

// Source: IEC 60098:2020 6.2 (in-phase channels of equal level move the groove
// sideways): lateral is sqrt(2) times the velocity of one channel; rms is peak
// over sqrt(2). 5 cm/s lateral peak is 3.54 cm/s per channel, as test record
// listings have it.
func TestReferenceText(t *testing.T) {
	tests := []struct {
		name string
		in   Reference
		want string
	}{
		{"lateral peak", Reference{5, "lateral", "peak", 1000, -14}, "(peak: 5.00\u202fcm/s lateral, 3.54\u202fcm/s per channel)"},
		{"channel peak", Reference{5, "channel", "peak", 1000, -14}, "(peak: 7.07\u202fcm/s lateral, 5.00\u202fcm/s per channel)"},
		{"lateral rms", Reference{5, "lateral", "rms", 1000, -14}, "(peak: 7.07\u202fcm/s lateral, 5.00\u202fcm/s per channel)"},
		{"channel rms", Reference{5, "channel", "rms", 1000, -14}, "(peak: 10.00\u202fcm/s lateral, 7.07\u202fcm/s per channel)"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			if got := referenceText(tc.in); !strings.Contains(got, tc.want) {
				t.Errorf("got %q, want it to say %q", got, tc.want)
			}
		})
	}
}

func TestRowStates(t *testing.T) {
	lim := Limits{MinLandUM: Num(10), MaxDepthUM: Num(80), CurvatureRatio: Num(1)}
	make := func(land, depth, curvature *float64) Measures {
		return Measures{Groove: Groove{MinLandUM: land, MaxDepthUM: depth, CurvatureRatioMax: curvature}, Unavailable: map[string]string{"groove.min_land_um": "silence"}}
	}
	tests := []struct {
		name                  string
		after                 Measures
		land, depth, curvture mark
		margin                string // of land
	}{
		{"within", make(Num(12.5), Num(70), Num(0.9)), markWithin, markWithin, markWithin, "+2.5\u202fµm"},
		{"on the limit", make(Num(10), Num(80), Num(1)), markWithin, markWithin, markWithin, "0.0\u202fµm"},
		{"over", make(Num(-3), Num(81), Num(1.2)), markOver, markOver, markLook, "\u221213.0\u202fµm"},
		{"no value", make(nil, Num(70), Num(0.9)), markAbsent, markWithin, markWithin, absent},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			got := map[string]row{}
			for _, r := range rowsOf(groove, tc.after, tc.after, lim, false) {
				got[r.Measure] = r
			}
			if r := got["Least land"]; r.Mark != tc.land || r.Margin != tc.margin {
				t.Errorf("land: got %v margin %q, want %v margin %q", r.Mark, r.Margin, tc.land, tc.margin)
			}
			if r := got["Greatest groove depth"]; r.Mark != tc.depth {
				t.Errorf("depth: got %v, want %v", r.Mark, tc.depth)
			}
			if r := got["Curvature ratio, design tip (1 is the limit)"]; r.Mark != tc.curvture {
				t.Errorf("curvature: got %v, want %v", r.Mark, tc.curvture)
			}
		})
	}
}

func TestSettingsFollowTheDocument(t *testing.T) {
	in := raw(`{"b":{"width_um":60.50,"on":true},"a":["x",7],"ceiling":null,"text":"","low":-14}`)
	notes := []Note{{In: "room", Field: "b.width_um", Unit: "um", AskRoom: true}, {In: "room", Field: "a", Unit: "mm"}, {In: "plan", Field: "low", Unit: "dB"}, {In: "room", Field: "ceiling", Unit: "m/s2"}}
	want := []setting{
		{Field: "b.width_um", Value: "60.50\u202fµm", Ask: true}, {Field: "b.on", Value: "yes"}, {Field: "a[1]", Value: "x"}, {Field: "a[2]", Value: "7\u202fmm"},
		{Field: "ceiling", Value: "blank"}, {Field: "text", Value: "blank"}, {Field: "low", Value: "\u221214"},
	}
	got := settings(in, "room", notes)
	if len(got) != len(want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Errorf("line %d: got %+v, want %+v", i, got[i], want[i])
		}
	}
	if got := settings(raw(`{"a":`), "room", nil); len(got) != 0 {
		t.Errorf("damaged JSON gave %v", got)
	}
}
