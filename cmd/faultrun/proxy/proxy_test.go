package proxy

import (
	"bufio"
	"errors"
	"io"
	"net"
	"os"
	"syscall"
	"testing"
	"time"
)

// echo answers each line with itself.
func echo(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				io.Copy(c, c)
			}()
		}
	}()
	return l.Addr().String()
}

type line struct {
	t *testing.T
	c net.Conn
	r *bufio.Reader
}

func dial(t *testing.T, p *Proxy) *line {
	t.Helper()
	c, err := net.Dial("tcp", p.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return &line{t, c, bufio.NewReader(c)}
}

func (l *line) say(s string) error {
	_, err := io.WriteString(l.c, s+"\n")
	return err
}

// hear returns the next line that comes within d.
func (l *line) hear(d time.Duration) (string, error) {
	l.c.SetReadDeadline(time.Now().Add(d))
	s, err := l.r.ReadString('\n')
	return s, err
}

const (
	soon = 10 * time.Second // a loaded machine is slow, not broken
	not  = 150 * time.Millisecond
)

func (l *line) roundTrip(s string) {
	l.t.Helper()
	if err := l.say(s); err != nil {
		l.t.Fatal(err)
	}
	if got, err := l.hear(soon); err != nil || got != s+"\n" {
		l.t.Fatalf("said %q, heard %q, %v", s, got, err)
	}
}

func (l *line) silent() {
	l.t.Helper()
	if got, err := l.hear(not); !errors.Is(err, os.ErrDeadlineExceeded) {
		l.t.Fatalf("heard %q, %v; want silence", got, err)
	}
}

func (l *line) broken() {
	l.t.Helper()
	if got, err := l.hear(soon); !errors.Is(err, syscall.ECONNRESET) {
		l.t.Fatalf("heard %q, %v; want a reset", got, err)
	}
}

func open(t *testing.T) *Proxy {
	t.Helper()
	p, err := Listen(echo(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}

func TestHeldBytesArriveAfterwards(t *testing.T) {
	for _, m := range []Mode{Hold, HoldUp, HoldDown} {
		t.Run(m.String(), func(t *testing.T) {
			p := open(t)
			l := dial(t, p)
			l.roundTrip("one")
			p.Set(m)
			if err := l.say("two"); err != nil {
				t.Fatal(err)
			}
			fresh := dial(t, p) // the kernel answers for us
			fresh.say("three")
			l.silent()
			fresh.silent()
			p.Set(Pass)
			for _, c := range []struct {
				l    *line
				want string
			}{{l, "two\n"}, {fresh, "three\n"}} {
				if got, err := c.l.hear(soon); err != nil || got != c.want {
					t.Errorf("heard %q, %v; want %q", got, err, c.want)
				}
			}
		})
	}
}

// Half-open: the server hears, its answers are lost on the way, or the reverse.
func TestOneDirectionOnly(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	p, err := Listen(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	client := dial(t, p)
	sc, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer sc.Close()
	server := &line{t, sc, bufio.NewReader(sc)}
	p.Set(HoldDown)
	client.say("up")
	if got, err := server.hear(soon); err != nil || got != "up\n" {
		t.Errorf("server heard %q, %v", got, err)
	}
	server.say("down")
	client.silent()
	p.Set(HoldUp)
	if got, err := client.hear(soon); err != nil || got != "down\n" {
		t.Errorf("client heard %q, %v", got, err)
	}
	client.say("up again")
	server.silent()
}

func TestForgottenConnectionsAreResetAfterwards(t *testing.T) {
	p := open(t)
	l := dial(t, p)
	l.roundTrip("one")
	p.Set(Forget)
	l.say("two")
	l.silent()
	p.Set(Pass)
	l.broken()
	dial(t, p).roundTrip("three")
}

func TestReset(t *testing.T) {
	p := open(t)
	l := dial(t, p)
	l.roundTrip("one")
	p.Set(Reset)
	l.broken()
	c, err := net.Dial("tcp", p.Addr())
	if err == nil {
		_, err = c.Read(make([]byte, 1))
		c.Close()
	}
	if !errors.Is(err, syscall.ECONNRESET) {
		t.Errorf("a new connection: %v; want a reset", err)
	}
	p.Set(Pass)
	l = dial(t, p)
	l.roundTrip("two")
	// Those reset before leave the list a moment after their peers know.
	for until := time.Now().Add(10 * time.Second); p.Open() > 1 && time.Now().Before(until); time.Sleep(time.Millisecond) {
	}
	if n := p.ResetAll(); n != 1 {
		t.Errorf("%d connections were reset, there is 1", n)
	}
	l.broken()
	dial(t, p).roundTrip("three")
}

func TestCutAfterBytes(t *testing.T) {
	p := open(t)
	before := dial(t, p)
	before.roundTrip("x")
	p.CutAfter(12) // "12345\n" there and back
	l := dial(t, p)
	l.roundTrip("12345")
	l.say("6")
	l.broken()
	before.roundTrip("an older one is not concerned")
	p.CutAfter(0)
	dial(t, p).roundTrip("more than twelve bytes")
}

func TestDelay(t *testing.T) {
	p := open(t)
	l := dial(t, p)
	l.roundTrip("one")
	p.Delay(60 * time.Millisecond)
	began := time.Now()
	l.roundTrip("two")
	if d := time.Since(began); d < 120*time.Millisecond {
		t.Errorf("there and back took %v, want twice 60 ms", d)
	}
}

func TestEndOfOneDirectionArrives(t *testing.T) {
	p := open(t)
	l := dial(t, p)
	l.say("last")
	if err := l.c.(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	l.c.SetReadDeadline(time.Now().Add(soon))
	if got, err := io.ReadAll(l.r); err != nil || string(got) != "last\n" {
		t.Errorf("heard %q, %v", got, err)
	}
}

func TestCloseEndsEverything(t *testing.T) {
	p := open(t)
	l := dial(t, p)
	l.roundTrip("one")
	p.Set(Hold)
	l.say("two")
	held := dial(t, p)
	held.say("three")
	done := make(chan error, 1)
	go func() { done <- p.Close() }()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(soon):
		t.Fatal("Close does not return while connections are held")
	}
	l.broken()
}
