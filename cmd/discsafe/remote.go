package main

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"discsafe/api/client"
	"discsafe/api/v1"
	"discsafe/pipeline/spec"

	"github.com/spf13/cobra"
)

// remoteFlags say which service a command speaks to.
type remoteFlags struct {
	server, tokenFile string
	plaintext         bool
	studio            string
}

const (
	defaultServer = "http://127.0.0.1:8733"
	tokenEnv      = envPrefix + "TOKEN"
)

const remoteHelp = `

The service is --server or ` + envPrefix + `SERVER. The token stands in ` + tokenEnv + ` or in
the file of --token-file (` + envPrefix + `TOKEN_FILE), never on the command line.`

func (r *remoteFlags) add(c *cobra.Command) {
	fs := c.Flags()
	fs.StringVar(&r.server, "server", defaultServer, "address of the service")
	fs.StringVar(&r.tokenFile, "token-file", "", "file with the token to sign in with")
	fs.BoolVar(&r.plaintext, "plaintext", false, "send the token to another machine without TLS")
}

// open makes a client of the service. Waits is as in client.Options.
func (r *remoteFlags) open(c *cobra.Command, waits func(time.Duration, error)) (*client.Client, error) {
	if err := fromEnvironment(c, "server", "token-file"); err != nil {
		return nil, err
	}
	token := strings.TrimSpace(os.Getenv(tokenEnv))
	if r.tokenFile != "" {
		b, err := os.ReadFile(r.tokenFile)
		if err != nil {
			return nil, &inputError{fmt.Errorf("--token-file: %w", err)}
		}
		if token = strings.TrimSpace(string(b)); token == "" {
			return nil, &inputError{fmt.Errorf("--token-file %s is empty", r.tokenFile)}
		}
	}
	o := client.Options{Server: r.server, Token: token, Studio: r.studio, AllowPlaintext: r.plaintext, UserAgent: "discsafe/" + readBuild().Version, Waits: waits}
	if dir, err := uploadsDir(); err == nil {
		o.State = client.NewFolderState(dir) // an upload cut off goes on in the next run
	}
	cl, err := client.New(o)
	if err != nil {
		return nil, &inputError{err}
	}
	return cl, nil
}

// tellWait is the shortest wait that is told: shorter ones pass unnoticed.
const tellWait = 5 * time.Second

// waits tells of a wait that a service asked for: who waits for minutes wants to
// know for what.
func (a *app) waits(d time.Duration, why error) {
	if d < tellWait {
		return
	}
	text := why.Error()
	if p, ok := errors.AsType[*v1.Problem](why); ok {
		text = saidBy(p)
	}
	a.note(fmt.Sprintf("%s; trying again in %v", text, d.Round(time.Second)))
}

// saidBy is what a problem says, without its hint.
func saidBy(p *v1.Problem) string {
	switch {
	case p.Detail == "":
		return p.Title
	case p.Status >= 500 || p.Status == http.StatusTooManyRequests: // the detail alone may not say that it is the service's state
		return p.Title + ": " + p.Detail
	}
	return p.Detail
}

// uploadsDir is where uploads under way are noted.
func uploadsDir() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "discsafe", "uploads")
	return dir, os.MkdirAll(dir, 0o700)
}

// remoteError is an error of the service in the form of our own. plan is what
// the user calls the plan, for places in it; it may be empty.
func remoteError(err error, plan string) error {
	p, ok := errors.AsType[*v1.Problem](err)
	if !ok {
		if client.Unreached(err) {
			return fmt.Errorf("%w; no service answers there: start it, or name another with --server or %sSERVER", err, envPrefix)
		}
		return err
	}
	if len(p.Faults) > 0 {
		return faultsError(p.Faults, plan)
	}
	text := saidBy(p)
	hint := p.Hint
	switch v1.Code(p.Code) { // the service's own hints speak of headers
	case v1.Unauthorized:
		hint = "put a valid token into " + tokenEnv + ", or name its file with --token-file"
	case v1.Paused, v1.BacklogFull, v1.TooMany, v1.Unavailable:
		hint = "try again later"
	case v1.DiskFull:
		hint = "try again later, or ask the operator"
	}
	if hint != "" {
		text += "; " + hint
	}
	if p.Request != "" && p.Status >= 500 {
		text += " (request " + p.Request + ")"
	}
	text += " [" + p.Code + "]"
	if p.Status < 500 && p.Status != http.StatusRequestTimeout && p.Status != http.StatusTooManyRequests {
		return &inputError{errors.New(text)}
	}
	return errors.New(text)
}

// faultsError shows faults as those of a plan on this machine.
func faultsError(faults []v1.Fault, plan string) error {
	if plan == "" && faults[0].File == "" { // of a form, not of a file
		var lines []string
		for _, f := range faults {
			lines = append(lines, strings.TrimSuffix(strings.TrimPrefix(f.Path+": ", ": ")+f.Detail+"; "+f.Hint, "; "))
		}
		return &inputError{errors.New(strings.Join(lines, "\n"))}
	}
	e := &spec.Error{}
	for _, f := range faults {
		file := f.File
		if plan != "" && (file == "" || file == "plan" || filepath.Base(file) == "plan.yaml") {
			file = plan
		}
		e.Faults = append(e.Faults, spec.Fault{File: file, Line: f.Line, Column: f.Column, Path: f.Path, Code: f.Code, Detail: f.Detail, Hint: f.Hint})
	}
	return e
}
