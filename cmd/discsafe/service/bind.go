package service

import (
	"context"
	"crypto/tls"
	"log/slog"
	"net"
	"strings"
)

// check refuses what must not be bound: beyond loopback there is sign-in, and
// nobody's token travels in the clear unless that is said in so many words.
// tokens tells whether there is at least one.
func (b Bind) check(tokens bool) error {
	local, err := loopback(b.Addr)
	if err != nil {
		return err
	}
	if (b.CertFile == "") != (b.KeyFile == "") {
		return refused("a certificate needs its key, and the reverse: give --tls-cert and --tls-key")
	}
	hint := b.TokenHint
	if hint == "" {
		hint = "discsafe token new --role operator --name NAME"
	}
	switch {
	case !tokens && !local:
		return refused("%s is reached from other machines, and there is no token to sign in with; make one first:\n  %s\nor listen on 127.0.0.1", b.Addr, hint)
	case !tokens && b.TokenRequired:
		return refused("sign-in is required, and there is no token to sign in with; make one first:\n  %s", hint)
	case !local && b.CertFile == "" && len(b.TrustedProxies) == 0 && !b.Plaintext:
		return refused("%s is reached from other machines, and tokens and mixes would travel in the clear; give --tls-cert and --tls-key,\n"+
			"or --trusted-proxy CIDR if a proxy ends TLS, or say --plaintext if the network is closed", b.Addr)
	}
	return nil
}

// loopback reports whether only this machine reaches an address.
func loopback(addr string) (bool, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false, &RefusedError{"--listen wants host:port, for instance 127.0.0.1:8733", err}
	}
	if host == "localhost" {
		return true, nil
	}
	if ip := net.ParseIP(strings.Split(host, "%")[0]); ip != nil {
		return ip.IsLoopback(), nil
	}
	return false, nil // a name may lead anywhere, and elsewhere tomorrow
}

// listen opens the address, with TLS if a certificate is given. scheme is what
// a browser writes before it.
func (b Bind) listen(ctx context.Context, log *slog.Logger) (l net.Listener, scheme string, err error) {
	var c *certificate
	if b.CertFile != "" {
		c = &certificate{cert: b.CertFile, key: b.KeyFile, log: log}
		if _, err := c.load(); err != nil {
			return nil, "", &RefusedError{"TLS", err}
		}
	}
	l, err = listenOn(ctx, b.Addr)
	if err != nil {
		return nil, "", err
	}
	if c == nil {
		return l, "http", nil
	}
	return tls.NewListener(l, &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.load() }}), "https", nil
}

func listenOn(ctx context.Context, addr string) (net.Listener, error) {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, &RefusedError{"cannot listen", err}
	}
	return l, nil
}
