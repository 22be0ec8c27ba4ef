package worker_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"discsafe/pipeline"
	"discsafe/pipeline/arrange"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/sideplan"
	"discsafe/worker"
	"discsafe/worker/job"
)

// The test program is also the child process, and a worker that can be killed:
// the variable says which.
func TestMain(m *testing.M) {
	switch mode := os.Getenv("DISCSAFE_TEST_CHILD"); mode { // set by process below
	case "":
		os.Exit(m.Run())
	case "parent":
		parent()
	default:
		os.Exit(childMode(mode))
	}
}

func childMode(mode string) int {
	switch mode { // without Child
	case "silent":
		return 0
	case "exit 3":
		fmt.Fprintln(os.Stderr, "last words")
		return 3
	case "noise":
		fmt.Println("hello\n{\n[]\nnull\n{\"pass\":7}\n" + strings.Repeat("x", 3<<20))
	}
	return worker.Child(context.Background(), os.Stdin, os.Stdout, func(ctx context.Context, t worker.Task, told func(worker.Pass)) (worker.Made, error) {
		told(worker.Pass{Name: "measuring", Number: 1, Of: 3, Fraction: 0.5})
		switch mode {
		case "real":
			return prepareReally(ctx, t, told)
		case "panic":
			panic("left is right")
		case "panic elsewhere":
			go func() { panic("left is right") }()
			select {}
		case "hungry":
			var all [][]byte
			for {
				b := make([]byte, 1<<20)
				for i := 0; i < len(b); i += 4096 {
					b[i] = 1
				}
				all = append(all, b)
				runtime.KeepAlive(all)
			}
		case "one big bite":
			b := make([]byte, 8<<30)
			return worker.Made{}, fmt.Errorf("got %d bytes", len(b))
		case "busy":
			for {
				told(worker.Pass{Name: "round and round", Number: 1, Of: 1})
				time.Sleep(10 * time.Millisecond)
			}
		case "deaf", "stuck":
			for {
				time.Sleep(time.Hour)
			}
		case "patient", "patient and deaf":
			if err := os.WriteFile(filepath.Join(t.Dir, "pid"), []byte(strconv.Itoa(os.Getpid())), 0o600); err != nil {
				return worker.Made{}, err
			}
			for mode != "patient" {
				time.Sleep(time.Hour)
			}
			<-ctx.Done()
			return worker.Made{}, ctx.Err()
		case "grandchild":
			c := exec.Command("sleep", "60")
			c.Stdout, c.Stderr = os.Stdout, os.Stderr
			if err := c.Start(); err != nil {
				return worker.Made{}, err
			}
			return worker.Made{Verdict: "ready"}, os.WriteFile(filepath.Join(t.Dir, "pid"), []byte(strconv.Itoa(c.Process.Pid)), 0o600)
		case "sound":
			return worker.Made{}, fmt.Errorf("track 2: %w", &audio.FormatError{File: filepath.Join(filepath.Dir(t.Plan), "two.wav"), Code: "wav-truncated", AtS: 61, Detail: "the data end early", Hint: "export it again"})
		case "sound on a bad disk":
			return worker.Made{}, &audio.FormatError{File: "two.wav", Code: "read", AtS: -1, Detail: "cannot be read", Err: syscall.EIO}
		case "full":
			return worker.Made{}, fmt.Errorf("writing: %w", &os.PathError{Op: "write", Path: filepath.Join(t.Dir, "out"), Err: syscall.ENOSPC})
		case "internal":
			return worker.Made{}, errors.New("planner: no solution")
		case "environment":
			return worker.Made{Verdict: strings.Join(os.Environ(), "\n")}, nil
		}
		return worker.Made{Verdict: "ready", Version: "test"}, nil
	})
}

