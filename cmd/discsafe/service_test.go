package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// scriptHome keeps what commands note for themselves within the script's
// folder.
func scriptHome(env *testscript.Env) error {
	env.Setenv("XDG_CACHE_HOME", filepath.Join(env.WorkDir, ".cache"))
	return nil
}

// waitListening waits until a service started in the background with its
// output in a file says where it listens, and tells the commands that follow:
// listening FILE.
func waitListening(ts *testscript.TestScript, _ bool, args []string) {
	said := regexp.MustCompile(`(?m)^listening on (http\S+)$`)
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		b, err := os.ReadFile(ts.MkAbs(args[0]))
		if m := said.FindSubmatch(b); err == nil && m != nil {
			ts.Setenv("DISCSAFE_SERVER", string(m[1]))
			return
		}
	}
	ts.Fatalf("%s never said where it listens", args[0])
}

// untilPrinted runs a command until its output has a line that matches:
// until 'running' discsafe jobs list.
func untilPrinted(ts *testscript.TestScript, _ bool, args []string) {
	want := regexp.MustCompile("(?m)" + args[0])
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if ts.Exec(args[1], args[2:]...) == nil && want.MatchString(ts.ReadFile("stdout")) {
			return
		}
	}
	ts.Fatalf("%v never printed %s; last:\n%s%s", args[1:], args[0], ts.ReadFile("stdout"), ts.ReadFile("stderr"))
}

// setFromOutput puts the first line of the last standard output into a
// variable: setout ID.
func setFromOutput(ts *testscript.TestScript, _ bool, args []string) {
	line, _, _ := strings.Cut(ts.ReadFile("stdout"), "\n")
	ts.Setenv(args[0], line)
}

// takeFromReadme writes the block of commands of a section of the README into
// a file: readme 'As a service' example.sh.
func takeFromReadme(ts *testscript.TestScript, _ bool, args []string) {
	b, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	ts.Check(err)
	_, section, found := strings.Cut(string(b), "\n## "+args[0]+"\n")
	section, _, _ = strings.Cut(section, "\n## ")
	_, block, begun := strings.Cut(section, "\n```bash\n")
	block, _, ended := strings.Cut(block, "\n```\n")
	if !found || !begun || !ended {
		ts.Fatalf("README.md has no commands under %q", args[0])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(block+"\n"), 0o600))
}

// takeFromDeploy writes the nth block of commands of a page in deploy to a file:
// doc PAGE N FILE.
func takeFromDeploy(ts *testscript.TestScript, _ bool, args []string) {
	b, err := os.ReadFile(filepath.Join("..", "..", "deploy", args[0]))
	ts.Check(err)
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	blocks := strings.Split(string(b), "\n```bash\n")
	if n < 1 || n >= len(blocks) {
		ts.Fatalf("deploy/%s has %d blocks of commands", args[0], len(blocks)-1)
	}
	block, _, ended := strings.Cut(blocks[n], "\n```")
	if !ended {
		ts.Fatalf("block %d of deploy/%s does not end", n, args[0])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[2]), []byte(block+"\n"), 0o600))
}
