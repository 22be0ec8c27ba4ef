package web

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestSetInPlan(t *testing.T) {
	const tracks = "tracks:\n  - file: a.wav\n"
	for name, c := range map[string]struct{ in, want string }{
		"in its place":      {"side: A # x\nlevel: 1 # y\n" + tracks, "side: A # x\nlevel: -3\n" + tracks},
		"where none was":    {"side: A\n" + tracks + "notes: n\n", "side: A\nlevel: -3\n" + tracks + "notes: n\n"},
		"quoted name":       {"side: A\n\"level\": fit\n" + tracks, "side: A\nlevel: -3\n" + tracks},
		"not in a text":     {"side: A\nnotes: |\n  level: 1\n" + tracks, "side: A\nnotes: |\n  level: 1\nlevel: -3\n" + tracks},
		"last":              {"side: A\n" + tracks + "level: 2", "side: A\n" + tracks + "level: -3"},
		"over several":      {"side: A\nlevel:\n\n  fit\n\n" + tracks, "side: A\nlevel: -3\n\n" + tracks},
		"of a faulty plan":  {"side: A\nlevel: loud\n" + tracks, "side: A\nlevel: -3\n" + tracks},
		"JSON is left":      {`{"side":"A","tracks":[{"file":"a.wav"}]}`, ""},
		"end of a document": {"---\nside: A\n" + tracks + "...\n", "---\nside: A\nlevel: -3\n" + tracks + "...\n"},
		// The name stands in a text that goes over several lines.
		"a line of a text": {"side: A\nnotes: \"x\nlevel: 1\n y\"\n" + tracks, ""},
	} {
		t.Run(name, func(t *testing.T) {
			got, ok := setInPlan(c.in, "level", "-3")
			if ok != (c.want != "") || ok && got != c.want {
				t.Errorf("%q, %v; want %q", got, ok, c.want)
			}
		})
	}
}

// What a room is replaced by leaves nothing of the old one behind.
func TestSetRoomInPlan(t *testing.T) {
	in := "side: A\nroom:\n  name: Old\n  min_land_um: 20\n\n# a remark\ntracks:\n  - file: a.wav\n"
	got, ok := setInPlan(in, "room", quoted("my room.yaml"))
	if want := "side: A\nroom: \"my room.yaml\"\n\n# a remark\ntracks:\n  - file: a.wav\n"; !ok || got != want {
		t.Errorf("%q, %v", got, ok)
	}
	p, err := parsePlan(got)
	if err != nil || !p.Room.Pending || p.Room.File != "my room.yaml" {
		t.Errorf("%+v, %v", p, err)
	}
}

// Whatever the plan, either the level is what was asked for and the text is
// otherwise the same, or it is refused.
func TestSetInPlanKeepsTheRest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := rapid.Permutation([]string{"side: A\n", "title: " + quoted(rapid.String().Draw(t, "title")) + "\n", "# remark: level: 3\n", "tracks:\n  - {file: a.wav, gain_db: 1}\n", "\n",
			rapid.SampledFrom([]string{"", "level: fit\n", "level: 2 # so\n", "level:\n  1\n"}).Draw(t, "level")}).Draw(t, "order")
		in := strings.Join(parts, "")
		was, err := parsePlan(in)
		if err != nil {
			return // titles may hold what no plan takes
		}
		want := math.Round(rapid.Float64Range(-20, 6).Draw(t, "want")*100) / 100
		out, ok := setInPlan(in, "level", fmt.Sprint(want))
		if !ok {
			t.Fatalf("refused: %q", in)
		}
		is, err := parsePlan(out)
		if err != nil || is.Level.Fit || is.Level.DB != want || is.Title != was.Title || is.Tracks[0].GainDB != 1 {
			t.Fatalf("%q became %q: %v", in, out, err)
		}
		if strings.Count(out, "#") < strings.Count(in, "# remark") {
			t.Fatalf("a remark is gone: %q", out)
		}
	})
}

func TestNearFaults(t *testing.T) {
	lines := strings.Split("a b c d e f g h i j k l", " ")
	var got []int
	for _, l := range nearFaults(lines, []planFault{{Line: 2}, {Line: 11}, {Line: 0}, {Line: 99}}) {
		got = append(got, l.Number)
	}
	if fmt.Sprint(got) != "[1 2 3 4 0 9 10 11 12]" {
		t.Error(got)
	}
}
