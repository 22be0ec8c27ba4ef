package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"testing"
	"time"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/spec"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/testscript"
)

// The scripts run two programs: discsafe is the real one, fake the same command
// line over an engine that only pretends.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"discsafe": func() { os.Exit(mainCode()) },
		"fake": func() {
			ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			a := &app{stdout: os.Stdout, stderr: os.Stderr, engine: fakeEngine{}, now: time.Now}
			os.Exit(a.run(ctx, os.Args[1:]))
		},
	})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup:               scriptHome,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"waitfile":  waitFile,
			"code":      exitsWith,
			"isjson":    isJSON,
			"tone":      writeTone,
			"listening": waitListening,
			"until":     untilPrinted,
			"setout":    setFromOutput,
			"readme":    takeFromReadme,
			"doc":       takeFromDeploy,
		},
	})
}

// waitFile waits until a file exists.
func waitFile(ts *testscript.TestScript, _ bool, args []string) {
	for range 3000 { // half a minute: starting a process takes seconds on a loaded machine
		if _, err := os.Stat(ts.MkAbs(args[0])); err == nil {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	ts.Fatalf("%s did not appear", args[0])
}

// exitsWith runs a program and wants an exit code: code 2 fake prepare.
func exitsWith(ts *testscript.TestScript, _ bool, args []string) {
	got := "0"
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		got = strings.TrimPrefix(err.Error(), "exit status ")
	}
	if got != args[0] {
		ts.Fatalf("want exit code %s, got %s", args[0], got)
	}
}

// isJSON wants the last standard output to be one JSON value.
func isJSON(ts *testscript.TestScript, _ bool, _ []string) {
	if out := ts.ReadFile("stdout"); !json.Valid([]byte(out)) {
		ts.Fatalf("standard output is not one JSON value:\n%s", out)
	}
}

// writeTone writes two seconds of a quiet tone, a little louder on the left.
func writeTone(ts *testscript.TestScript, _ bool, args []string) {
	f, err := os.Create(ts.MkAbs(args[0]))
	ts.Check(err)
	w, err := wav.Create(f, wav.WriterParams{SampleRateHz: 44100, BitDepth: 24})
	ts.Check(err)
	l, r := make([]int32, 88200), make([]int32, 88200)
	for i := range l {
		v := math.Sin(2 * math.Pi * 440 * float64(i) / 44100)
		l[i], r[i] = int32(8e5*v), int32(6e5*v)
	}
	ts.Check(w.WriteInt(l, r))
	ts.Check(w.Close())
	ts.Check(f.Close())
}

func TestExitCodes(t *testing.T) {
	wrap := func(err error) error { return fmt.Errorf("side A: %w", err) }
	cases := []struct {
		name string
		err  error
		want int
	}{
		{"plan faults", wrap(&spec.Error{}), exitInput},
		{"unusable sound", wrap(&audio.FormatError{}), exitInput},
		{"unknown disc", wrap(&groove.UnknownDiscError{}), exitInput},
		{"impossible room", wrap(&groove.RoomError{}), exitInput},
		{"usage", &usageError{}, exitInput},
		{"told already", &printedError{&audio.FormatError{}}, exitInput},
		{"blocked", blockedError{}, exitBlocked},
		{"cancelled", wrap(context.Canceled), exitInternal},
		{"sound cut short by cancelling", &audio.FormatError{Err: context.Canceled}, exitInternal},
		{"anything else", errors.New("disk on fire"), exitInternal},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got := exitCode(c.err); got != c.want {
				t.Errorf("want %d, got %d", c.want, got)
			}
		})
	}
}

func TestProgressIsThrottled(t *testing.T) {
	clock := time.Unix(0, 0)
	var out bytes.Buffer
	v := &progressView{w: &out, now: func() time.Time { return clock }, width: 80}
	for i := range 2001 { // 20 s at 100 calls a second, the second pass from half on
		p := progress{Pass: "measuring", PassNumber: 1, Passes: 2, Fraction: float64(i%1001) / 1000}
		if i >= 1001 {
			p.Pass, p.PassNumber, p.RealTime = "writing", 2, 84.6
		}
		v.show(p)
		clock = clock.Add(10 * time.Millisecond)
	}
	v.done()
	want := "pass 1 of 2, measuring: 0 %\n" +
		"pass 1 of 2, measuring: 50 %\n" +
		"pass 1 of 2, measuring: 100 %\n" +
		"pass 2 of 2, writing: 0 % (85x real time)\n" +
		"pass 2 of 2, writing: 50 % (85x real time)\n"
	if d := cmp.Diff(want, out.String()); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

func TestTerminalLineFitsAndIsCleared(t *testing.T) {
	p := progress{Pass: "measuring", PassNumber: 1, Passes: 4, Fraction: 0.5, RealTime: 100}
	cases := []struct {
		name  string
		width int
		want  string
	}{
		{"wide", 80, "pass 1 of 4, measuring [###############...............]  50 %  100x real time"},
		{"narrow", 60, "pass 1 of 4, measuring [######......]  50 %  100x real time"},
		{"no room for a bar", 44, "pass 1 of 4, measuring   50 %  100x real ti"},
		{"one column", 1, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if d := cmp.Diff(c.want, terminalLine(p, c.width)); d != "" {
				t.Errorf("-want +got\n%s", d)
			}
		})
	}
	var out bytes.Buffer
	v := &progressView{w: &out, terminal: true, width: 80, now: time.Now}
	v.show(p)
	v.done()
	if got := out.String(); !strings.HasSuffix(got, "\r"+strings.Repeat(" ", len(cases[0].want))+"\r") {
		t.Errorf("the line is not cleared: %q", got)
	}
}
