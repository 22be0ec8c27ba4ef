package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"discsafe/api/v1"
	"discsafe/cmd/faultrun/lab"
)

// apiKill kills the API in three kinds of uploads, between record and bell, and
// at random under load.
func apiKill(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{Workers: 2})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 3, 1); err != nil {
		return err
	}
	kills := 0
	for round := range r.scale {
		// Each upload is of a mix the service has not seen.
		for _, send := range []func(context.Context, *lab.Lab, int) error{putCut, formCut, tusCut} {
			if err := l.MakeSides(ctx, 1, 2); err != nil {
				return err
			}
			if err := killInUpload(ctx, l, len(l.Sides)-1, 10000*round, send); err != nil {
				return err
			}
			kills++
		}
		for range 3 {
			if err := apiStep(ctx, l, "recorded", 100000+10000*round); err != nil {
				return err
			}
			kills++
		}
		n, err := killUnderLoad(ctx, l, 500000+10000*round, 4)
		if err != nil {
			return err
		}
		kills += n
	}
	l.Fact("kills", kills)
	l.Fact("drained_s", l.Await(ctx, 3*time.Minute))
	return l.Judge(ctx, lab.Verdict{})
}

// killInUpload lets send begin an upload and kills the API in the middle of it;
// the side must then go through as if nothing had been.
func killInUpload(ctx context.Context, l *lab.Lab, side, n int, send func(context.Context, *lab.Lab, int) error) error {
	if err := send(ctx, l, side); err != nil {
		return err
	}
	if l.APIs[0].P.Alive() {
		return errors.New("the API outlived an upload in which it was to be killed")
	}
	if err := l.APIs[0].Start(nil); err != nil {
		return err
	}
	if c, err := l.APIs[0].Client(); err != nil {
		return err
	} else if m, err := c.Mix(ctx, l.Sides[side].SHA256); err == nil && m.Bytes != int64(len(l.Sides[side].Mix)) {
		l.Bad("I3", "half an upload became a mix of %d bytes", m.Bytes)
	}
	_, err := l.Submit(ctx, n+side, side, v1.Prepare)
	return err
}

// killer is a body that kills the API once half of it is under way.
func killer(l *lab.Lab, b []byte) io.Reader {
	half := len(b) / 2
	return io.MultiReader(bytes.NewReader(b[:half]), &once{func() {
		time.Sleep(200 * time.Millisecond) // what was sent has arrived
		l.Note("fault", "what", "kill -9 of the API in an upload")
		l.APIs[0].P.Crash()
	}}, bytes.NewReader(b[half:]))
}

// once is an empty reader that does something when it is reached.
type once struct{ f func() }

func (o *once) Read([]byte) (int, error) {
	if o.f != nil {
		o.f()
		o.f = nil
	}
	return 0, io.EOF
}

// cutRequest sends what must not be answered with success.
func cutRequest(ctx context.Context, l *lab.Lab, req *http.Request) error {
	resp, err := http.DefaultClient.Do(req.WithContext(ctx))
	if err != nil {
		return nil //nolint:nilerror // a broken line is what was wanted
	}
	defer resp.Body.Close()
	if resp.StatusCode < 300 {
		l.Bad("I1", "%s %s was answered %s though half of the body never came", req.Method, req.URL.Path, resp.Status)
	}
	return nil
}

func putCut(ctx context.Context, l *lab.Lab, side int) error {
	s := l.Sides[side]
	req, err := http.NewRequest(http.MethodPut, l.APIs[0].URL()+"/v1/mixes/"+s.SHA256, killer(l, s.Mix))
	if err != nil {
		return err
	}
	req.ContentLength = int64(len(s.Mix))
	req.Header.Set("Content-Type", "application/octet-stream")
	return cutRequest(ctx, l, req)
}

func formCut(ctx context.Context, l *lab.Lab, side int) error {
	s := l.Sides[side]
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	p, err := w.CreateFormFile("file", s.Name)
	if err != nil {
		return err
	}
	if _, err := p.Write(s.Mix); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	req, err := http.NewRequest(http.MethodPost, l.APIs[0].URL()+"/v1/mixes", killer(l, b.Bytes()))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", w.FormDataContentType())
	return cutRequest(ctx, l, req)
}

