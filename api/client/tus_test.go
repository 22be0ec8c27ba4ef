package client

import (
	"bytes"
	"encoding/base64"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"

	"discsafe/api/v1"
)

// intake is a double of the service's intake: mixes by hash, and a tus 1.0
// server that breaks off where it is told to.
type intake struct {
	mu    sync.Mutex
	mixes map[string][]byte
	ups   map[string]*up
	n     int   // uploads begun
	taken int64 // bytes taken by PATCH

	cuts     map[int64]bool // offsets before whose byte the connection breaks, once each
	location string         // before the identifier; empty: /v1/uploads/
	patch    func(w http.ResponseWriter, r *http.Request, u *up) (answered bool)
	head     func(w http.ResponseWriter, r *http.Request, u *up) (answered bool)
	finish   func(w http.ResponseWriter, u *up, sha string) (answered bool)
	recorder
}

type up struct {
	id     string
	length int64
	sha    string
	data   []byte
}

func newIntake() *intake {
	return &intake{mixes: map[string][]byte{}, ups: map[string]*up{}, cuts: map[int64]bool{}}
}

func (in *intake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	in.note(r.Method + " " + r.URL.Path)
	if r.Header.Get("Authorization") != "Bearer "+token {
		v1.NewProblem(v1.Unauthorized, "").Write(w)
		return
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	sha, isMix := strings.CutPrefix(r.URL.Path, "/v1/mixes/")
	id, isUp := strings.CutPrefix(r.URL.Path, "/v1/uploads/")
	switch {
	case isMix && r.Method == http.MethodPut:
		b, err := in.read(r, 0)
		if err != nil {
			panic(http.ErrAbortHandler)
		}
		if sum(b) != sha {
			v1.NewProblem(v1.HashDiffers, "").Write(w)
			return
		}
		in.mixes[sha] = b
		writeJSON(w, http.StatusCreated, v1.Mix{SHA256: sha, Bytes: int64(len(b)), Name: r.URL.Query().Get("name"), New: true})
	case isMix:
		b, ok := in.mixes[sha]
		if !ok {
			v1.NewProblem(v1.NotFound, "").Write(w)
			return
		}
		writeJSON(w, http.StatusOK, v1.Mix{SHA256: sha, Bytes: int64(len(b))})
	case r.URL.Path == "/v1/uploads" && r.Method == http.MethodPost:
		in.begin(w, r)
	case isUp:
		u, ok := in.ups[id]
		if !ok || r.Header.Get("Tus-Resumable") != "1.0.0" {
			v1.NewProblem(v1.NotFound, "").Write(w)
			return
		}
		in.upload(w, r, u)
	default:
		v1.NewProblem(v1.NotFound, "no such address").Write(w)
	}
}

func (in *intake) begin(w http.ResponseWriter, r *http.Request) {
	n, err := strconv.ParseInt(r.Header.Get("Upload-Length"), 10, 64)
	if err != nil {
		v1.NewProblem(v1.BadRequest, "").Write(w)
		return
	}
	in.n++
	u := &up{id: "up" + strconv.Itoa(in.n), length: n}
	for p := range strings.SplitSeq(r.Header.Get("Upload-Metadata"), ",") {
		k, v, _ := strings.Cut(p, " ")
		if b, err := base64.StdEncoding.DecodeString(v); err == nil && k == "sha256" {
			u.sha = string(b)
		}
	}
	in.ups[u.id] = u
	l := in.location
	if l == "" {
		l = "/v1/uploads/"
	}
	w.Header().Set("Location", l+u.id)
	w.WriteHeader(http.StatusCreated)
}

func (in *intake) upload(w http.ResponseWriter, r *http.Request, u *up) {
	w.Header().Set("Tus-Resumable", "1.0.0")
	w.Header().Set("Cache-Control", "no-store")
	if r.Method == http.MethodHead {
		if in.head != nil && in.head(w, r, u) {
			return
		}
		w.Header().Set("Upload-Length", strconv.FormatInt(u.length, 10))
		w.Header().Set("Upload-Offset", strconv.Itoa(len(u.data)))
		return
	}
	if in.patch != nil && in.patch(w, r, u) {
		return
	}
	if r.Header.Get("Upload-Offset") != strconv.Itoa(len(u.data)) {
		_, _ = io.Copy(io.Discard, r.Body)
		v1.NewProblem(v1.UploadConflict, "stands at "+strconv.Itoa(len(u.data))).Write(w)
		return
	}
	b, err := in.read(r, int64(len(u.data)))
	u.data = append(u.data, b...)
	in.taken += int64(len(b))
	if err != nil {
		panic(http.ErrAbortHandler)
	}
	if int64(len(u.data)) == u.length && (in.finish == nil || !in.finish(w, u, sum(u.data))) {
		if s := sum(u.data); s != u.sha {
			delete(in.ups, u.id)
			v1.NewProblem(v1.HashDiffers, "got "+s).Write(w)
			return
		}
		in.mixes[u.sha] = u.data
	}
	w.Header().Set("Upload-Offset", strconv.Itoa(len(u.data)))
	w.WriteHeader(http.StatusNoContent)
}

// read reads a body whose first byte lies at the offset, up to a cut.
func (in *intake) read(r *http.Request, at int64) ([]byte, error) {
	var b bytes.Buffer
	for {
		if in.cuts[at+int64(b.Len())] {
			delete(in.cuts, at+int64(b.Len()))
			return b.Bytes(), io.ErrUnexpectedEOF
		}
		if _, err := io.CopyN(&b, r.Body, 1); err == io.EOF {
			return b.Bytes(), nil
		} else if err != nil {
			return b.Bytes(), err
		}
	}
}
