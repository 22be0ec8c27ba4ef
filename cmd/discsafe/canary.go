package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"discsafe/api"
	"discsafe/api/client"
	"discsafe/api/v1"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/report"

	"github.com/spf13/cobra"
)

// What a trial hands in: two seconds that any default room can cut untreated.
const (
	canaryRateHz = 44100
	canaryLenS   = 2
	canaryTitle  = "Canary"
	canaryMix    = "canary.wav"
	canaryPlan   = "side: A\ntitle: " + canaryTitle + "\ndisc: 7in-45\nlevel: 0\ntracks:\n  - file: " + canaryMix + "\n"
	// canaryTidy bounds deleting, so that a trial that was late still leaves nothing.
	canaryTidy = 30 * time.Second
)

// canaryFlags are the settings of the canary command.
type canaryFlags struct {
	remote            remoteFlags
	every, within     time.Duration
	metrics           string
	once              bool
	logForm, logLevel string
}

func (a *app) canaryCommand() *cobra.Command {
	var f canaryFlags
	c := &cobra.Command{
		Use:   "canary",
		Short: "Try a running service every few minutes with a short job, and tell metrics",
		Long: `canary does what a studio does, with two seconds of sound: it hands a mix and a
plan in, waits for the job, fetches the result, checks it as 'discsafe check'
does, and deletes the job. How it went stands in metrics of its own; an alert
that nothing ended well lately covers what no other alert thinks of.

It wants a token of a studio that is nobody else's:

  discsafe token new --role studio --studio canary --name Canary

What a trial could not delete the next one does.` + remoteHelp + envHelp,
		Example: "  discsafe canary --server https://sides.example --token-file canary.token --every 5m\n  discsafe canary --once",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := fromEnvironment(cmd, "server", "token-file", "plaintext", "studio", "every", "within", "metrics", "log", "log-level"); err != nil {
				return err
			}
			return a.canary(cmd, f)
		},
	}
	f.remote.add(c)
	fs := c.Flags()
	fs.StringVar(&f.remote.studio, "studio", "canary", "the studio that the trials are of; that of the token")
	fs.DurationVar(&f.every, "every", 5*time.Minute, "time from the beginning of one trial to the next")
	fs.DurationVar(&f.within, "within", 4*time.Minute, "time after which a trial has failed")
	fs.StringVar(&f.metrics, "metrics", "127.0.0.1:8735", "address for /metrics, /healthz and /readyz; off: none")
	fs.BoolVar(&f.once, "once", false, "one trial; exit code 1 if it failed")
	fs.StringVar(&f.logForm, "log", "json", "form of the log on standard error: json or text")
	fs.StringVar(&f.logLevel, "log-level", "info", "least that is logged: debug, info, warn or error")
	return c
}

// canary runs trials until it is told to stop.
func (a *app) canary(cmd *cobra.Command, f canaryFlags) error {
	if f.every < time.Second || f.within < time.Second {
		return &usageError{msg: "--every and --within want a second or more"}
	}
	log, err := newLog(a.stderr, f.logForm, f.logLevel)
	if err != nil {
		return err
	}
	mix, err := canaryWave()
	if err != nil {
		return err
	}
	cl, err := f.remote.open(cmd, nil)
	if err != nil {
		return err
	}
	defer cl.Close()
	sum := sha256.Sum256(mix)
	t := &trial{client: cl, mix: mix, sha: hex.EncodeToString(sum[:]), studio: f.remote.studio, within: f.within, check: a.engine.Check}
	if f.once {
		took, err := t.run(cmd.Context())
		if err != nil {
			return err
		}
		fmt.Fprintf(a.stdout, "the trial ended well after %.1f s\n", took.Seconds())
		return nil
	}
	m := newCanaryMetrics()
	stop, err := a.canaryServe(cmd.Context(), f.metrics, m)
	if err != nil {
		return err
	}
	defer stop()
	t.again(cmd.Context(), f.every, m, log)
	return nil
}

// canaryServe answers scrapes and probes until stop is called.
func (a *app) canaryServe(ctx context.Context, addr string, m *canaryMetrics) (stop func(), err error) {
	if addr == "" || addr == "off" {
		return func() {}, nil
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, &inputError{fmt.Errorf("--metrics: %w", err)}
	}
	mux := http.NewServeMux()
	ok := func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, `{"status":"ok"}`) }
	mux.HandleFunc("GET /healthz", ok)
	mux.HandleFunc("GET /readyz", ok) // that the service is not well is no fault of this process
	mux.Handle("GET /metrics", m.handler())
	srv := api.HTTPServer(mux)
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = srv.Serve(l) // ends with Close below, and a scrape that fails shows
	}()
	fmt.Fprintf(a.stdout, "listening on http://%s\n", l.Addr())
	return func() { _ = srv.Close(); <-done }, nil
}

// trial is one way through the service, as a studio goes it.
type trial struct {
	client *client.Client
	mix    []byte
	studio string // must be that of the token, if it is of one
	sha    string // of the mix
	within time.Duration
	check  func(ctx context.Context, dir string) (*checkResult, error)
}

