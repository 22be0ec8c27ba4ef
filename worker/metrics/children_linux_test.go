package metrics

import (
	"math"
	"os"
	"os/exec"
	"testing"
)

// The name of a process may hold brackets and blanks: fields are counted from
// the last bracket on (proc_pid_stat(5)).
func TestParseStat(t *testing.T) {
	page := int64(os.Getpagesize())
	const rest = " S 1 2 3 4 5 6 7 8 9 10 150 50 13 14 15 16 17 18 19 20 25 22 23 24"
	for _, c := range []struct {
		name, stat string
		cpuS       float64
		resident   int64
	}{
		{"plain", "12 (discsafe)" + rest, 2, 25 * page},
		{"hostile name", "12 (a) R 1 (b 9 9" + ")" + rest, 2, 25 * page},
		{"short", "12 (discsafe) S 1 2", 0, 0},
		{"no name", "12", 0, 0},
		{"empty", "", 0, 0},
		{"no numbers", "12 (x) S a b c d e f g h i j k l m n o p q r s t u v w", 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			if cpuS, r := parseStat([]byte(c.stat)); cpuS != c.cpuS || r != c.resident {
				t.Errorf("%g s, %d bytes; want %g, %d", cpuS, r, c.cpuS, c.resident)
			}
		})
	}
}

// A child is seen while it runs, and what it used is kept when it has ended.
func TestChildren(t *testing.T) {
	before, _, known := children()
	if !known {
		t.Fatal("not known on Linux")
	}
	c := exec.Command("sh", "-c", "i=0; while [ $i -lt 60000 ]; do i=$((i+1)); done; echo; read x")
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err == nil {
		err = c.Start()
	}
	if err == nil {
		_, err = out.Read(make([]byte, 1)) // it has counted
	}
	if err != nil {
		t.Fatal(err)
	}
	running, resident, _ := children()
	if err := in.Close(); err != nil {
		t.Fatal(err)
	}
	_ = c.Wait() // read fails at the end of input, so its code is 1
	after, _, _ := children()
	if used := c.ProcessState.UserTime() + c.ProcessState.SystemTime(); math.Abs(after-before-used.Seconds()) > 0.001 {
		t.Errorf("ended: %g s, the process itself says %v", after-before, used)
	}
	if resident <= 0 || running < before {
		t.Errorf("running: %g s after %g, %d bytes", running, before, resident)
	}
}