// tusCut begins a resumable upload, loses the API in the middle, and goes on
// with the same upload where the new one says it stands.
func tusCut(ctx context.Context, l *lab.Lab, side int) error {
	s, a := l.Sides[side], l.APIs[0]
	sum, err := hex.DecodeString(s.SHA256)
	if err != nil || len(sum) != 32 {
		return fmt.Errorf("hash of side %d: %w", side, err)
	}
	ask := func(method, url string, body io.Reader, head map[string]string) (*http.Response, error) {
		req, err := http.NewRequestWithContext(ctx, method, url, body)
		if err != nil {
			return nil, err
		}
		req.Header.Set("Tus-Resumable", "1.0.0")
		for k, v := range head {
			req.Header.Set(k, v)
		}
		return http.DefaultClient.Do(req)
	}
	resp, err := ask(http.MethodPost, a.URL()+"/v1/uploads", nil, map[string]string{"Upload-Length": strconv.Itoa(len(s.Mix)),
		"Upload-Metadata": "sha256 " + base64.StdEncoding.EncodeToString([]byte(s.SHA256)) + ",filename " + base64.StdEncoding.EncodeToString([]byte(s.Name))})
	if err != nil {
		return err
	}
	resp.Body.Close()
	at := resp.Header.Get("Location")
	if resp.StatusCode != http.StatusCreated || at == "" {
		return fmt.Errorf("beginning an upload: %s", resp.Status)
	}
	if strings.HasPrefix(at, "/") {
		at = a.URL() + at
	}
	patch := func(from int, body io.Reader) (*http.Response, error) {
		return ask(http.MethodPatch, at, body, map[string]string{"Upload-Offset": strconv.Itoa(from), "Content-Type": "application/offset+octet-stream"})
	}
	// A first piece that is acknowledged must be there afterwards.
	first := len(s.Mix) / 4
	if resp, err = patch(0, bytes.NewReader(s.Mix[:first])); err != nil {
		return err
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusNoContent {
		return fmt.Errorf("a first piece of an upload: %s", resp.Status)
	}
	if resp, err = patch(first, killer(l, s.Mix[first:])); err == nil {
		resp.Body.Close()
		return fmt.Errorf("a killed API answered %s", resp.Status)
	}
	if err := a.Start(nil); err != nil {
		return err
	}
	if resp, err = ask(http.MethodHead, at, nil, nil); err != nil {
		return err
	}
	resp.Body.Close()
	from, err := strconv.Atoi(resp.Header.Get("Upload-Offset"))
	if err != nil || from < first || from > len(s.Mix) {
		l.Bad("I1", "after the kill the upload stands at %q (%s), %d bytes had been acknowledged", resp.Header.Get("Upload-Offset"), resp.Status, first)
		from = first
	}
	l.Fact("tus_resumed_at", float64(from)/float64(len(s.Mix)))
	if resp, err = patch(from, bytes.NewReader(s.Mix[from:])); err != nil {
		return err
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusNoContent {
		l.Bad("I1", "the rest of a resumed upload was answered %s", resp.Status)
	}
	c, err := a.Client()
	if err != nil {
		return err
	}
	if m, err := c.Mix(ctx, s.SHA256); err != nil || m.Bytes != int64(len(s.Mix)) {
		l.Bad("I1", "a resumed upload is not there: %v", err)
	}
	a.P.Crash() // for the caller, who starts it again
	return nil
}

// killUnderLoad kills the API at random while submissions come.
func killUnderLoad(ctx context.Context, l *lab.Lab, first, kills int) (int, error) {
	stop, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	errs := make([]error, 3)
	for i := range errs {
		wg.Go(func() {
			for n := 0; stop.Err() == nil && errs[i] == nil; n++ {
				// A submission that has begun is brought to its end.
				_, errs[i] = l.Submit(ctx, first+1000*i+n, n%3, v1.Prepare)
				sleep(stop, 150*time.Millisecond)
			}
		})
	}
	for range kills {
		sleep(ctx, draw(l, 100*time.Millisecond, 900*time.Millisecond))
		l.Note("fault", "what", "kill -9 of the API under load")
		l.APIs[0].P.Crash()
		sleep(ctx, draw(l, 0, 400*time.Millisecond))
		if err := l.APIs[0].Start(nil); err != nil {
			return 0, err
		}
	}
	sleep(ctx, 300*time.Millisecond)
	cancel()
	wg.Wait()
	return kills, errors.Join(errs...)
}

// idem posts one submission a hundred times at once, and again after the broker
// was restarted, and again after an API was.
func idem(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{Workers: 1, APIs: 2, Tune: fast()})
	if err != nil {
		return err
	}
	for n := range r.scale {
		if err := l.MakeSides(ctx, 1, 0.5); err != nil {
			return err
		}
		if err := oneKey(ctx, l, n); err != nil {
			return err
		}
	}
	l.Await(ctx, 2*time.Minute)
	return l.Judge(ctx, lab.Verdict{})
}

// fast lifts the limits on how often one may ask.
func fast() lab.Tuning {
	return lab.Tuning{APIArgs: []string{"--rate", "1000000", "--burst", "1000000"}}
}

func oneKey(ctx context.Context, l *lab.Lab, side int) error {
	for _, a := range l.APIs {
		if err := l.Upload(ctx, a, side); err != nil {
			return err
		}
	}
	key := fmt.Sprintf("one-key-%d", side)
	var ids []string
	posts := 0
	post := func() {
		var wg sync.WaitGroup
		var mu sync.Mutex
		for n := range 100 {
			wg.Go(func() {
				id, err := l.SubmitKey(ctx, l.APIs[n%len(l.APIs)], side, key)
				mu.Lock()
				defer mu.Unlock()
				if err != nil {
					l.Bad("idem", "a post with a key in use was answered %v", err)
				} else if !slices.Contains(ids, id) {
					ids = append(ids, id)
				}
			})
		}
		wg.Wait()
		posts += 100
		l.Fact("posts", posts)
	}
	post()
	b := l.Brokers[0]
	if _, err := b.P.Stop(30 * time.Second); err != nil {
		return err
	}
	if err := b.Start(); err != nil {
		return err
	}
	post()
	l.APIs[0].P.Crash()
	if err := l.APIs[0].Start(nil); err != nil {
		return err
	}
	post()
	if len(ids) != 1 {
		l.Bad("idem", "one key made %d jobs: %v", len(ids), ids)
	}
	if err := oneJob(ctx, l, side); err != nil {
		return err
	}
	// The same key for something else is refused by name.
	other := l.Request(side, v1.Analyse, "bulk")
	other.Plan = strings.Replace(other.Plan, "title: ", "title: Not ", 1)
	c, err := l.APIs[0].Client()
	if err != nil {
		return err
	}
	_, _, err = c.Submit(ctx, other, key)
	if p, is := errors.AsType[*v1.Problem](err); !is || p.Code != string(v1.KeyReused) {
		l.Bad("idem", "a key used for something else was answered %v", err)
	}
	return nil
}
