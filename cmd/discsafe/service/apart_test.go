package service

import (
	"errors"
	"net"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"discsafe/api/client"
	"discsafe/worker/queue/jetstream"
	"discsafe/worker/store/dir"

	"github.com/nats-io/nats-server/v2/server"
)

// natsServer is a broker with a port, as one of a cluster would be.
func natsServer(t *testing.T, always bool) (url, monitor string) {
	t.Helper()
	s := serveNATS(t, server.Options{Port: -1, HTTPPort: -1, StoreDir: t.TempDir(), SyncAlways: always})
	return s.ClientURL(), "http://127.0.0.1:" + strconv.Itoa(s.MonitorAddr().Port)
}

func serveNATS(t *testing.T, o server.Options) *server.Server {
	t.Helper()
	o.Host, o.HTTPHost, o.JetStream, o.NoSigs, o.NoLog = "127.0.0.1", "127.0.0.1", true, true, true
	s, err := server.NewServer(&o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(30 * time.Second) {
		t.Fatal("the broker does not start")
	}
	return s
}

// apart is the options of an API and of a worker, on one store and a broker with
// a port.
func apart(t *testing.T, url, monitor string) (a, w Options) {
	t.Helper()
	base := t.TempDir()
	folder := filepath.Join(base, "store")
	d, err := dir.Open(mustMake(t, folder), dir.Options{Create: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() }) // nothing was written through it
	broker := BrokerOptions{URLs: []string{url}, MonitorURLs: []string{monitor}}
	a, w = own(t, ""), own(t, "")
	a.Worker, a.Store.Dir, a.Broker, a.Spool = false, folder, broker, filepath.Join(base, "spool")
	w.API, w.Store.Dir, w.Broker, w.Scratch, w.Slots = false, folder, broker, filepath.Join(base, "scratch"), 2
	return a, w
}

// API and worker apart, on one store and a broker with a port.
func TestApart(t *testing.T) {
	t.Parallel()
	url, monitor := natsServer(t, true)
	a, w := apart(t, url, monitor)
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

// After the broker was away, every process finds out by itself that it may be
// trusted again, a worker too, which publishes nothing; and that it may not, if
// it came back with another configuration.
func TestBrokerComesBack(t *testing.T) {
	t.Parallel()
	o := server.Options{Port: -1, HTTPPort: -1, StoreDir: t.TempDir(), SyncAlways: true}
	s := serveNATS(t, o)
	o.Port, o.HTTPPort = s.Addr().(*net.TCPAddr).Port, s.MonitorAddr().Port
	a, w := apart(t, s.ClientURL(), "http://127.0.0.1:"+strconv.Itoa(o.HTTPPort))
	as, _ := run(t, a)
	ws, _ := run(t, w)
	stands := func(when string, ready int, gauge string) {
		t.Helper()
		for name, url := range map[string]string{"API": as.ProbeURL(), "worker": ws.ProbeURL()} {
			eventually(t, name+" "+when, func() bool {
				status, _ := get(t, url+"/readyz")
				_, figures := get(t, url+"/metrics")
				return status == ready && strings.Contains(figures, "\ndiscsafe_broker_sync_always "+gauge+"\n")
			})
		}
	}
	stop := func() { s.Shutdown(); s.WaitForShutdown() }
	stands("at the start", 200, "1")
	stop()
	stands("without a broker", 503, "0")
	s = serveNATS(t, o)
	stands("with the broker back", 200, "1")
	stop()
	o.SyncAlways = false
	s = serveNATS(t, o)
	for _, p := range []*Service{as, ws} {
		eventually(t, "the answer is no", func() bool {
			var no *jetstream.UnsyncedError
			return errors.As(p.queue.CheckSync(t.Context()), &no)
		})
	}
	stands("with one that does not sync", 503, "0")
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
