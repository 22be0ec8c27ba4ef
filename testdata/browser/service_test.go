package browser

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

var pictures = flag.String("pictures", "", "folder for pictures of every page; empty takes none")

// built is the program, made once for all tests.
var built string

func TestMain(m *testing.M) {
	flag.Parse()
	code, err := run(m)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(code)
}

func run(m *testing.M) (int, error) {
	dir, err := os.MkdirTemp("", "discsafe-browser-")
	if err != nil {
		return 1, err
	}
	defer os.RemoveAll(dir)
	built = filepath.Join(dir, "discsafe")
	cmd := exec.Command("go", "build", "-buildvcs=false", "-o", built, "./cmd/discsafe")
	cmd.Dir = filepath.Join("..", "..")
	if out, err := cmd.CombinedOutput(); err != nil {
		return 1, fmt.Errorf("building the program: %w\n%s", err, out)
	}
	return m.Run(), nil
}

// service is one running program with everything in a folder of its own.
type service struct {
	addr string // host:port
	data string
	cmd  *exec.Cmd
	log  *logTail
}

// logTail keeps what a process wrote, for a test that fails.
type logTail struct {
	mu    sync.Mutex
	lines []string
}

func (l *logTail) add(s string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lines = append(l.lines, s); len(l.lines) > 60 {
		l.lines = l.lines[1:]
	}
}

func (l *logTail) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.lines, "\n")
}

// tokenOf makes a token in a folder.
func tokenOf(t *testing.T, data, role, studio, name string) string {
	t.Helper()
	args := []string{"token", "new", "--data", data, "--role", role, "--name", name}
	if studio != "" {
		args = append(args, "--studio", studio)
	}
	return strings.TrimSpace(command(t, args...))
}

// command runs the program to its end and returns what it prints.
func command(t *testing.T, args ...string) string {
	t.Helper()
	var errs strings.Builder
	cmd := exec.Command(built, args...)
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("discsafe %s: %v\n%s", strings.Join(args, " "), err, errs.String())
	}
	return string(out)
}

// start starts a build of the program as a service on a folder and a free port, and
// ends it with the test.
func start(t *testing.T, program, data string, more ...string) *service {
	t.Helper()
	s := &service{data: data, log: &logTail{}}
	args := append([]string{"serve", "--data", data, "--listen", "127.0.0.1:0", "--log", "text"}, more...)
	s.cmd = exec.Command(program, args...)
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	errs, err := s.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		for sc := bufio.NewScanner(errs); sc.Scan(); {
			s.log.add(sc.Text())
		}
	}()
	addr := make(chan string, 1)
	go func() {
		defer close(addr)
		for sc := bufio.NewScanner(out); sc.Scan(); {
			if a, ok := strings.CutPrefix(sc.Text(), "listening on "); ok {
				addr <- strings.TrimPrefix(a, "http://")
			}
		}
	}()
	t.Cleanup(func() { s.stop(t) })
	select {
	case a, ok := <-addr:
		if !ok {
			t.Fatalf("the service ended before it listened:\n%s", s.log)
		}
		s.addr = a
	case <-time.After(30 * time.Second):
		t.Fatalf("the service does not listen:\n%s", s.log)
	}
	return s
}

func (s *service) stop(t *testing.T) {
	if s.cmd.ProcessState != nil {
		return
	}
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Error(err)
	}
	done := make(chan struct{})
	go func() { _ = s.cmd.Wait(); close(done) }() // its status is judged where it matters
	select {
	case <-done:
	case <-time.After(30 * time.Second):
		t.Error("the service does not end; killed")
		_ = s.cmd.Process.Kill()
		<-done
	}
	if t.Failed() {
		t.Logf("last lines of the service's log:\n%s", s.log)
	}
}

func (s *service) url(path string) string { return "http://" + s.addr + path }

// demonstration makes the invented scenario once: three mixes and their plan.
var demonstration = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "discsafe-scenario-")
	if err != nil {
		return "", err
	}
	ctx, stop := context.WithTimeout(context.Background(), 2*time.Minute)
	defer stop()
	cmd := exec.CommandContext(ctx, built, "demo")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("the demonstration: %w\n%s", err, out)
	}
	return filepath.Join(dir, "discsafe-demo"), nil
})

// scenario is the folder of the demonstration, with demo-side.yaml and mixes.
func scenario(t *testing.T) string {
	t.Helper()
	dir, err := demonstration()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// submitted hands in the demonstration's side and waits; it returns the job's id.
func (s *service) submitted(t *testing.T, token string, more ...string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(file, []byte(token), 0o600); err != nil {
		t.Fatal(err)
	}
	args := append([]string{"submit", filepath.Join(scenario(t), "demo-side.yaml"), "--server", s.url(""), "--token-file", file, "--wait", "--json"}, more...)
	return idIn(t, command(t, args...))
}
