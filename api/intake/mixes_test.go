package intake

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store/dir"
)

func (h *house) put(as, content string) answer {
	h.t.Helper()
	return h.do("PUT", "/v1/mixes/"+shaOf(content), as, strings.NewReader(content))
}

func TestPutByHash(t *testing.T) {
	h := newHouse(t, nil)
	a := h.do("PUT", "/v1/mixes/"+shaOf(wavFile)+"?name=side%20a.wav", asStudio, strings.NewReader(wavFile))
	m := a.mix(t)
	if a.StatusCode != 201 || !m.New || m.Name != "side a.wav" || m.Audio == nil || m.Studio != "north" || m.Expires.IsZero() {
		t.Fatalf("%d %+v", a.StatusCode, m)
	}
	h.holds("north", wavFile)
	if a := h.put(asStudio, wavFile); a.StatusCode != 200 || a.mix(t).New {
		t.Errorf("again: %d %s", a.StatusCode, a.body)
	}
	// Without a length, and for another studio.
	a = h.do("PUT", "/v1/mixes/"+shaOf(wavFile), asOther, io.MultiReader(strings.NewReader(wavFile)))
	if a.StatusCode != 201 {
		t.Errorf("chunked: %d %s", a.StatusCode, a.body)
	}
	a = h.do("PUT", "/v1/mixes/"+shaOf("good"), asStudio, strings.NewReader("evil"))
	if p := a.problem(t); a.StatusCode != 422 || p.Code != string(v1.HashDiffers) {
		t.Errorf("other bytes: %d %s", a.StatusCode, a.body)
	}
	if a := h.do("GET", "/v1/mixes/"+shaOf("good"), asStudio, nil); a.StatusCode != 404 {
		t.Errorf("and then: %d", a.StatusCode)
	}
	for _, sha := range []string{"x", strings.ToUpper(shaOf("a")), strings.Repeat("0", 65), "..%2f..%2fx"} {
		if a := h.do("PUT", "/v1/mixes/"+sha, asStudio, strings.NewReader("a")); a.StatusCode != 422 {
			t.Errorf("%s: %d", sha, a.StatusCode)
		}
	}
	// Asking for what is not there was counted as nothing.
	if h.count("stored") != 2 || h.count(string(v1.NotFound)) != 0 || h.count("known") != 1 || h.count(string(v1.HashDiffers)) != 1 {
		t.Errorf("observed %v", h.seen)
	}
	if files := h.files(); len(files) != 0 {
		t.Errorf("left in the spool: %v", files)
	}
}

// A mix that is here is answered before its sender sends it.
func TestPutAnswersEarly(t *testing.T) {
	h := newHouse(t, nil)
	h.put(asStudio, wavFile)
	for _, tt := range []struct {
		name, sha string
		length    int64
		want      string
	}{
		{"known", shaOf(wavFile), 1 << 30, "HTTP/1.1 200"},
		{"too large", shaOf("x"), 1 << 40, "HTTP/1.1 413"},
		{"wanted", shaOf("x"), 1, "HTTP/1.1 100"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			conn, err := net.Dial("tcp", h.srv.Listener.Addr().String())
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			fmt.Fprintf(conn, "PUT /v1/mixes/%s HTTP/1.1\r\nHost: x\r\nX-Who: %s\r\nExpect: 100-continue\r\nContent-Length: %d\r\n\r\n", tt.sha, asStudio, tt.length)
			_ = conn.SetReadDeadline(time.Now().Add(20 * time.Second))
			line, err := bufio.NewReader(conn).ReadString('\n')
			if err != nil || !strings.HasPrefix(line, tt.want) {
				t.Errorf("%q, %v, want %s", line, err, tt.want)
			}
		})
	}
}

