package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"discsafe/api/v1"
)

// current says whether a client has what it asks for, and answers if so. tag names
// the bytes of what is computed from files that never change.
func current(w http.ResponseWriter, r *http.Request, tag string) bool {
	if r.Header.Get("If-None-Match") != tag {
		return false
	}
	w.Header().Set("ETag", tag)
	w.WriteHeader(http.StatusNotModified)
	return true
}

// derived answers with JSON that was computed from a result.
func (s *Server) derived(w http.ResponseWriter, r *http.Request, tag, what string, v any) {
	var b bytes.Buffer
	// Encoding fails only for a value that is no number.
	if err := json.NewEncoder(&b).Encode(v); err != nil {
		s.refuse(w, r, fmt.Errorf("encoding %s: %w", what, err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("ETag", tag)
	h.Set("Cache-Control", "private, no-cache")
	h.Set("Content-Length", strconv.Itoa(b.Len()))
	_, _ = w.Write(b.Bytes()) // a client that has gone cannot be told so
}

// onceOf holds a query against the parameters there are, each at most once.
func onceOf(q url.Values, names ...string) *v1.Problem {
	for name, v := range q {
		if !slices.Contains(names, name) {
			return invalid("query."+name, "unknown query parameter")
		}
		if len(v) > 1 {
			return invalid("query."+name, "want it once")
		}
	}
	return nil
}

// secondsOf reads a parameter that is a moment.
func secondsOf(q url.Values, name string) (float64, *v1.Problem) {
	s, err := strconv.ParseFloat(q.Get(name), 64)
	if err != nil || !(s >= 0) || math.IsInf(s, 1) {
		return 0, invalid("query."+name, "want seconds, 0 or more")
	}
	return s, nil
}
