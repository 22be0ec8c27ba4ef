package worker

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

func setOwnGroup(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
}

func (c *child) killGroup() { _ = unix.Kill(-c.cmd.Process.Pid, unix.SIGKILL) }

// residentBytes is the memory a process holds that it shares with no file; 0
// when the system does not tell.
func residentBytes(pid int) int64 {
	_, resident, shared, err := statm(strconv.Itoa(pid))
	if err != nil {
		return 0
	}
	return max(0, resident-shared)
}

// statm reads sizes of a process in bytes (proc(5)).
func statm(pid string) (size, resident, shared int64, err error) {
	data, err := os.ReadFile("/proc/" + pid + "/statm")
	if err != nil {
		return 0, 0, 0, err
	}
	f := bytes.Fields(data)
	if len(f) < 3 {
		return 0, 0, 0, fmt.Errorf("/proc/%s/statm: %q", pid, data)
	}
	var v [3]int64
	for i := range v {
		if v[i], err = strconv.ParseInt(string(f[i]), 10, 64); err != nil {
			return 0, 0, 0, err
		}
		v[i] *= int64(os.Getpagesize())
	}
	return v[0], v[1], v[2], nil
}

// confine bounds the address space of this process. The runtime has reserved
// hundreds of megabytes at its start that it never touches, so the bound counts
// from there; arenas are reserved 64 MiB at a time.
func confine(bytes int64) error {
	if bytes <= 0 {
		return nil
	}
	size, _, _, err := statm("self")
	if err != nil {
		return fmt.Errorf("bounding memory: %w", err)
	}
	most := uint64(size + bytes + bytes/4 + 128<<20)
	var now unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_AS, &now); err != nil {
		return fmt.Errorf("bounding memory: %w", err)
	}
	most = min(most, now.Max)
	if err := unix.Setrlimit(unix.RLIMIT_AS, &unix.Rlimit{Cur: most, Max: most}); err != nil {
		return fmt.Errorf("bounding memory: %w", err)
	}
	return nil
}
