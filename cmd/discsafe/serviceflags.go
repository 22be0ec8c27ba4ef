package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/netip"
	"net/url"
	"os"
	"runtime/debug"
	"strconv"
	"strings"

	"discsafe/cmd/discsafe/service"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// serviceFlags are the flags of serve, api, worker and token, gathered into the
// options of a service.
type serviceFlags struct {
	o        service.Options
	store    string // folder or s3://bucket/prefix
	proxies  []string
	logForm  string
	logLevel string
}

const defaultDataDir = "discsafe-data"

func newServiceFlags() *serviceFlags {
	return &serviceFlags{o: service.Options{Limits: service.Defaults()}}
}

func (f *serviceFlags) dataFlag(fs *pflag.FlagSet, also string) {
	fs.StringVar(&f.o.Data, "data", defaultDataDir, "folder of the all-in-one service"+also)
}

func (f *serviceFlags) storeFlags(fs *pflag.FlagSet) {
	fs.StringVar(&f.store, "store", "", "where mixes, records and results lie: a folder, or s3://bucket/prefix (keys from AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY)")
	fs.StringVar(&f.o.Store.Endpoint, "s3-endpoint", "", "address of the object store; empty: that of the region")
	fs.StringVar(&f.o.Store.Region, "s3-region", "", "region of the object store; empty: AWS_REGION, then us-east-1")
	fs.BoolVar(&f.o.Store.PathStyle, "s3-path-style", false, "put the bucket into the path, not into the host name")
}

// createFlag is not for workers: one that makes a new store because a volume is
// not mounted finds no job and looks well.
func (f *serviceFlags) createFlag(fs *pflag.FlagSet) {
	fs.BoolVar(&f.o.Store.Create, "create-store", false, "make the folder of --store a store if it is none yet; without it a volume that is not mounted is noticed")
}

func (f *serviceFlags) natsFlags(fs *pflag.FlagSet) {
	b := &f.o.Broker
	fs.StringSliceVar(&b.URLs, "nats", nil, "servers of the broker, nats://host:port or tls://host:port, separated by commas")
	fs.StringVar(&b.CredsFile, "nats-creds", "", "NATS credentials file")
	fs.StringVar(&b.User, "nats-user", "", "name to sign in with at the broker")
	fs.StringVar(&b.PasswordFile, "nats-password-file", "", "file with the password of --nats-user")
	fs.StringVar(&b.TokenFile, "nats-token-file", "", "file with the token to sign in with at the broker")
	fs.StringVar(&b.CAFile, "nats-ca", "", "PEM file of the authority that signed the broker's certificate; empty: the system's")
	fs.StringVar(&b.CertFile, "nats-cert", "", "PEM file of the certificate to show the broker")
	fs.StringVar(&b.KeyFile, "nats-key", "", "PEM file of its key")
	fs.BoolVar(&b.Plaintext, "nats-plaintext", false, "sign in at the broker over plaintext beyond loopback: only on a closed network")
	fs.DurationVar(&f.o.AckWait, "ack-wait", defaultAckWait, "time after which the broker hands out a silent message again; the same in all processes")
	fs.IntVar(&b.Replicas, "nats-replicas", 1, "copies of the streams in the cluster: 1, 3 or 5")
	fs.StringSliceVar(&b.MonitorURLs, "nats-monitor", nil, "monitoring addresses of all servers of the cluster, http://host:8222, asked whether they sync always")
	fs.StringVar(&b.SystemCredsFile, "nats-system-creds", "", "credentials of the system account, the other way to ask whether the servers sync always")
	fs.BoolVar(&b.AllowUnsyncedBroker, "allow-unsynced-broker", false,
		"accept a broker that acknowledges before its disk has the message: with the power, up to two minutes of rings may be lost; no job is, but it waits until the reconciler rings again")
}

