// Command discsafe prepares finished stereo mixes for cutting onto a
// phonograph disc, measures files against the groove, and checks what it wrote.
// One file holds one subcommand; main.go and run.go hold what they share.
// The work itself is done by package pipeline, reached through wire.go only.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() { os.Exit(mainCode()) }

// mainCode runs the command line and returns the exit code. The first Ctrl-C
// cancels the work; after that the signal acts as usual, so a second one ends
// the process.
func mainCode() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	return run(ctx, os.Args[1:], os.Stdout, os.Stderr)
}
