package service

import (
	"errors"
	"io"
	"net"
	"path/filepath"
	"sync"
	"testing"

	"discsafe/api/client"
	v1 "discsafe/api/v1"
	"discsafe/pipeline"
)

// One side from end to end, as a studio far away would have it: the upload is
// cut off twice and goes on where it stood, the events are cut off and go on
// after the last one seen, and the files that arrive are proven once more.
func TestEndToEnd(t *testing.T) {
	t.Parallel()
	s, stop := run(t, own(t, filepath.Join(t.TempDir(), "data")))
	line := newCutter(t, s.listener.Addr().String(), 300<<10, 900<<10)
	c := dial(t, "http://"+line.addr(), "", func(o *client.Options) {
		o.SmallBytes, o.ChunkBytes = -1, 256<<10 // resumable, in pieces
	})

	var sent []int64
	plan := client.SidePlan{Path: side(t, t.TempDir(), 10), Names: []string{"one.wav"}, Key: "side-a",
		Progress: func(_ string, n, _ int64) { sent = append(sent, n) }}
	j, replayed, err := c.SubmitPlan(t.Context(), plan)
	if err != nil || replayed {
		t.Fatalf("replayed %v, %v", replayed, err)
	}
	if n := line.cuts(); n != 2 {
		t.Errorf("the line was cut %d times while sending, want 2", n)
	}
	const size = 44 + 10*44100*4
	if sent[len(sent)-1] != size {
		t.Errorf("progress ends at %d of %d", sent[len(sent)-1], size)
	}
	// What was underway in a piece is sent again, not the file.
	if n := line.sent(); n > size+2*256<<10 {
		t.Errorf("%d bytes crossed the line for a file of %d", n, size)
	}
	// The same again, as after a crash of the sender: the same job.
	if again, replayed, err := c.SubmitPlan(t.Context(), plan); err != nil || !replayed || again.ID != j.ID {
		t.Errorf("again: %+v, replayed %v, %v", again, replayed, err)
	}

	var states []string
	var once sync.Once
	err = c.Watch(t.Context(), j.ID, func(now v1.Job) error {
		if *j = now; len(states) == 0 || states[len(states)-1] != now.State {
			states = append(states, now.State)
		}
		once.Do(line.cut)
		return nil
	})
	if err != nil || j.State != "done" || j.Verdict != "ready" {
		t.Fatalf("%v: %s %s %+v, %v", states, j.State, j.Verdict, j.Reason, err)
	}
	if n := line.cuts(); n != 3 {
		t.Errorf("the line was cut %d times in all, want 3", n)
	}

	out := t.TempDir()
	if err := c.DownloadAll(t.Context(), j, out); err != nil {
		t.Fatal(err)
	}
	checked, err := pipeline.Check(t.Context(), out)
	if err != nil || len(checked.Faults) > 0 || checked.Files < 5 {
		t.Errorf("check: %+v %v", checked, err)
	}
	stop()
}

// cutter is a line that breaks: at given numbers of bytes sent through it in
// all, and when asked.
type cutter struct {
	l  net.Listener
	to string
	wg sync.WaitGroup

	mu   sync.Mutex
	at   []int64 // where to cut
	up   int64   // bytes so far
	open map[net.Conn]bool
	n    int
}

func newCutter(t *testing.T, to string, at ...int64) *cutter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{l: l, to: to, at: at, open: map[net.Conn]bool{}}
	c.wg.Go(c.accept)
	t.Cleanup(func() {
		_ = l.Close()
		c.cut()
		c.wg.Wait()
	})
	return c
}

func (c *cutter) addr() string { return c.l.Addr().String() }

func (c *cutter) sent() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.up
}

func (c *cutter) cuts() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.n
}

// cut breaks every connection.
func (c *cutter) cut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.breakAll()
}

func (c *cutter) breakAll() {
	for conn := range c.open {
		if tcp, ok := conn.(*net.TCPConn); ok {
			_ = tcp.SetLinger(0) // a reset, as from a line that fails
		}
		_ = conn.Close()
	}
	clear(c.open)
	c.n++
}

func (c *cutter) accept() {
	for {
		in, err := c.l.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", c.to)
		if err != nil {
			_ = in.Close()
			continue
		}
		c.mu.Lock()
		c.open[in], c.open[out] = true, true
		c.mu.Unlock()
		c.wg.Go(func() { c.pass(out, in, true) })
		c.wg.Go(func() { c.pass(in, out, false) })
	}
}

// pass copies one way until either end is closed.
func (c *cutter) pass(to, from net.Conn, count bool) {
	b := make([]byte, 16<<10)
	var err error
	for err == nil {
		var n int
		if n, err = from.Read(b); n > 0 {
			if count && c.due(int64(n)) {
				return
			}
			if _, werr := to.Write(b[:n]); werr != nil {
				err = errors.Join(err, werr)
			}
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.open, to)
	delete(c.open, from)
	if !errors.Is(err, io.EOF) || !count {
		_ = from.Close()
	}
	_ = to.Close()
}

// due counts bytes on their way to the service and cuts where that is asked
// for.
func (c *cutter) due(n int64) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.up += n
	if len(c.at) == 0 || c.up < c.at[0] {
		return false
	}
	c.at = c.at[1:]
	c.breakAll()
	return true
}
