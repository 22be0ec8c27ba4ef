package queue

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// The lanes. Express is for short work somebody waits for, bulk for the rest.
const (
	Express = "express"
	Bulk    = "bulk"
)

// Lanes lists all lanes in order of preference.
func Lanes() []string { return []string{Express, Bulk} }

// Message is one ring of the bell. It carries no more than a worker needs to
// find the job in the store.
type Message struct {
	JobID   string // 1 to 64 of A-Z a-z 0-9 _ -
	Studio  string // whose job: 1 to 200 bytes of printable UTF-8; only its hash is seen by the broker's subjects
	Lane    string // Express or Bulk
	Attempt int    // 0 to 1,000,000: the attempt this ring is for; job and attempt together are the identity
	Trace   string // W3C traceparent of the submission, or "": at most 256 bytes of printable ASCII
}

const (
	maxJobID   = 64
	maxStudio  = 200
	maxTrace   = 256
	maxAttempt = 1_000_000
	// MaxBytes is the longest encoded message; longer payloads are not ours.
	MaxBytes = 4096
)

// Validate returns nil or an *InvalidError naming the first field at fault.
func (m Message) Validate() error {
	switch {
	case m.JobID == "" || len(m.JobID) > maxJobID || strings.ContainsFunc(m.JobID, notIDRune):
		return &InvalidError{"job id", fmt.Sprintf("%q must be 1 to %d letters, digits, _ or -", clip(m.JobID), maxJobID)}
	case m.Studio == "" || len(m.Studio) > maxStudio || !utf8.ValidString(m.Studio) || strings.ContainsFunc(m.Studio, unprintable):
		return &InvalidError{"studio", fmt.Sprintf("%q must be 1 to %d bytes of printable UTF-8", clip(m.Studio), maxStudio)}
	case m.Lane != Express && m.Lane != Bulk:
		return &InvalidError{"lane", fmt.Sprintf("%q must be %s or %s", clip(m.Lane), Express, Bulk)}
	case m.Attempt < 0 || m.Attempt > maxAttempt:
		return &InvalidError{"attempt", fmt.Sprintf("%d must be 0 to %d", m.Attempt, maxAttempt)}
	case len(m.Trace) > maxTrace || strings.ContainsFunc(m.Trace, notPrintableASCII):
		return &InvalidError{"trace", fmt.Sprintf("%q must be at most %d bytes of printable ASCII", clip(m.Trace), maxTrace)}
	}
	return nil
}

func notIDRune(r rune) bool {
	return !(r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '_' || r == '-')
}

func unprintable(r rune) bool { return r == utf8.RuneError || !unicode.IsPrint(r) }

func notPrintableASCII(r rune) bool { return r < 0x20 || r > 0x7e }

// clip keeps errors short when somebody sends a novel.
func clip(s string) string {
	if len(s) > 80 {
		return s[:80] + "..."
	}
	return s
}

// ID is the identity by which doubles are recognised: job and attempt.
func (m Message) ID() string { return fmt.Sprintf("%s-%d", m.JobID, m.Attempt) }

// Key is the line in which the message waits.
func (m Message) Key() Key { return Key{Lane: m.Lane, Studio: StudioHash(m.Studio)} }

// StudioHash is the first 16 hex digits of the SHA-256 of the name: safe in
// any subject, and one studio's name cannot be made to read as another's. With
// a million studios two share a line with a chance of 1 in 37 million.
func StudioHash(studio string) string {
	sum := sha256.Sum256([]byte(studio))
	return hex.EncodeToString(sum[:8])
}

// wire is the payload. A new version may add fields; old readers ignore them.
type wire struct {
	Version int    `json:"v"`
	Job     string `json:"job"`
	Studio  string `json:"studio"`
	Lane    string `json:"lane"`
	Attempt int    `json:"attempt"`
	Trace   string `json:"trace,omitempty"`
}

const wireVersion = 1

// ErrVersion is Decode's answer to a payload of a newer program: not bad, but
// not for this worker.
var ErrVersion = errors.New("message is of a newer version")

// Encode returns the payload of a valid message.
func Encode(m Message) ([]byte, error) {
	if err := m.Validate(); err != nil {
		return nil, err
	}
	b, err := json.Marshal(wire{wireVersion, m.JobID, m.Studio, m.Lane, m.Attempt, m.Trace})
	if err != nil {
		return nil, fmt.Errorf("encode message: %w", err)
	}
	return b, nil
}

// Decode reads a payload. It returns ErrVersion for a newer one, an
// *InvalidError or a syntax error for anything that Encode cannot have made.
func Decode(b []byte) (Message, error) {
	if len(b) > MaxBytes {
		return Message{}, &InvalidError{"payload", fmt.Sprintf("%d bytes, at most %d are ours", len(b), MaxBytes)}
	}
	var w wire
	if err := json.Unmarshal(b, &w); err != nil {
		return Message{}, fmt.Errorf("decode message: %w", err)
	}
	if w.Version > wireVersion {
		return Message{}, fmt.Errorf("%w: %d, known is %d", ErrVersion, w.Version, wireVersion)
	}
	if w.Version != wireVersion {
		return Message{}, &InvalidError{"version", fmt.Sprintf("%d must be %d", w.Version, wireVersion)}
	}
	m := Message{JobID: w.Job, Studio: w.Studio, Lane: w.Lane, Attempt: w.Attempt, Trace: w.Trace}
	if err := m.Validate(); err != nil {
		return Message{}, err
	}
	return m, nil
}

// ValidDelay returns nil or an *InvalidError for a hand-back's delay: above 0
// and at most a day, since a longer pause is a decision for the store.
func ValidDelay(d time.Duration) error {
	if d <= 0 || d > 24*time.Hour {
		return &InvalidError{"delay", fmt.Sprintf("%v must be above 0 and at most 24 h", d)}
	}
	return nil
}

// CleanReason makes a reason fit for one line of a header or a log: control
// characters become spaces, 500 bytes at most, "no reason given" for nothing.
func CleanReason(s string) string {
	const most = 500
	s = strings.TrimSpace(strings.Map(func(r rune) rune {
		if unprintable(r) {
			return ' '
		}
		return r
	}, s))
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "")
	}
	if s == "" {
		return "no reason given"
	}
	return s
}
