package proc

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

func shell(t *testing.T, g *Group, script, ready string) *Proc {
	t.Helper()
	p, err := g.Start(Spec{Name: "shell", Args: []string{"/bin/sh", "-c", script}, Ready: ready, Dir: t.TempDir(), Log: filepath.Join(t.TempDir(), "log")})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestReadyLineAndOrderlyEnd(t *testing.T) {
	var g Group
	defer g.Close(false)
	p := shell(t, &g, `trap 'exit 7' TERM; echo starting; echo "here at 42"; while :; do sleep 0.05; done`, "here at ")
	if p.Said != "42" || !p.Alive() {
		t.Errorf("said %q, alive %v", p.Said, p.Alive())
	}
	if _, err := p.Stop(20 * time.Second); err != nil || p.Code() != 7 {
		t.Errorf("%v, exit code %d", err, p.Code())
	}
}

func TestEndBeforeReadyIsTold(t *testing.T) {
	var g Group
	defer g.Close(false)
	_, err := g.Start(Spec{Name: "shell", Args: []string{"/bin/sh", "-c", "echo no such store >&2; exit 3"}, Ready: "x", Dir: t.TempDir(), Log: filepath.Join(t.TempDir(), "log")})
	if err == nil || !strings.Contains(err.Error(), "no such store") || !strings.Contains(err.Error(), "exit status 3") {
		t.Errorf("%v", err)
	}
}

func TestFrozenProcessIsStoppedAllTheSame(t *testing.T) {
	var g Group
	defer g.Close(false)
	p := shell(t, &g, "echo up; while :; do sleep 0.05; done", "up")
	p.Signal(syscall.SIGSTOP)
	if _, err := p.Stop(20 * time.Second); err != nil || p.Code() != -1 {
		t.Errorf("%v, exit code %d", err, p.Code())
	}
}

func TestCloseLeavesNothing(t *testing.T) {
	var g Group
	dir, err := g.Dir("proc-test-")
	if err != nil {
		t.Fatal(err)
	}
	p := shell(t, &g, "trap '' TERM; echo up; sleep 1000 & wait", "up")
	if len(g.Alive()) != 1 || p.FDs() < 1 || p.RSS() < 1 {
		t.Errorf("%d alive, %d descriptors, %d bytes", len(g.Alive()), p.FDs(), p.RSS())
	}
	if err := g.Close(false); err != nil {
		t.Error(err)
	}
	if p.Alive() || p.FDs() != -1 {
		t.Error("it is alive")
	}
	if _, err := os.Stat(dir); !os.IsNotExist(err) {
		t.Errorf("the folder is there: %v", err)
	}
}

func TestPortsAreGivenOutOnce(t *testing.T) {
	var g Group
	seen := map[int]bool{}
	for range 50 {
		p, err := g.Port()
		if err != nil || seen[p] {
			t.Fatalf("port %d again, or %v", p, err)
		}
		seen[p] = true
	}
}

func TestMemoryTellsOfALivingProcessOnly(t *testing.T) {
	log := filepath.Join(t.TempDir(), "log")
	p, err := Start(Spec{Name: "sleeper", Args: []string{"/bin/sleep", "60"}, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	m, err := p.Memory()
	if err != nil || m.Threads != 1 || m.AnonBytes <= 0 || m.RSSBytes < m.AnonBytes {
		t.Errorf("%+v, %v: want one thread, and some resident memory of which anonymous is a part", m, err)
	}
	p.Kill()
	if m, err := p.Memory(); err == nil {
		t.Errorf("of a process that has ended: %+v", m)
	}
}
