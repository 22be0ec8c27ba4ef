package pipeline_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/report"
)

// wholeSide is a side of two tracks with everything in it.
func wholeSide(t *testing.T) prepared {
	t.Helper()
	dir := t.TempDir()
	put(t, filepath.Join(dir, "a.wav"), sampled(44100, 24, 3, sibilant(0.12)).bytesOfWAV(2))
	put(t, filepath.Join(dir, "b.wav"), sampled(44100, 24, 3.5, opposed(0.5)).bytesOfWAV(2))
	return prepareIn(t, dir, `side: A
title: Side for a test
artist: A band
catalogue: CAT 001
inscription: CAT-001-A
level: 1
`+innerDisc+wideCaps+`tracks:
  - {file: a.wav, title: First, isrc: XX-ABC-25-00001}
  - {file: b.wav, title: "Zweites Stück", gap_s: 2}
`, func(o *pipeline.Options) { o.AsTraced = true })
}

func TestReportIsWhole(t *testing.T) {
	p := wholeSide(t)
	raw, err := os.ReadFile(filepath.Join(p.out, pipeline.ReportName))
	if err != nil {
		t.Fatal(err)
	}
	r, err := report.Read(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Validate(); err != nil {
		t.Error(err)
	}
	for _, bad := range []string{"NaN", "Inf", "nan", "+inf"} {
		if bytes.Contains(raw, []byte(": "+bad)) || bytes.Contains(raw, []byte(":"+bad)) {
			t.Errorf("report.json holds %s", bad)
		}
	}
	finite(t, "report.json", raw)
	for _, name := range []string{pipeline.ReportPageName, pipeline.CuttingSheetName} {
		b, err := os.ReadFile(filepath.Join(p.out, name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(bytes.ToLower(b[:200]), []byte("<!doctype html>")) || !bytes.Contains(b, []byte("Side for a test")) {
			t.Errorf("%s is no page about the side", name)
		}
		for _, remote := range []string{"src=\"http", "href=\"http", "@import", "url(http", "NaN", "+Inf", "%!"} {
			if bytes.Contains(b, []byte(remote)) {
				t.Errorf("%s holds %s", name, remote)
			}
		}
	}
	if len(r.Inputs) != 2 || len(r.Outputs) != 4 || len(r.Tracks) != 2 {
		t.Errorf("%d inputs, %d outputs, %d tracks; want 2, 4, 2", len(r.Inputs), len(r.Outputs), len(r.Tracks))
	}
	for _, f := range append(append([]report.File{}, r.Inputs...), r.Outputs...) {
		dir := p.out
		if f.Role == "mix" {
			dir = p.dir
		}
		b, err := os.ReadFile(filepath.Join(dir, f.Name))
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(b)
		if f.Bytes != int64(len(b)) || f.SHA256 != hex.EncodeToString(sum[:]) {
			t.Errorf("%s: size or SHA-256 in the report is not that of the file", f.Name)
		}
	}
	if d := math.Abs(r.After.LengthS - 8.5); d > 1e-9 {
		t.Errorf("side lasts %g s, want 8.5", r.After.LengthS)
	}
}

// finite walks JSON for numbers that no reader can hold.
func finite(t *testing.T, name string, raw []byte) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	for {
		tok, err := d.Token()
		if err != nil {
			return
		}
		if n, ok := tok.(json.Number); ok {
			if v, err := n.Float64(); err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
				t.Errorf("%s holds the number %s", name, n)
			}
		}
	}
}

// EBU Tech 3285 v2: loudness fields are int16, hundredths, at fixed places
// (LoudnessValue at byte 412).
func TestBextLoudnessIsThatOfTheReport(t *testing.T) {
	p := wholeSide(t)
	b := chunksOf(t, filepath.Join(p.out, pipeline.PremasterName))["bext"]
	if len(b) < 602 {
		t.Fatalf("bext has %d bytes, want 602 and the coding history", len(b))
	}
	if v := binary.LittleEndian.Uint16(b[346:]); v != 2 {
		t.Errorf("bext version %d, want 2", v)
	}
	for i, c := range []struct {
		name string
		v    *float64
	}{
		{"integrated_lufs", p.report.After.IntegratedLUFS}, {"loudness_range_lu", p.report.After.LoudnessRangeLU},
		{"max_true_peak_dbtp", p.report.After.MaxTruePeakDBTP}, {"max_momentary_lufs", p.report.After.MaxMomentaryLUFS},
		{"max_short_term_lufs", p.report.After.MaxShortTermLUFS},
	} {
		got := int16(binary.LittleEndian.Uint16(b[412+2*i:]))
		if c.v == nil {
			if got != 0x7fff {
				t.Errorf("%s is not available, bext says %d, want 32767", c.name, got)
			}
			continue
		}
		if math.Abs(float64(got)-100**c.v) > 0.5+1e-9 {
			t.Errorf("%s is %.4f, bext says %d hundredths", c.name, *c.v, got)
		}
	}
	if history := string(b[602:]); !strings.HasPrefix(history, "A=PCM,F=44100,W=24,M=stereo") || !strings.Contains(history, "\r\n") {
		t.Errorf("coding history %q", history)
	}
}

func TestCuesStandAtTrackStarts(t *testing.T) {
	p := wholeSide(t)
	r, err := wav.Open(filepath.Join(p.out, pipeline.PremasterName))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	cues, err := r.Cues()
	if err != nil {
		t.Fatal(err)
	}
	want := []wav.Cue{{ID: 1, Frame: 0, Label: "First"}, {ID: 2, Frame: 5 * 44100, Label: "Zweites Stück"}}
	if fmt.Sprint(cues) != fmt.Sprint(want) {
		t.Errorf("cues %v, want %v", cues, want)
	}
}

func TestManifestVerifies(t *testing.T) {
	p := wholeSide(t)
	f, err := os.Open(filepath.Join(p.out, report.ManifestName))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := report.ReadManifest(f)
	if err != nil {
		t.Fatal(err)
	}
	damage, err := m.Verify(os.DirFS(p.out))
	if err != nil || len(damage) > 0 {
		t.Errorf("damage %v, error %v", damage, err)
	}
	var names []string
	for _, o := range m.Outputs {
		names = append(names, o.Name)
	}
	if got, want := strings.Join(names, " "), "as-traced.wav cutting-sheet.html difference.wav premaster.wav report.html report.json timeline.bin"; got != want {
		t.Errorf("manifest lists %s, want %s", got, want)
	}
	if len(m.Inputs) != 2 || m.Tool.Version != "test" {
		t.Errorf("manifest %+v", m)
	}
}

func TestCheckFindsNothingOnACleanFolder(t *testing.T) {
	for _, c := range []struct{ name, extra string }{{"treated", wideCaps}, {"untouched", "level: 0\n" + chainOf()}, {"16 bit", "output: {bit_depth: 16}\n"}, {"mono", "mono: true\n"}} {
		t.Run(c.name, func(t *testing.T) {
			extra := strings.ReplaceAll(c.extra, "chain:\n", "chain: []\n")
			p := prepare(t, sampled(44100, 24, 4, sibilant(0.1)), innerDisc+extra)
			got, err := pipeline.Check(context.Background(), p.out)
			if err != nil {
				t.Fatal(err)
			}
			if len(got.Faults) > 0 || got.Files != 6 || got.Measures == 0 {
				t.Errorf("%+v", got)
			}
		})
	}
}

func TestCheckFindsEveryDamage(t *testing.T) {
	mix := sampled(44100, 24, 1, sibilant(0.1))
	master := prepare(t, mix, innerDisc+wideCaps, func(o *pipeline.Options) { o.AsTraced = true })
	names := []string{"premaster.wav", "difference.wav", "as-traced.wav", "report.json", "report.html", "cutting-sheet.html", "manifest.json"}
	damages := []struct {
		name string
		do   func(t *testing.T, path string, b []byte)
	}{
		{"one bit in the middle", func(t *testing.T, path string, b []byte) { b[len(b)/2] ^= 1; put(t, path, b) }},
		{"one bit in the last byte", func(t *testing.T, path string, b []byte) { b[len(b)-1] ^= 1; put(t, path, b) }},
		{"one bit in the first byte", func(t *testing.T, path string, b []byte) { b[0] ^= 1; put(t, path, b) }},
		// Two bytes: the last one of a JSON file is a line end, which says nothing.
		{"two bytes short", func(t *testing.T, path string, b []byte) { put(t, path, b[:len(b)-2]) }},
		{"half", func(t *testing.T, path string, b []byte) { put(t, path, b[:len(b)/2]) }},
		{"empty", func(t *testing.T, path string, b []byte) { put(t, path, nil) }},
		{"one byte more", func(t *testing.T, path string, b []byte) { put(t, path, append(b, 'x')) }},
		{"gone", func(t *testing.T, path string, _ []byte) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}},
	}
	clean := tree(t, master.out)
	for _, name := range names {
		for _, d := range damages {
			t.Run(name+"/"+d.name, func(t *testing.T) {
				dir := t.TempDir()
				for n, b := range clean {
					if n != "/" {
						put(t, filepath.Join(dir, n), []byte(b))
					}
				}
				d.do(t, filepath.Join(dir, name), []byte(clean["/"+name]))
				got, err := pipeline.Check(context.Background(), dir)
				if err == nil && len(got.Faults) == 0 {
					t.Error("nothing was found")
				}
				if err == nil && name != "manifest.json" && !strings.Contains(got.Faults[0], name) {
					t.Errorf("fault %q does not name %s", got.Faults[0], name)
				}
				if err != nil && name != "manifest.json" {
					t.Errorf("damage is an error: %v", err)
				}
			})
		}
	}
	t.Run("a file more", func(t *testing.T) {
		dir := t.TempDir()
		for n, b := range clean {
			if n != "/" {
				put(t, filepath.Join(dir, n), []byte(b))
			}
		}
		put(t, filepath.Join(dir, "take2.wav"), nil)
		got, err := pipeline.Check(context.Background(), dir)
		if err != nil || len(got.Faults) != 1 || !strings.Contains(got.Faults[0], "take2.wav") {
			t.Errorf("%+v, %v", got, err)
		}
	})
	t.Run("no manifest", func(t *testing.T) {
		if _, err := pipeline.Check(context.Background(), t.TempDir()); err == nil {
			t.Error("an empty folder is no result, and no error was given")
		}
	})
}

