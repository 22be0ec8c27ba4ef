package arrange

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
)

// A result folder holds what its manifest says: the arrangement as it was
// returned, a page, and side plans that load beside the release.
func TestRun(t *testing.T) {
	short := []voice{voices[0], voices[1], voices[2]}
	for i := range short {
		short[i].seconds = 3
	}
	path := release(t, short, "disc: 7in-45\nkeep_order: false\n")
	r, err := LoadConfined(path)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	var told []string
	res, err := Run(context.Background(), r, dir, RunOptions{TempDir: t.TempDir(), Version: "test", Progress: func(pass string, number, of int, fraction float64) {
		if len(told) == 0 || told[len(told)-1] != pass {
			told = append(told, pass)
		}
		if number < 1 || number > of || fraction < 0 || fraction > 1 {
			t.Errorf("%s: %d of %d, %g", pass, number, of, fraction)
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	if strings.Join(told, ", ") != strings.Join(PassNames(), ", ") {
		t.Errorf("told of %q", told)
	}
	m := readResult(t, dir, report.ManifestName, report.ReadManifest)
	if damage, err := m.Verify(os.DirFS(dir)); err != nil || len(damage) > 0 || len(m.Inputs) != 3 {
		t.Errorf("%v %v, inputs %v", damage, err, m.Inputs)
	}
	got := readResult(t, dir, report.ArrangementName, report.ReadArrangement)
	a, _ := json.Marshal(got)
	b, _ := json.Marshal(res)
	if string(a) != string(b) {
		t.Errorf("written:\n%s\nreturned:\n%s", a, b)
	}
	if !got.Best[0].Holds || got.Best[0].Sides[0].PlannedLevelDB == nil || got.OuterMM != 84.15 {
		t.Errorf("got %+v", got)
	}
	for _, d := range got.Best {
		for _, s := range d.Sides {
			text, err := os.ReadFile(filepath.Join(dir, s.Plan))
			if err != nil {
				t.Fatal(err)
			}
			beside := filepath.Join(filepath.Dir(path), s.Plan)
			write(t, beside, string(text))
			p, err := sideplan.LoadConfined(beside)
			if err != nil {
				t.Fatal(err)
			}
			if p.Side != s.Side || len(p.Tracks) != len(s.Tracks) || p.Tracks[0].Title != s.Tracks[0].Title {
				t.Errorf("rank %d, side %s: %+v", d.Rank, s.Side, p.Tracks)
			}
		}
	}
}

// What fits at no level is a result that says so, without plans to cut from.
func TestRunWithoutLevel(t *testing.T) {
	short := voice{mid: 0.1, bassHz: 60, seconds: 2}
	r, err := Load(release(t, []voice{short, short, short}, "disc: {id: 7in-45, outer_mm: 60.5, inner_quality_mm: 60.4}\n"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	res, err := Run(context.Background(), r, dir, RunOptions{Version: "test"})
	if err != nil || res.Best[0].Holds || res.Best[0].Sides[0].Plan != "" {
		t.Fatalf("%+v, %v", res, err)
	}
	if m := readResult(t, dir, report.ManifestName, report.ReadManifest); len(m.Outputs) != 2 {
		t.Errorf("written: %+v", m.Outputs)
	}
}

// A release from a stranger stays in its folder, and no file is read without a
// bound.
func TestReleasesFromStrangers(t *testing.T) {
	path := release(t, []voice{{mid: 0.1, bassHz: 60, seconds: 1}}, "sides: 1\n")
	for text, code := range map[string]string{
		"sides: 1\ntracks:\n- {file: ../01.wav}\n":                    sideplan.CodeFileOutside,
		"sides: 1\nroom: /etc/room.yaml\ntracks:\n- {file: 01.wav}\n": sideplan.CodeFileOutside,
		"side: A\ntracks:\n- {file: /etc/hostname}\n":                 sideplan.CodeFileOutside,
		"sides: 1\n#" + strings.Repeat("x", spec.MaxBytes):            spec.CodeTooLarge,
		"sides: 1\ntracks:\n- {file: 01.wav, isrc: XX}\n":             sideplan.CodeISRC,
	} {
		write(t, path, text)
		_, err := LoadConfined(path)
		list, ok := errors.AsType[*spec.Error](err)
		if !ok || list.Faults[0].Code != code {
			t.Errorf("%.60q: %v, want %s", text, err, code)
		}
	}
	if _, err := Load(filepath.Dir(path)); err == nil {
		t.Error("a folder is read as a release")
	}
}

func readResult[T any](t *testing.T, dir, name string, read func(io.Reader) (T, error)) T {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	v, err := read(f)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Whatever is taken for a release gives side plans that are taken too, so that a
// job cannot fail at its end for what stood in its beginning; and its normal form
// is a release that says the same.
func FuzzRelease(f *testing.F) {
	for _, text := range []string{
		"tracks: [{file: one.wav}, {file: two.wav}]\n", "sides: 1\nsame_level: true\ndisc: 7in-45\nroom: room.yaml\ntracks: [{file: one.wav, isrc: XX-INV-26-10001, gap_s: 0, gain_db: -1.5, hold: first}]\n",
		"sides: 1\ncutting_speed: half\ndisc: {id: 7in-45, outer_mm: 70}\nroom: {groove: {width_um: 65}}\ncaps: {max_level_db: 3}\noutput: {sample_rate: 48000}\ntracks: [{file: \"a: b.wav\", title: \"'\"}]\n",
		"side: A\ntracks: [{file: one.wav}, {file: two.wav}]\n",
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := Parse("release.yaml", data)
		if err != nil {
			return
		}
		side := Side{Side: SideName(0), LevelDB: r.Caps.MaxLevelDB}
		for i := range r.Tracks {
			side.Tracks = append(side.Tracks, Place{Number: i + 1})
		}
		if r.Room.Pending {
			r.Room.Path = r.Room.File // as Load finds it
		}
		if _, err := r.plan(side, asNamed); err != nil {
			t.Fatalf("no side plan: %v", err)
		}
		if r.Room.Pending {
			return
		}
		once, err := r.Normalized()
		if err != nil {
			t.Fatal(err)
		}
		q, err := Parse("release.json", []byte(once))
		if err != nil {
			t.Fatalf("the normal form is no release: %v\n%s", err, once)
		}
		if twice, err := q.Normalized(); err != nil || twice != once {
			t.Fatalf("the normal form is not stable: %v\n%s\n%s", err, once, twice)
		}
	})
}
