package service

import (
	"bytes"
	"context"
	"encoding/binary"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"discsafe/api/client"
	"discsafe/pipeline"
	"discsafe/pipeline/sideplan"
	"discsafe/worker"

	"go.uber.org/goleak"
)

// The test binary is also the child of a worker.
func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == worker.RunJob {
		os.Exit(worker.Child(context.Background(), os.Stdin, os.Stdout, prepare))
	}
	goleak.VerifyTestMain(m)
}

func prepare(ctx context.Context, t worker.Task, told func(worker.Pass)) (worker.Made, error) {
	plan, err := sideplan.LoadConfined(t.Plan)
	if err != nil {
		return worker.Made{}, err
	}
	r, err := pipeline.Prepare(ctx, plan, pipeline.Options{OutDir: t.Out, Version: "test", AsTraced: t.AsTraced, Progress: func(p pipeline.Progress) {
		told(worker.Pass{Name: p.Pass, Number: p.PassNumber, Of: p.Passes, Fraction: p.Fraction, RealTime: p.RealTime})
	}})
	if err != nil {
		return worker.Made{}, err
	}
	return worker.Made{Verdict: string(r.Verdict.State), Version: "test"}, nil
}

// own is the options of a service on loopback in a folder of the test.
func own(t *testing.T, data string) Options {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return Options{API: true, Worker: true, Version: "test", Program: []string{exe}, Data: data,
		Bind: Bind{Addr: "127.0.0.1:0"}, Metrics: "127.0.0.1:0", Limits: Limits{MinFree: 1 << 20, Rate: 1000, Burst: 1000}, Grace: -1}
}

// run opens a service and serves until stop, which waits for its end.
func run(t *testing.T, o Options) (s *Service, stop func()) {
	t.Helper()
	s, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx) }()
	over := false
	stop = func() {
		if over {
			return
		}
		over = true
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(stop)
	return s, stop
}

// dial makes a client of a service.
func dial(t *testing.T, server, token string, change func(*client.Options)) *client.Client {
	t.Helper()
	o := client.Options{Server: server, Token: token}
	if change != nil {
		change(&o)
	}
	c, err := client.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// side writes a plan and its one mix of some seconds, and returns the plan's
// path.
func side(t *testing.T, dir string, seconds int) string {
	t.Helper()
	const rate = 44100
	var b bytes.Buffer
	le := func(v ...any) {
		for _, x := range v {
			_ = binary.Write(&b, binary.LittleEndian, x) // a bytes.Buffer takes everything
		}
	}
	n := uint32(rate * seconds * 4)
	b.WriteString("RIFF")
	le(36 + n)
	b.WriteString("WAVEfmt ")
	le(uint32(16), uint16(1), uint16(2), uint32(rate), uint32(rate*4), uint16(4), uint16(16))
	b.WriteString("data")
	le(n)
	for i := range rate * seconds {
		at := 2 * math.Pi * float64(i) / rate
		b.Write(binary.LittleEndian.AppendUint16(nil, uint16(int16(8000*math.Sin(440*at)))))
		b.Write(binary.LittleEndian.AppendUint16(nil, uint16(int16(8000*math.Sin(554*at)))))
	}
	plan := filepath.Join(dir, "side.yaml")
	for path, data := range map[string][]byte{plan: []byte("side: A\ntitle: Invented\ntracks:\n- file: one.wav\n"), filepath.Join(dir, "one.wav"): b.Bytes()} {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return plan
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

// eventually waits for something that takes its time on a busy machine.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); {
		if time.Now().After(end) {
			t.Fatalf("not within 30 s: %s", what)
		}
		time.Sleep(20 * time.Millisecond)
	}
}
