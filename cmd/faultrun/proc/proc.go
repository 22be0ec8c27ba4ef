// Package proc runs the processes of a fault run and does to them what machines
// do: kills, stops, starves of disk. It ends only what it started, by process
// id, and everything it started ends with it: children are killed by the kernel
// when their parent dies, and Group.Close unmounts and removes the rest.
//
// Enter at Start, Group and Build. It must not know what the processes are for.
package proc

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"time"
)

// Spec says what to start.
type Spec struct {
	Name string // for people
	Args []string
	Env  []string // the whole environment
	Dir  string
	Log  string // file that standard error and output are added to
	// Ready is what a line of standard output begins with once the process serves; "": it is not waited for. What
	// follows it is Proc.Said.
	Ready string
}

// readyWithin is how long a process may take until it serves.
const readyWithin = 30 * time.Second

// Proc is a process. Make one with Start.
type Proc struct {
	Spec
	PID  int
	Said string // what followed Spec.Ready

	cmd  *exec.Cmd
	log  *os.File
	done chan struct{}
	err  error
}

// Start starts a process in a group of its own and waits until it is ready.
func Start(s Spec) (*Proc, error) {
	log, err := os.OpenFile(s.Log, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return nil, err
	}
	out, in, err := os.Pipe()
	if err != nil {
		return nil, errors.Join(err, log.Close())
	}
	p := &Proc{Spec: s, log: log, done: make(chan struct{})}
	p.cmd = exec.Command(s.Args[0], s.Args[1:]...)
	p.cmd.Env, p.cmd.Dir, p.cmd.Stdout, p.cmd.Stderr = s.Env, s.Dir, in, log
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	started := make(chan error, 1)
	go func() {
		// The kernel's signal on the parent's death is tied to the thread that started the child.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := p.cmd.Start()
		_ = in.Close()
		started <- err
		if err == nil {
			p.err = p.cmd.Wait()
			close(p.done)
		}
	}()
	if err := <-started; err != nil {
		return nil, errors.Join(fmt.Errorf("starting %s: %w", s.Name, err), out.Close(), log.Close())
	}
	p.PID = p.cmd.Process.Pid
	ready := make(chan string, 1)
	go p.listen(out, ready)
	if s.Ready == "" {
		return p, nil
	}
	select {
	case p.Said = <-ready:
		return p, nil
	case <-p.done:
		return p, fmt.Errorf("%s ended before it was ready: %w\n%s", s.Name, p.exit(), p.Tail(15))
	case <-time.After(readyWithin):
		p.Kill()
		return p, fmt.Errorf("%s was not ready within %v\n%s", s.Name, readyWithin, p.Tail(15))
	}
}

// listen copies standard output into the log and looks for the line of Ready.
func (p *Proc) listen(out *os.File, ready chan<- string) {
	defer p.log.Close()
	defer out.Close()
	r := bufio.NewReader(out)
	for {
		line, err := r.ReadString('\n')
		if line != "" {
			_, _ = io.WriteString(p.log, line)
			if rest, is := strings.CutPrefix(line, p.Ready); is && p.Ready != "" && err == nil {
				select {
				case ready <- strings.TrimSpace(rest):
				default:
				}
			}
		}
		if err != nil {
			return
		}
	}
}

func (p *Proc) exit() error {
	if p.err == nil {
		return errors.New("exit status 0")
	}
	return p.err
}

// Alive reports whether it has not ended.
func (p *Proc) Alive() bool {
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// Done is closed when it has ended.
func (p *Proc) Done() <-chan struct{} { return p.done }

// Code is the exit code of an ended process, -1 if a signal ended it.
func (p *Proc) Code() int { return p.cmd.ProcessState.ExitCode() }

// Signal sends a signal to the process alone.
func (p *Proc) Signal(s syscall.Signal) {
	if p.Alive() {
		_ = syscall.Kill(p.PID, s) // ended between the two lines is as good
	}
}

// Kill ends it at once, its group too, and waits.
func (p *Proc) Kill() {
	if p.Alive() {
		_ = syscall.Kill(p.PID, syscall.SIGKILL)
		_ = syscall.Kill(-p.PID, syscall.SIGKILL)
	}
	<-p.done
}

// Crash ends the process alone, at once, and waits: what it started must find
// out by itself.
func (p *Proc) Crash() {
	p.Signal(syscall.SIGKILL)
	<-p.done
}

// Stop asks it to end and waits at most d; then it is killed and an error says so.
func (p *Proc) Stop(d time.Duration) (took time.Duration, err error) {
	at := time.Now()
	p.Signal(syscall.SIGCONT)
	p.Signal(syscall.SIGTERM)
	select {
	case <-p.done:
		return time.Since(at), nil
	case <-time.After(d):
		p.Kill()
		return time.Since(at), fmt.Errorf("%s did not end within %v of being asked", p.Name, d)
	}
}

// Tail is the last lines of its log.
func (p *Proc) Tail(n int) string {
	b, err := os.ReadFile(p.Log)
	if err != nil {
		return err.Error()
	}
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}

// Group is everything that must be gone in the end.
type Group struct {
	mu     sync.Mutex
	procs  []*Proc
	mounts []string
	dirs   []string
	ports  []int
}

// Start starts a process of the group.
func (g *Group) Start(s Spec) (*Proc, error) {
	p, err := Start(s)
	if p != nil {
		g.mu.Lock()
		g.procs = append(g.procs, p)
		g.mu.Unlock()
	}
	return p, err
}

// Dir makes a temporary folder that goes with the group.
func (g *Group) Dir(prefix string) (string, error) {
	dir, err := os.MkdirTemp("", prefix)
	if err == nil {
		g.mu.Lock()
		g.dirs = append(g.dirs, dir)
		g.mu.Unlock()
	}
	return dir, err
}

// Mount makes dir a file system of its own in memory, of so many bytes.
func (g *Group) Mount(dir string, bytes int64) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	if err := syscall.Mount("faultrun", dir, "tmpfs", 0, fmt.Sprintf("size=%d,mode=0700", bytes)); err != nil {
		return fmt.Errorf("mounting a small file system (needs root): %w", err)
	}
	g.mu.Lock()
	g.mounts = append(g.mounts, dir)
	g.mu.Unlock()
	return nil
}

// Alive lists the processes that have not ended.
func (g *Group) Alive() []*Proc {
	g.mu.Lock()
	defer g.mu.Unlock()
	var alive []*Proc
	for _, p := range g.procs {
		if p.Alive() {
			alive = append(alive, p)
		}
	}
	return alive
}

// Close ends, unmounts and removes everything. keep leaves the folders.
func (g *Group) Close(keep bool) error {
	for _, p := range g.Alive() {
		p.Kill()
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	var errs []error
	for i := len(g.mounts) - 1; i >= 0; i-- {
		err := syscall.Unmount(g.mounts[i], 0)
		for range 50 { // files of processes just killed may still be closing
			if !errors.Is(err, syscall.EBUSY) {
				break
			}
			time.Sleep(20 * time.Millisecond)
			err = syscall.Unmount(g.mounts[i], 0)
		}
		if errors.Is(err, syscall.EBUSY) {
			err = syscall.Unmount(g.mounts[i], syscall.MNT_DETACH)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("unmounting %s: %w", g.mounts[i], err))
		}
	}
	g.mounts = nil
	if !keep && len(errs) == 0 {
		for _, d := range g.dirs {
			errs = append(errs, os.RemoveAll(d))
		}
		g.dirs = nil
	}
	return errors.Join(errs...)
}