// again runs trials until ctx is done. A trial that lasts longer than every is
// followed by the next one at once.
func (t *trial) again(ctx context.Context, every time.Duration, m *canaryMetrics, log *slog.Logger) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		took, err := t.run(ctx)
		if ctx.Err() != nil {
			return // cut short, which says nothing of the service
		}
		m.ran(time.Now(), took, err)
		if err != nil {
			log.Error("the trial failed", "reason", canaryReason(err), "error", err.Error())
		} else {
			log.Info("the trial ended well", "seconds", math.Round(took.Seconds()*1000)/1000)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// run does one trial and says how long it took until the result was checked.
// The error is a *trialError.
func (t *trial) run(ctx context.Context) (took time.Duration, err error) {
	began := time.Now()
	whole := ctx
	ctx, cancel := context.WithTimeout(ctx, t.within)
	defer cancel()
	late := func(reason string, err error) error {
		if ctx.Err() != nil && whole.Err() == nil {
			reason = canaryLate
		}
		return &trialError{reason, err}
	}
	if err := t.tidy(ctx); err != nil {
		return 0, late(reasonOf(err), fmt.Errorf("deleting former trials: %w", err))
	}
	if _, err := t.client.Upload(ctx, client.Source{Name: canaryMix, ReaderAt: bytes.NewReader(t.mix), Size: int64(len(t.mix)), SHA256: t.sha}, nil); err != nil {
		return 0, late(reasonOf(err), err)
	}
	job, _, err := t.client.Submit(ctx, v1.Submit{Kind: v1.Prepare, Studio: t.studio, Lane: "express", Plan: canaryPlan,
		Files: []v1.Use{{Name: canaryMix, SHA256: t.sha}}}, client.NewKey())
	if err != nil {
		return 0, late(reasonOf(err), err)
	}
	// A job that stayed would be deleted by the next trial; but then it would be seen meanwhile.
	defer func() {
		tidyCtx, end := context.WithTimeout(context.WithoutCancel(whole), canaryTidy)
		defer end()
		if e := t.remove(tidyCtx, job.ID); e != nil && err == nil {
			err = &trialError{reasonOf(e), fmt.Errorf("deleting job %s: %w", job.ID, e)}
		}
	}()
	id := job.ID
	done, err := t.client.WaitJob(ctx, id)
	if err != nil {
		return 0, late(reasonOf(err), err)
	}
	if done.State != "done" {
		return 0, &trialError{canaryFailed, jobError(done, "")}
	}
	if done.Verdict == string(report.Blocked) {
		return 0, &trialError{canaryWrong, fmt.Errorf("job %s: the verdict is blocked, of sound that keeps every limit", id)}
	}
	if err := t.look(ctx, done); err != nil {
		return 0, late(reasonOf(err), err)
	}
	return time.Since(began), nil
}

// tidy deletes what former trials left: one that was killed, or could not
// delete its job. Nobody else's job has the title and the very sound.
func (t *trial) tidy(ctx context.Context) error {
	var ids []string
	for j, err := range t.client.Jobs(ctx, client.Query{Studio: t.studio}) {
		if err != nil {
			return err
		}
		if j.Title == canaryTitle && len(j.Inputs) == 1 && j.Inputs[0].SHA256 == t.sha {
			ids = append(ids, j.ID)
		}
	}
	for _, id := range ids {
		if err := t.remove(ctx, id); err != nil {
			return err
		}
	}
	return nil
}

// remove deletes a job, cancelling it first where it has not ended.
func (t *trial) remove(ctx context.Context, id string) error {
	j, err := t.client.Job(ctx, id)
	if p, is := errors.AsType[*v1.Problem](err); is && (p.Status == http.StatusNotFound || p.Status == http.StatusGone) {
		return nil
	}
	if err != nil {
		return err
	}
	if !j.Over() {
		if _, err := t.client.Cancel(ctx, id); err != nil {
			return err
		}
		if _, err := t.client.WaitJob(ctx, id); err != nil {
			return err
		}
	}
	return t.client.Delete(ctx, id)
}

// look fetches the result and checks it.
func (t *trial) look(ctx context.Context, job *v1.Job) error {
	tmp, err := os.MkdirTemp("", "discsafe-canary-")
	if err != nil {
		return &trialError{canaryOwn, err}
	}
	defer os.RemoveAll(tmp)
	dir := filepath.Join(tmp, "side")
	if err := t.client.DownloadAll(ctx, job, dir); err != nil {
		return err
	}
	r, err := t.check(ctx, dir)
	if err != nil {
		return &trialError{canaryWrong, err}
	}
	if len(r.Faults) > 0 {
		return &trialError{canaryWrong, fmt.Errorf("job %s: the result does not match: %s", job.ID, r.Faults[0])}
	}
	return nil
}

// canaryWave is a quiet mono chord, the same bytes every time.
func canaryWave() ([]byte, error) {
	const frames = canaryLenS * canaryRateHz
	s := make([]int32, frames)
	for i := range s {
		at := float64(i) / canaryRateHz
		edge := math.Min(1, 10*math.Min(at, canaryLenS-at)) // no click at either end
		v := math.Sin(2*math.Pi*220*at) + math.Sin(2*math.Pi*440*at)/2
		s[i] = int32(math.Round(0.05 * edge * v * (1 << 23)))
	}
	b := &buffer{}
	w, err := wav.Create(b, wav.WriterParams{SampleRateHz: canaryRateHz, Encoding: audio.EncodingPCM, BitDepth: 24})
	if err != nil {
		return nil, err
	}
	if err := w.WriteInt(s, s); err != nil {
		return nil, err
	}
	return b.data, w.Close()
}

// buffer is a file in memory.
type buffer struct {
	data []byte
	at   int64
}

// Write implements io.Writer.
func (b *buffer) Write(p []byte) (int, error) {
	if more := int(b.at) + len(p) - len(b.data); more > 0 {
		b.data = append(b.data, make([]byte, more)...)
	}
	copy(b.data[b.at:], p)
	b.at += int64(len(p))
	return len(p), nil
}

// Seek implements io.Seeker.
func (b *buffer) Seek(offset int64, whence int) (int64, error) {
	b.at = [...]int64{0, b.at, int64(len(b.data))}[whence] + offset
	return b.at, nil
}