func (f *serviceFlags) apiFlags(fs *pflag.FlagSet) {
	b, l := &f.o.Bind, &f.o.Limits
	fs.StringVar(&b.Addr, "listen", "127.0.0.1:8733", "address of the API, host:port; port 0 takes a free one")
	fs.StringVar(&b.CertFile, "tls-cert", "", "PEM file of the certificate, read again when it changes")
	fs.StringVar(&b.KeyFile, "tls-key", "", "PEM file of its key")
	fs.StringSliceVar(&f.proxies, "trusted-proxy", nil, "network of a proxy that ends TLS and is believed about who asks, for instance 10.0.0.0/24; may be repeated")
	fs.BoolVar(&b.Plaintext, "plaintext", false, "serve beyond loopback without TLS and without a proxy: tokens and mixes travel in the clear")
	fs.BoolVar(&b.TokenRequired, "token-required", false, "ask for sign-in on loopback too")
	fs.StringVar(&f.o.PublicURL, "public-url", "", "address under which others reach the service, for webhooks; empty: paths only")
	fs.StringVar(&f.o.HookKeyFile, "hook-key-file", "", "file with 32 bytes or more that encrypt webhooks' addresses and secrets in the store, the same for all API processes; empty: serve makes one in its folder, api leaves them open")
	fs.BoolVar(&f.o.AllowPrivateHooks, "allow-private-hooks", false, "let webhooks go to addresses of the own network")
	fs.BoolVar(&f.o.AllowPlainHooks, "allow-plain-hooks", false, "let webhooks go to http addresses")
	fs.Var((*byteSize)(&l.MaxFile), "max-file", "largest mix, in bytes or with KiB, MiB, GiB, TiB")
	fs.Float64Var(&l.MaxLengthS, "max-length", l.MaxLengthS, "longest side, in seconds")
	fs.IntVar(&l.MaxFiles, "max-files", l.MaxFiles, "most files of one side")
	fs.IntVar(&l.MaxWaiting, "max-waiting", l.MaxWaiting, "most jobs that have not ended; beyond it submissions are answered 429")
	fs.Var((*byteSize)(&l.MinFree), "min-free", "free space below which nothing is taken in")
	fs.DurationVar(&f.o.PassEvery, "reconcile", defaultPassEvery, "how often jobs are looked for whose message the broker has lost")
	fs.Float64Var(&l.Rate, "rate", l.Rate, "requests a second for each token")
	fs.IntVar(&l.Burst, "burst", l.Burst, "requests of a token at once, above the rate")
	fs.Float64Var(&l.RetainDays, "retain-days", l.RetainDays, "days that ended jobs and their files are kept; 0: for ever")
	fs.Float64Var(&l.MixDays, "mix-days", l.MixDays, "days that mixes no job uses are kept")
}

func (f *serviceFlags) workerFlags(fs *pflag.FlagSet) {
	c := &f.o.Child
	c.MemoryBytes = 768 << 20
	fs.IntVar(&f.o.Slots, "slots", 1, "jobs at the same time; each takes one core and some 50 MiB")
	fs.Var((*byteSize)(&c.MemoryBytes), "memory", "most memory of one job; a job that wants more is ended")
	fs.Float64Var(&c.TimePerSecond, "time-per-second", 1, "seconds a job may take for each second of programme")
	fs.DurationVar(&c.TimeBase, "time-base", defaultTimeBase, "time every job may take besides")
	fs.DurationVar(&c.Stall, "stall", defaultStall, "longest silence of a job")
	fs.DurationVar(&f.o.Lease, "lease", defaultLease, "time without a sign of life after which a worker's jobs go on elsewhere; more than 15s")
}

func (f *serviceFlags) commonFlags(fs *pflag.FlagSet, metrics, metricsUse string) {
	fs.StringVar(&f.o.Metrics, "metrics", metrics, metricsUse)
	fs.DurationVar(&f.o.Grace, "grace", defaultGrace, "time that running jobs get when the service is told to stop; then they are handed back unharmed")
	fs.StringVar(&f.logForm, "log", "json", "form of the log on standard error: json or text")
	fs.StringVar(&f.logLevel, "log-level", "info", "least that is logged: debug, info, warn or error")
}

// options checks what the flags say as far as the service does not.
func (f *serviceFlags) options(stderr io.Writer) (service.Options, error) {
	o := f.o
	o.Version = readBuild().Version
	for _, p := range f.proxies {
		n, err := netip.ParsePrefix(p)
		if err != nil {
			return o, &usageError{msg: fmt.Sprintf("--trusted-proxy %s: want a network such as 10.0.0.0/24 or a host such as 10.0.0.7/32", p)}
		}
		o.Bind.TrustedProxies = append(o.Bind.TrustedProxies, n)
	}
	if err := f.whereStore(&o); err != nil {
		return o, err
	}
	var err error
	o.Log, err = newLog(stderr, f.logForm, f.logLevel)
	return o, err
}

