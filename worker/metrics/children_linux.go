package metrics

import (
	"bytes"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// ticksPerSecond is the unit of times in /proc, USER_HZ; 100 on every
// architecture that Go runs on (proc_pid_stat(5), from memory).
const ticksPerSecond = 100

// children tells of the processes that this one started: the processor time of
// those that have ended and of those that run, and the memory of those that run.
func children() (cpuS float64, residentBytes int64, known bool) {
	var ended syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_CHILDREN, &ended); err != nil {
		return 0, 0, false
	}
	seconds := func(t syscall.Timeval) float64 { return float64(t.Sec) + float64(t.Usec)/1e6 }
	cpuS = seconds(ended.Utime) + seconds(ended.Stime)
	// Each thread lists the children that it started.
	lists, err := filepath.Glob("/proc/self/task/*/children")
	if err != nil {
		return cpuS, 0, true
	}
	for _, path := range lists {
		list, err := os.ReadFile(path)
		if err != nil {
			continue // the thread has ended
		}
		for pid := range strings.FieldsSeq(string(list)) {
			c, r := childOf(pid)
			cpuS, residentBytes = cpuS+c, residentBytes+r
		}
	}
	return cpuS, residentBytes, true
}

// childOf reads one process; zeros if it has ended.
func childOf(pid string) (cpuS float64, residentBytes int64) {
	stat, err := os.ReadFile("/proc/" + pid + "/stat")
	if err != nil {
		return 0, 0
	}
	return parseStat(stat)
}

// parseStat reads utime, stime and rss of /proc/PID/stat (proc_pid_stat(5): fields
// 14, 15 and 24). The second field is a name in brackets that may hold anything.
func parseStat(stat []byte) (cpuS float64, residentBytes int64) {
	i := bytes.LastIndexByte(stat, ')')
	f := strings.Fields(string(stat[i+1:])) // from field 3 on
	if i < 0 || len(f) < 22 {
		return 0, 0
	}
	number := func(field int) int64 {
		n, err := strconv.ParseInt(f[field-3], 10, 64)
		if err != nil {
			return 0
		}
		return max(0, n)
	}
	return float64(number(14)+number(15)) / ticksPerSecond, number(24) * int64(os.Getpagesize())
}
