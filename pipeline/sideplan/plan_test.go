package sideplan_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
	"discsafe/pipeline/stage"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "rewrite the published schemas")

const (
	planDir = "../../testdata/plans"
	roomDir = "../../testdata/rooms"
)

func ExampleParse() {
	plan, err := sideplan.Parse("plan.yaml", []byte("side: A\ndisc: 7in-45\ntracks:\n- file: one.wav\n- file: two.wav\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(plan.Disc.ID, plan.Room.Name, plan.Level.Fit, len(plan.Chain))
	fmt.Println("gaps", plan.Tracks[0].GapS, plan.Tracks[1].GapS)

	_, err = sideplan.Parse("plan.yaml", []byte("side: A\ntracks:\n- fille: one.wav\nlevel: loud\n"))
	fmt.Println(err)
	// Output:
	// 7in-45 generic room true 6
	// gaps 0 2
	// plan.yaml:3:3: tracks[0].fille: unknown field; did you mean file?
	// plan.yaml:4:8: level: want fit or a number in dB, got the text "loud"
}

func TestDefaultsAreTheDocumentedOnes(t *testing.T) {
	p, err := sideplan.Parse("p", []byte("side: A\ntracks: [{file: one.wav}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	disc, err := groove.LookupDisc("12in-33")
	if err != nil {
		t.Fatal(err)
	}
	want := &sideplan.Plan{
		Side:         "A",
		Disc:         sideplan.Disc{Disc: disc},
		CuttingSpeed: sideplan.SpeedFull,
		Tracks:       []sideplan.Track{{File: "one.wav"}},
		Level:        sideplan.Level{Fit: true},
		Room:         sideplan.RoomRef{Room: groove.DefaultRoom()},
		Chain: []sideplan.Stage{
			{ID: "block-infrasonic", Params: defaults[stage.BlockInfrasonicParams]()},
			{ID: "band-limit", Params: defaults[stage.BandLimitParams]()},
			{ID: "sum-lows", Params: defaults[stage.SumLowsParams]()},
			{ID: "de-ess", Params: defaults[stage.DeEssParams]()},
			{ID: "limit-sides", Params: defaults[stage.LimitSidesParams]()},
			{ID: "fit-level", Params: defaults[stage.FitLevelParams]()},
		},
		Caps:   defaults[sideplan.Caps](),
		Output: sideplan.Output{BitDepth: 24},
	}
	if d := cmp.Diff(want, p); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

// defaults is a parameter struct filled from its tags, whose values their own
// package decides.
func defaults[T any]() T {
	var v T
	spec.SetDefaults(&v)
	return v
}

// The tags of the disc struct and the table of formats are two places for the
// same figures; so are the tags of the room and its constructor.
func TestDefaultTagsAgreeWithTheTables(t *testing.T) {
	var disc groove.Disc
	spec.SetDefaults(&disc)
	known, err := groove.LookupDisc(groove.DefaultDiscID)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(known, disc); d != "" {
		t.Errorf("disc: -table +tags\n%s", d)
	}
	if d := cmp.Diff(groove.DefaultRoom(), sideplan.DefaultRoom()); d != "" {
		t.Errorf("room: -constructor +tags\n%s", d)
	}
	for _, id := range groove.DiscIDs() {
		disc, err := groove.LookupDisc(id)
		if err != nil {
			t.Fatal(err)
		}
		if err := spec.Validate(id, &disc); err != nil {
			t.Errorf("a known format is outside the ranges of its tags: %v", err)
		}
	}
}

func TestExamplePlansAreReadInBothSyntaxes(t *testing.T) {
	plans := map[string]*sideplan.Plan{}
	for _, path := range examples(t, planDir) {
		data := read(t, path)
		p, err := sideplan.Parse(filepath.Base(path), data)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		plans[filepath.Base(path)] = p
	}
	if d := cmp.Diff(plans["minimal.yaml"], plans["minimal.json"]); d != "" {
		t.Errorf("minimal: -yaml +json\n%s", d)
	}
	single := plans["seven-inch-single.yaml"]
	if got := single.CutDisc().InnerHardMM; got != 54 {
		t.Errorf("the room's inner radius must replace the disc's: want 54, got %v", got)
	}
	s, ok := single.Stage(stage.SumLows)
	if p, isParams := s.Params.(stage.SumLowsParams); !ok || !isParams || p.Phase != "linear" || p.SlopeDB != 24 {
		t.Errorf("sum-lows: got %+v", s)
	}
	mono := plans["mono-reissue.yaml"]
	if mono.Disc.OuterMM != 120.9 || mono.Disc.InnerQualityMM != 62 || !mono.Disc.Inline {
		t.Errorf("an inline disc starts from the format of its id: got %+v", mono.Disc)
	}
	album := plans["twelve-inch-album.yaml"]
	if album.Tracks[0].ISRC != "XXINV2600001" || !album.Room.Pending {
		t.Errorf("album: got %+v", album.Tracks[0])
	}
}

func TestExampleRooms(t *testing.T) {
	for _, path := range examples(t, roomDir) {
		if _, err := sideplan.LoadRoom(path); err != nil {
			t.Errorf("%v", err)
		}
	}
	data := spec.Template(sideplan.DefaultRoom())
	room, err := sideplan.ParseRoom("template", []byte(data))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(groove.DefaultRoom(), room); d != "" {
		t.Errorf("the template of the generic room must read back as it: -want +got\n%s", d)
	}
}

func TestNormalFormIsStable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		fmt.Fprintf(&b, "side: %s\n", rapid.SampledFrom([]string{"A", "B", "C1"}).Draw(t, "side"))
		fmt.Fprintf(&b, "title: %q\n", rapid.StringMatching(`[ -~<>&]{0,12}`).Draw(t, "title"))
		fmt.Fprintf(&b, "disc: %s\n", rapid.SampledFrom(groove.DiscIDs()).Draw(t, "disc"))
		b.WriteString(rapid.SampledFrom([]string{"", "level: fit\n", "level: -13.25\n", "level: -0\n"}).Draw(t, "level"))
		b.WriteString(rapid.SampledFrom([]string{"", "chain: [{stage: sum-lows, crossover_hz: 90}, {stage: fit-level}]\n"}).Draw(t, "chain"))
		b.WriteString(rapid.SampledFrom([]string{"", "room: generic\n", "room: {cutter: {rms_acceleration_ceiling: 900}}\n"}).Draw(t, "room"))
		b.WriteString("tracks:\n")
		for i := range rapid.IntRange(1, 4).Draw(t, "tracks") {
			fmt.Fprintf(&b, "- file: t%d.wav\n  gain_db: %v\n", i, rapid.Float64Range(-24, 24).Draw(t, "gain"))
		}
		p, err := sideplan.Parse("p", []byte(b.String()))
		if err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		once, err := p.Normalized()
		if err != nil {
			t.Fatal(err)
		}
		q, err := sideplan.Parse("p.json", once)
		if err != nil {
			t.Fatalf("the normal form must be a plan: %v\n%s", err, once)
		}
		twice, err := q.Normalized()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(once, twice) {
			t.Fatalf("-once +twice\n%s", cmp.Diff(string(once), string(twice)))
		}
	})
}

func TestRecipeHash(t *testing.T) {
	hash := func(text string) string {
		t.Helper()
		p, err := sideplan.Parse("p", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		h, err := p.RecipeHash()
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	const base = "side: A\ntracks: [{file: one.wav}]\n"
	if hash(base) != hash("# remark\ntracks:\n- {file: one.wav, gap_s: 0, gain_db: -0}\nside: A\nlevel: fit\ndisc: 12in-33\nroom: generic\n") {
		t.Error("defaults written out must not change the hash")
	}
	if hash(base) == hash(base+"chain: [{stage: fit-level}]\n") || hash(base) == hash(base+"room: {groove: {width_um: 61}}\n") {
		t.Error("another chain or room must change the hash")
	}
	p, err := sideplan.Parse("p", []byte(base+"room: r.yaml\n"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.RecipeHash(); !errors.Is(err, sideplan.ErrRoomPending) {
		t.Errorf("want ErrRoomPending, got %v", err)
	}
}

func TestPublishedSchemas(t *testing.T) {
	cases := []struct {
		name, path string
		make       func() ([]byte, error)
	}{
		{"side plan", planDir + "/side-plan.schema.json", sideplan.PlanSchema},
		{"room", roomDir + "/room.schema.json", sideplan.RoomSchema},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, err := c.make()
			if err != nil {
				t.Fatal(err)
			}
			if !json.Valid(got) {
				t.Fatal("not valid JSON")
			}
			if *update {
				if err := os.WriteFile(c.path, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if d := cmp.Diff(string(read(t, c.path)), string(got)); d != "" {
				t.Errorf("run with -update and review: -published +generated\n%s", d)
			}
		})
	}
}

func TestDocNamesEveryField(t *testing.T) {
	doc := sideplan.Doc()
	for _, want := range []string{"| `side` |", "| `tracks[].trim.end_s` |", "| `caps.max_treated_share` |", "| `crossover_hz` |", "| `reference.velocity_cm_s` |", "### de-ess", "ask the room"} {
		if !strings.Contains(doc, want) {
			t.Errorf("the documentation lacks %q", want)
		}
	}
}

func examples(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var paths []string
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".schema.json") {
			paths = append(paths, filepath.Join(dir, e.Name()))
		}
	}
	if len(paths) == 0 {
		t.Fatalf("no examples in %s", dir)
	}
	return paths
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}
