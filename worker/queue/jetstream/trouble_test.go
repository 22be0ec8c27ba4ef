package jetstream_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	js "github.com/nats-io/nats.go/jetstream"

	"discsafe/worker/queue"
	"discsafe/worker/queue/jetstream"
)

// raw is a client of the broker that goes round the queue.
func raw(t *testing.T, b *jetstream.Broker) (*nats.Conn, js.JetStream) {
	t.Helper()
	nc, err := nats.Connect("", nats.InProcessServer(b))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	j, err := js.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return nc, j
}

func next(t *testing.T, q queue.Queue) queue.Delivery {
	t.Helper()
	d, err := q.Fetch(t.Context(), 20*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestForeignPayloadBecomesDeadLetter(t *testing.T) {
	b, _ := startBroker(t)
	q := open(t, jetstream.Options{Broker: b})
	_, j := raw(t, b)
	line := "discsafe.jobs.bulk." + queue.StudioHash("a") + "."
	good, err := queue.Encode(bulk("a", 9))
	if err != nil {
		t.Fatal(err)
	}
	for subject, payload := range map[string]string{
		line + "x-0": "no JSON",
		line + "x-1": `{"v":1,"job":"../../etc","studio":"a","lane":"bulk"}`,
		"discsafe.jobs.bulk." + queue.StudioHash("other") + ".a-9-0": string(good),
		line + "x-2": strings.Repeat("x", 5000),
	} {
		if _, err := j.Publish(t.Context(), subject, []byte(payload)); err != nil {
			t.Fatal(err)
		}
	}
	if err := q.Publish(t.Context(), bulk("a", 1)); err != nil {
		t.Fatal(err)
	}
	if d := next(t, q); d.Message() != bulk("a", 1) {
		t.Fatalf("got %+v", d.Message())
	}
	if _, err := q.Fetch(t.Context(), 50*time.Millisecond); !errors.Is(err, queue.ErrEmpty) {
		t.Fatalf("%v; want %v", err, queue.ErrEmpty)
	}
	letters, err := q.Dead(t.Context(), 0, 10)
	if err != nil || len(letters) != 4 {
		t.Fatalf("%d letters, %v; want 4", len(letters), err)
	}
	for _, l := range letters {
		if !strings.HasPrefix(l.Reason, "unreadable: ") || l.Raw == nil && l.Message != bulk("a", 9) {
			t.Errorf("letter %+v", l)
		}
	}
}

func TestMessageOfNewerVersionIsLeftToNewerWorkers(t *testing.T) {
	b, _ := startBroker(t)
	q := open(t, jetstream.Options{Broker: b})
	_, j := raw(t, b)
	if _, err := j.Publish(t.Context(), "discsafe.jobs.bulk."+queue.StudioHash("a")+".x-0", []byte(`{"v":2,"ticket":"x"}`)); err != nil {
		t.Fatal(err)
	}
	if _, err := q.Fetch(t.Context(), 50*time.Millisecond); !errors.Is(err, queue.ErrEmpty) {
		t.Fatalf("%v; want %v", err, queue.ErrEmpty)
	}
	if s, err := q.Stats(t.Context()); err != nil || s.InFlight != 1 || s.Dead != 0 {
		t.Errorf("%+v, %v; want it handed back with a delay", s, err)
	}
}

func TestStudioAtItsLimitDoesNotBlockOthers(t *testing.T) {
	b, _ := startBroker(t)
	q := open(t, jetstream.Options{Broker: b, MaxInFlight: 2, Timeout: 100 * time.Millisecond, Poll: 20 * time.Millisecond})
	for n := range 4 {
		until(t, func() error { return q.Publish(t.Context(), bulk("a", n)) })
	}
	first := next(t, q)
	next(t, q)
	until(t, func() error { return q.Publish(t.Context(), bulk("b", 0)) })
	if d := next(t, q); d.Message() != bulk("b", 0) {
		t.Fatalf("got %s past the limit of 2", d.Message().ID())
	}
	if _, err := q.Fetch(t.Context(), 300*time.Millisecond); !errors.Is(err, queue.ErrEmpty) {
		t.Fatalf("%v; want %v", err, queue.ErrEmpty)
	}
	// The requests that got no answer must not be served into nobody's hands once
	// there is room: the next message comes, as its first delivery.
	until(t, func() error { return first.Done(t.Context()) })
	if d := next(t, q); d.Message() != bulk("a", 2) || d.Deliveries() != 1 {
		t.Errorf("got %s, delivery %d", d.Message().ID(), d.Deliveries())
	}
}

func TestForeignStreamIsRefused(t *testing.T) {
	for name, change := range map[string]func(*js.StreamConfig){
		"retention":            func(c *js.StreamConfig) { c.Retention = js.LimitsPolicy },
		"storage":              func(c *js.StreamConfig) { c.Storage = js.MemoryStorage },
		"subjects":             func(c *js.StreamConfig) { c.Subjects = []string{"discsafe.jobs.>"} },
		"messages per subject": func(c *js.StreamConfig) { c.DiscardNewPerSubject = false },
	} {
		t.Run(name, func(t *testing.T) {
			b, _ := startBroker(t)
			_, j := raw(t, b)
			c := js.StreamConfig{Name: "discsafe-jobs", Subjects: []string{"discsafe.jobs.*.*.*"}, Retention: js.WorkQueuePolicy,
				Discard: js.DiscardNew, DiscardNewPerSubject: true, MaxMsgsPerSubject: 1}
			change(&c)
			if _, err := j.CreateStream(t.Context(), c); err != nil {
				t.Fatal(err)
			}
			_, err := jetstream.Open(t.Context(), jetstream.Options{Broker: b})
			var m *jetstream.MismatchError
			if !errors.As(err, &m) || m.Field != name || m.Stream != c.Name {
				t.Errorf("%v; want a mismatch of %s", err, name)
			}
		})
	}
}

func TestTwoBrokersOnOneFolderAreRefused(t *testing.T) {
	b, dir := startBroker(t)
	if _, err := jetstream.StartBroker(t.Context(), jetstream.BrokerOptions{Dir: dir}); err == nil || !strings.Contains(err.Error(), "another process") {
		t.Errorf("second broker: %v", err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := jetstream.StartBroker(t.Context(), jetstream.BrokerOptions{Dir: dir})
	if err != nil {
		t.Fatalf("after the first is closed: %v", err)
	}
	if err := again.Check(); err != nil {
		t.Error(err)
	}
	if err := again.Close(); err != nil {
		t.Error(err)
	}
	if err := again.Check(); err == nil {
		t.Error("Check of a closed broker: nil")
	}
}

func TestBrokerThatCannotStartSaysWhy(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, dir := range map[string]string{"no folder": "", "a file": file, "below a file": filepath.Join(file, "x")} {
		if b, err := jetstream.StartBroker(t.Context(), jetstream.BrokerOptions{Dir: dir}); err == nil {
			t.Errorf("%s: no error", name)
			b.Close()
		}
	}
	// JetStream's own folder is in the way.
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "jetstream"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err := jetstream.StartBroker(t.Context(), jetstream.BrokerOptions{Dir: dir}); err == nil {
		t.Error("a file in place of JetStream's folder: no error")
		b.Close()
	}
}

// The stream is deleted by hand while everything runs.
func TestDeletedStreamIsMadeAnew(t *testing.T) {
	b, _ := startBroker(t)
	q := open(t, jetstream.Options{Broker: b, Poll: 20 * time.Millisecond, Sweep: 100 * time.Millisecond})
	_, j := raw(t, b)
	for round := range 3 {
		if err := q.Publish(t.Context(), bulk("a", round)); err != nil {
			t.Fatal(err)
		}
		if err := next(t, q).Done(t.Context()); err != nil {
			t.Fatal(err)
		}
		for _, s := range []string{"discsafe-jobs", "discsafe-dead"} {
			if err := j.DeleteStream(t.Context(), s); err != nil {
				t.Fatal(err)
			}
		}
		if round == 1 { // the worker finds out first
			until(t, func() error {
				_, err := q.Fetch(t.Context(), 150*time.Millisecond)
				if errors.Is(err, queue.ErrEmpty) {
					return nil
				}
				return err
			})
		}
	}
	if err := q.Publish(t.Context(), bulk("a", 9)); err != nil {
		t.Fatal(err)
	}
	if err := next(t, q).Drop("test: both streams were gone"); err != nil {
		t.Fatal(err)
	}
	if s, err := q.Stats(t.Context()); err != nil || s.Dead != 1 {
		t.Errorf("%+v, %v; want one dead letter", s, err)
	}
}

// The folder disappears under a running server, as when a disk is unmounted.
func TestFolderLostUnderRunningBroker(t *testing.T) {
	b, dir := startBroker(t)
	q := open(t, jetstream.Options{Broker: b, Timeout: 300 * time.Millisecond})
	for n := range 3 {
		until(t, func() error { return q.Publish(t.Context(), bulk("a", n)) })
	}
	if err := os.RemoveAll(filepath.Join(dir, "jetstream")); err != nil {
		t.Fatal(err)
	}
	// The server itself does not notice: it goes on writing to files without a name.
	if err := b.Check(); err == nil || !strings.Contains(err.Error(), "gone") {
		t.Errorf("Check: %v; want it to say that the folder is gone", err)
	}
	b.Stop()
	if err := b.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	until(t, func() error { return q.Publish(t.Context(), bulk("c", 7)) })
	until(t, func() error {
		d, err := q.Fetch(t.Context(), time.Second)
		if err == nil && d.Message() != bulk("c", 7) {
			err = errors.Join(fmt.Errorf("got %s", d.Message().ID()), d.Done(t.Context()))
		}
		return err
	})
}

func TestLanesServed(t *testing.T) {
	b, _ := startBroker(t)
	q := open(t, jetstream.Options{Broker: b, Lanes: []string{queue.Express}})
	m := bulk("a", 2)
	m.Lane = queue.Express
	for _, m := range []queue.Message{bulk("a", 1), m} {
		if err := q.Publish(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	if d := next(t, q); d.Message() != m {
		t.Errorf("got %s", d.Message().ID())
	}
	if d, err := q.Fetch(t.Context(), 100*time.Millisecond); !errors.Is(err, queue.ErrEmpty) {
		t.Errorf("%v, %v; want %v", d, err, queue.ErrEmpty)
	}
}

// A worker that comes after the jobs hears no ring.
func TestJobsFromBeforeAreFound(t *testing.T) {
	b, _ := startBroker(t)
	early := open(t, jetstream.Options{Broker: b})
	for n := range 30 {
		if err := early.Publish(t.Context(), bulk(fmt.Sprint(n), n)); err != nil {
			t.Fatal(err)
		}
	}
	late := open(t, jetstream.Options{Broker: b})
	for range 30 {
		if err := next(t, late).Done(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
}

// Fetch is cancelled again and again while messages arrive: none may be left in
// nobody's hands until AckWait.
func TestCancelledFetchLosesNothing(t *testing.T) {
	b, _ := startBroker(t)
	q := open(t, jetstream.Options{Broker: b, AckWait: time.Hour, Poll: 20 * time.Millisecond})
	const jobs = 40
	go func() {
		for n := range jobs {
			if err := q.Publish(t.Context(), bulk("a", n)); err != nil {
				t.Error(err)
			}
		}
	}()
	got := 0
	for n := 0; got < jobs && n < 5000; n++ {
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(n%8)*600*time.Microsecond)
		d, err := q.Fetch(ctx, time.Minute)
		cancel()
		if err == nil {
			err = d.Done(t.Context())
			got++
		}
		if err != nil && !errors.Is(err, context.DeadlineExceeded) {
			t.Fatal(err)
		}
		if n%200 == 199 {
			time.Sleep(handBack)
		}
	}
	if got != jobs {
		s, err := q.Stats(t.Context())
		t.Errorf("%d of %d came; %+v, %v", got, jobs, s, err)
	}
}

// handBack is longer than the delay with which a message is handed back that
// came too late.
const handBack = 60 * time.Millisecond

func TestBrokerSpeaksToTheLog(t *testing.T) {
	var out strings.Builder
	b, err := jetstream.StartBroker(t.Context(), jetstream.BrokerOptions{
		Dir: t.TempDir(), Log: slog.New(slog.NewJSONHandler(&out, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if s := out.String(); !strings.Contains(s, `"component":"broker"`) || !strings.Contains(s, "JetStream") {
		t.Errorf("log: %s", s)
	}
}
