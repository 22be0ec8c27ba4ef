package api

import (
	"encoding/json"
	"errors"
	"net/http"

	"discsafe/api/access"
	"discsafe/worker/store"
)

// write answers with JSON.
func write(w http.ResponseWriter, status int, v any) {
	h := w.Header()
	h.Set("Content-Type", "application/json")
	if h.Get("Cache-Control") == "" {
		h.Set("Cache-Control", "no-store")
	}
	w.WriteHeader(status)
	// A client that has gone cannot be told so.
	_ = json.NewEncoder(w).Encode(v)
}

func isNotFound(err error) bool { return errors.Is(err, store.ErrNotFound) }

func isUnknownToken(err error) bool { return errors.Is(err, access.ErrUnknown) }
