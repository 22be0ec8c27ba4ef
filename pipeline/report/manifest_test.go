package report

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"testing/fstest"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
)

// Source: NIST example values for SHA-256, FIPS 180-4 ("abc").
func TestHashOfPublishedVector(t *testing.T) {
	got, err := HashOf("x.bin", strings.NewReader("abc"))
	if err != nil {
		t.Fatal(err)
	}
	want := FileHash{"x.bin", 3, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	boom := errors.New("boom")
	if _, err := HashOf("x.bin", iotest.ErrReader(boom)); !errors.Is(err, boom) || !strings.Contains(err.Error(), "x.bin") {
		t.Errorf("got %v, want an error that names the file and its cause", err)
	}
}

func folder() (fstest.MapFS, *Manifest) {
	dir := fstest.MapFS{"premaster.wav": {Data: []byte("pcm")}, "report.json": {Data: []byte("{}")}, "sub/page.html": {Data: []byte("<p>")}, ManifestName: {Data: []byte("self")}}
	m := &Manifest{Schema: ManifestSchema, Tool: Tool{Name: "discsafe", Version: "1"}, RecipeSHA256: hash("r"), Inputs: []FileHash{{"mix.wav", 9, hash("i")}}}
	for _, n := range []string{"report.json", "sub/page.html", "premaster.wav"} {
		h, _ := HashOf(n, bytes.NewReader(dir[n].Data))
		m.Outputs = append(m.Outputs, h)
	}
	return dir, m
}

func TestManifestVerify(t *testing.T) {
	tests := []struct {
		name   string
		damage func(fstest.MapFS)
		want   []Damage
	}{
		{"whole", func(fstest.MapFS) {}, nil},
		{"missing", func(d fstest.MapFS) { delete(d, "premaster.wav") }, []Damage{{Name: "premaster.wav", Kind: Missing}}},
		{"truncated", func(d fstest.MapFS) { d["premaster.wav"].Data = []byte("pc") }, []Damage{{Name: "premaster.wav", Kind: WrongSize, Want: "3", Got: "2"}}},
		{"one bit flipped", func(d fstest.MapFS) { d["premaster.wav"].Data = []byte("qcm") }, []Damage{{Name: "premaster.wav", Kind: WrongHash}}},
		{"extra", func(d fstest.MapFS) { d["sub/spare"] = &fstest.MapFile{} }, []Damage{{Name: "sub/spare", Kind: Extra}}},
		{"two swapped", func(d fstest.MapFS) {
			d["sub/page.html"], d["premaster.wav"] = d["premaster.wav"], d["sub/page.html"]
		}, []Damage{{Name: "premaster.wav", Kind: WrongHash}, {Name: "sub/page.html", Kind: WrongHash}}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			dir, m := folder()
			tc.damage(dir)
			got, err := m.Verify(dir)
			if err != nil {
				t.Fatal(err)
			}
			for i := range got {
				if got[i].Error() == "" || !strings.Contains(got[i].Error(), got[i].Name) {
					t.Errorf("damage %v does not name its file", got[i])
				}
				if got[i].Kind != WrongSize {
					got[i].Want, got[i].Got = "", ""
				}
			}
			if d := cmp.Diff(tc.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestManifestRoundTripAndRefusals(t *testing.T) {
	_, m := folder()
	var b bytes.Buffer
	if err := m.Write(&b); err != nil {
		t.Fatal(err)
	}
	if i, j := strings.Index(b.String(), "premaster.wav"), strings.Index(b.String(), "report.json"); i > j {
		t.Error("outputs are not in order of name")
	}
	back, err := ReadManifest(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	var again bytes.Buffer
	if err := back.Write(&again); err != nil || again.String() != b.String() {
		t.Errorf("written again differs (%v)", err)
	}
	for name, bad := range map[string]string{"traversal": "../etc/passwd", "absolute": "/etc/passwd", "itself": ManifestName, "blank": "", "twice": "report.json"} {
		t.Run(name, func(t *testing.T) {
			_, m := folder()
			m.Outputs = append(m.Outputs, FileHash{bad, 1, hash("x")})
			if err := m.Write(&bytes.Buffer{}); err == nil {
				t.Errorf("output name %q was accepted", bad)
			}
		})
	}
}

func TestRecipeHash(t *testing.T) {
	base, _ := RecipeHash("1", map[string]int{"a": 1, "b": 2}, "room")
	same, _ := RecipeHash("1", map[string]int{"b": 2, "a": 1}, "room")
	if base != same {
		t.Error("equal recipes hash differently")
	}
	for name, got := range map[string]string{"version": second(RecipeHash("2", map[string]int{"a": 1, "b": 2}, "room")), "plan": second(RecipeHash("1", nil, "room")), "room": second(RecipeHash("1", map[string]int{"a": 1, "b": 2}, "other"))} {
		if got == base {
			t.Errorf("another %s gives the same hash", name)
		}
	}
	if _, err := RecipeHash("1", func() {}, nil); err == nil {
		t.Error("a plan that is not data was accepted")
	}
}

func second(s string, _ error) string { return s }
