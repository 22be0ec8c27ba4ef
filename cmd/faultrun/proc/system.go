package proc

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"discsafe/worker/volume"
)

// tick is the unit of times in /proc: USER_HZ, 100 on every Linux of today.
const tick = 10 * time.Millisecond

// CPU is the processor time a process has used.
func (p *Proc) CPU() time.Duration {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.PID))
	if err != nil {
		return 0
	}
	// The name, in parentheses, may hold blanks.
	f := strings.Fields(string(b[bytes.LastIndexByte(b, ')')+1:]))
	if len(f) < 13 {
		return 0
	}
	var sum time.Duration
	for _, s := range f[11:13] { // utime, stime
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			return 0
		}
		sum += time.Duration(n) * tick
	}
	return sum
}

// FDs is how many descriptors it holds, -1 when it has ended.
func (p *Proc) FDs() int {
	e, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", p.PID))
	if err != nil {
		return -1
	}
	return len(e)
}

// RSS is its resident memory in bytes.
func (p *Proc) RSS() int64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", p.PID))
	if err != nil {
		return 0
	}
	if f := strings.Fields(string(b)); len(f) > 1 {
		n, err := strconv.ParseInt(f[1], 10, 64)
		if err == nil {
			return n * int64(os.Getpagesize())
		}
	}
	return 0
}

// Of lists the processes of this machine that run a program file, whoever
// started them.
func Of(exe string) []int {
	var pids []int
	names, err := filepath.Glob("/proc/[0-9]*")
	if err != nil {
		return nil
	}
	for _, n := range names {
		if at, err := os.Readlink(filepath.Join(n, "exe")); err == nil && at == exe {
			if pid, err := strconv.Atoi(filepath.Base(n)); err == nil {
				pids = append(pids, pid)
			}
		}
	}
	return pids
}

// Port finds a port on loopback that nobody listens on and that was not given
// out before, below those that the kernel gives to outgoing connections.
func (g *Group) Port() (int, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for range 200 {
		n := 20000 + rand.IntN(12000)
		if slices.Contains(g.ports, n) {
			continue
		}
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", n))
		if err == nil {
			g.ports = append(g.ports, n)
			return n, l.Close()
		}
	}
	return 0, fmt.Errorf("no free port on loopback")
}

// Fill writes a file until the file system has at most left bytes, and returns
// it; removing it gives the space back.
func Fill(dir string, left int64) (path string, err error) {
	f, err := os.CreateTemp(dir, "ballast-*")
	if err != nil {
		return "", err
	}
	block := make([]byte, 64<<10)
	for {
		free, known := volume.Free(dir)
		if !known {
			_ = f.Close()
			return f.Name(), fmt.Errorf("how much room %s has is not known", dir)
		}
		if free <= left {
			return f.Name(), f.Close()
		}
		if n := free - left; n < int64(len(block)) {
			block = block[:max(512, n)]
		}
		if _, err := f.Write(block); err != nil {
			break // full: others fill it too
		}
	}
	_ = f.Close()
	return f.Name(), nil
}

// Memory is what the kernel tells of a process's memory and threads.
type Memory struct {
	RSSBytes  int64 // VmRSS
	AnonBytes int64 // RssAnon: without pages of files, such as the program itself
	Threads   int
}

// Memory reads it from /proc. It fails when the process has ended.
func (p *Proc) Memory() (Memory, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.PID))
	if err != nil {
		return Memory{}, fmt.Errorf("%s: %w", p.Name, err)
	}
	var m Memory
	found := 0
	for line := range strings.Lines(string(b)) {
		name, rest, _ := strings.Cut(line, ":")
		f := strings.Fields(rest)
		if len(f) == 0 {
			continue
		}
		n, err := strconv.ParseInt(f[0], 10, 64)
		if err != nil {
			continue // a line of words
		}
		switch name {
		case "VmRSS":
			m.RSSBytes = n << 10
		case "RssAnon":
			m.AnonBytes = n << 10
		case "Threads":
			m.Threads = int(n)
		default:
			continue
		}
		found++
	}
	if found != 3 {
		return Memory{}, fmt.Errorf("%s: /proc tells no resident memory: has it ended?", p.Name)
	}
	return m, nil
}
