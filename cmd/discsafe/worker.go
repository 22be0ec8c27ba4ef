package main

import (
	"discsafe/cmd/discsafe/service"

	"github.com/spf13/cobra"
)

func (a *app) workerCommand() *cobra.Command {
	f := newServiceFlags()
	c := &cobra.Command{
		Use:   "worker",
		Short: "Run a worker alone: it prepares sides that an API elsewhere has taken",
		Long: `worker takes jobs from the broker, one for each slot, and prepares each in a
process of its own, bounded in memory and time. As many workers as wanted may
run on one store and broker. It may be killed at any time: its jobs go on
elsewhere after half a minute. Told to stop, it ends what it has, or hands it
back.` + envHelp,
		Example: "  discsafe worker --nats tls://broker:4222 --nats-creds worker.creds --nats-monitor http://broker:8222 \\\n" +
			"    --store s3://sides/discsafe --scratch /var/tmp/discsafe --slots 4",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			f.o.Worker = true
			return a.runService(cmd, f, func(*service.Options) {})
		},
	}
	fs := c.Flags()
	f.storeFlags(fs)
	f.natsFlags(fs)
	f.workerFlags(fs)
	f.o.ScratchFree = 512 << 20
	fs.Var((*byteSize)(&f.o.ScratchFree), "min-free", "free space in the scratch folder below which no job is begun")
	fs.StringVar(&f.o.Scratch, "scratch", "", "folder for mixes and results under way; workers of one machine may share it")
	f.commonFlags(fs, "127.0.0.1:8734", "address for /metrics, /healthz and /readyz, without sign-in; off: none")
	return c
}
