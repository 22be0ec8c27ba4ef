package client

import (
	"bufio"
	"errors"
	"io"
	"strings"
	"time"
	"unicode/utf8"
)

// maxEvent bounds one event: its lines, and one line.
const maxEvent = 4 << 20

var errEventTooLong = errors.New("an event of the stream is longer than 4 MiB")

// streamEvent is one event of a stream.
type streamEvent struct {
	Type string // "message" if the stream names none
	Data string
	ID   string // the last one seen, of this or an earlier event
}

// eventReader reads a stream of server-sent events as the HTML standard has it:
// https://html.spec.whatwg.org/multipage/server-sent-events.html#event-stream-interpretation
type eventReader struct {
	r      *bufio.Reader
	begun  bool
	skipLF bool // the line before ended in CR
	line   []byte

	kind    string
	dataBuf strings.Builder
	idBuf   string

	lastID string
	retry  time.Duration // 0: the stream has not said
}

// newEventReader reads r. lastID is what an earlier stream ended with.
func newEventReader(r io.Reader, lastID string) *eventReader {
	return &eventReader{r: bufio.NewReaderSize(r, 16<<10), idBuf: lastID, lastID: lastID}
}

// next is the next event. An event that the end of the stream cuts short is
// not one; the error is then io.EOF.
func (e *eventReader) next() (streamEvent, error) {
	for {
		line, err := e.readLine()
		if err != nil {
			return streamEvent{}, err
		}
		if line == "" {
			if ev, ok := e.dispatch(); ok {
				return ev, nil
			}
			continue
		}
		field, value, _ := strings.Cut(line, ":")
		if err := e.field(field, strings.TrimPrefix(value, " ")); err != nil {
			return streamEvent{}, err
		}
	}
}

func (e *eventReader) field(name, value string) error {
	switch name {
	case "event":
		e.kind = value
	case "data":
		if e.dataBuf.Len()+len(value) >= maxEvent {
			return errEventTooLong
		}
		e.dataBuf.WriteString(value)
		e.dataBuf.WriteByte('\n')
	case "id":
		if !strings.ContainsRune(value, 0) {
			e.idBuf = value
		}
	case "retry":
		if d, ok := digits(value); ok {
			e.retry = d
		}
	}
	// A comment has an empty name. Other names are ignored, as the standard says.
	return nil
}

func (e *eventReader) dispatch() (streamEvent, bool) {
	e.lastID = e.idBuf
	data, kind := e.dataBuf.String(), e.kind
	e.dataBuf.Reset()
	e.kind = ""
	if data == "" {
		return streamEvent{}, false
	}
	if kind == "" {
		kind = "message"
	}
	return streamEvent{Type: kind, Data: strings.TrimSuffix(data, "\n"), ID: e.lastID}, true
}

// readLine reads to CRLF, LF or CR. After CR it does not wait for what comes
// next, for that may be a long time. A line without an end is no line.
func (e *eventReader) readLine() (string, error) {
	e.line = e.line[:0]
	for {
		b, err := e.r.ReadByte()
		if err != nil {
			return "", err
		}
		if b == '\n' && e.skipLF {
			e.skipLF = false
			continue
		}
		e.skipLF = b == '\r'
		if b == '\n' || b == '\r' {
			return e.text(), nil
		}
		if len(e.line) == maxEvent {
			return "", errEventTooLong
		}
		e.line = append(e.line, b)
	}
}

// text is the line decoded: one byte order mark at the very start is dropped,
// bytes that are not UTF-8 become U+FFFD.
func (e *eventReader) text() string {
	s := string(e.line)
	if !e.begun {
		e.begun = true
		s = strings.TrimPrefix(s, "\ufeff")
	}
	if !utf8.ValidString(s) {
		s = strings.ToValidUTF8(s, "\ufffd")
	}
	return s
}

// digits reads milliseconds of ASCII digits only, bounded to an hour.
func digits(s string) (time.Duration, bool) {
	if s == "" {
		return 0, false
	}
	var n int64
	for _, b := range []byte(s) {
		if b < '0' || b > '9' {
			return 0, false
		}
		n = min(n*10+int64(b-'0'), int64(time.Hour/time.Millisecond))
	}
	return time.Duration(n) * time.Millisecond, true
}
