package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
	"discsafe/worker"
	"discsafe/worker/job"
)

// What a task's outcome looks like from the worker's side, with the engine of
// the scripts in place of the real one.
func TestRunTask(t *testing.T) {
	for _, c := range []struct {
		title, verdict string
		bad            bool
	}{{"plain", "ready", false}, {"blocked", "blocked", false}, {"fails", "", true}, {"cracked", "", true}} {
		t.Run(c.title, func(t *testing.T) {
			dir := t.TempDir()
			plan := filepath.Join(dir, "plan.yaml")
			if err := errors.Join(os.WriteFile(plan, []byte("side: A\ntitle: "+c.title+"\ntracks:\n- file: one.wav\n"), 0o600),
				os.WriteFile(filepath.Join(dir, "one.wav"), []byte("x"), 0o600)); err != nil {
				t.Fatal(err)
			}
			told := 0
			made, err := (&app{engine: fakeEngine{}}).runTask(context.Background(), worker.Task{Plan: plan, Out: filepath.Join(dir, "out")}, func(worker.Pass) { told++ })
			if (err != nil) != c.bad || made.Verdict != c.verdict || told != 3 {
				t.Errorf("made %+v, %v, told %d times", made, err, told)
			}
		})
	}
}

func TestRunTaskKeepsToItsFolder(t *testing.T) {
	plan := filepath.Join(t.TempDir(), "plan.yaml")
	if err := os.WriteFile(plan, []byte("side: A\ntracks:\n- file: /etc/passwd\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := (&app{engine: fakeEngine{}}).runTask(context.Background(), worker.Task{Plan: plan}, func(worker.Pass) {})
	if !isType[*spec.Error](err) {
		t.Errorf("%v, want a fault of the plan", err)
	}
}

// The whole way: a process of this program, as a worker starts it.
func TestRunJobProcess(t *testing.T) {
	p := &worker.Process{Command: []string{"discsafe", worker.RunJob}}
	dir := t.TempDir()
	o := p.Run(context.Background(), worker.Task{Dir: dir, Plan: filepath.Join(dir, "in", "plan.yaml"), Out: filepath.Join(dir, "out"), MemoryBytes: 256 << 20}, func(worker.Pass) {})
	if o.Reason == nil || o.Reason.Code != job.CodePlan || len(o.Reason.Faults) != 1 || o.Reason.Faults[0].Code != "file-missing" || o.Reason.Faults[0].File != "plan.yaml" {
		t.Errorf("a plan that is not there: %+v %+v", o, o.Reason)
	}
}

// asked notes what the engine was asked for.
type asked struct {
	fakeEngine
	opt *workOptions
}

func (a asked) Prepare(ctx context.Context, plan *sideplan.Plan, opt workOptions) (*report.Report, error) {
	*a.opt = opt
	return a.fakeEngine.Prepare(ctx, plan, opt)
}

// A release from a stranger keeps to its folder too; without sound it ends as a
// mix that cannot be used, and nothing is written.
func TestRunTaskArranges(t *testing.T) {
	dir := t.TempDir()
	release, out := filepath.Join(dir, "plan.yaml"), filepath.Join(dir, "out")
	if err := os.WriteFile(filepath.Join(dir, "one.wav"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for text, bad := range map[string]func(error) bool{
		"sides: 1\ntracks:\n- file: /etc/passwd\n": isType[*spec.Error],
		"sides: 1\ntracks:\n- file: one.wav\n":     isType[*audio.FormatError],
	} {
		if err := os.WriteFile(release, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := (&app{engine: fakeEngine{}}).runTask(t.Context(), worker.Task{Kind: job.Arrange, Plan: release, Out: out}, func(worker.Pass) {})
		if !bad(err) {
			t.Errorf("%q: %v", text, err)
		}
	}
	if _, err := os.Stat(out); !os.IsNotExist(err) {
		t.Errorf("something was written: %v", err)
	}
}

func TestRunTaskKinds(t *testing.T) {
	for kind, want := range map[string]bool{"": false, job.Prepare: false, job.Analyse: true} {
		dir := t.TempDir()
		plan := filepath.Join(dir, "plan.yaml")
		if err := errors.Join(os.WriteFile(plan, []byte("side: A\ntracks:\n- file: one.wav\n"), 0o600), os.WriteFile(filepath.Join(dir, "one.wav"), []byte("x"), 0o600)); err != nil {
			t.Fatal(err)
		}
		var opt workOptions
		if _, err := (&app{engine: asked{opt: &opt}}).runTask(t.Context(), worker.Task{Kind: kind, Plan: plan, Out: filepath.Join(dir, "out")}, func(worker.Pass) {}); err != nil || opt.Analyse != want {
			t.Errorf("kind %q: analyse %v, error %v", kind, opt.Analyse, err)
		}
	}
}
