package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"path"
	"strconv"
	"strings"
	"time"

	"discsafe/api/client"
	"discsafe/api/v1"
	"discsafe/cmd/faultrun/clip"
)

// soakSides are the numbers of the sides that a soak submits.
type soakSides struct {
	good    []int // of rising length
	unsound int   // the mix cannot be used, which shows when it is read
	poison  int   // its process panics
}

// soakLengthsS are lengths of sides in seconds; of ten sides so many are that
// long. Short beside a record's side, so that an hour sees thousands of jobs: what
// leaks, leaks by the job.
var soakLengthsS = []struct {
	lengthS float64
	ofTen   int
}{{6, 4}, {20, 3}, {45, 2}, {90, 1}}

func (s *soaking) makeSides(ctx context.Context) error {
	for _, k := range soakLengthsS {
		if err := s.l.MakeSides(ctx, 1, k.lengthS); err != nil {
			return err
		}
		for range k.ofTen {
			s.side.good = append(s.side.good, len(s.l.Sides)-1)
		}
	}
	s.side.unsound, s.side.poison = s.l.MakeUnsound(), s.l.MakePoison("FAULT-PANIC")
	return nil
}

// arrive is one visitor: a job, followed to its end and read, and perhaps
// something beside it. What the nth does depends on the seed and n only.
func (s *soaking) arrive(ctx context.Context, n int) error {
	r := rand.New(rand.NewPCG(s.r.seed, uint64(n)))
	kind, side, what := v1.Prepare, s.side.good[r.IntN(len(s.side.good))], "prepare"
	var may []string
	cancel := time.Duration(-1)
	switch p := r.IntN(1000); {
	case p < 160:
		kind, what = v1.Analyse, "analyse"
	case p < 220:
		what, may = "cancelled", []string{"cancelled"}
		cancel = time.Duration(r.IntN(1500)) * time.Millisecond // waiting, running, or too late
	case p < 250:
		side, what, may = s.side.unsound, "unsound", []string{"bad-sound"}
	case p < 258:
		side, what, may = s.side.poison, "poison", []string{"crashed"}
	}
	if err := s.beside(ctx, r, n); err != nil {
		return err
	}
	j, err := s.l.Submit(ctx, n, side, kind)
	if err != nil {
		return err
	}
	j.May = may
	s.count(what)
	c, err := s.client(0)
	if err != nil {
		return err
	}
	if cancel >= 0 {
		sleep(ctx, cancel)
		if _, err := c.Cancel(ctx, j.ID); err != nil && problem(err) != v1.WrongState {
			return fmt.Errorf("cancelling job %s: %w", j.ID, err)
		}
	}
	if r.IntN(2) == 0 {
		// Half of the followers go before the end.
		if err := s.follow(ctx, j.ID, r.IntN(2) == 0); err != nil {
			return err
		}
	}
	f := j.Final
	for misses := 0; f == nil || !f.Over(); {
		sleep(ctx, 700*time.Millisecond)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		now, err := s.l.See(ctx, j)
		if err == nil {
			f = now
			continue
		}
		s.l.Bad("soak", "looking at job %s: %v", j.ID, err)
		if misses++; misses == 10 {
			return err
		}
	}
	s.mu.Lock()
	s.ended = append(s.ended, time.Now())
	s.mu.Unlock()
	if len(may) > 0 && cancel < 0 && f.State == "done" {
		s.l.Bad("soak", "job %s of a side that cannot be prepared (%s) is done", j.ID, what)
	}
	if err := s.pages(ctx, r, f); err != nil || f.State != "done" {
		return err
	}
	if r.IntN(3) == 0 {
		s.count("results fetched and checked")
		return s.l.CheckResult(ctx, j, r.IntN(20) == 0)
	}
	return nil
}

