// Command discsafe prepares finished stereo mixes for cutting onto a
// phonograph disc, measures files against the groove, divides albums over sides,
// checks what it wrote, and runs and speaks to the service that does so for many.
// One file holds one subcommand; main.go and run.go hold what they share.
// The work itself is done by package pipeline, which wire.go connects.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"syscall"
)

// steadyHeapMiB is what the collector aims to stay under. A run keeps little
// alive and makes little garbage, so collecting by size and not in proportion
// keeps the peak the same for a short side and an hour. It is a soft limit.
const steadyHeapMiB = 32

// steadyMemory sets the collector, unless the environment says how.
func steadyMemory() {
	if os.Getenv("GOGC") != "" || os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	debug.SetGCPercent(400)
	debug.SetMemoryLimit(steadyHeapMiB << 20)
}

// Memory is not sampled unless somebody can look: the runtime would, as the
// embedded broker links what reads samples, and what is kept of them grows for
// hours, with each new way to an allocation, to some megabytes.
func main() {
	if !showsProfiles() {
		runtime.MemProfileRate = 0
	}
	steadyMemory()
	os.Exit(mainCode())
}

// mainCode runs the command line and returns the exit code. The first Ctrl-C
// cancels the work; after that the signal acts as usual, so a second one ends
// the process.
func mainCode() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	return run(ctx, os.Args[1:], os.Stdout, os.Stderr)
}
