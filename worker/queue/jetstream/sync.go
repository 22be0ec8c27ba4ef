package jetstream

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"discsafe/worker/queue"
)

// UnsyncedError means that a broker acknowledges messages before they are on
// disk, or that nobody could be asked whether it does.
type UnsyncedError struct {
	Servers []string // known not to sync always
	Unknown []string // not asked, or not answering for themselves
}

// Error says which servers and what to do.
func (e *UnsyncedError) Error() string {
	var s []string
	if len(e.Servers) > 0 {
		s = append(s, fmt.Sprintf("%s acknowledges before its disk has the message: set `sync_interval: always` under jetstream in its configuration",
			strings.Join(e.Servers, ", ")))
	}
	if len(e.Unknown) > 0 {
		s = append(s, fmt.Sprintf("whether %s syncs always is not known: give the monitoring address of every server, or credentials of the system account",
			strings.Join(e.Unknown, ", ")))
	}
	return "broker refused: " + strings.Join(s, "; ") + "; or allow an unsynced broker and live with rings lost at power failure"
}

// recheckAfter is how long a check is trusted while the connection stays: a
// server of a cluster may come back with another configuration behind our back.
const recheckAfter = time.Minute

// syncState is what is known of the broker's habits.
type syncState struct {
	asking  sync.Mutex      // one asks at a time; Synced does not wait for the answer
	trusted map[string]bool // servers that were found to sync always when last heard of; guarded by asking

	mu     sync.Mutex
	at     time.Time // of the last check that held; zero: check before the next message
	doubts int       // how often the connection came or went
}

func (s *syncState) doubt() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at = time.Time{}
	s.doubts++
}

func (s *syncState) last() (at time.Time, doubts int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at, s.doubts
}

// found keeps the time of a check that held, or zero, unless the connection
// came or went since: then the answer may be of another server.
func (s *syncState) found(at time.Time, doubts int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.doubts == doubts {
		s.at = at
	}
}

// Synced reports whether every server concerned was found to sync always when
// last checked, for the gauge broker_sync_always. It is false while
// disconnected, and always with AllowUnsyncedBroker.
func (q *Queue) Synced() bool {
	at, _ := q.sync.last()
	return !at.IsZero() && q.nc.IsConnected() && !q.o.AllowUnsyncedBroker
}

// CheckSync returns nil if the broker may be trusted with a message; else
// *UnsyncedError, or ErrUnavailable if it could not be asked. Publish checks by
// itself; whoever does not publish calls this now and then, as the answer is
// forgotten when the connection is lost. It asks only if there is no fresh one.
func (q *Queue) CheckSync(ctx context.Context) error {
	if q.isClosed() {
		return &queue.Error{Op: "check sync", Kind: queue.ErrClosed}
	}
	if !q.nc.IsConnected() {
		return unavailable("check sync", "", nats.ErrConnectionReconnecting)
	}
	return q.checkSync(ctx)
}

func (q *Queue) checkSync(ctx context.Context) error {
	q.sync.asking.Lock()
	defer q.sync.asking.Unlock()
	now := q.o.Clock.Now()
	at, doubts := q.sync.last()
	if !at.IsZero() && now.Sub(at) < recheckAfter {
		return nil
	}
	if err := q.askSync(ctx); err != nil {
		q.sync.found(time.Time{}, doubts)
		var unsynced *UnsyncedError
		if errors.As(err, &unsynced) {
			return err
		}
		return unavailable("check sync", "", err)
	}
	q.sync.found(now, doubts)
	return nil
}

// askSync asks. A server that does not answer but was trusted before stays so:
// it is down, and writes nothing unsynced while it is; when it comes back it is
// asked within recheckAfter.
func (q *Queue) askSync(ctx context.Context) error {
	if q.o.AllowUnsyncedBroker {
		return nil
	}
	if q.o.Broker != nil {
		return q.o.Broker.Check()
	}
	need, err := q.concerned(ctx)
	if err != nil {
		return err
	}
	facts, askErr := q.serverFacts(ctx)
	unsynced := judge(need, facts, q.sync.trusted)
	if unsynced == nil {
		return nil
	}
	if len(unsynced.Servers) == 0 && askErr != nil {
		// Who is unknown may only be unreachable.
		return fmt.Errorf("ask whether the broker syncs always: %w", askErr)
	}
	return unsynced
}

// serverFact is what one server says of itself.
type serverFact struct {
	Name      string
	JetStream bool // it is switched on
	Always    bool // it syncs always
}

// judge holds what is needed against what is known and was known, which it
// brings up to date. It returns nil if all is well. A server with JetStream
// that is not needed now may be a replica tomorrow, so it must sync too.
func judge(need []string, facts []serverFact, trusted map[string]bool) *UnsyncedError {
	var e UnsyncedError
	for _, f := range facts {
		if trusted[f.Name] = f.JetStream && f.Always; f.JetStream && !f.Always && !slices.Contains(e.Servers, f.Name) {
			e.Servers = append(e.Servers, f.Name)
		}
	}
	for _, n := range need {
		if !trusted[n] && !slices.Contains(e.Servers, n) && !slices.Contains(e.Unknown, n) {
			e.Unknown = append(e.Unknown, n)
		}
	}
	if len(e.Servers)+len(e.Unknown) == 0 {
		return nil
	}
	slices.Sort(e.Servers)
	slices.Sort(e.Unknown)
	return &e
}

