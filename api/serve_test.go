package api

import (
	"bufio"
	"io"
	"net"
	"net/http"
	"testing"
	"time"

	"discsafe/api/v1"
)

// A body that stops coming is given up, and the sender is told so.
func TestSlowBody(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.BodyTimeout = 100 * time.Millisecond })
	for _, path := range []string{"/v1/jobs", "/v1/plans/check"} {
		c, err := net.Dial("tcp", h.srv.Listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		_ = c.SetDeadline(time.Now().Add(20 * time.Second))
		if _, err := io.WriteString(c, "POST "+path+" HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer "+h.secret["a"]+"\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{\"plan\""); err != nil {
			t.Fatal(err)
		}
		res, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			t.Fatal(err)
		}
		if res.StatusCode != http.StatusRequestTimeout || res.Header.Get("Content-Type") != v1.ProblemType {
			t.Errorf("%s: %d", path, res.StatusCode)
		}
	}
}

// A reader that takes nothing loses the connection instead of holding a worker
// of the server.
func TestSlowReader(t *testing.T) {
	over := make(chan error, 1)
	s := &Server{limits: Limits{WriteTimeout: 200 * time.Millisecond}.filled()}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := HTTPServer(s.around(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		piece := make([]byte, 1<<20)
		for {
			if _, err := w.Write(piece); err != nil {
				over <- err
				return
			}
		}
	})))
	go srv.Serve(l) //nolint:errcheck // ends with Close
	defer srv.Close()
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	select {
	case <-over:
	case <-time.After(20 * time.Second):
		t.Fatal("the reader holds the server")
	}
}