// beside does what visitors do besides submitting.
func (s *soaking) beside(ctx context.Context, r *rand.Rand, n int) error {
	switch p := r.IntN(100); {
	case p < 8:
		s.count("uploads resumed")
		return s.upload(ctx, n)
	case p < 12:
		s.count("uploads abandoned")
		return s.abandon(ctx, n)
	case p < 14:
		s.count("mixes refused")
		m := s.fresh(n)
		req, err := http.NewRequestWithContext(ctx, http.MethodPut, s.l.APIs[0].URL()+"/v1/mixes/"+m.SHA256, bytes.NewReader(m.Mix[:len(m.Mix)/2]))
		if err != nil {
			return err
		}
		req.Header.Set("Content-Type", "application/octet-stream")
		resp, err := s.http.Do(req)
		if err != nil {
			return fmt.Errorf("handing in half a mix: %w", err)
		}
		resp.Body.Close()
		if resp.StatusCode < 400 || resp.StatusCode >= 500 {
			s.l.Bad("soak", "half a mix under the hash of a whole one was answered %s", resp.Status)
		}
	case p < 18:
		s.count("plans refused")
		c, err := s.client(0)
		if err != nil {
			return err
		}
		req := s.l.Request(s.side.good[0], v1.Prepare, "bulk")
		req.Plan = strings.Replace(req.Plan, "disc: 7in-45", "disc: 99in-45", 1)
		if _, _, err := c.Submit(ctx, req, client.NewKey()); problem(err) != v1.BadPlan {
			s.l.Bad("soak", "a plan for a disc that does not exist was answered %v", err)
		}
	}
	return nil
}

// problem is the code of the service's own refusal, "" of anything else.
func problem(err error) v1.Code {
	if p, is := errors.AsType[*v1.Problem](err); is {
		return v1.Code(p.Code)
	}
	return ""
}

// client is a client of the API; small is client.Options.SmallBytes.
func (s *soaking) client(small int64) (*client.Client, error) {
	return client.New(client.Options{Server: s.l.APIs[0].URL(), HTTP: s.http, SmallBytes: small, ChunkBytes: 64 << 10, Retries: -1})
}

// fresh is a mix that the service has not seen.
func (s *soaking) fresh(n int) *clip.Side {
	return clip.Make(s.r.seed, 1_000_000_000+uint64(n), 1, "FR-FRESH")
}

// upload hands a mix in by several requests of a resumable upload. No job uses
// it: retention takes it away.
func (s *soaking) upload(ctx context.Context, n int) error {
	c, err := s.client(-1)
	if err != nil {
		return err
	}
	m := s.fresh(n)
	got, err := c.Upload(ctx, client.Source{Name: m.Name, ReaderAt: bytes.NewReader(m.Mix), Size: int64(len(m.Mix)), SHA256: m.SHA256}, nil)
	if err != nil {
		return fmt.Errorf("uploading by parts: %w", err)
	}
	if got.Bytes != int64(len(m.Mix)) {
		s.l.Bad("I3", "of a mix of %d bytes %d were taken", len(m.Mix), got.Bytes)
	}
	return nil
}

// mostAbandoned is how many uploads are left lying: a studio may have 64 under
// way, and an hour has more visitors than that who leave one.
const mostAbandoned = 32

