package clip

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec"
	"discsafe/pipeline/sideplan"
)

func TestSameSeedSameBytes(t *testing.T) {
	a, b, c := Make(1, 2, 0.5, "X-1"), Make(1, 2, 0.5, "X-1"), Make(1, 3, 0.5, "X-1")
	if a.SHA256 != b.SHA256 || a.Plan != b.Plan {
		t.Error("the same seed gives different sides")
	}
	if a.SHA256 == c.SHA256 {
		t.Error("two numbers give the same mix")
	}
}

// What the service is fed must be good: our own reader takes it.
func TestSideIsReadable(t *testing.T) {
	s := Make(7, 1, 0.5, "X-2")
	dir := t.TempDir()
	mix := filepath.Join(dir, s.Name)
	if err := os.WriteFile(mix, s.Mix, 0o600); err != nil {
		t.Fatal(err)
	}
	src, err := codec.Open(mix)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	if f := src.Format(); f.SampleRateHz != RateHz || src.Frames() != RateHz/2 {
		t.Errorf("%+v", f)
	}
	plan := filepath.Join(dir, "plan.yaml")
	if err := os.WriteFile(plan, []byte(s.Plan), 0o600); err != nil {
		t.Fatal(err)
	}
	p, err := sideplan.Load(plan)
	if err != nil || p.Catalogue != "X-2" {
		t.Errorf("%v, %+v", err, p)
	}
}

// An unsound mix must look good, and be found out only when its sound is read.
func TestUnsoundMixHasAGoodHead(t *testing.T) {
	s := MakeUnsound(7, 1, 0.5)
	mix := filepath.Join(t.TempDir(), s.Name)
	if err := os.WriteFile(mix, s.Mix, 0o600); err != nil {
		t.Fatal(err)
	}
	src, err := codec.Open(mix)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	if f := src.Format(); f.SampleRateHz != RateHz || src.Frames() != RateHz/2 {
		t.Errorf("%+v", f)
	}
	block, read := audio.NewBlock(1024), 0
	for err == nil {
		var n int
		n, err = src.Read(block)
		read += n
	}
	f, is := errors.AsType[*audio.FormatError](err)
	if !is || f.Code != "wav-nonfinite" || read < RateHz/8 {
		t.Errorf("after %d frames: %v", read, err)
	}
}
