package deploytest

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

const root = "../.."

// built is the program, made once for all tests.
var built string

func TestMain(m *testing.M) {
	code, err := run(m)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	os.Exit(code)
}

func run(m *testing.M) (int, error) {
	dir, err := os.MkdirTemp("", "discsafe-deploy-")
	if err != nil {
		return 1, err
	}
	defer os.RemoveAll(dir)
	built = filepath.Join(dir, "discsafe")
	cmd := exec.Command("go", "build", "-buildvcs=false", "-o", built, "./cmd/discsafe")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		return 1, fmt.Errorf("building the program: %w\n%s", err, out)
	}
	return m.Run(), nil
}

// read returns a file of the checkout.
func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(path)))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// files lists files of the checkout.
func files(t *testing.T, pattern string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(root, filepath.FromSlash(pattern)))
	if err != nil || len(found) == 0 {
		t.Fatalf("%s: %v, %d files", pattern, err, len(found))
	}
	return found
}

// command runs the program to its end and returns what it prints.
func command(t *testing.T, env []string, args ...string) string {
	t.Helper()
	out, err := try(t, env, args...)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func try(t *testing.T, env []string, args ...string) (string, error) {
	t.Helper()
	var errs strings.Builder
	cmd := exec.Command(built, args...)
	cmd.Env = append(os.Environ(), env...)
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("discsafe %s: %w\n%s", strings.Join(args, " "), err, errs.String())
	}
	return string(out), nil
}

// process is one that a test started; it ends with the test.
type process struct {
	name string
	cmd  *exec.Cmd
	log  *tail
	said chan string // lines of standard output
	done chan struct{}
}

// tail keeps what a process wrote last, for a test that fails.
type tail struct {
	mu    sync.Mutex
	lines []string
}

func (l *tail) add(s string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lines = append(l.lines, s); len(l.lines) > 12 {
		l.lines = l.lines[1:]
	}
}

func (l *tail) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.lines, "\n")
}

func begin(t *testing.T, name string, env []string, program string, args ...string) *process {
	t.Helper()
	p := &process{name: name, cmd: exec.Command(program, args...), log: &tail{}, said: make(chan string, 100), done: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), env...)
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	errs, err := p.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var reading sync.WaitGroup
	follow := func(r io.Reader, tell bool) {
		reading.Go(func() {
			for s := bufio.NewScanner(r); s.Scan(); {
				p.log.add(s.Text())
				if tell {
					select {
					case p.said <- s.Text():
					default: // nobody waits for it any more
					}
				}
			}
		})
	}
	follow(out, true)
	follow(errs, false)
	go func() { reading.Wait(); _ = p.cmd.Wait(); close(p.done) }()
	t.Cleanup(func() {
		p.signal(syscall.SIGCONT)
		p.end()
		if t.Failed() {
			t.Logf("last lines of %s:\n%s", name, p.log)
		}
	})
	return p
}

func (p *process) signal(s syscall.Signal) { _ = p.cmd.Process.Signal(s) } // one that has ended needs none

// end stops a process in order, or kills it after a while.
func (p *process) end() {
	p.signal(syscall.SIGTERM)
	select {
	case <-p.done:
	case <-time.After(10 * time.Second):
		p.signal(syscall.SIGKILL)
		<-p.done
	}
}

var listens = regexp.MustCompile(`^listening on (http\S+)$`)

// address waits until a process of ours says where it listens.
func (p *process) address(t *testing.T) string {
	t.Helper()
	end := time.After(30 * time.Second)
	for {
		select {
		case line := <-p.said:
			if m := listens.FindStringSubmatch(line); m != nil {
				return m[1]
			}
		case <-p.done:
			t.Fatalf("%s ended:\n%s", p.name, p.log)
		case <-end:
			t.Fatalf("%s never said where it listens:\n%s", p.name, p.log)
		}
	}
}

// port is free just now.
func port(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// get returns the body of an answer 200.
func get(url string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return "", err
	}
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err == nil && r.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", url, r.Status)
	}
	return string(b), err
}

// eventually waits until f returns nil.
func eventually(t *testing.T, within time.Duration, what string, f func() error) {
	t.Helper()
	var err error
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		if err = f(); err == nil {
			return
		}
	}
	t.Fatalf("%s: not within %s: %v", what, within, err)
}

// side writes a mix of two seconds, another for each n, and its plan.
func side(t *testing.T, dir string, n int) (plan string) {
	t.Helper()
	const rate, frames = 44100, 2 * 44100
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt ")
	b = binary.LittleEndian.AppendUint32(b, 16)
	for _, v := range []uint16{1, 2} { // PCM, two channels
		b = binary.LittleEndian.AppendUint16(b, v)
	}
	b = binary.LittleEndian.AppendUint32(b, rate)
	b = binary.LittleEndian.AppendUint32(b, 4*rate)
	b = binary.LittleEndian.AppendUint16(b, 4)
	b = binary.LittleEndian.AppendUint16(b, 16)
	b = append(b, "data"...)
	b = binary.LittleEndian.AppendUint32(b, 4*frames)
	for i := range frames {
		v := uint16(int16(2000 * math.Sin(2*math.Pi*float64(200+n)*float64(i)/rate)))
		b = binary.LittleEndian.AppendUint16(binary.LittleEndian.AppendUint16(b, v), v)
	}
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8))
	name := fmt.Sprintf("mix-%d.wav", n)
	plan = filepath.Join(dir, fmt.Sprintf("side-%d.yaml", n))
	for path, data := range map[string][]byte{
		filepath.Join(dir, name): b,
		plan:                     fmt.Appendf(nil, "side: A\ntitle: Trial %d\ndisc: 7in-45\ntracks:\n  - file: %s\n", n, name),
	} {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return plan
}