func prepareReally(ctx context.Context, t worker.Task, told func(worker.Pass)) (worker.Made, error) {
	if t.Arranges() {
		r, err := arrange.LoadConfined(t.Plan)
		if err != nil {
			return worker.Made{}, err
		}
		return worker.Made{Verdict: "ready", Version: "test"}, pipeline.PutFolder(t.Out, true, func(work string) error {
			_, err := arrange.Run(ctx, r, work, arrange.RunOptions{Version: "test", Progress: func(pass string, number, of int, fraction float64) {
				told(worker.Pass{Name: pass, Number: number, Of: of, Fraction: fraction})
			}})
			return err
		})
	}
	plan, err := sideplan.LoadConfined(t.Plan)
	if err != nil {
		return worker.Made{}, err
	}
	work := pipeline.Prepare
	if t.Analyses() {
		work = pipeline.Analyse
	}
	r, err := work(ctx, plan, pipeline.Options{OutDir: t.Out, Version: "test", AsTraced: t.AsTraced, Progress: func(p pipeline.Progress) {
		told(worker.Pass{Name: p.Pass, Number: p.PassNumber, Of: p.Passes, Fraction: p.Fraction, RealTime: p.RealTime})
	}})
	if err != nil {
		return worker.Made{}, err
	}
	return worker.Made{Verdict: string(r.Verdict.State), Version: "test"}, nil
}

// parent is a worker's process that is killed while its child works.
func parent() {
	dir := os.Getenv("DISCSAFE_TEST_DIR")
	p := process("patient and deaf") // it would not end when its input does, not for a while
	p.Run(context.Background(), worker.Task{Dir: dir, Plan: filepath.Join(dir, "plan.yaml")}, func(worker.Pass) {})
}

func process(mode string) *worker.Process {
	return &worker.Process{Command: []string{os.Args[0]}, Env: []string{"DISCSAFE_TEST_CHILD=" + mode}, Grace: 300 * time.Millisecond}
}

func task(t *testing.T) worker.Task {
	dir := t.TempDir()
	return worker.Task{Job: "j", Attempt: 1, Dir: dir, Plan: filepath.Join(dir, "in", "plan.yaml"), Out: filepath.Join(dir, "out"), MemoryBytes: 64 << 20,
		Time: 20 * time.Second, Stall: 10 * time.Second}
}

// Whatever a child does, the worker learns how it ended, and that in time.
func TestEndsOfAChild(t *testing.T) {
	for _, c := range []struct {
		mode   string
		bound  func(*worker.Task)
		code   job.Code
		detail string // stands in the reason
	}{
		{mode: "good"},
		{mode: "noise"},
		{mode: "panic", code: job.CodeCrashed, detail: "left is right"},
		{mode: "panic elsewhere", code: job.CodeCrashed, detail: "panic: left is right"},
		{mode: "silent", code: job.CodeCrashed, detail: "without a word"},
		{mode: "exit 3", code: job.CodeCrashed, detail: "last words"},
		{mode: "hungry", code: job.CodeOutOfMemory},
		{mode: "one big bite", code: job.CodeOutOfMemory},
		{mode: "busy", bound: func(t *worker.Task) { t.Time = 500 * time.Millisecond }, code: job.CodeTimedOut, detail: "500ms"},
		{mode: "stuck", bound: func(t *worker.Task) { t.Stall = 500 * time.Millisecond }, code: job.CodeStalled, detail: "500ms"},
		{mode: "sound", code: job.CodeSound, detail: "two.wav: the data end early at 1:01.000"},
		{mode: "sound on a bad disk", code: job.CodeInternal, detail: "input/output error"},
		{mode: "full", code: job.CodeNoSpace},
		{mode: "internal", code: job.CodeInternal, detail: "no solution"},
	} {
		t.Run(c.mode, func(t *testing.T) {
			t.Parallel()
			k := task(t)
			if c.bound != nil {
				c.bound(&k)
			}
			passes := 0
			o := process(c.mode).Run(t.Context(), k, func(p worker.Pass) {
				if p.Name != "" {
					passes++
				}
			})
			if c.code == "" {
				if o.Reason != nil || o.Made.Verdict != "ready" || passes != 1 {
					t.Errorf("%+v %+v, told %d times", o, o.Reason, passes)
				}
				return
			}
			if o.Reason == nil || o.Stopped {
				t.Fatalf("%+v, want reason %s", o, c.code)
			}
			all, err := json.Marshal(o.Reason)
			if err != nil {
				t.Fatal(err)
			}
			if raceOn && c.code == job.CodeOutOfMemory && o.Reason.Code == job.CodeCrashed {
				return // the race detector's own allocator meets the bound first and ends the process in its own words
			}
			if o.Reason.Code != c.code || !strings.Contains(string(all), c.detail) {
				t.Errorf("reason %s, want code %s and %q in it", all, c.code, c.detail)
			}
			if strings.Contains(o.Reason.Text, k.Dir) {
				t.Errorf("the text names the scratch folder: %s", o.Reason.Text)
			}
		})
	}
}

