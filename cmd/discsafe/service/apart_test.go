package service

import (
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"discsafe/api/client"
	"discsafe/worker/store/dir"

	"github.com/nats-io/nats-server/v2/server"
)

// natsServer is a broker with a port, as one of a cluster would be.
func natsServer(t *testing.T, always bool) (url, monitor string) {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, HTTPHost: "127.0.0.1", HTTPPort: -1, JetStream: true, StoreDir: t.TempDir(),
		SyncAlways: always, NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(30 * time.Second) {
		t.Fatal("the broker does not start")
	}
	return s.ClientURL(), "http://127.0.0.1:" + strconv.Itoa(s.MonitorAddr().Port)
}

// API and worker apart, on one store and a broker with a port.
func TestApart(t *testing.T) {
	t.Parallel()
	url, monitor := natsServer(t, true)
	base := t.TempDir()
	folder := filepath.Join(base, "store")
	d, err := dir.Open(mustMake(t, folder), dir.Options{Create: true})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	broker := BrokerOptions{URLs: []string{url}, MonitorURLs: []string{monitor}}
	a := own(t, "")
	a.Worker, a.Store.Dir, a.Broker, a.Spool = false, folder, broker, filepath.Join(base, "spool")
	w := own(t, "")
	w.API, w.Store.Dir, w.Broker, w.Scratch, w.Slots = false, folder, broker, filepath.Join(base, "scratch"), 2
	as, _ := run(t, a)
	ws, stopWorker := run(t, w)
	if ws.URL() != "" || ws.ProbeURL() == "" {
		t.Errorf("a worker listens on %q and %q", ws.URL(), ws.ProbeURL())
	}
	eventually(t, "the worker is ready", func() bool { status, _ := get(t, ws.ProbeURL()+"/readyz"); return status == 200 })
	c := dial(t, as.URL(), "", nil)
	j, _, err := c.SubmitPlan(t.Context(), client.SidePlan{Path: side(t, t.TempDir(), 1), Names: []string{"one.wav"}})
	if err == nil {
		j, err = c.WaitJob(t.Context(), j.ID)
	}
	if err != nil || j.State != "done" {
		t.Fatalf("%+v %v", j, err)
	}
	// The worker's figures are told by the worker, the API's by the API.
	_, figures := get(t, ws.ProbeURL()+"/metrics")
	if !strings.Contains(figures, `discsafe_attempts_total{outcome="done"} 1`) {
		t.Error("the worker does not tell of its attempt")
	}
	stopWorker()
	if status, body := get(t, as.URL()+"/readyz"); status != 200 {
		t.Errorf("the API without a worker: %d %s", status, body)
	}
}

func mustMake(t *testing.T, folder string) string {
	t.Helper()
	release, err := takeFolder(folder)
	if err != nil {
		t.Fatal(err)
	}
	if err := release(); err != nil {
		t.Fatal(err)
	}
	return folder
}

// A broker that acknowledges before its disk has the message is refused, as is
// one that nobody can be asked about, unless that is wanted in so many words.
func TestUnsyncedBrokerIsRefused(t *testing.T) {
	t.Parallel()
	url, monitor := natsServer(t, false)
	for name, c := range map[string]struct {
		monitors []string
		allow    bool
		ok       bool
	}{
		"known not to sync":        {[]string{monitor}, false, false},
		"nobody to ask":            {nil, false, false},
		"allowed in so many words": {[]string{monitor}, true, true},
	} {
		t.Run(name, func(t *testing.T) {
			_, shut, err := openQueue(t.Context(), BrokerOptions{URLs: []string{url}, MonitorURLs: c.monitors, AllowUnsyncedBroker: c.allow}, 0, "test", quiet())
			if c.ok != (err == nil) {
				t.Errorf("%v", err)
			}
			if err == nil {
				if err := shut(); err != nil {
					t.Error(err)
				}
			}
		})
	}
}
