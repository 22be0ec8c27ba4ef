// Package proxy is a TCP proxy that does to connections what networks do: it
// stops forwarding both ways or one way, forgets connections, resets them,
// delays, and cuts after some bytes.
//
// Enter at Listen; Set changes the weather for new and old connections alike.
// TCP never loses bytes in the middle of a stream, so neither does Hold: what
// was under way arrives when it ends, as after a partition shorter than the
// kernel's patience. Forget loses bytes and therefore, when it ends, resets the
// connections it has spoiled, as a firewall does that lost its state.
//
// It must not know what is spoken through it.
package proxy

import (
	"errors"
	"io"
	"net"
	"sync"
	"time"
)

// Mode is what happens to bytes and connections.
type Mode int

// The modes.
const (
	Pass     Mode = iota // everything arrives
	Hold                 // nothing arrives, nothing is closed: a black hole
	HoldUp               // what clients say does not arrive: half-open
	HoldDown             // what the server says does not arrive
	Forget               // everything is swallowed, and lost
	Reset                // connections are reset, new ones too
)

func (m Mode) String() string {
	return [...]string{"pass", "hold", "hold-up", "hold-down", "forget", "reset"}[m]
}

// stops reports whether bytes of a direction do not arrive.
func (m Mode) stops(up bool) bool { return m == Hold || m == HoldUp && up || m == HoldDown && !up }

// Proxy is one listening address that leads to another. Make one with Listen.
type Proxy struct {
	target string
	l      net.Listener

	mu     sync.Mutex
	turned *sync.Cond // mode changed, or a connection ended
	mode   Mode
	delay  time.Duration
	cut    int64
	conns  map[*conn]bool
	closed bool

	wg sync.WaitGroup
}

// Listen opens a port on loopback that leads to target.
func Listen(target string) (*Proxy, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &Proxy{target: target, l: l, conns: map[*conn]bool{}}
	p.turned = sync.NewCond(&p.mu)
	p.wg.Go(p.accept)
	return p, nil
}

// Addr is where clients connect.
func (p *Proxy) Addr() string { return p.l.Addr().String() }

// Set changes the mode.
func (p *Proxy) Set(m Mode) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mode = m
	for c := range p.conns {
		if m == Reset || c.spoiled && m != Forget {
			c.reset()
		}
	}
	p.turned.Broadcast()
}

// Delay holds every piece of data back for d.
func (p *Proxy) Delay(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.delay = d
}

// CutAfter resets each connection made from now on once n bytes have gone
// through it; 0: never.
func (p *Proxy) CutAfter(n int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut = n
}

// ResetAll resets the connections there are, and takes new ones as before.
func (p *Proxy) ResetAll() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		c.reset()
	}
	p.turned.Broadcast()
	return len(p.conns)
}

// Open is how many connections there are.
func (p *Proxy) Open() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.conns)
}

// Close ends everything and waits for it.
func (p *Proxy) Close() error {
	err := p.l.Close()
	p.mu.Lock()
	p.closed = true
	for c := range p.conns {
		c.reset()
	}
	p.turned.Broadcast()
	p.mu.Unlock()
	p.wg.Wait()
	return err
}

func (p *Proxy) accept() {
	for {
		client, err := p.l.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(10 * time.Millisecond) // out of descriptors: later there may be some
			continue
		}
		p.mu.Lock()
		c := &conn{p: p, client: client, left: p.cut, cut: p.cut > 0}
		if p.closed || p.mode == Reset {
			c.reset()
		} else {
			p.conns[c] = true
			p.wg.Go(c.run)
		}
		p.mu.Unlock()
	}
}

// conn is a pair of connections.
type conn struct {
	p      *Proxy
	client net.Conn

	// Under p.mu.
	server  net.Conn
	dead    bool
	spoiled bool
	cut     bool
	left    int64
}

// reset ends both sides with RST. Called under p.mu.
func (c *conn) reset() {
	c.dead = true
	for _, side := range []net.Conn{c.client, c.server} {
		if t, ok := side.(*net.TCPConn); ok {
			_ = t.SetLinger(0) // gone already is as good
			_ = t.Close()
		}
	}
}

func (c *conn) run() {
	defer func() {
		c.p.mu.Lock()
		delete(c.p.conns, c)
		c.reset()
		c.p.turned.Broadcast()
		c.p.mu.Unlock()
	}()
	if !c.reach() {
		return
	}
	server, err := net.DialTimeout("tcp", c.p.target, 10*time.Second)
	if err != nil {
		return
	}
	c.p.mu.Lock()
	c.server = server
	if c.dead {
		c.reset()
	}
	c.p.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() { c.copy(server, c.client, true) })
	both.Go(func() { c.copy(c.client, server, false) })
	both.Wait()
}

// reach waits until a SYN arrives; a lost one is sent again by the kernel.
func (c *conn) reach() bool {
	c.p.mu.Lock()
	defer c.p.mu.Unlock()
	for (c.p.mode == Forget || c.p.mode.stops(true)) && !c.dead {
		c.p.turned.Wait()
	}
	return !c.dead
}

// pass waits until bytes of a direction may go on, and says whether they are to
// be swallowed instead; false when the connection is over.
func (c *conn) pass(up bool) (forget, ok bool) {
	c.p.mu.Lock()
	defer c.p.mu.Unlock()
	for c.p.mode.stops(up) && !c.dead {
		c.p.turned.Wait()
	}
	if c.p.mode == Forget {
		c.spoiled = true
		return true, !c.dead
	}
	return false, !c.dead
}

// take counts n bytes against the cut and says how many may still go.
func (c *conn) take(n int) (int, time.Duration) {
	c.p.mu.Lock()
	defer c.p.mu.Unlock()
	if c.cut {
		n = int(min(int64(n), c.left))
		c.left -= int64(n)
	}
	return n, c.p.delay
}

func (c *conn) copy(dst, src net.Conn, up bool) {
	buf := make([]byte, 32<<10)
	for {
		n, rerr := src.Read(buf)
		if n > 0 {
			forget, ok := c.pass(up)
			if !ok {
				return
			}
			if forget {
				continue
			}
			may, delay := c.take(n)
			time.Sleep(delay)
			if _, err := dst.Write(buf[:may]); err != nil || may < n {
				break
			}
		}
		if rerr != nil {
			if t, is := dst.(*net.TCPConn); is && errors.Is(rerr, io.EOF) {
				// The end of one direction arrives like its bytes do.
				if forget, ok := c.pass(up); ok && !forget {
					_ = t.CloseWrite()
				}
				return
			}
			break
		}
	}
	c.p.mu.Lock()
	c.reset()
	c.p.turned.Broadcast()
	c.p.mu.Unlock()
}
