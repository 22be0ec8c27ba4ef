package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"discsafe/api/v1"
	"discsafe/cmd/faultrun/lab"
)

// latency is how long a share of answers took at most.
func latency(d []time.Duration, share float64) time.Duration {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[min(len(d)-1, int(share*float64(len(d))))]
}

// burst posts 5,000 submissions as fast as 32 clients can. In a small run most
// meet the cap; in a large one all are taken, and must be done.
func burst(ctx context.Context, r *run) error {
	const posts, clients = 5000, 32
	most := 400
	if r.scale >= 10 {
		most = 2 * posts
	}
	tune := fast()
	tune.APIArgs = append(tune.APIArgs, "--max-waiting", fmt.Sprint(most))
	l, err := r.lab(ctx, lab.Options{Workers: 2, Tune: tune})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 1, 0.5); err != nil {
		return err
	}
	if err := l.Upload(ctx, l.APIs[0], 0); err != nil {
		return err
	}
	var mu sync.Mutex
	var taken, refused []time.Duration
	next := make(chan int)
	var wg sync.WaitGroup
	for range clients {
		wg.Go(func() {
			for n := range next {
				at := time.Now()
				err := l.Post(ctx, l.APIs[0], 0, fmt.Sprintf("burst-%d", n))
				d := time.Since(at)
				p, is := errors.AsType[*v1.Problem](err)
				mu.Lock()
				switch {
				case err == nil:
					taken = append(taken, d)
				case is && p.Status == http.StatusTooManyRequests && p.Code == string(v1.BacklogFull) && p.RetryAfter > 0:
					refused = append(refused, d)
				default:
					l.Bad("burst", "post %d was answered %v", n, err)
				}
				mu.Unlock()
			}
		})
	}
	began := time.Now()
	for n := range posts {
		select {
		case next <- n:
		case <-ctx.Done():
		}
	}
	close(next)
	wg.Wait()
	l.Fact("posts", posts)
	l.Fact("taken", len(taken))
	l.Fact("refused", len(refused))
	l.Fact("posts_per_s", posts/time.Since(began).Seconds())
	all := append(slices.Clone(taken), refused...)
	l.Fact("p50_s", latency(all, 0.5))
	l.Fact("p99_taken_s", latency(taken, 0.99))
	p99 := latency(all, 0.99)
	l.Fact("p99_s", p99)
	// The goal is 500 ms on an idle machine, and the figure is in the summary. How
	// busy this one is nobody knows, so only a standstill is a fault.
	if p99 > 5*time.Second {
		l.Bad("burst", "of %d posts one in a hundred took more than %v", len(all), p99)
	}
	if most < posts && len(refused) == 0 || most > posts && len(refused) > 0 {
		l.Bad("burst", "%d of %d posts were refused with a cap of %d", len(refused), posts, most)
	}
	if n := len(taken); n > most+n/2 {
		l.Bad("burst", "%d were taken with a cap of %d", n, most)
	}
	l.Fact("drained_s", l.Await(ctx, 40*time.Minute))
	return l.Judge(ctx, lab.Verdict{Measured: 5, Fetched: 50, Counted: true})
}

// slow opens a thousand connections that send their heads, send their bodies or
// read their answers a byte at a time, and watches what others notice.
func slow(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{Workers: 1, Tune: fast()})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 2, 2); err != nil {
		return err
	}
	j, err := l.Submit(ctx, 0, 0, v1.Prepare)
	if err != nil {
		return err
	}
	l.Await(ctx, time.Minute)
	base, err := healthy(ctx, l, 5*time.Second)
	if err != nil {
		return err
	}
	fds := l.APIs[0].P.FDs()
	slowCtx, cancel := context.WithCancel(ctx)
	defer cancel()
	const conns = 1000
	var wg sync.WaitGroup
	var mu sync.Mutex
	open := 0
	for n := range conns {
		wg.Go(func() {
			c, err := dialFrom(l, n)
			if err != nil {
				return
			}
			defer c.Close()
			mu.Lock()
			open++
			mu.Unlock()
			creep(slowCtx, l, c, n, j.ID)
		})
	}
	sleep(ctx, 2*time.Second)
	most := l.APIs[0].P.FDs()
	span := min(time.Duration(70*r.scale)*time.Second, 5*time.Minute) // a body may take a minute
	worst, err := healthy(ctx, l, span)
	if err != nil {
		return err
	}
	if _, err := l.Submit(ctx, 1, 1, v1.Prepare); err != nil {
		return err
	}
	// A peer who reads nothing learns late that it was cut off; the service's descriptors tell at once.
	left := l.APIs[0].P.FDs() - fds
	cancel()
	wg.Wait()
	l.Fact("opened", open)
	l.Fact("left", left)
	l.Fact("p99_alone_s", base)
	l.Fact("p99_s", worst)
	l.Fact("fds_most", most)
	// Twice what it was, or 100 ms: below that nobody notices, and a machine with two cores has other things to do.
	if worst > max(2*base, 100*time.Millisecond) {
		l.Bad("slow", "beside %d slow connections one in a hundred requests took more than %v, alone %v", open, worst, base)
	}
	if open < conns {
		l.Bad("slow", "only %d of %d connections were taken", open, conns)
	}
	if left > conns/20 {
		l.Bad("slow", "%d of %d slow connections were still open after %v", left, open, span)
	}
	if most > fds+conns+100 {
		l.Bad("slow", "%d descriptors for %d connections", most, conns)
	}
	l.Await(ctx, time.Minute)
	if err := l.Until(ctxFor(ctx, time.Minute), 200*time.Millisecond, func() error {
		if now := l.APIs[0].P.FDs(); now > fds+20 {
			return fmt.Errorf("%d descriptors are open, %d were before", now, fds)
		}
		return nil
	}); err != nil {
		l.Bad("I6", "%v", err)
	}
	return l.Judge(ctx, lab.Verdict{Counted: true})
}

