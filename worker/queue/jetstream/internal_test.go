package jetstream

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"discsafe/worker/queue"
)

func TestJudge(t *testing.T) {
	yes := func(n string) serverFact { return serverFact{Name: n, JetStream: true, Always: true} }
	no := func(n string) serverFact { return serverFact{Name: n, JetStream: true} }
	for _, c := range []struct {
		name             string
		need             []string
		facts            []serverFact
		before           []string // trusted from earlier
		servers, unknown []string
	}{
		{"all sync", []string{"a", "b"}, []serverFact{yes("a"), yes("b")}, nil, nil, nil},
		{"one does not", []string{"a", "b"}, []serverFact{yes("a"), no("b")}, nil, []string{"b"}, nil},
		{"one that is not needed does not", []string{"a"}, []serverFact{yes("a"), no("z")}, nil, []string{"z"}, nil},
		{"one without JetStream is not needed", []string{"a"}, []serverFact{yes("a"), {Name: "z"}}, nil, nil, nil},
		{"one without JetStream is needed", []string{"z"}, []serverFact{{Name: "z"}}, nil, nil, []string{"z"}},
		{"one was not asked", []string{"b", "a"}, nil, nil, nil, []string{"a", "b"}},
		{"one is down that was trusted", []string{"a", "b"}, []serverFact{yes("a")}, []string{"b"}, nil, nil},
		{"one came back changed", []string{"a", "b"}, []serverFact{yes("a"), no("b")}, []string{"a", "b"}, []string{"b"}, nil},
		{"named twice", []string{"b", "b"}, []serverFact{no("b"), no("b")}, nil, []string{"b"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			trusted := make(map[string]bool)
			for _, n := range c.before {
				trusted[n] = true
			}
			got := judge(c.need, c.facts, trusted)
			if (got == nil) != (len(c.servers)+len(c.unknown) == 0) {
				t.Fatalf("got %v", got)
			}
			if got != nil && (!slices.Equal(got.Servers, c.servers) || !slices.Equal(got.Unknown, c.unknown)) {
				t.Errorf("servers %v, unknown %v; want %v, %v", got.Servers, got.Unknown, c.servers, c.unknown)
			}
		})
	}
}

// The other way to ask, over the system account.
func TestServersAreAskedOverTheSystemAccount(t *testing.T) {
	for _, always := range []bool{true, false} {
		sys := server.NewAccount("SYS")
		s, err := server.NewServer(&server.Options{
			ServerName: "one", DontListen: true, JetStream: true, StoreDir: t.TempDir(), SyncAlways: always, NoSigs: true, NoLog: true,
			JetStreamMaxStore: 1 << 20, JetStreamMaxMemory: 1 << 20,
			Accounts: []*server.Account{sys}, SystemAccount: "SYS",
			Users: []*server.User{{Username: "sys", Password: "sys", Account: sys}},
		})
		if err != nil {
			t.Fatal(err)
		}
		s.Start()
		defer s.WaitForShutdown()
		defer s.Shutdown()
		if !s.ReadyForConnections(10 * time.Second) {
			t.Fatal("server is not ready")
		}
		nc, err := nats.Connect("", nats.InProcessServer(s), nats.UserInfo("sys", "sys"))
		if err != nil {
			t.Fatal(err)
		}
		defer nc.Close()
		facts, err := askServers(t.Context(), nc, time.Second)
		if want := (serverFact{Name: "one", JetStream: true, Always: always}); err != nil || len(facts) != 1 || facts[0] != want {
			t.Errorf("%+v, %v; want %+v", facts, err, want)
		}
	}
}

func TestOptionsAreChecked(t *testing.T) {
	b := &Broker{}
	for _, c := range []struct {
		name, field string
		o           Options
	}{
		{"defaults", "", Options{Broker: b}},
		{"no broker", "broker", Options{}},
		{"two brokers", "broker", Options{Broker: b, URLs: []string{"nats://127.0.0.1"}}},
		{"name of a wildcard", "name", Options{Broker: b, Name: "a.*"}},
		{"two ways to sign in", "sign-in", Options{URLs: []string{"tls://h"}, Token: "t", CredsFile: "f"}},
		{"ack wait too short", "ack wait", Options{Broker: b, AckWait: time.Millisecond}},
		{"two replicas", "replicas", Options{URLs: []string{"nats://h"}, Replicas: 2}},
		{"embedded replicas", "replicas", Options{Broker: b, Replicas: 3}},
		{"negative limit", "max waiting", Options{Broker: b, MaxWaiting: -1}},
		{"negative letters", "max dead", Options{Broker: b, MaxDead: -1}},
		{"no window", "dedupe", Options{Broker: b, Dedupe: 1}},
		{"negative run", "express run", Options{Broker: b, ExpressRun: -1}},
		{"negative flight", "max in flight", Options{Broker: b, MaxInFlight: -1}},
		{"no time to answer", "timeout", Options{Broker: b, Timeout: 1}},
		{"poll beyond ack wait", "poll", Options{Broker: b, Poll: time.Minute}},
		{"sweep below poll", "sweep", Options{Broker: b, Sweep: time.Millisecond}},
		{"idle below sweep", "idle", Options{Broker: b, Idle: time.Second}},
		{"unknown lane", "lanes", Options{Broker: b, Lanes: []string{"slow"}}},
		{"monitor without host", "monitor URL", Options{URLs: []string{"nats://h"}, MonitorURLs: []string{"h:8222"}}},
		{"foreign scheme", "URL", Options{URLs: []string{"http://h"}}},
		{"password in the address", "URL", Options{URLs: []string{"tls://u:secret@h"}}},
		{"token in the clear", "URL", Options{URLs: []string{"nats://broker:4222"}, Token: "t"}},
		{"token in the clear, allowed", "", Options{URLs: []string{"nats://broker:4222"}, Token: "t", AllowPlaintext: true}},
		{"token over TLS", "", Options{URLs: []string{"tls://broker:4222"}, Token: "t"}},
		{"token on loopback", "", Options{URLs: []string{"nats://127.0.0.1:4222", "nats://[::1]:1", "nats://localhost"}, Token: "t"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.o.withDefaults().validate()
			var invalid *queue.InvalidError
			switch {
			case c.field == "" && err != nil:
				t.Error(err)
			case c.field != "" && (!errors.As(err, &invalid) || invalid.Field != c.field):
				t.Errorf("%v; want a fault of %s", err, c.field)
			}
			if err != nil && strings.Contains(err.Error(), "secret") {
				t.Errorf("the password is in the error: %v", err)
			}
		})
	}
}

func TestKeyOf(t *testing.T) {
	good := "discsafe.jobs.bulk.0123456789abcdef.j-1"
	if k, ok := keyOf(good, "discsafe.jobs."); !ok || k != (queue.Key{Lane: queue.Bulk, Studio: "0123456789abcdef"}) {
		t.Errorf("%v, %v", k, ok)
	}
	for _, s := range []string{"", "discsafe.jobs.", "other.jobs.bulk.0123456789abcdef.j-1", "discsafe.jobs.slow.0123456789abcdef.j-1",
		"discsafe.jobs.bulk.0123456789ABCDEF.j-1", "discsafe.jobs.bulk.short.j-1", good + ".more"} {
		if k, ok := keyOf(s, "discsafe.jobs."); ok {
			t.Errorf("%q was read as %v", s, k)
		}
	}
}
