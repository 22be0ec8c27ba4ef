package jetstream

import (
	"crypto/tls"
	"fmt"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"discsafe/worker/queue"
)

// Options of a queue. Broker or URLs must be set, everything else has a
// default. Options that shape the streams (Replicas, MaxWaiting, MaxDead,
// Dedupe) must be the same in all processes on one broker: the last to open
// wins.
type Options struct {
	// Broker is the embedded server; then the fields on connecting are not used.
	Broker *Broker
	// URLs are servers of one cluster, nats:// or tls://.
	URLs []string

	// CredsFile is a NATS credentials file; User and Password, or Token, are for
	// simple set-ups. At most one of the three. They are refused over plaintext
	// to anything but loopback unless AllowPlaintext.
	CredsFile      string
	User, Password string
	Token          string
	TLS            *tls.Config // nil: tls:// uses the system's roots
	AllowPlaintext bool

	// MonitorURLs are the monitoring addresses of all servers of the cluster
	// (http://host:8222), asked whether they sync always. SystemCredsFile is the
	// other way to ask: credentials of the system account. One is needed with
	// URLs, unless AllowUnsyncedBroker.
	MonitorURLs     []string
	SystemCredsFile string
	// AllowUnsyncedBroker accepts a broker that acknowledges before its disk
	// has the message: up to two minutes of accepted rings are lost with the
	// power. The reconciler rings again; for tests and demonstrations.
	AllowUnsyncedBroker bool

	Name       string        // begins all streams and subjects: 1 to 32 of a-z 0-9 -; default "discsafe"
	ClientName string        // how this process appears in the broker's lists; default Name
	Lanes      []string      // lanes that Fetch serves; default all. A slot kept for express serves only that
	AckWait    time.Duration // time until a silent delivery comes again, at least 100 ms; default 30 s
	Replicas   int           // 1, 3 or 5; default 1
	MaxWaiting int           // most messages kept, in flight included; default 100,000
	MaxDead    int           // most dead letters kept, the oldest go first; default 10,000
	Dedupe     time.Duration // how long after publishing the same attempt is swallowed even if it left the queue, at least 100 ms; default 10 s
	ExpressRun int           // see queue.Turns; default 3

	// MaxInFlight is the most messages of one lane and studio that may be in
	// flight, hand-backs not yet due included: at least the slots of all workers,
	// or less to hold one studio below that. Default 256.
	MaxInFlight int

	Timeout time.Duration // for one answer of the broker; default 2 s
	Poll    time.Duration // how often a studio with work but nothing due is asked again; default AckWait/30 within 20 ms and 1 s
	Sweep   time.Duration // how often all subjects are listed, in case a ring was missed; default 30 s
	Idle    time.Duration // after which the server removes the consumer of a studio nobody asks about; default 6 h, at least twice Sweep

	Clock queue.Clock // nil means the system's
}

var nameForm = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

func (o Options) withDefaults() Options {
	text := func(s *string, def string) {
		if *s == "" {
			*s = def
		}
	}
	number := func(n *int, def int) {
		if *n == 0 {
			*n = def
		}
	}
	span := func(d *time.Duration, def time.Duration) {
		if *d == 0 {
			*d = def
		}
	}
	text(&o.Name, "discsafe")
	text(&o.ClientName, o.Name)
	if len(o.Lanes) == 0 {
		o.Lanes = queue.Lanes()
	}
	span(&o.AckWait, 30*time.Second)
	number(&o.Replicas, 1)
	number(&o.MaxWaiting, 100_000)
	number(&o.MaxDead, 10_000)
	span(&o.Dedupe, 10*time.Second)
	number(&o.ExpressRun, queue.DefaultExpressRun)
	number(&o.MaxInFlight, 256)
	span(&o.Timeout, 2*time.Second)
	span(&o.Poll, min(max(o.AckWait/30, 20*time.Millisecond), time.Second))
	span(&o.Sweep, 30*time.Second)
	span(&o.Idle, 6*time.Hour)
	if o.Clock == nil {
		o.Clock = queue.SystemClock()
	}
	return o
}