// ctxFor is a context that ends after d; its timer frees itself.
func ctxFor(ctx context.Context, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(ctx, d)
	context.AfterFunc(ctx, cancel)
	return ctx
}

// healthy asks small things for a while and returns how long one in a hundred
// took at least.
func healthy(ctx context.Context, l *lab.Lab, d time.Duration) (time.Duration, error) {
	var took []time.Duration
	client := &http.Client{Transport: &http.Transport{}, Timeout: 20 * time.Second}
	defer client.CloseIdleConnections()
	for end := time.Now().Add(d); time.Now().Before(end) && ctx.Err() == nil; {
		for _, path := range []string{"/healthz", "/v1/jobs?limit=10", "/v1/me"} {
			at := time.Now()
			resp, err := client.Get(l.APIs[0].URL() + path)
			if err != nil {
				l.Bad("slow", "%s: %v", path, err)
				return time.Since(at), nil
			}
			_, _ = io.Copy(io.Discard, resp.Body) // how long it takes is what counts
			resp.Body.Close()
			if resp.StatusCode != http.StatusOK {
				return 0, fmt.Errorf("%s: %s", path, resp.Status)
			}
			took = append(took, time.Since(at))
		}
		sleep(ctx, 20*time.Millisecond)
	}
	return latency(took, 0.99), ctx.Err()
}

// dialFrom connects from one of four addresses of this machine: a service may
// turn away who opens hundreds of connections alone.
func dialFrom(l *lab.Lab, n int) (net.Conn, error) {
	d := net.Dialer{Timeout: 10 * time.Second, LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, byte(2+n%4))}}
	return d.Dial("tcp", strings.TrimPrefix(l.APIs[0].URL(), "http://"))
}

// creep uses a connection as slowly as can be until it is cut.
func creep(ctx context.Context, l *lab.Lab, c net.Conn, n int, job string) {
	const step = 2 * time.Second
	host := strings.TrimPrefix(l.APIs[0].URL(), "http://")
	say := func(text string) bool { _, err := io.WriteString(c, text); return err == nil }
	use := func() bool { return say("a") }
	ok := true
	switch n % 3 {
	case 0: // the head never ends
		ok = say("GET /v1/jobs HTTP/1.1\r\nHost: " + host + "\r\n")
	case 1: // the body never ends
		ok = say("PUT /v1/mixes/" + l.Sides[1].SHA256 + " HTTP/1.1\r\nHost: " + host + "\r\nContent-Type: application/octet-stream\r\nContent-Length: 100000\r\n\r\n")
	default: // the answer is hardly read: many large ones, asked for at once
		_ = c.(*net.TCPConn).SetReadBuffer(4096) // a larger one would make it less slow, no more
		ok = say(strings.Repeat("GET /v1/jobs/"+job+"/files/premaster.wav HTTP/1.1\r\nHost: "+host+"\r\n\r\n", 20))
		one := make([]byte, 1)
		use = func() bool { _, err := c.Read(one); return err == nil }
	}
	stop := context.AfterFunc(ctx, func() { c.Close() })
	defer stop()
	for ok && ctx.Err() == nil {
		sleep(ctx, step)
		ok = use()
	}
}
