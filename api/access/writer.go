package access

import (
	"io"
	"net/http"
)

// writer notes what is answered. http.ResponseController reaches the writer
// below through Unwrap; Flush and ReadFrom are here because callers also ask for
// them by type.
type writer struct {
	http.ResponseWriter
	status int // 0 until answered
	bytes  int64
}

var (
	_ http.Flusher  = (*writer)(nil)
	_ io.ReaderFrom = (*writer)(nil)
)

func (w *writer) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func (w *writer) WriteHeader(status int) {
	// 1xx but 101 comes before the answer.
	if w.status == 0 && (status >= 200 || status == http.StatusSwitchingProtocols) {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *writer) Write(b []byte) (int, error) {
	w.begun()
	n, err := w.ResponseWriter.Write(b)
	w.bytes += int64(n)
	return n, err
}

// ReadFrom keeps the short way from file to socket open.
func (w *writer) ReadFrom(r io.Reader) (int64, error) {
	w.begun()
	n, err := io.Copy(w.ResponseWriter, r)
	w.bytes += n
	return n, err
}

// Flush implements http.Flusher. A writer that cannot flush does not.
func (w *writer) Flush() { _ = w.FlushError() }

// FlushError is what http.ResponseController calls.
func (w *writer) FlushError() error {
	w.begun()
	return http.NewResponseController(w.ResponseWriter).Flush()
}

func (w *writer) begun() {
	if w.status == 0 {
		w.status = http.StatusOK
	}
}