// concerned names the servers that keep the stream of jobs. A replica that its
// leader reports as offline writes nothing, and a process must be able to start
// while one server is down; when it comes back it is asked within recheckAfter.
func (q *Queue) concerned(ctx context.Context) ([]string, error) {
	info, err := q.jobsInfo(ctx)
	if err != nil {
		return nil, err
	}
	if info.Cluster == nil || info.Cluster.Leader == "" {
		return []string{q.nc.ConnectedServerName()}, nil
	}
	need := []string{info.Cluster.Leader}
	for _, r := range info.Cluster.Replicas {
		if !r.Offline {
			need = append(need, r.Name)
		}
	}
	return need, nil
}

// varz is the part that matters of a server's description of itself.
type varz struct {
	Name      string `json:"server_name"`
	JetStream struct {
		Config *struct {
			Always bool `json:"sync_always"`
		} `json:"config"`
	} `json:"jetstream"`
}

func (v varz) fact() serverFact {
	c := v.JetStream.Config
	return serverFact{Name: v.Name, JetStream: c != nil, Always: c != nil && c.Always}
}

// serverFacts asks all there is to ask, at once. It returns what came, beside
// the errors of what did not.
func (q *Queue) serverFacts(ctx context.Context) ([]serverFact, error) {
	var asking sync.WaitGroup
	facts := make([][]serverFact, len(q.o.MonitorURLs)+1)
	errs := make([]error, len(facts))
	for i, u := range q.o.MonitorURLs {
		asking.Go(func() {
			f, err := q.monitorFact(ctx, u)
			if errs[i] = err; err == nil {
				facts[i] = []serverFact{f}
			}
		})
	}
	if q.o.SystemCredsFile != "" {
		last := len(facts) - 1
		facts[last], errs[last] = q.systemFacts(ctx)
	}
	asking.Wait()
	return slices.Concat(facts...), errors.Join(errs...)
}

// monitorFact asks one server's monitoring address.
func (q *Queue) monitorFact(ctx context.Context, base string) (serverFact, error) {
	ctx, cancel := q.within(ctx)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(base, "/")+"/varz", nil)
	if err != nil {
		return serverFact{}, &queue.InvalidError{Field: "monitor URL", Reason: err.Error()}
	}
	// A client of its own: no connection is kept, none is shared.
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true, Proxy: nil}}
	resp, err := client.Do(req)
	if err != nil {
		return serverFact{}, fmt.Errorf("ask monitoring address: %w", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return serverFact{}, fmt.Errorf("ask monitoring address %s: %s", base, resp.Status)
	}
	var v varz
	if err := json.NewDecoder(io.LimitReader(resp.Body, 4<<20)).Decode(&v); err != nil {
		return serverFact{}, fmt.Errorf("ask monitoring address %s: %w", base, err)
	}
	return v.fact(), nil
}

// systemFacts asks all servers of the cluster over the system account. All
// that answer within a quarter of the timeout after the last one count; who is
// missing shows in judge.
func (q *Queue) systemFacts(ctx context.Context) ([]serverFact, error) {
	o, err := q.connectOptions()
	if err != nil {
		return nil, err
	}
	o.User, o.Password, o.Token = "", "", ""
	o.AllowReconnect = false
	o.ReconnectedCB, o.DisconnectedErrCB = nil, nil
	if err := nats.UserCredentials(q.o.SystemCredsFile)(&o); err != nil {
		return nil, fmt.Errorf("system credentials: %w", err)
	}
	nc, err := o.Connect()
	if err != nil {
		return nil, fmt.Errorf("connect to the system account: %w", err)
	}
	defer nc.Close()
	return askServers(ctx, nc, q.o.Timeout)
}

func askServers(ctx context.Context, nc *nats.Conn, timeout time.Duration) ([]serverFact, error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	sub, err := nc.SubscribeSync(nc.NewInbox())
	if err != nil {
		return nil, err
	}
	if err := nc.PublishRequest("$SYS.REQ.SERVER.PING.VARZ", sub.Subject, nil); err != nil {
		return nil, err
	}
	var facts []serverFact
	for {
		one, cancel := context.WithTimeout(ctx, timeout/4)
		msg, err := sub.NextMsgWithContext(one)
		cancel()
		if errors.Is(err, context.DeadlineExceeded) {
			return facts, nil
		}
		if err != nil {
			return nil, fmt.Errorf("ask the servers over the system account: %w", err)
		}
		var answer struct {
			Data varz `json:"data"`
		}
		if err := json.Unmarshal(msg.Data, &answer); err != nil {
			return nil, fmt.Errorf("read a server's answer: %w", err)
		}
		facts = append(facts, answer.Data.fact())
	}
}
