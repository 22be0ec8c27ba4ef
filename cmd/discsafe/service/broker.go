package service

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"strings"
	"time"

	"discsafe/worker/queue/jetstream"
)

// connectWithin bounds looking for the broker at start. Not being able to
// start is better told soon: whoever supervises tries again.
const connectWithin = 30 * time.Second

// openQueue connects to the broker, or starts one.
func openQueue(ctx context.Context, o BrokerOptions, ackWait time.Duration, client string, log *slog.Logger) (_ *jetstream.Queue, closeQueue func() error, err error) {
	q := jetstream.Options{AckWait: ackWait, ClientName: client, Replicas: o.Replicas, AllowUnsyncedBroker: o.AllowUnsyncedBroker, AllowPlaintext: o.Plaintext}
	shut := func() error { return nil }
	if o.Dir != "" {
		b, err := jetstream.StartBroker(ctx, jetstream.BrokerOptions{Dir: o.Dir, Log: slog.New(warnings{log.Handler()})})
		if err != nil {
			return nil, nil, err
		}
		q.Broker, shut = b, b.Close
	} else if err := o.connect(&q); err != nil {
		return nil, nil, err
	}
	if q.Broker == nil {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, connectWithin)
		defer cancel()
	}
	opened, err := jetstream.Open(ctx, q)
	if err != nil {
		_ = shut() // the cause says more
		return nil, nil, fmt.Errorf("the broker cannot be used: %w", err)
	}
	return opened, func() error { opened.Close(); return shut() }, nil
}

// warnings passes on what the broker warns of: it tells much at its start.
type warnings struct{ slog.Handler }

// Enabled implements slog.Handler.
func (w warnings) Enabled(ctx context.Context, l slog.Level) bool {
	return w.Handler.Enabled(ctx, l) && (l >= slog.LevelWarn || w.Handler.Enabled(ctx, slog.LevelDebug))
}

// WithAttrs implements slog.Handler.
func (w warnings) WithAttrs(a []slog.Attr) slog.Handler { return warnings{w.Handler.WithAttrs(a)} }

// WithGroup implements slog.Handler.
func (w warnings) WithGroup(name string) slog.Handler { return warnings{w.Handler.WithGroup(name)} }

// connect fills in how servers elsewhere are reached.
func (o BrokerOptions) connect(q *jetstream.Options) error {
	q.URLs, q.CredsFile, q.User = o.URLs, o.CredsFile, o.User
	q.MonitorURLs, q.SystemCredsFile = o.MonitorURLs, o.SystemCredsFile
	if err := o.validate(); err != nil {
		return err
	}
	var err error
	if q.Password, err = secretIn(o.PasswordFile); err != nil {
		return err
	}
	if q.Token, err = secretIn(o.TokenFile); err != nil {
		return err
	}
	if o.CAFile == "" && o.CertFile == "" {
		return nil
	}
	q.TLS = &tls.Config{MinVersion: tls.VersionTLS12}
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		if err != nil {
			return &RefusedError{"the broker's authority cannot be read", err}
		}
		q.TLS.RootCAs = x509.NewCertPool()
		if !q.TLS.RootCAs.AppendCertsFromPEM(pem) {
			return refused("%s holds no certificate in PEM form", o.CAFile)
		}
	}
	if o.CertFile != "" {
		c := &certificate{cert: o.CertFile, key: o.KeyFile}
		if _, err := c.load(); err != nil {
			return &RefusedError{"the certificate for the broker cannot be used", err}
		}
		q.TLS.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return c.load() }
	}
	return nil
}

func (o BrokerOptions) validate() error {
	switch {
	case len(o.URLs) == 0:
		return refused("no broker is named: give --nats nats://host:4222 or tls://host:4222")
	case (o.CertFile == "") != (o.KeyFile == ""):
		return refused("a certificate for the broker needs its key, and the reverse: give --nats-cert and --nats-key")
	case o.PasswordFile != "" && o.User == "":
		return refused("a password for the broker needs a name: give --nats-user")
	}
	for _, s := range append(append([]string{}, o.URLs...), o.MonitorURLs...) {
		if err := noSecretIn(s); err != nil {
			return err
		}
	}
	return nil
}

// noSecretIn refuses an address with a password in it: command lines are seen
// by everybody on the machine, and addresses end up in logs.
func noSecretIn(address string) error {
	if u, err := url.Parse(address); err != nil || u.User != nil {
		return refused("an address must not hold a name or a password; give them by a file (the address is not repeated here)")
	}
	return nil
}

// secretIn reads a secret from a file, without the line's end.
func secretIn(path string) (string, error) {
	if path == "" {
		return "", nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return "", &RefusedError{"a secret cannot be read", err}
	}
	s := strings.TrimRight(string(b), "\r\n")
	if s == "" {
		return "", refused("%s is empty; it should hold a secret", path)
	}
	return s, nil
}
