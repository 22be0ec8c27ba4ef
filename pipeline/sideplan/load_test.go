package sideplan_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline/sideplan"

	"github.com/google/go-cmp/cmp"
)

// folder writes files, given as name and text, into a new folder. A name that
// ends in / makes a folder.
func folder(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(name, "/") {
			if err := os.MkdirAll(path, 0o755); err != nil {
				t.Fatal(err)
			}
			continue
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestLoadResolvesAgainstThePlansFolder(t *testing.T) {
	dir := folder(t, map[string]string{
		"plans/a.yaml":        "side: A\nroom: ../rooms/r.yaml\ntracks:\n- file: mixes/one.wav\n",
		"plans/mixes/one.wav": "RIFF",
		"rooms/r.yaml":        "name: example\ngroove: {width_um: 55}\n",
	})
	p, err := sideplan.Load(filepath.Join(dir, "plans/a.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if p.Room.Name != "example" || p.Room.Groove.WidthUM != 55 || p.Room.Pending {
		t.Errorf("room: got %+v", p.Room)
	}
	if want := filepath.Join(dir, "plans/mixes/one.wav"); p.Tracks[0].Path != want {
		t.Errorf("track: want %s, got %s", want, p.Tracks[0].Path)
	}
	if p.Dir != filepath.Join(dir, "plans") {
		t.Errorf("dir: got %s", p.Dir)
	}
	a, err := p.Normalized()
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(a), dir) {
		t.Error("the normal form must not hold the folder, or equal plans in two folders would differ")
	}
}

func TestLoadFaults(t *testing.T) {
	const plan = "side: A\ntracks:\n- file: one.wav\n"
	cases := []struct {
		name     string
		confined bool
		files    map[string]string
		want     string
	}{
		{"plan missing", false, nil,
			"DIR/p.yaml: no such file"},
		{"plan is a folder", false, map[string]string{"p.yaml/": ""},
			"DIR/p.yaml: is not a file that can be read; name one file"},
		{"track missing", false, map[string]string{"p.yaml": plan},
			`DIR/p.yaml:3:9: tracks[0].file: no file "DIR/one.wav"; names are taken relative to the plan's folder`},
		{"track is a folder", false, map[string]string{"p.yaml": plan, "one.wav/": ""},
			`DIR/p.yaml:3:9: tracks[0].file: "DIR/one.wav" is a folder; name one file`},
		{"room missing", false, map[string]string{"p.yaml": plan + "room: r.yaml\n", "one.wav": ""},
			`DIR/p.yaml:4:7: room: no file "DIR/r.yaml"; names are taken relative to the plan's folder`},
		{"fault in the room file", false, map[string]string{"p.yaml": plan + "room: r.yaml\nlevel: x\n", "one.wav": "", "r.yaml": "\ngrove: {}\n"},
			"DIR/p.yaml:5:8: level: want fit or a number in dB, got the text \"x\"\nDIR/r.yaml:2:1: grove: unknown field; did you mean groove?"},
		{"room file that does not suit the disc", false, map[string]string{"p.yaml": plan + "disc: 7in-45\nroom: r.yaml\n", "one.wav": "", "r.yaml": "radius: {inner_mm: 100}\n"},
			"DIR/p.yaml:5:7: room: its radius does not suit the disc 7in-45: inner_quality_mm 100 is not below outer_mm 84.15; correct radius in the room, or choose another disc"},
		{"confined, leads out", true, map[string]string{"p.yaml": "side: A\ntracks: [{file: ../one.wav}]\n"},
			`DIR/p.yaml:2:17: tracks[0].file: "../one.wav" leads out of the plan's folder; put the file beside the plan and name it without .. or a leading /`},
		{"confined, absolute", true, map[string]string{"p.yaml": "side: A\ntracks: [{file: one.wav}]\nroom: /etc/room.yaml\n", "one.wav": ""},
			`DIR/p.yaml:3:7: room: "/etc/room.yaml" leads out of the plan's folder; put the file beside the plan and name it without .. or a leading /`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			dir := folder(t, c.files)
			load := sideplan.Load
			if c.confined {
				load = sideplan.LoadConfined
			}
			_, err := load(filepath.Join(dir, "p.yaml"))
			if err == nil {
				t.Fatal("want a fault, got none")
			}
			if d := cmp.Diff(c.want, strings.ReplaceAll(err.Error(), dir, "DIR")); d != "" {
				t.Errorf("-want +got\n%s", d)
			}
		})
	}
}

func TestConfinedFollowsLinks(t *testing.T) {
	outside := folder(t, map[string]string{"secret.wav": "x"})
	dir := folder(t, map[string]string{"p.yaml": "side: A\ntracks: [{file: one.wav}]\n"})
	if err := os.Symlink(filepath.Join(outside, "secret.wav"), filepath.Join(dir, "one.wav")); err != nil {
		t.Fatal(err)
	}
	if _, err := sideplan.Load(filepath.Join(dir, "p.yaml")); err != nil {
		t.Errorf("a plan of one's own may link to files elsewhere: %v", err)
	}
	if _, err := sideplan.LoadConfined(filepath.Join(dir, "p.yaml")); err == nil || !strings.Contains(err.Error(), "leads out of the plan's folder") {
		t.Errorf("a plan from a stranger may not: got %v", err)
	}
}

func FuzzPlan(f *testing.F) {
	for _, c := range badPlans() {
		f.Add([]byte(c.text))
	}
	f.Add([]byte("side: A\ntracks: [{file: one.wav}]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := sideplan.Parse("p.yaml", data)
		if err != nil {
			return
		}
		if p.Room.Pending {
			return
		}
		once, err := p.Normalized()
		if err != nil {
			t.Fatalf("a valid plan has no normal form: %v", err)
		}
		q, err := sideplan.Parse("p.json", once)
		if err != nil {
			t.Fatalf("the normal form is no plan: %v\n%s", err, once)
		}
		twice, err := q.Normalized()
		if err != nil || string(once) != string(twice) {
			t.Fatalf("normal form is not stable: %v\n%s\n%s", err, once, twice)
		}
	})
}

func FuzzRoom(f *testing.F) {
	for _, c := range badRooms() {
		f.Add([]byte(c.text))
	}
	f.Add([]byte("name: example\ngroove: {width_um: 55}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		room, err := sideplan.ParseRoom("r.yaml", data)
		if err != nil {
			return
		}
		if err := room.Validate(); err != nil {
			t.Fatalf("read without fault, but impossible: %v", err)
		}
	})
}
