package pipeline_test

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/audio/wav"
)

// A burst of treble far beyond the cap gives a note with its time, its place in the
// spectrum and how much less would do; the text and the cue points of the
// difference say the same.
func TestAdvice(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 4, sibilant(0.12)), innerDisc+"level: 2\ncaps: {max_reduction_db: 3, max_treated_share: 1, max_level_db: 6}\n")
	r := p.report
	if len(r.Advice) != 1 {
		t.Fatalf("%d notes: %+v", len(r.Advice), r.Advice)
	}
	a := r.Advice[0]
	// The burst is 10 kHz from 1.5 to 1.7 s; its speed and acceleration tell the
	// frequency of a sine exactly, 10 % for the music under it.
	if a.Track != 1 || a.StartS < 1.3 || a.StartS > 1.6 || a.HZ == nil || math.Abs(*a.HZ/10000-1) > 0.1 || !strings.Contains(a.Band, "cymbals") {
		t.Errorf("%+v", a)
	}
	for _, s := range r.Stages {
		if s.ID == a.Stage && (s.MaxChangeDB == nil || math.Abs(*s.MaxChangeDB-a.ChangeDB) > 0.051 || math.Abs(a.CapDB-(a.ChangeDB+3)) > 0.051) {
			t.Errorf("stage %s changes by %v, the note says %g and %g for the cap of 3 dB", s.ID, *s.MaxChangeDB, a.ChangeDB, a.CapDB)
		}
	}
	text, err := os.ReadFile(filepath.Join(p.out, "advice.txt"))
	if err != nil || !strings.Contains(string(text), a.Text) {
		t.Errorf("advice.txt: %v, %s", err, text)
	}
	d, err := wav.Open(filepath.Join(p.out, "difference.wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	cues, err := d.Cues()
	if err != nil || len(cues) != 1 || cues[0].Frame != int64(math.Round(a.StartS*44100)) || !strings.Contains(cues[0].Label, "de-ess") {
		t.Errorf("cue points %+v, %v", cues, err)
	}
	if got, err := pipelineCheck(p.out); err != nil || len(got) > 0 {
		t.Errorf("check: %v, %v", got, err)
	}
	quiet := prepare(t, sampled(44100, 24, 2, quietMusic), innerDisc)
	if len(quiet.report.Advice) > 0 {
		t.Errorf("a side within the caps gets advice: %+v", quiet.report.Advice)
	}
	if _, err := os.Stat(filepath.Join(quiet.out, "advice.txt")); err == nil {
		t.Error("a side within the caps has an advice.txt")
	}
}

// Of equal channels a mono listener loses nothing, of opposed ones everything;
// closed forms as in package monosum. A mono cut has nothing to lose.
func TestMonoCheck(t *testing.T) {
	of := func(sign float64) wave {
		return func(at float64) (l, r float64) {
			v := 0.1 * gate(at, 0.1, 3.9) * sine(500, at)
			return v, sign * v
		}
	}
	same := prepare(t, sampled(44100, 24, 4, of(1)), "level: 0\nchain: []\n").report.MonoCheck
	if same == nil || same.LossDB == nil || *same.LossDB > 0.001 || len(same.Passages) > 0 || len(same.Bands) != 10 {
		t.Errorf("equal channels: %+v", same)
	}
	opposed := prepare(t, sampled(44100, 24, 4, of(-1)), "level: 0\nchain: []\n").report.MonoCheck
	if opposed.LossDB != nil || len(opposed.Passages) != 1 || !opposed.Passages[0].Vanishes || opposed.Passages[0].Track != 1 {
		t.Errorf("opposed channels: %+v", opposed)
	}
	mono := prepare(t, sampled(44100, 24, 2, of(1)), "mono: true\n").report
	if mono.MonoCheck.Unavailable == "" || mono.Proof.MonoExact == nil || !*mono.Proof.MonoExact {
		t.Errorf("mono cut: %+v", mono.MonoCheck)
	}
}

func pipelineCheck(dir string) ([]string, error) {
	c, err := pipeline.Check(context.Background(), dir)
	if err != nil {
		return nil, err
	}
	return c.Faults, nil
}