// Manifest and report name the same inputs: a manifest that names others was
// not written with this report.
func TestCheckComparesTheInputsOfManifestAndReport(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 1, quietMusic), innerDisc+"level: 0\n")
	path := filepath.Join(p.out, report.ManifestName)
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	m, err := report.ReadManifest(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Inputs) != 1 || m.Inputs[0].SHA256 != p.report.Inputs[0].SHA256 {
		t.Fatalf("manifest inputs %+v, report %+v", m.Inputs, p.report.Inputs)
	}
	put(t, path, bytes.Replace(raw, []byte(m.Inputs[0].SHA256), []byte(strings.Repeat("ab", 32)), 1))
	got, err := pipeline.Check(context.Background(), p.out)
	if err != nil || len(got.Faults) == 0 {
		t.Errorf("%+v, %v; want a fault", got, err)
	}
}

// Somebody exchanges the premaster and makes a new manifest: the report gives
// it away.
func TestCheckMeasuresThePremaster(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 4, quietMusic), innerDisc+"level: 0\n")
	other := prepare(t, sampled(44100, 24, 4, sibilant(0.05)), innerDisc+"level: 0\n")
	b, err := os.ReadFile(filepath.Join(other.out, pipeline.PremasterName))
	if err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(p.out, pipeline.PremasterName), b)
	raw, err := os.ReadFile(filepath.Join(p.out, report.ManifestName))
	if err != nil {
		t.Fatal(err)
	}
	m, err := report.ReadManifest(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	for i, o := range m.Outputs {
		if o.Name == pipeline.PremasterName {
			if m.Outputs[i], err = report.HashOf(o.Name, bytes.NewReader(b)); err != nil {
				t.Fatal(err)
			}
		}
	}
	var out bytes.Buffer
	if err := m.Write(&out); err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(p.out, report.ManifestName), out.Bytes())
	got, err := pipeline.Check(context.Background(), p.out)
	if err != nil || len(got.Faults) == 0 {
		t.Errorf("%+v, %v; want faults of measured figures", got, err)
	}
}

