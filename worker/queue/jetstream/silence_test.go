package jetstream_test

import (
	"errors"
	"net"
	"sync"
	"testing"
	"time"

	"discsafe/worker/queue"
	"discsafe/worker/queue/jetstream"
)

// proxy passes bytes on, until it is told to hold them: a connection that is
// up and says nothing.
type proxy struct {
	l      net.Listener
	to     string
	mu     sync.Mutex
	open   sync.Cond
	frozen bool
	conns  []net.Conn
	wg     sync.WaitGroup
}

func startProxy(t *testing.T, to string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{l: l, to: to}
	p.open.L = &p.mu
	p.wg.Go(p.accept)
	t.Cleanup(func() {
		p.freeze(false)
		l.Close()
		p.mu.Lock()
		for _, c := range p.conns {
			c.Close()
		}
		p.mu.Unlock()
		p.wg.Wait()
	})
	return p
}

func (p *proxy) freeze(on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.frozen = on
	p.open.Broadcast()
}

func (p *proxy) accept() {
	for {
		in, err := p.l.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", p.to)
		if err != nil {
			in.Close()
			continue
		}
		p.mu.Lock()
		p.conns = append(p.conns, in, out)
		p.mu.Unlock()
		p.wg.Go(func() { p.pass(in, out) })
		p.wg.Go(func() { p.pass(out, in) })
	}
}

func (p *proxy) pass(from, to net.Conn) {
	defer to.Close()
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		p.mu.Lock()
		for p.frozen {
			p.open.Wait()
		}
		p.mu.Unlock()
		if n > 0 {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// A partition that breaks no connection: every call ends in its time, says that
// the broker does not answer, and works again afterwards.
func TestSilentBroker(t *testing.T) {
	s := serve(t, nil)
	p := startProxy(t, s.Addr().String())
	const timeout = 200 * time.Millisecond
	q := open(t, jetstream.Options{URLs: []string{"nats://" + p.l.Addr().String()}, MonitorURLs: []string{monitor(s)},
		Timeout: timeout, AckWait: time.Minute, Poll: 20 * time.Millisecond})
	for n := range 2 { // again and again: on a loaded machine a write may take longer than this timeout
		until(t, func() error { return q.Publish(t.Context(), bulk("a", n)) })
	}
	d := next(t, q)
	p.freeze(true)
	for name, call := range map[string]func() error{
		"publish":     func() error { return q.Publish(t.Context(), bulk("b", 1)) },
		"in progress": d.InProgress,
		"done":        func() error { return d.Done(t.Context()) },
		"stats":       func() error { _, err := q.Stats(t.Context()); return err },
	} {
		start := time.Now()
		if err := call(); !errors.Is(err, queue.ErrUnavailable) {
			t.Errorf("%s: %v; want %v", name, err, queue.ErrUnavailable)
		}
		// Publish may make the stream and send again; none makes more than a
		// handful of calls. The margin is for a loaded machine.
		if took := time.Since(start); took > 10*timeout+5*time.Second {
			t.Errorf("%s took %v", name, took)
		}
	}
	if got, err := q.Fetch(t.Context(), timeout); got != nil || err == nil {
		t.Errorf("Fetch: %v, %v; want no message", got, err)
	}
	p.freeze(false)
	until(t, func() error { return d.Done(t.Context()) })
	until(t, func() error { return q.Publish(t.Context(), bulk("b", 1)) })
	seen := make(map[queue.Message]bool)
	until(t, func() error {
		d, err := q.Fetch(t.Context(), time.Second)
		if err == nil {
			seen[d.Message()] = true
			err = d.Done(t.Context())
		}
		if err == nil && len(seen) < 2 {
			err = errors.New("not all yet")
		}
		return err
	})
}