// validate returns nil or an *InvalidError for the first fault.
func (o Options) validate() error {
	bad := func(field, format string, a ...any) error {
		return &queue.InvalidError{Field: field, Reason: fmt.Sprintf(format, a...)}
	}
	ways := 0
	for _, s := range []string{o.CredsFile, o.User + o.Password, o.Token} {
		if s != "" {
			ways++
		}
	}
	switch {
	case (o.Broker == nil) == (len(o.URLs) == 0):
		return bad("broker", "set either an embedded broker or the URLs of one")
	case !nameForm.MatchString(o.Name):
		return bad("name", "%q must be 1 to 32 of a-z 0-9 -", o.Name)
	case ways > 1:
		return bad("sign-in", "set one of credentials file, user and password, or token")
	case o.AckWait < 100*time.Millisecond:
		return bad("ack wait", "%v must be at least 100 ms", o.AckWait)
	case !slices.Contains([]int{1, 3, 5}, o.Replicas):
		return bad("replicas", "%d must be 1, 3 or 5", o.Replicas)
	case o.Broker != nil && o.Replicas != 1:
		return bad("replicas", "%d need a cluster; the embedded broker holds 1", o.Replicas)
	case o.MaxWaiting < 1:
		return bad("max waiting", "%d must be at least 1", o.MaxWaiting)
	case o.MaxDead < 1:
		return bad("max dead", "%d must be at least 1", o.MaxDead)
	case o.Dedupe < 100*time.Millisecond:
		return bad("dedupe", "%v must be at least 100 ms", o.Dedupe)
	case o.ExpressRun < 1:
		return bad("express run", "%d must be at least 1", o.ExpressRun)
	case o.MaxInFlight < 1:
		return bad("max in flight", "%d must be at least 1", o.MaxInFlight)
	case o.Timeout < 10*time.Millisecond:
		return bad("timeout", "%v must be at least 10 ms", o.Timeout)
	case o.Poll < time.Millisecond || o.Poll > o.AckWait:
		return bad("poll", "%v must be 1 ms to the ack wait of %v", o.Poll, o.AckWait)
	case o.Sweep < o.Poll:
		return bad("sweep", "%v must be at least poll, %v", o.Sweep, o.Poll)
	case o.Idle < 2*o.Sweep:
		return bad("idle", "%v must be at least twice sweep, %v: busy studios would lose their consumers", o.Idle, o.Sweep)
	}
	for _, l := range o.Lanes {
		if !slices.Contains(queue.Lanes(), l) {
			return bad("lanes", "%q must be of %s", l, strings.Join(queue.Lanes(), ", "))
		}
	}
	for _, m := range o.MonitorURLs {
		if u, err := url.Parse(m); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			return bad("monitor URL", "must be http://host:port or https://host:port")
		}
	}
	for _, u := range o.URLs {
		if err := o.validateURL(u, ways > 0); err != nil {
			return err
		}
	}
	return nil
}

func (o Options) validateURL(raw string, signIn bool) error {
	u, err := url.Parse(raw)
	if err != nil || u.Host == "" || u.Scheme != "nats" && u.Scheme != "tls" {
		// The text may hold a password and is not repeated.
		return &queue.InvalidError{Field: "URL", Reason: "must be nats://host:port or tls://host:port"}
	}
	if u.User != nil {
		return &queue.InvalidError{Field: "URL", Reason: u.Redacted() + ": give user and password by their own options, addresses end up in logs"}
	}
	ip := net.ParseIP(u.Hostname())
	loopback := u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
	if signIn && u.Scheme == "nats" && o.TLS == nil && !loopback && !o.AllowPlaintext {
		return &queue.InvalidError{Field: "URL", Reason: u.Redacted() + ": signing in over plaintext; use tls://, or allow plaintext if the network is closed"}
	}
	return nil
}

// Names of what lies on the broker.
func (o Options) jobsStream() string  { return o.Name + "-jobs" }
func (o Options) deadStream() string  { return o.Name + "-dead" }
func (o Options) jobsSubject() string { return o.Name + ".jobs." }
func (o Options) deadSubject() string { return o.Name + ".dead." }
func (o Options) rungSubject() string { return o.Name + ".rung." }

func tail(m queue.Message) string {
	k := m.Key()
	return k.Lane + "." + k.Studio + "." + m.ID()
}

func lineFilter(o Options, k queue.Key) string {
	return o.jobsSubject() + k.Lane + "." + k.Studio + ".*"
}

func consumerName(k queue.Key) string { return k.Lane + "-" + k.Studio }

// keyOf reads the line from what follows the prefix of a subject.
func keyOf(subject, prefix string) (queue.Key, bool) {
	rest, ok := strings.CutPrefix(subject, prefix)
	f := strings.Split(rest, ".")
	if !ok || len(f) != 3 || !slices.Contains(queue.Lanes(), f[0]) || !studioForm.MatchString(f[1]) {
		return queue.Key{}, false
	}
	return queue.Key{Lane: f[0], Studio: f[1]}, true
}

var studioForm = regexp.MustCompile(`^[0-9a-f]{16}$`)
