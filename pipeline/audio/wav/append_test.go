package wav

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline/audio"

	"github.com/google/go-cmp/cmp"
)

// Appending cue points gives the bytes of a file that was written with them
// (chunks "cue " and "LIST" adtl, Multimedia Programming Interface and Data
// Specifications 1.0), as RIFF and as RF64.
func TestAppendCues(t *testing.T) {
	cues := []Cue{{ID: 1, Frame: 3, Label: "sibilance"}, {ID: 2, Frame: 100, Label: "bass"}}
	for name, limit := range map[string]int64{"RIFF": maxRIFF, "RF64": 100} {
		write := func(path string, cues []Cue) []byte {
			f, err := os.Create(path)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			w, err := Create(f, WriterParams{SampleRateHz: 48000, Encoding: audio.EncodingFloat, BitDepth: 32, Cues: cues})
			if err != nil {
				t.Fatal(err)
			}
			w.limit = limit
			x := make([]float64, 200)
			for i := range x {
				x[i] = float64(i) / 1024
			}
			if err := w.WriteFloat32(x, x); err != nil {
				t.Fatal(err)
			}
			if err := w.Close(); err != nil {
				t.Fatal(err)
			}
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
		dir := t.TempDir()
		want := write(filepath.Join(dir, "with.wav"), cues)
		path := filepath.Join(dir, "without.wav")
		write(path, nil)
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		done, err := AppendCues(f, 200, cues)
		if err != nil || !done {
			t.Fatalf("%s: %v, %v", name, done, err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s: %d bytes, want those of a file written with cue points, %d", name, len(got), len(want))
		}
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if back, err := r.Cues(); err != nil || cmp.Diff(cues, back) != "" {
			t.Errorf("%s: read back %+v, %v", name, back, err)
		}
	}
	for name, data := range map[string]string{"short": "RIFF", "other": "FORM\x00\x00\x00\x00AIFFCOMM\x00\x00\x00\x12aaaaaaaaaaaaaaaa"} {
		path := filepath.Join(t.TempDir(), "x")
		if err := os.WriteFile(path, []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		if done, err := AppendCues(f, 1, cues); err == nil || done {
			t.Errorf("%s: %v, %v", name, done, err)
		}
		f.Close()
		if b, err := os.ReadFile(path); err != nil || string(b) != data {
			t.Errorf("%s was changed", name)
		}
	}
}
