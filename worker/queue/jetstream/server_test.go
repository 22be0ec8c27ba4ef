package jetstream_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"discsafe/worker/queue"
	"discsafe/worker/queue/jetstream"
)

// serve runs a server with a port of its own, as an operator would.
func serve(t *testing.T, change func(*server.Options)) *server.Server {
	t.Helper()
	o := &server.Options{
		ServerName: "one", Host: "127.0.0.1", Port: -1, HTTPHost: "127.0.0.1", HTTPPort: -1,
		JetStream: true, StoreDir: t.TempDir(), SyncAlways: true, NoSigs: true, NoLog: true,
		JetStreamMaxStore: 64 << 20, JetStreamMaxMemory: 1 << 20,
	}
	if change != nil {
		change(o)
	}
	s, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() {
		s.Shutdown()
		s.WaitForShutdown()
	})
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("server is not ready")
	}
	return s
}

func monitor(s *server.Server) string { return "http://" + s.MonitorAddr().String() }

func unsynced(t *testing.T, err error) *jetstream.UnsyncedError {
	t.Helper()
	var u *jetstream.UnsyncedError
	if !errors.As(err, &u) {
		t.Fatalf("%v; want *UnsyncedError", err)
	}
	return u
}

func TestUnsyncedBrokerIsRefused(t *testing.T) {
	for _, c := range []struct {
		name     string
		sync     bool
		ask, any bool
		servers  int // that the refusal names
		unknown  int
	}{
		{"syncs and says so", true, true, false, 0, 0},
		{"does not sync", false, true, false, 1, 0},
		{"syncs but nobody can ask", true, false, false, 0, 1},
		{"does not sync, allowed", false, true, true, 0, 0},
		{"cannot be asked, allowed", false, false, true, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := serve(t, func(o *server.Options) { o.SyncAlways = c.sync })
			o := jetstream.Options{URLs: []string{s.ClientURL()}, AllowUnsyncedBroker: c.any}
			if c.ask {
				o.MonitorURLs = []string{monitor(s)}
			}
			q, err := jetstream.Open(t.Context(), o)
			if c.servers+c.unknown > 0 {
				u := unsynced(t, err)
				if len(u.Servers) != c.servers || len(u.Unknown) != c.unknown || !strings.Contains(u.Error(), "one") {
					t.Errorf("%v; want %d unsynced and %d unknown", u, c.servers, c.unknown)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer q.Close()
			if want := !c.any; q.Synced() != want {
				t.Errorf("Synced() = %v; want %v", q.Synced(), want)
			}
			if err := q.Publish(t.Context(), bulk("a", 1)); err != nil {
				t.Error(err)
			}
		})
	}
}

func bulk(studio string, n int) queue.Message {
	return queue.Message{JobID: fmt.Sprintf("%s-%d", studio, n), Studio: studio, Lane: queue.Bulk}
}

func TestBrokerReplacedByUnsyncedOneIsRefused(t *testing.T) {
	s := serve(t, nil)
	port := s.Addr().(*net.TCPAddr).Port
	web := s.MonitorAddr().Port
	q := open(t, jetstream.Options{URLs: []string{s.ClientURL()}, MonitorURLs: []string{monitor(s)}})
	if err := q.Publish(t.Context(), bulk("a", 1)); err != nil {
		t.Fatal(err)
	}
	s.Shutdown()
	s.WaitForShutdown()
	serve(t, func(o *server.Options) { o.Port, o.HTTPPort, o.SyncAlways = port, web, false })
	until(t, func() error {
		err := q.Publish(t.Context(), bulk("a", 2))
		var u *jetstream.UnsyncedError
		if err == nil {
			t.Fatal("a broker that does not sync was trusted with a message")
		}
		if !errors.As(err, &u) {
			return err
		}
		return nil
	})
	if q.Synced() {
		t.Error("Synced() = true")
	}
}

// until repeats a check for at most 20 s.
func until(t *testing.T, check func() error) {
	t.Helper()
	end := time.Now().Add(20 * time.Second)
	for {
		err := check()
		if err == nil {
			return
		}
		if time.Now().After(end) {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func TestOpenEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	// Port 1 on loopback refuses.
	_, err := jetstream.Open(ctx, jetstream.Options{URLs: []string{"nats://127.0.0.1:1"}})
	if !errors.Is(err, context.DeadlineExceeded) || !errors.Is(err, queue.ErrUnavailable) {
		t.Errorf("%v; want both the deadline and %v", err, queue.ErrUnavailable)
	}
}

// cluster runs three servers on loopback.
func cluster(t *testing.T, change func(n int, o *server.Options)) []*server.Server {
	t.Helper()
	var routes []string
	for range 3 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		routes = append(routes, l.Addr().String())
		l.Close()
	}
	var all []*server.Server
	for n, at := range routes {
		all = append(all, serve(t, func(o *server.Options) {
			o.ServerName = string(rune('a' + n))
			o.Cluster = server.ClusterOpts{Name: "test", Host: "127.0.0.1", Port: port(t, at)}
			o.Routes = server.RoutesFromStr("nats://" + strings.Join(routes, ",nats://"))
			if change != nil {
				change(n, o)
			}
		}))
	}
	return all
}

func port(t *testing.T, addr string) int {
	t.Helper()
	a, err := net.ResolveTCPAddr("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	return a.Port
}

func TestThreeReplicasOutliveTheirLeader(t *testing.T) {
	servers := cluster(t, nil)
	o := jetstream.Options{Replicas: 3, AckWait: time.Second}
	for _, s := range servers {
		o.URLs = append(o.URLs, s.ClientURL())
		o.MonitorURLs = append(o.MonitorURLs, monitor(s))
	}
	q := open(t, o)
	const jobs = 20
	for n := range jobs {
		until(t, func() error { return q.Publish(t.Context(), bulk("a", n)) })
	}
	for _, s := range servers {
		if s.JetStreamIsStreamLeader("$G", "discsafe-jobs") {
			s.Shutdown()
			s.WaitForShutdown()
			break
		}
	}
	// A third of the monitoring addresses is gone too: publishing must go on when
	// the connection broke with the leader, or two of three would not be enough.
	until(t, func() error { return q.Publish(t.Context(), bulk("a", jobs)) })
	seen := make(map[string]bool)
	until(t, func() error {
		d, err := q.Fetch(t.Context(), time.Second)
		if err == nil {
			err = d.Done(t.Context())
		}
		if err == nil {
			seen[d.Message().ID()] = true
		}
		if len(seen) <= jobs {
			return fmt.Errorf("%d of %d jobs, last: %w", len(seen), jobs+1, err)
		}
		return nil
	})
}

func TestOneUnsyncedServerOfThreeIsFound(t *testing.T) {
	servers := cluster(t, func(n int, o *server.Options) { o.SyncAlways = n != 2 })
	o := jetstream.Options{Replicas: 3}
	for _, s := range servers {
		o.URLs = append(o.URLs, s.ClientURL())
		o.MonitorURLs = append(o.MonitorURLs, monitor(s))
	}
	_, err := jetstream.Open(t.Context(), o)
	if u := unsynced(t, err); len(u.Servers) != 1 || u.Servers[0] != "c" || len(u.Unknown) != 0 {
		t.Errorf("%v; want server c alone", u)
	}
	o.MonitorURLs = o.MonitorURLs[:2]
	_, err = jetstream.Open(t.Context(), o)
	if u := unsynced(t, err); len(u.Unknown) != 1 || u.Unknown[0] != "c" {
		t.Errorf("%v; want c unknown", u)
	}
}
