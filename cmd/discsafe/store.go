package main

import (
	"fmt"
	"path/filepath"
	"time"

	"discsafe/cmd/discsafe/service"
	"discsafe/worker/job"
	"discsafe/worker/store"

	"github.com/spf13/cobra"
)

func (a *app) storeCommand() *cobra.Command {
	return group("store", "Look after the store of a service", a.storeCheckCommand())
}

// storeAction runs something on a store, which a running service may share.
func (a *app) storeAction(c *cobra.Command, create bool, run func(cmd *cobra.Command, s store.Store, args []string) error) *cobra.Command {
	f := newServiceFlags()
	c.Long += `

It works on the store directly, whether a service runs on it or not: on that of
--data, or on --store.` + envHelp
	c.RunE = func(cmd *cobra.Command, args []string) (err error) {
		if err := fromEnvironment(cmd, "data", "store", "s3-endpoint", "s3-region", "s3-path-style", "create-store"); err != nil {
			return err
		}
		apart := f.store != ""
		if !apart {
			f.store = filepath.Join(f.o.Data, "store")
		}
		if err := f.whereStore(&f.o); err != nil {
			return err
		}
		if create && !apart {
			f.o.Store.Create = true // of an all-in-one service that has not begun yet
		}
		s, shut, err := service.OpenStore(cmd.Context(), f.o.Store)
		if err != nil {
			return &inputError{err}
		}
		defer func() {
			if e := shut(); err == nil {
				err = e
			}
		}()
		return remoteError(run(cmd, s, args), "")
	}
	f.dataFlag(c.Flags(), "")
	f.storeFlags(c.Flags())
	if create {
		f.createFlag(c.Flags())
	}
	a.jsonFlag(c)
	return c
}

func (a *app) storeCheckCommand() *cobra.Command {
	var opt job.AuditOptions
	c := &cobra.Command{
		Use:   "check",
		Short: "Hold every file of a store against what was written",
		Long: `check reads every record and every file and says what is missing, truncated,
changed, swapped, left over or of no job, and what to do about it. It changes
nothing and may run beside the service, which it slows down by what it reads;
--sizes looks at sizes alone. Exit code 2 means that something is damaged.`,
		Example: "  discsafe store check --data /var/lib/discsafe\n  discsafe store check --data /var/lib/discsafe --sizes --json",
		Args:    cobra.NoArgs,
	}
	c.Flags().BoolVar(&opt.Sizes, "sizes", false, "look at sizes only: fast, and blind to changed bytes")
	return a.storeAction(c, false, func(cmd *cobra.Command, s store.Store, _ []string) error {
		l, err := job.NewLedger(job.Config{Store: s, Now: time.Now})
		if err != nil {
			return err
		}
		opt.Others, opt.Hashed = service.StoreKeys()
		list := []job.Finding{}
		n, err := l.Audit(cmd.Context(), opt, func(f job.Finding) error {
			if a.json {
				list = append(list, f)
				return nil
			}
			fmt.Fprintf(a.stdout, "%-10s  %s\n  %s; %s\n", f.Damage, f.Key, f.Detail, f.Hint)
			return nil
		})
		if err != nil {
			return err
		}
		if a.json {
			a.printJSON(struct {
				job.Audited
				Damage []job.Finding `json:"damage"`
			}{n, list})
		} else {
			fmt.Fprintf(a.stdout, "%d jobs, %d objects looked at, %d bytes read again\n", n.Jobs, n.Objects, n.Bytes)
		}
		if n.Findings > 0 {
			fmt.Fprintf(a.stderr, "discsafe: %d things are not as they were written\n", n.Findings)
			return &printedError{&inputError{fmt.Errorf("%d findings", n.Findings)}}
		}
		if !a.json {
			fmt.Fprintln(a.stdout, "all is as it was written")
		}
		return nil
	})
}