// whereStore reads --store and --s3-endpoint into the options.
func (f *serviceFlags) whereStore(o *service.Options) error {
	if e := o.Store.Endpoint; e != "" {
		u, err := url.Parse(e)
		if err != nil || u.Host == "" || u.User != nil || u.Scheme != "http" && u.Scheme != "https" {
			return &usageError{msg: "--s3-endpoint: want http:// or https:// and a host, without a name or password; keys come from the environment"}
		}
	}
	rest, bucket := strings.CutPrefix(f.store, "s3://")
	if !bucket {
		o.Store.Dir = f.store
		return nil
	}
	o.Store.Bucket, o.Store.Prefix, _ = strings.Cut(rest, "/")
	if o.Store.Bucket == "" || strings.ContainsAny(o.Store.Bucket, "@?#") {
		return &usageError{msg: "--store: want s3://bucket or s3://bucket/prefix; keys come from the environment"}
	}
	if o.Store.Prefix != "" && !strings.HasSuffix(o.Store.Prefix, "/") {
		o.Store.Prefix += "/"
	}
	return nil
}

func newLog(w io.Writer, form, level string) (*slog.Logger, error) {
	var l slog.Level
	if err := l.UnmarshalText([]byte(level)); err != nil {
		return nil, &usageError{msg: fmt.Sprintf("--log-level %s: want debug, info, warn or error", level)}
	}
	opt := &slog.HandlerOptions{Level: l, ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Value.Kind() == slog.KindDuration {
			a.Value = slog.StringValue(a.Value.Duration().String()) // JSON would have nanoseconds
		}
		return a
	}}
	switch form {
	case "json":
		return slog.New(slog.NewJSONHandler(w, opt)), nil
	case "text":
		return slog.New(slog.NewTextHandler(w, opt)), nil
	}
	return nil, &usageError{msg: fmt.Sprintf("--log %s: want json or text", form)}
}

// envPrefix begins the names of our variables.
const envPrefix = "DISCSAFE_"

func envName(flag string) string {
	return envPrefix + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

// fromEnvironment sets the flags that the command line does not, from variables
// named after them; only names flags, all if there are none.
func fromEnvironment(c *cobra.Command, only ...string) error {
	var err error
	c.Flags().VisitAll(func(f *pflag.Flag) {
		value, set := os.LookupEnv(envName(f.Name))
		named := len(only) == 0
		for _, n := range only {
			named = named || n == f.Name
		}
		if !set || f.Changed || !named || f.Name == "help" || err != nil {
			return
		}
		// Not c.Flags().Set with the value in its error: what somebody put into the wrong variable may be a secret.
		if c.Flags().Set(f.Name, value) != nil {
			form := formOf(f)
			if form != "" {
				form = ", " + form
			}
			err = &usageError{msg: fmt.Sprintf("%s does not hold what --%s takes%s: %s", envName(f.Name), f.Name, form, f.Usage)}
		}
	})
	return err
}

const envHelp = `

Every flag may also be given by the environment, as ` + envPrefix + `FLAG_WITH_UNDERSCORES; the
command line wins. No secret is taken as the value of a flag.`

// serviceMemory undoes steadyMemory: a service holds what its peers ask for,
// and collecting by a small bound would take all its time.
func serviceMemory() {
	if os.Getenv("GOGC") != "" || os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	debug.SetGCPercent(100)
	debug.SetMemoryLimit(math.MaxInt64)
}

// byteSize is a flag in bytes, written with a binary unit where that is shorter.
type byteSize int64

var units = []struct {
	name string
	size int64
}{{"TiB", 1 << 40}, {"GiB", 1 << 30}, {"MiB", 1 << 20}, {"KiB", 1 << 10}}

func (b *byteSize) String() string {
	for _, u := range units {
		if n := int64(*b); n > 0 && n%u.size == 0 {
			return strconv.FormatInt(n/u.size, 10) + u.name
		}
	}
	return strconv.FormatInt(int64(*b), 10)
}

func (b *byteSize) Type() string { return "size" }

func (b *byteSize) Set(s string) error {
	size := int64(1)
	for _, u := range units {
		if rest, ok := strings.CutSuffix(s, u.name); ok {
			s, size = rest, u.size
			break
		}
	}
	n, err := strconv.ParseInt(strings.TrimSpace(s), 10, 64)
	if err != nil || n < 1 || n > math.MaxInt64/size {
		return errors.New("want a number of bytes, or one with KiB, MiB, GiB or TiB")
	}
	*b = byteSize(n * size)
	return nil
}
