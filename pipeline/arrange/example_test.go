package arrange_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline/arrange"
	"discsafe/pipeline/audio/wav"
)

// quiet writes some seconds of silence, the simplest of programmes.
func quiet(path string, seconds int) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w, err := wav.Create(f, wav.WriterParams{SampleRateHz: 44100, BitDepth: 24})
	if err != nil {
		return err
	}
	n := make([]int32, 44100*seconds)
	return errors.Join(w.WriteInt(n, n), w.Close(), f.Close())
}

func Example() {
	dir, err := os.MkdirTemp("", "release")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	text := "title: Invented Harbour\ndisc: 7in-45\ntracks:\n"
	for i, seconds := range []int{12, 8, 20} {
		name := fmt.Sprintf("%d.wav", i+1)
		if err := quiet(filepath.Join(dir, name), seconds); err != nil {
			fmt.Println(err)
			return
		}
		text += "- file: " + name + "\n"
	}
	path := filepath.Join(dir, "release.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		fmt.Println(err)
		return
	}
	release, err := arrange.Load(path)
	if err != nil {
		fmt.Println(err)
		return
	}
	album, err := arrange.Measure(context.Background(), release, arrange.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	res, err := album.Search(context.Background())
	if err := errors.Join(err, album.Close()); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("proven best:", res.Proof.Optimal)
	for _, s := range res.Best[0].Sides {
		fmt.Printf("side %s: %d tracks, %.0f s, level %+.1f dB\n", s.Side, len(s.Tracks), s.LengthS, s.LevelDB)
	}
	// Output:
	// proven best: true
	// side A: 1 tracks, 12 s, level +6.0 dB
	// side B: 2 tracks, 30 s, level +6.0 dB
}

func FuzzParse(f *testing.F) {
	f.Add("title: a\ntracks:\n- {file: a.wav, hold: first}\n- {file: b.wav}\nsides: 2\n")
	f.Add(`{"tracks":[{"file":"a.wav","hold":"place"}],"sides":1,"room":{"name":"x"}}`)
	f.Fuzz(func(t *testing.T, text string) {
		r, err := arrange.Parse("release", []byte(text))
		if err == nil && (len(r.Tracks) == 0 || r.Sides < 1 || r.Sides > len(r.Tracks)) {
			t.Errorf("taken: %s", strings.ToValidUTF8(text, "?"))
		}
	})
}