// forget deletes the upload that was abandoned first, once there are many.
func (s *soaking) forget(ctx context.Context) error {
	s.mu.Lock()
	if len(s.abandoned) < mostAbandoned {
		s.mu.Unlock()
		return nil
	}
	id := s.abandoned[0]
	s.abandoned = s.abandoned[1:]
	s.mu.Unlock()
	req, err := http.NewRequestWithContext(ctx, http.MethodDelete, s.l.APIs[0].URL()+"/v1/uploads/"+id, nil)
	if err != nil {
		return err
	}
	req.Header.Set("Tus-Resumable", "1.0.0")
	resp, err := s.http.Do(req)
	if err != nil {
		return fmt.Errorf("deleting an upload: %w", err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusNoContent {
		return fmt.Errorf("deleting an upload: %s", resp.Status)
	}
	return nil
}

// abandon begins a resumable upload and goes in the middle of a piece.
func (s *soaking) abandon(ctx context.Context, n int) error {
	if err := s.forget(ctx); err != nil {
		return err
	}
	m := s.fresh(n)
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.l.APIs[0].URL()+"/v1/uploads", nil)
	if err != nil {
		return err
	}
	b64 := func(t string) string { return base64.StdEncoding.EncodeToString([]byte(t)) }
	req.Header.Set("Tus-Resumable", "1.0.0")
	req.Header.Set("Upload-Length", strconv.Itoa(len(m.Mix)))
	req.Header.Set("Upload-Metadata", "sha256 "+b64(m.SHA256)+",filename "+b64(m.Name))
	resp, err := s.http.Do(req)
	if err != nil {
		return fmt.Errorf("beginning an upload: %w", err)
	}
	resp.Body.Close()
	at := resp.Header.Get("Location")
	if resp.StatusCode != http.StatusCreated || at == "" {
		return fmt.Errorf("beginning an upload: %s", resp.Status)
	}
	s.mu.Lock()
	s.abandoned = append(s.abandoned, path.Base(at)) // its file stays for a day
	s.mu.Unlock()
	if strings.HasPrefix(at, "/") {
		at = s.l.APIs[0].URL() + at
	}
	going, leave := context.WithCancel(ctx)
	defer leave()
	body := io.MultiReader(bytes.NewReader(m.Mix[:len(m.Mix)/2]), &once{func() {
		time.Sleep(100 * time.Millisecond) // what was sent has arrived
		leave()
	}}, bytes.NewReader(m.Mix[len(m.Mix)/2:]))
	if req, err = http.NewRequestWithContext(going, http.MethodPatch, at, body); err != nil {
		return err
	}
	req.ContentLength = int64(len(m.Mix))
	req.Header.Set("Tus-Resumable", "1.0.0")
	req.Header.Set("Upload-Offset", "0")
	req.Header.Set("Content-Type", "application/offset+octet-stream")
	if resp, err = s.http.Do(req); err == nil {
		resp.Body.Close()
		s.l.Bad("soak", "an upload that was left in the middle was answered %s", resp.Status)
	}
	return ctx.Err()
}

// follow reads the events of a job to their end, or goes after the first.
func (s *soaking) follow(ctx context.Context, id string, early bool) error {
	// A stream that never ends is a fault of its own.
	ctx, leave := context.WithTimeout(ctx, 10*time.Minute)
	defer leave()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.l.APIs[0].URL()+"/v1/jobs/"+id+"/events", nil)
	if err != nil {
		return err
	}
	resp, err := s.http.Do(req)
	if err != nil {
		return fmt.Errorf("following job %s: %w", id, err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("following job %s: %s", id, resp.Status)
	}
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		t := lines.Text()
		switch {
		case early && strings.HasPrefix(t, "data:"):
			s.count("followers who left")
			return nil
		case t == "event: end":
			s.count("followers to the end")
			return nil
		}
	}
	return fmt.Errorf("following job %s: the stream broke off: %w", id, errors.Join(lines.Err(), ctx.Err(), io.ErrUnexpectedEOF))
}

// pages looks at some of what a job shows.
func (s *soaking) pages(ctx context.Context, r *rand.Rand, j *v1.Job) error {
	paths := []string{"/jobs", "/jobs/" + j.ID, "/operations", "/submit", "/v1/jobs?limit=50", "/v1/status", "/v1/jobs/" + j.ID + "/plan"}
	if j.State == "done" {
		paths = append(paths, "/jobs/"+j.ID+"/audit", "/v1/jobs/"+j.ID+"/files/report.html", "/v1/jobs/"+j.ID+"/timeline?bins=512")
		if j.Kind == v1.Prepare {
			paths = append(paths, "/jobs/"+j.ID+"/signoff", "/jobs/"+j.ID+"/groove", "/v1/jobs/"+j.ID+"/groove?at_s=2",
				"/v1/jobs/"+j.ID+"/cutting-sheet", "/v1/jobs/"+j.ID+"/audio/after?from_s=0&to_s=3", "/v1/jobs/"+j.ID+"/audio/as-traced?from_s=1&to_s=2")
		}
	}
	for range 1 + r.IntN(4) {
		p := paths[r.IntN(len(paths))]
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.l.APIs[0].URL()+p, nil)
		if err != nil {
			return err
		}
		resp, err := s.http.Do(req)
		if err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
		_, err = io.Copy(io.Discard, resp.Body)
		resp.Body.Close()
		if err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
		if resp.StatusCode != http.StatusOK {
			s.l.Bad("soak", "%s was answered %s", p, resp.Status)
		}
		s.count("pages and answers read")
	}
	return nil
}