func TestSoundFaultIsToldToTheStudio(t *testing.T) {
	o := process("sound").Run(t.Context(), task(t), func(worker.Pass) {})
	want := job.Reason{Code: job.CodeSound, Cause: "wav-truncated", Hint: "export it again",
		Text: "A mix cannot be used. track 2: two.wav: the data end early at 1:01.000; export it again"}
	if o.Reason == nil || o.Reason.Code != want.Code || o.Reason.Cause != want.Cause || o.Reason.Hint != want.Hint || o.Reason.Text != want.Text {
		t.Errorf("got  %+v\nwant %+v", o.Reason, want)
	}
}

func TestChildIsStopped(t *testing.T) {
	for mode, atLeast := range map[string]time.Duration{"patient": 0, "deaf": 300 * time.Millisecond} {
		t.Run(mode, func(t *testing.T) {
			t.Parallel()
			ctx, cancel := context.WithCancel(t.Context())
			began := time.Now()
			o := process(mode).Run(ctx, task(t), func(worker.Pass) { cancel() })
			if took := time.Since(began); !o.Stopped || o.Reason != nil || took > 20*time.Second || took < atLeast {
				t.Errorf("%+v after %v", o, took)
			}
		})
	}
}

func TestChildKnowsNoSecrets(t *testing.T) {
	t.Setenv("AWS_SECRET_ACCESS_KEY", "canary")
	o := process("environment").Run(t.Context(), task(t), func(worker.Pass) {})
	if strings.Contains(o.Made.Verdict, "canary") || !strings.Contains(o.Made.Verdict, "GOMEMLIMIT=") || !strings.Contains(o.Made.Verdict, "TMPDIR=") {
		t.Errorf("environment of the child:\n%s", o.Made.Verdict)
	}
}

func TestNoSuchProgram(t *testing.T) {
	p := &worker.Process{Command: []string{"/nonexistent/discsafe"}}
	if o := p.Run(t.Context(), task(t), nil); o.Reason == nil || o.Reason.Code != job.CodeCannotStart {
		t.Errorf("%+v", o.Reason)
	}
	if o := (&worker.Process{}).Run(t.Context(), task(t), nil); o.Reason == nil || o.Reason.Code != job.CodeCannotStart {
		t.Errorf("%+v", o.Reason)
	}
}

// readPID waits until a child has written its number.
func readPID(t *testing.T, dir string) int {
	t.Helper()
	for range 3000 {
		data, err := os.ReadFile(filepath.Join(dir, "pid"))
		if n, perr := strconv.Atoi(string(data)); err == nil && perr == nil {
			return n
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatal("the child never began")
	return 0
}

// wantGone waits until a process has ended: it is no more, or only its entry is
// left for a parent that does not ask.
func wantGone(t *testing.T, pid int) {
	t.Helper()
	for range 1200 { // a child without a worker would end itself after 20 s
		data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if err != nil || strings.Contains(string(data), ") Z ") {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("process %d still runs", pid)
}

func TestGrandchildDoesNotOutliveTheJob(t *testing.T) {
	k := task(t)
	o := process("grandchild").Run(t.Context(), k, func(worker.Pass) {})
	if o.Made.Verdict != "ready" {
		t.Errorf("%+v %+v", o, o.Reason)
	}
	wantGone(t, readPID(t, k.Dir))
}

func TestChildDiesWithAKilledWorker(t *testing.T) {
	dir := t.TempDir()
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), "DISCSAFE_TEST_CHILD=parent", "DISCSAFE_TEST_DIR="+dir)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	pid := readPID(t, dir)
	if err := c.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = c.Wait() // killed is what it says
	wantGone(t, pid)
}
