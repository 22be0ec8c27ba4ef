package lab

import (
	"encoding/json"
	"fmt"
	"os"
	"sync"
	"time"
)

// History is what happened in a run, one JSON object a line.
type History struct {
	mu    sync.Mutex
	f     *os.File
	began time.Time
}

// OpenHistory begins a history in a file.
func OpenHistory(path string) (*History, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	return &History{f: f, began: time.Now()}, nil
}

// Note adds a line: what kind of thing, and name-value pairs.
func (h *History) Note(suite, kind string, pairs ...any) {
	line := map[string]any{"t_s": float64(time.Since(h.began).Milliseconds()) / 1000, "suite": suite, "kind": kind}
	for i := 0; i+1 < len(pairs); i += 2 {
		v := pairs[i+1]
		switch x := v.(type) {
		case error:
			v = x.Error()
		case time.Duration:
			v = x.Seconds()
		}
		line[fmt.Sprint(pairs[i])] = v
	}
	b, err := json.Marshal(line)
	if err != nil {
		b = fmt.Appendf(nil, `{"suite":%q,"kind":"unwritable","error":%q}`, suite, err.Error())
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	_, _ = h.f.Write(append(b, '\n')) // the verdict does not depend on it
}

// Close ends the history.
func (h *History) Close() error { return h.f.Close() }