func TestStatAndList(t *testing.T) {
	h := newHouse(t, nil)
	var want []string
	for i := range 5 {
		content := fmt.Sprint("mix ", i)
		h.put(asStudio, content)
		want = append(want, shaOf(content))
	}
	h.put(asOther, "theirs")
	if a := h.do("HEAD", "/v1/mixes/"+want[0], asStudio, nil); a.StatusCode != 200 || a.Header.Get(MixHeader) != want[0] {
		t.Errorf("head: %d", a.StatusCode)
	}
	a := h.do("GET", "/v1/mixes/"+want[0], asStudio, nil)
	if m := a.mix(t); m.Bytes != 5 || m.Problem == "" || m.Audio != nil {
		t.Errorf("get: %+v", m)
	}
	absent := h.do("GET", "/v1/mixes/"+shaOf("absent"), asStudio, nil)
	theirs := h.do("GET", "/v1/mixes/"+shaOf("theirs"), asStudio, nil)
	asked := h.do("GET", "/v1/mixes/"+shaOf("theirs")+"?studio=south", asStudio, nil)
	if absent.StatusCode != 404 || theirs.StatusCode != 404 || asked.StatusCode != 404 || !bytes.Equal(absent.body, theirs.body) || !bytes.Equal(absent.body, asked.body) {
		t.Errorf("absent %d %s, theirs %d %s, asked for %d %s", absent.StatusCode, absent.body, theirs.StatusCode, theirs.body, asked.StatusCode, asked.body)
	}
	list := func(as, query string) (all []v1.Mix) {
		next := ""
		for range 20 {
			a := h.do("GET", "/v1/mixes?limit=2&cursor="+next+query, as, nil)
			var page v1.Mixes
			if err := json.Unmarshal(a.body, &page); err != nil || a.StatusCode != 200 {
				t.Fatalf("%d %s", a.StatusCode, a.body)
			}
			all = append(all, page.Mixes...)
			if next = page.Next; next == "" {
				return all
			}
		}
		t.Fatal("the list does not end")
		return nil
	}
	for _, tt := range []struct {
		as, query string
		n         int
	}{{asStudio, "", 5}, {asOther, "", 1}, {asEngineer, "", 6}, {asEngineer, "&studio=north", 5}} {
		seen := map[string]bool{}
		for _, m := range list(tt.as, tt.query) {
			seen[m.Studio+m.SHA256] = true
			if tt.n == 5 && m.Studio != "north" {
				t.Errorf("%s sees a mix of %s", tt.as, m.Studio)
			}
		}
		if len(seen) != tt.n {
			t.Errorf("%s%s sees %d mixes, want %d", tt.as, tt.query, len(seen), tt.n)
		}
	}
	for _, q := range []string{"limit=0", "limit=x", "cursor=!", "cursor=Li4vLi4v"} {
		if a := h.do("GET", "/v1/mixes?"+q, asStudio, nil); a.StatusCode != 422 {
			t.Errorf("%s: %d", q, a.StatusCode)
		}
	}
}

type file struct{ field, name, content string }

func form(t *testing.T, files ...file) (io.Reader, string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, f := range files {
		var part io.Writer
		var err error
		if f.name == "" {
			part, err = w.CreateFormField(f.field)
		} else {
			part, err = w.CreateFormFile(f.field, f.name)
		}
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(part, f.content); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return &b, w.FormDataContentType()
}

func TestPostForm(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.MaxFiles = 3; o.Limits.MaxBytes = 1000; o.Limits.MaxBody = 5000 })
	for _, tt := range []struct {
		name   string
		files  []file
		status int
		code   v1.Code
		mixes  int
	}{
		{"three files", []file{{"file", "a.wav", wavFile}, {"file", "b.wav", "b"}, {"x", "room.yaml", "room"}}, 201, "", 3},
		{"again", []file{{"file", "a.wav", wavFile}}, 200, "", 1},
		{"hash announced", []file{{"sha256", "", shaOf("c")}, {"file", "c", "c"}, {"file", "d", "d"}}, 201, "", 2},
		{"hash wrong", []file{{"file", "e", "e"}, {"sha256", "", shaOf("g")}, {"file", "f", "f"}}, 422, v1.HashDiffers, 0},
		{"too many", []file{{"f", "1", "1"}, {"f", "2", "2"}, {"f", "3", "3"}, {"f", "4", "4"}}, 413, v1.TooLarge, 0},
		{"one too large", []file{{"f", "1", strings.Repeat("x", 1001)}}, 413, v1.TooLarge, 0},
		{"all too large", []file{{"f", "1", strings.Repeat("1", 999)}, {"note", "", strings.Repeat("n", 3000)}, {"f", "2", strings.Repeat("2", 999)}}, 413, v1.TooLarge, 0},
		{"long field", []file{{"note", "", strings.Repeat("n", 4097)}}, 422, v1.Invalid, 0},
		{"no file", []file{{"note", "", "n"}}, 422, v1.Invalid, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h.t = t
			body, kind := form(t, tt.files...)
			a := h.do("POST", "/v1/mixes", asStudio, io.MultiReader(body), "Content-Type", kind) // chunked
			if a.StatusCode != tt.status {
				t.Fatalf("%d %s, want %d", a.StatusCode, a.body, tt.status)
			}
			if tt.code != "" {
				if p := a.problem(t); p.Code != string(tt.code) {
					t.Errorf("code %s, want %s", p.Code, tt.code)
				}
				return
			}
			var got v1.Mixes
			if err := json.Unmarshal(a.body, &got); err != nil || len(got.Mixes) != tt.mixes {
				t.Fatalf("%s, %v", a.body, err)
			}
			i := 0
			for _, f := range tt.files {
				if f.name != "" {
					if got.Mixes[i].SHA256 != shaOf(f.content) || got.Mixes[i].Name != f.name {
						t.Errorf("file %d is %+v", i, got.Mixes[i])
					}
					h.holds("north", f.content)
					i++
				}
			}
		})
	}
	h.t = t
	for kind, status := range map[string]int{"text/plain": 415, "multipart/form-data": 415, "multipart/form-data; boundary=b": 400} {
		if a := h.do("POST", "/v1/mixes", asStudio, strings.NewReader("--b\r\nnonsense"), "Content-Type", kind); a.StatusCode != status {
			t.Errorf("%s: %d %s, want %d", kind, a.StatusCode, a.body, status)
		}
	}
	if files := h.files(); len(files) != 0 {
		t.Errorf("left in the spool: %v", files)
	}
}

