package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"discsafe/api/client"

	"github.com/spf13/cobra"
)

// healthWithin is how long a probe waits: shorter than the patience of those
// who run probes.
const healthWithin = 4 * time.Second

func (a *app) healthCommand() *cobra.Command {
	var at string
	var live bool
	c := &cobra.Command{
		Use:   "health",
		Short: "Ask a running service whether it is ready, for probes of containers",
		Long: `health asks /readyz of a service, or with --live /healthz, prints the answer and
exits with 0 or 1. It needs no token. Without --url it asks DISCSAFE_URL, then
DISCSAFE_SERVER.

A worker answers on its --metrics address. A certificate of a service on
loopback is not looked at: it bears the name others know the service by.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := fromEnvironment(cmd, "url"); err != nil {
				return err
			}
			if server := os.Getenv(envName("server")); server != "" && !cmd.Flags().Changed("url") {
				at = server
			}
			path := "/readyz"
			if live {
				path = "/healthz"
			}
			text, err := probe(cmd.Context(), strings.TrimRight(at, "/")+path)
			if err != nil {
				return err
			}
			fmt.Fprintln(a.stdout, text)
			return nil
		},
	}
	c.Flags().StringVar(&at, "url", defaultServer, "address of the service, or of a worker's --metrics")
	c.Flags().BoolVar(&live, "live", false, "ask only whether the process answers")
	return c
}

func probe(ctx context.Context, at string) (string, error) {
	u, err := url.Parse(at)
	if err != nil || u.Host == "" || u.User != nil || u.Scheme != "http" && u.Scheme != "https" {
		return "", &usageError{msg: "--url: want http://host:port or https://host:port"}
	}
	ip := net.ParseIP(u.Hostname())
	local := u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
	t := &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS12, InsecureSkipVerify: local}}
	ctx, cancel := context.WithTimeout(ctx, healthWithin)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, u.String(), nil)
	if err != nil {
		return "", err
	}
	resp, err := (&http.Client{Transport: t, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(req)
	if err != nil {
		if client.Unreached(err) {
			return "", fmt.Errorf("not healthy: %w; no service answers there: start it, or name another with --url", err)
		}
		return "", fmt.Errorf("not healthy: %w", err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, 1024))
	text := strings.Join(strings.Fields(string(body)), " ")
	switch {
	case err != nil:
		return "", fmt.Errorf("not healthy: %w", err)
	case resp.StatusCode != http.StatusOK:
		return "", errors.New("not healthy: " + resp.Status + ": " + text)
	}
	return text, nil
}
