package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"time"

	"discsafe/cmd/discsafe/service"

	"github.com/spf13/cobra"
)

const (
	defaultGrace     = 20 * time.Second
	defaultTimeBase  = 5 * time.Minute
	defaultStall     = 5 * time.Minute
	defaultAckWait   = 30 * time.Second
	defaultLease     = 30 * time.Second
	defaultPassEvery = 5 * time.Second
)

func (a *app) serveCommand() *cobra.Command {
	f := newServiceFlags()
	c := &cobra.Command{
		Use:   "serve",
		Short: "Run the whole service in one process: API, worker, broker, store",
		Long: `serve runs the service on one machine: it takes mixes and side plans over HTTP,
prepares sides one after the other, and keeps everything in one folder. On
loopback nobody is asked to sign in until a token exists ('discsafe token new').

It prints one line, "listening on ADDRESS", and logs to standard error. The
first SIGTERM or Ctrl-C lets running jobs end or hands them back; a second ends
it at once.` + envHelp,
		Example: "  discsafe serve --data /var/lib/discsafe --slots 2",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			f.o.API, f.o.Worker = true, true
			f.o.Bind.TokenHint = "discsafe token new --role operator --name NAME --data "
			return a.runService(cmd, f, func(o *service.Options) { o.Bind.TokenHint += o.Data })
		},
	}
	fs := c.Flags()
	f.dataFlag(fs, "; made if missing, for its owner only, and locked")
	f.apiFlags(fs)
	f.workerFlags(fs)
	f.commonFlags(fs, "", "a further address for /metrics, /healthz and /readyz, without sign-in; empty: none")
	return c
}

// runService is what serve, api and worker share.
func (a *app) runService(cmd *cobra.Command, f *serviceFlags, change func(*service.Options)) error {
	if err := fromEnvironment(cmd); err != nil {
		return err
	}
	if err := f.checkRanges(cmd.Flags()); err != nil {
		return err
	}
	o, err := f.options(a.stderr)
	if err != nil {
		return err
	}
	change(&o)
	stray := strayVariables(cmd.Root())
	for _, name := range slices.Sorted(maps.Keys(stray)) {
		o.Log.Warn("nothing reads this variable of the environment", "variable", name, "perhaps", stray[name])
	}
	if o.Worker {
		if o.Program, err = program(); err != nil {
			return err
		}
	}
	if o.Grace == 0 {
		o.Grace = -1 // none was asked for
	}
	if err := faultPoints(&o); err != nil {
		return err
	}
	serviceMemory()
	s, err := service.Open(cmd.Context(), o)
	if err != nil {
		return err
	}
	at := s.URL()
	if at == "" {
		at = s.ProbeURL()
	}
	if at != "" {
		fmt.Fprintf(a.stdout, "listening on %s\n", at)
	}
	if s.URL() != "" && s.ProbeURL() != "" {
		o.Log.Info("metrics and probes", "address", s.ProbeURL())
	}
	if err := s.Serve(cmd.Context()); err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// program is the command that a worker starts for each job: this very file,
// also when it has been replaced meanwhile by another version.
func program() ([]string, error) {
	path, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("this program cannot find itself to start jobs: %w", err)
	}
	return []string{path}, nil
}
