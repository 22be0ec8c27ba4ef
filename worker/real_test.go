package worker_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"discsafe/pipeline"
	"discsafe/pipeline/arrange"
	"discsafe/worker"
	"discsafe/worker/job"
	queuemem "discsafe/worker/queue/mem"
	"discsafe/worker/store"
	"discsafe/worker/store/dir"
)

// sine is a WAV file of one second: stereo, 16 bit, 44.1 kHz, with lefts and
// rights that differ.
func sine() []byte {
	const rate = 44100
	var b bytes.Buffer
	le := func(v ...any) {
		for _, x := range v {
			_ = binary.Write(&b, binary.LittleEndian, x) // a bytes.Buffer takes everything
		}
	}
	b.WriteString("RIFF")
	le(uint32(36 + rate*4))
	b.WriteString("WAVEfmt ")
	le(uint32(16), uint16(1), uint16(2), uint32(rate), uint32(rate*4), uint16(4), uint16(16))
	b.WriteString("data")
	le(uint32(rate * 4))
	for i := range rate {
		at := 2 * math.Pi * float64(i) / rate
		le(int16(8000*math.Sin(440*at)), int16(8000*math.Sin(554*at)))
	}
	return b.Bytes()
}

// The real thing: a real side through a real child process and a store on disk;
// what comes out of the store passes pipeline.Check. Beside it a plan with
// faults, a file that is no sound, and a plan that wants a file outside.
func TestRealSides(t *testing.T) {
	ctx := context.Background()
	s, err := dir.Open(t.TempDir(), dir.Options{Create: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	l, err := job.NewLedger(job.Config{Store: s, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	q := queuemem.New(queuemem.Options{}).Open()
	put := func(name, key string, data []byte) job.Input {
		t.Helper()
		sum := sha256.Sum256(data)
		if _, err := s.Put(ctx, key, bytes.NewReader(data)); err != nil {
			t.Fatal(err)
		}
		return job.Input{Name: name, Key: key, Bytes: int64(len(data)), SHA256: hex.EncodeToString(sum[:])}
	}
	good := "side: A\ntracks:\n- file: mixes/one.wav\n"
	release := "title: Invented Harbour\ntracks:\n- {file: mixes/one.wav, title: Low Water}\n- {file: mixes/one.wav, title: Ropes}\n"
	for i, c := range []struct {
		name, plan string
		kind       string
		mix        []byte
		state      job.State
		code       job.Code
		cause      string
	}{
		{"good", good, job.Prepare, sine(), job.Done, job.CodeDone, ""},
		{"analysed", good, job.Analyse, sine(), job.Done, job.CodeDone, ""},
		{"arranged", release, job.Arrange, sine(), job.Done, job.CodeDone, ""},
		{"release with faults", "sides: 3\n" + release, job.Arrange, sine(), job.Failed, job.CodePlan, "sides"},
		{"release without sound", release, job.Arrange, []byte("this is no sound at all, whatever its name says"), job.Failed, job.CodeSound, ""},
		{"release outside", "sides: 1\ntracks:\n- file: ../one.wav\n", job.Arrange, sine(), job.Failed, job.CodePlan, "file-outside"},
		{"faults", "side: A\ntrakcs: []\n", "", sine(), job.Failed, job.CodePlan, "unknown-field"},
		{"no sound", good, "", []byte("this is no sound at all, whatever its name says"), job.Failed, job.CodeSound, ""},
		{"outside", "side: A\ntracks:\n- file: /etc/passwd\n", "", sine(), job.Failed, job.CodePlan, "file-outside"},
	} {
		key := string(rune('a' + i))
		r, _, err := l.Submit(ctx, "", job.Request{Kind: c.kind, Studio: "north", Title: c.name, LengthS: 1,
			Plan: put("plan.yaml", "input/"+key+"/plan", []byte(c.plan)), Inputs: []job.Input{put("mixes/one.wav", "input/"+key+"/mix", c.mix)}})
		if err != nil {
			t.Fatal(err)
		}
		if err := q.Publish(ctx, worker.Ring(r)); err != nil {
			t.Fatal(err)
		}
		var passed []worker.Event // the worker has ended before it is read
		w, err := worker.New(worker.Options{Queue: q, Store: s, Ledger: l, Runner: process("real"), Name: "w" + key, Version: "test", Scratch: t.TempDir(), MinFree: 1,
			Observe: func(e worker.Event) {
				if e.Kind == worker.Passed {
					passed = append(passed, e)
				}
			}})
		if err != nil {
			t.Fatal(err)
		}
		run, stop := context.WithCancel(ctx)
		done := make(chan error, 1)
		go func() { done <- w.Run(run) }()
		for end := time.Now().Add(time.Minute); !r.State.Ended() && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			if r, err = l.Get(ctx, r.ID); err != nil {
				t.Fatal(err)
			}
		}
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if r.State != c.state || r.Last().Code != c.code || c.cause != "" && (r.Reason == nil || r.Reason.Cause != c.cause) {
			t.Errorf("%s: %s, %+v, %+v", c.name, r.State, r.Last(), r.Reason)
		}
		if r.State == job.Done {
			files, passes, names := 7, 5, pipeline.PassNames() // no filter is needed, which pass 1 did not expect; the ladder asks for one set more
			switch c.kind {
			case job.Analyse:
				files, passes = 4, 3
			case job.Arrange: // of two tracks on two sides there is one division in their order: two plans, arrangement, page, manifest
				files, passes, names = 5, 3, arrange.PassNames()
			}
			checkFolder(t, s, r, files)
			checkPasses(t, passed, passes, names)
		}
	}
}

// checkPasses holds that every pass was told once, in the order of the run.
func checkPasses(t *testing.T, passed []worker.Event, want int, names []string) {
	t.Helper()
	if len(passed) != want {
		t.Errorf("%d passes told, want %d: %+v", len(passed), want, passed)
	}
	for i, e := range passed {
		if !slices.Contains(names, e.Pass) || i == 0 && e.Pass != names[0] || e.Attempt != 1 || e.RealTime < 0 || e.Took < 0 || e.LengthS != 1 {
			t.Errorf("pass %d: %+v", i, e)
		}
	}
}

// checkFolder fetches a result and has the pipeline verify it.
func checkFolder(t *testing.T, s store.Store, r *job.Record, files int) {
	t.Helper()
	out := t.TempDir()
	for _, f := range r.Result.Files {
		o, err := s.Open(context.Background(), f.Key)
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(o)
		if err == nil {
			err = os.WriteFile(filepath.Join(out, f.Name), data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := o.Close(); err != nil {
			t.Fatal(err)
		}
	}
	c, err := pipeline.Check(context.Background(), out)
	if err != nil || len(c.Faults) > 0 || c.Files != files-1 || len(r.Result.Files) != files { // the manifest does not list itself
		t.Errorf("check of the result: %+v %v, %d files", c, err, len(r.Result.Files))
	}
}
