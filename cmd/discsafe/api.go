package main

import (
	"discsafe/cmd/discsafe/service"

	"github.com/spf13/cobra"
)

func (a *app) apiCommand() *cobra.Command {
	f := newServiceFlags()
	c := &cobra.Command{
		Use:   "api",
		Short: "Run the API alone: workers run elsewhere, on the same store and broker",
		Long: `api takes mixes and side plans over HTTP and looks after the records of jobs.
The work is done by 'discsafe worker' processes on the same store and broker.
Several may run on one store; the spool folder, for uploads under way, must then
be one folder for all, or a balancer must keep a client at one of them.

It refuses a broker that acknowledges before its disk has the message.` + envHelp,
		Example: "  discsafe api --nats tls://broker:4222 --nats-creds api.creds --nats-monitor http://broker:8222 \\\n" +
			"    --store s3://sides/discsafe --spool /var/lib/discsafe/spool --listen :8733 --tls-cert cert.pem --tls-key key.pem",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			f.o.API = true
			return a.runService(cmd, f, func(o *service.Options) {
				o.Bind.TokenHint = "discsafe token new --role operator --name NAME --store " + f.store
			})
		},
	}
	fs := c.Flags()
	f.storeFlags(fs)
	f.createFlag(fs)
	f.natsFlags(fs)
	f.apiFlags(fs)
	fs.StringVar(&f.o.Spool, "spool", "", "folder for uploads under way")
	f.commonFlags(fs, "", "a further address for /metrics, /healthz and /readyz, without sign-in; empty: none")
	return c
}