func TestTakeAndFind(t *testing.T) {
	h := newHouse(t, nil)
	m, err := h.in.Take(t.Context(), "north", "a.wav", strings.NewReader(wavFile), "")
	if err != nil || !m.New || m.SHA256 != shaOf(wavFile) {
		t.Fatalf("%+v, %v", m, err)
	}
	if m, err = h.in.Take(t.Context(), "north", "a.wav", nil, shaOf(wavFile)); err != nil || m.New {
		t.Errorf("known, without reading: %+v, %v", m, err)
	}
	for name, err := range map[string]error{
		string(v1.MixMissing):  second(h.in.Find(t.Context(), "north", shaOf("no"))),
		string(v1.HashDiffers): second(h.in.Take(t.Context(), "north", "", strings.NewReader("x"), shaOf("y"))),
		string(v1.Invalid):     second(h.in.Take(t.Context(), "../x", "", strings.NewReader("x"), "")),
		string(v1.Internal):    second(h.in.Take(t.Context(), "north", "", io.MultiReader(strings.NewReader("x"), broken{}), "")),
	} {
		var p *v1.Problem
		if !errors.As(err, &p) || p.Code != name {
			t.Errorf("%v, want %s", err, name)
		}
	}
}

func second(_ v1.Mix, err error) error { return err }

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errors.New("disk of the sender") }

// Many senders of one mix, by every way: all succeed, one is new.
func TestConcurrentSendersOfOneMix(t *testing.T) {
	d, err := dir.Open(filepath.Join(t.TempDir(), "store"), dir.Options{Create: true})
	if err != nil {
		t.Fatal(err)
	}
	h := newHouse(t, func(o *Options) { o.Store = d; o.Limits.MinFree = -1 })
	content := wavFile + strings.Repeat("tail", 50000)
	var news atomic.Int64
	var senders sync.WaitGroup
	for i := range 24 {
		senders.Go(func() {
			switch i % 3 {
			case 0:
				a := h.put(asStudio, content)
				if a.StatusCode != 200 && a.StatusCode != 201 {
					t.Errorf("put: %d %s", a.StatusCode, a.body)
				}
				if a.StatusCode == 201 {
					news.Add(1)
				}
			case 1:
				m, err := h.in.Take(context.Background(), "north", "x", strings.NewReader(content), "")
				if err != nil {
					t.Error(err)
				}
				if m.New {
					news.Add(1)
				}
			case 2:
				where := h.create(len(content))
				if a := h.patch(where, 0, content); a.Header.Get(MixHeader) != shaOf(content) {
					t.Errorf("patch: %d %s", a.StatusCode, a.body)
				}
			}
		})
	}
	senders.Wait()
	h.holds("north", content)
	if news.Load() > 1 || h.count("stored") != 1 || h.count("known") != 23 {
		t.Errorf("%d new, observed %v", news.Load(), h.seen)
	}
}

// The form asks for room files at every display: records of mixes stay unread.
func TestSmallReadsNoRecordsOfMixes(t *testing.T) {
	h := newHouse(t, nil)
	for name, text := range map[string]string{"a.wav": wavFile, "one.yaml": "name: One\n", "two.yaml": "name: Two\n"} {
		if _, err := h.in.Take(t.Context(), "north", name, strings.NewReader(text), ""); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := h.in.Take(t.Context(), "south", "other.yaml", strings.NewReader("name: Other\n"), ""); err != nil {
		t.Fatal(err)
	}
	// A record that cannot be read would be an error if it were.
	key := infoKey("north", shaOf(wavFile))
	if err := h.store.Delete(t.Context(), key); err != nil {
		t.Fatal(err)
	}
	if _, err := h.store.Put(t.Context(), key, strings.NewReader("no record")); err != nil {
		t.Fatal(err)
	}
	for most, want := range map[int]int{9: 2, 1: 1} {
		list, err := h.in.Small(t.Context(), "north", 20, most)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) != want || slices.ContainsFunc(list, func(m v1.Mix) bool { return m.Name != "one.yaml" && m.Name != "two.yaml" }) {
			t.Errorf("at most %d: %+v", most, list)
		}
	}
	if _, err := h.in.Small(t.Context(), "north", 1<<20, 9); err == nil {
		t.Error("a damaged record passed")
	}
}