// Texts of a plan may be as long as the plan allows, in any script, and the
// version is anybody's.
func TestLongAndStrangeTexts(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(44100, 24, 0.3, quietMusic).bytesOfWAV(2))
	long := strings.Repeat("\u00e4\u6f22", 100)
	text := fmt.Sprintf("side: %q\ntitle: %q\nartist: %q\ncatalogue: %q\ninscription: %q\nnotes: %q\ntracks: [{file: mix.wav, title: %q}]\n%s",
		"A\"<b>&", long, "<script>alert(1)</script>", strings.Repeat("C", 40), strings.Repeat("i", 60), strings.Repeat("n \u00fc<i>", 500), long, innerDisc)
	p := prepareIn(t, dir, text, func(o *pipeline.Options) { o.Version = strings.Repeat("v1\r\nA=", 30) })
	for _, name := range []string{pipeline.ReportPageName, pipeline.CuttingSheetName} {
		b, err := os.ReadFile(filepath.Join(p.out, name))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(b, []byte("<script>alert")) || bytes.Contains(b, []byte("A\"<b>")) {
			t.Errorf("%s holds a text of the plan as markup", name)
		}
	}
	r, err := wav.Open(filepath.Join(p.out, pipeline.PremasterName))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	b, err := r.Bext()
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Description) > 256 || strings.Count(b.CodingHistory, "\n") != 2 {
		t.Errorf("description of %d bytes; a version of several lines breaks the coding history: %q", len(b.Description), b.CodingHistory)
	}
	if got, err := pipeline.Check(context.Background(), p.out); err != nil || len(got.Faults) > 0 {
		t.Errorf("check: %+v, %v", got, err)
	}
}

// What the level was held by is said as it is: at the least level nothing is
// left to go down to.
func TestWhyOfALevelThatDoesNotHold(t *testing.T) {
	r := prepare(t, sampled(48000, 24, 3, sibilant(0.4)), innerDisc+"caps: {max_treated_share: 0.001, min_level_db: -2}\n").report
	if r.Cut.LevelDB != -2 || r.Verdict.State == report.Ready {
		t.Fatalf("level %g dB, %s; want -2 and attention", r.Cut.LevelDB, r.Verdict.State)
	}
	if strings.Contains(r.Cut.Why, "one step higher") {
		t.Errorf("why: %q, but the level itself does not hold: %+v", r.Cut.Why, r.Verdict.Reasons[0])
	}
}
