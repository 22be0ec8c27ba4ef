// Package scipy lets tests ask SciPy, which knows nothing of discs. They need
// python3-scipy; where it is missing they fail.
package scipy

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"testing"
)

// Ask gives a Python program a question, as JSON on its standard input, and reads
// what it prints, JSON too, into answer.
func Ask(t testing.TB, program string, question, answer any) {
	t.Helper()
	in, err := json.Marshal(question)
	if err != nil {
		t.Fatal(err)
	}
	Run(t, program, in, answer)
}

// Run gives a Python program arguments and bytes on its standard input, and reads
// the JSON that it prints into answer.
func Run(t testing.TB, program string, in []byte, answer any, args ...string) {
	t.Helper()
	cmd := exec.Command(python(t), append([]string{"-c", program}, args...)...)
	cmd.Stdin = bytes.NewReader(in)
	var faults bytes.Buffer
	cmd.Stderr = &faults
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("SciPy: %v\n%s", err, faults.String())
	}
	if err := json.Unmarshal(out, answer); err != nil {
		t.Fatalf("SciPy answers %.200q: %v", out, err)
	}
}

// python is an interpreter that has SciPy: the system's, or another that is found
// first.
func python(t testing.TB) string {
	t.Helper()
	for _, name := range []string{"/usr/bin/python3", "python3"} {
		if exec.Command(name, "-c", "import scipy").Run() == nil {
			return name
		}
	}
	t.Fatal("no python3 with SciPy: install python3-scipy")
	return ""
}
